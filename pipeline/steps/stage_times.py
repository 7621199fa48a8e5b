"""How far a build has come, by the time that each stage took in the build before."""

from __future__ import annotations

import json
import time
from pathlib import Path

#: Stages of a build whose times nobody has measured yet.
USUAL_STAGES = 18


class StageClock:
    """Times the stages of a build, and tells the share that is done from the times of the one before.

    Parameters
    ----------
    file : Path
        Where the times are kept; unreadable or missing times only make the share a guess.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        self._before = _read(file)
        self._begun: list[tuple[str, float]] = []

    def share_done(self, stage: str) -> float:
        """Note the start of a stage; return the share of the work that lies before it, 0 to 1."""
        done = [name for name, _ in self._begun]
        self._begun.append((stage, time.monotonic()))
        total = sum(self._before.values())
        if stage not in self._before or total <= 0:
            return min(len(done) / USUAL_STAGES, 0.95)
        return sum(self._before.get(name, 0.0) for name in done) / total

    def keep(self) -> None:
        """Keep the times for the next build."""
        ends = [start for _, start in self._begun[1:]] + [time.monotonic()]
        times = {name: end - start for (name, start), end in zip(self._begun, ends, strict=True)}
        self._file.parent.mkdir(parents=True, exist_ok=True)
        self._file.write_text(json.dumps(times, indent=1), encoding="utf-8")


def _read(file: Path) -> dict[str, float]:
    try:
        given = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {str(name): float(seconds) for name, seconds in given.items()} if isinstance(given, dict) else {}
