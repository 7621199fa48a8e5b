"""Start of the installed `underlot` command.

The wheel keeps our packages in one private folder (`underlot_app/`); the code itself imports them as
`pipeline`, `models`, … Putting that folder first on the path makes both true, and makes a stranger's
`models.py` in the current folder harmless. In a checkout the same folder is the repository's root.
"""

from __future__ import annotations

import sys
from pathlib import Path


def main() -> None:
    """Run the command line."""
    home = str(Path(__file__).resolve().parent.parent)
    if home in sys.path:
        sys.path.remove(home)
    sys.path.insert(0, home)
    try:
        from pipeline.cli import main as run  # noqa: PLC0415 - importable only after the path is set
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        sys.exit(130)
    run()
