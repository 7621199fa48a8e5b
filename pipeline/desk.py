"""Work that the dashboard hands to a process of its own: one request in, lines of JSON out.

`python -m pipeline.desk` reads one JSON object from stdin: `{"do": …, "workspace": …, …}`. It writes one
JSON object a line: `{"stage": …, "share": …}` while it works, then `{"answer": …}`, or `{"fault": …}` with
a sentence for the user. A page can so show progress, and a long build holds up nobody else's page.
"""

from __future__ import annotations

import json
import sys
import tomllib
import traceback
import uuid
from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

import tomli_w

from pipeline import validate
from pipeline.column_map import ColumnMap
from pipeline.errors import UnderlotError
from pipeline.settings import Workspace
from pipeline.steps.load import load_checked
from pipeline.steps.load_plan import plan_load, save_map
from pipeline.steps.mending import mended
from pipeline.steps.proposed import checked_in_words, proposal_in_words
from pipeline.steps.rejects import export_rejects
from pipeline.steps.stage_times import StageClock
from pipeline.warehouse import open_warehouse

Request = dict[str, Any]
Tell = Callable[..., None]


def main() -> None:
    """Answer the one request on stdin."""
    request: Request = json.load(sys.stdin)
    workspace = Workspace(Path(request["workspace"]))
    try:
        _say(answer=ACTIONS[request["do"]](workspace, request, _say))
    except UnderlotError as fault:
        _say(fault=str(fault))
    except Exception:
        _say(fault=_defect(workspace, str(request["do"])))


def _say(**line: Any) -> None:
    sys.stdout.write(json.dumps(line, default=str) + "\n")
    sys.stdout.flush()


def _defect(workspace: Workspace, what: str) -> str:
    """Keep the details in the workspace's log, and return the sentence that names them."""
    reference = uuid.uuid4().hex[:8]
    workspace.logs.mkdir(parents=True, exist_ok=True)
    (workspace.logs / f"{reference}.log").write_text(f"{what}\n\n{traceback.format_exc()}", encoding="utf-8")
    return (
        f"This is a defect in Underlot, not in your file (reference {reference}). Your records are as they were. "
        f"Details: logs/{reference}.log in the workspace."
    )


def _map_of(request: Request) -> ColumnMap:
    return ColumnMap.from_toml(tomli_w.dumps(request["map"]), name=request.get("map_name"))


def propose(workspace: Workspace, request: Request, tell: Tell) -> Any:
    """Say what each header of a file is taken for."""
    tell(stage="Reading the file")
    given = _map_of(request) if "map" in request else None
    plan = plan_load(
        Path(request["file"]), column_map=given, layout=request.get("layout"), sheet=request.get("sheet")
    )
    return proposal_in_words(plan)


def check(workspace: Workspace, request: Request, tell: Tell) -> Any:
    """Say how many rows can be taken with a map and some mended cells, and what is wrong with the others."""
    tell(stage="Reading the file")
    column_map = _map_of(request)
    plan = plan_load(Path(request["file"]), column_map=column_map)
    raw = mended(plan.raw, request.get("cells", []))
    tell(stage=f"Checking {raw.n_read:,} rows")
    return checked_in_words(raw, validate.check(raw, column_map, today=date.today()), column_map)


def take(workspace: Workspace, request: Request, tell: Tell) -> Any:
    """Load a file with a map and some mended cells."""
    column_map = _map_of(request)
    plan = plan_load(Path(request["file"]), column_map=column_map)
    raw = mended(plan.raw, request.get("cells", []))
    workspace.create()
    tell(stage=f"Checking {raw.n_read:,} rows")
    checked = validate.check(raw, column_map, today=date.today())
    with open_warehouse(workspace) as warehouse:
        report = load_checked(warehouse, raw, checked, column_map, progress=lambda text: tell(stage=text))
    save_map(workspace, plan)
    return asdict(report)


def rejected(workspace: Workspace, request: Request, tell: Tell) -> Any:
    """Write the rejected rows of a load to a file that can be mended like any other; return it with its map."""
    tell(stage="Looking the rows up")
    export = export_rejects(workspace, Path(request["file"]), load_id=request["load_id"])
    with open_warehouse(workspace, read_only=True) as warehouse:
        found = warehouse.frame("SELECT map_toml FROM records.loads WHERE load_id = ?", (export.load_id,))
    return {**asdict(export), "map": tomllib.loads(found["map_toml"][0])}


def make(workspace: Workspace, request: Request, tell: Tell) -> Any:
    """Build and publish, with the share that is done as the build before took its time."""
    # Only a build needs the models, which take a second and a half to import; who drops a file does not wait for them.
    from pipeline.steps.build import build  # noqa: PLC0415

    clock = StageClock(workspace.logs / "build_times.json")

    def progress(text: str) -> None:
        stage = text.partition("]")[2].strip()
        tell(stage=stage, share=clock.share_done(stage))

    report = build(workspace, progress=progress)
    clock.keep()
    return asdict(report)


ACTIONS: dict[str, Callable[[Workspace, Request, Tell], Any]] = {
    "propose": propose,
    "check": check,
    "load": take,
    "rejected": rejected,
    "build": make,
}

if __name__ == "__main__":
    main()
