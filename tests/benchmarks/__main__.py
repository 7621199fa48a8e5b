"""Run every bench_*.py beside this file, each in a fresh process so that peak memory is its own."""

import subprocess
import sys
from pathlib import Path


def main() -> int:
    """Run the benchmarks named on the command line, or all."""
    here = Path(__file__).parent
    wanted = sys.argv[1:]
    failed = 0
    for script in sorted(here.glob("bench_*.py")):
        if wanted and script.stem.removeprefix("bench_") not in wanted:
            continue
        print(f"\n== {script.stem}", flush=True)  # noqa: T201
        failed += (
            subprocess.run([sys.executable, str(script)], cwd=here.parents[1], check=False).returncode != 0
        )
    return failed


if __name__ == "__main__":
    sys.exit(main())
