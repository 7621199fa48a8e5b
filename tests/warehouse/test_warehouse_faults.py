"""A warehouse that cannot be used: one clear sentence, and everything as it was."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import WarehouseError
from pipeline.settings import Workspace
from pipeline.warehouse import Warehouse, open_warehouse
from tests.warehouse_frames import load_rows

ROOT = Path(__file__).parents[2]
LOTS = [{"lot_id": str(number), "address": os.urandom(40).hex()} for number in range(20_000)]


def contents(workspace: Workspace) -> tuple[int, int, int]:
    with open_warehouse(workspace) as warehouse:
        return warehouse.frame(
            """SELECT (SELECT count(*) FROM core.lots), (SELECT count(*) FROM records.loads),
            (SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'landing')"""
        ).row(0)


@contextmanager
def other_process(code: str, workspace: Workspace):
    """Run code in a process of its own that says "ready" and then waits."""
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(workspace.root)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        yield child
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


HOLD = """
import sys, time
from pathlib import Path
from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse
with open_warehouse(Workspace(Path(sys.argv[1]))) as warehouse:
    print("ready", flush=True)
    time.sleep(60)
"""


def test_a_second_loader_is_told_who_holds_the_lock(workspace):
    with (
        other_process(HOLD, workspace) as child,
        pytest.raises(WarehouseError) as caught,
        open_warehouse(workspace),
    ):
        pass
    assert str(caught.value) == (
        f"another load or build is running (process {child.pid}). "
        "Wait until it has ended, then run the command again."
    )
    assert caught.value.exit_code == 3


def test_a_dead_holder_does_not_block(workspace):
    with other_process(HOLD, workspace) as child:
        child.kill()
        child.wait()
        assert workspace.lock.read_text() == str(child.pid)
        assert contents(workspace) == (0, 0, 1)


def test_readers_are_told_that_another_program_has_the_file_open(workspace):
    with open_warehouse(workspace):
        pass
    with (
        other_process(HOLD, workspace),
        pytest.raises(WarehouseError) as caught,
        open_warehouse(workspace, read_only=True),
    ):
        pass
    assert str(caught.value) == (
        "warehouse.duckdb: a running load or build, or another program, has this file open. "
        "Wait until it has ended, or close it, then run the command again."
    )


def test_reading_where_nothing_was_loaded(workspace):
    with (
        pytest.raises(WarehouseError, match=r"there is no warehouse in .* yet\. Load a file first\."),
        open_warehouse(workspace, read_only=True),
    ):
        pass
    assert not workspace.warehouse.exists()


@pytest.mark.parametrize("garbage", [b"", b"lot_id,year_built\n1,1950\n" * 500, b"\x00" * 20_000])
def test_a_file_that_is_no_warehouse(workspace, garbage):
    workspace.warehouse.write_bytes(garbage)
    with pytest.raises(WarehouseError) as caught, open_warehouse(workspace):
        pass
    assert str(caught.value) == (
        "warehouse.duckdb: this is no Underlot warehouse, or it is damaged. "
        "Put back a copy, or move the file away and load again."
    )
    assert workspace.warehouse.read_bytes() == garbage


@pytest.mark.parametrize("share", [0.01, 0.3, 0.6])
def test_a_warehouse_cut_short(workspace, share):
    with open_warehouse(workspace) as warehouse:
        load_rows(warehouse, "lots", LOTS)
    whole = workspace.warehouse.read_bytes()
    workspace.warehouse.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(WarehouseError, match="damaged"), open_warehouse(workspace) as warehouse:
        warehouse.frame("SELECT * FROM core.lots JOIN landing.load_000001 USING (source_row)")


def test_a_file_that_may_not_be_written(workspace, monkeypatch):
    with open_warehouse(workspace) as warehouse:
        load_rows(warehouse, "lots", [{"lot_id": "A"}])
    before = workspace.warehouse.read_bytes()
    workspace.warehouse.chmod(0o444)
    if os.geteuid() == 0:  # root may write anything; ask as another user would
        monkeypatch.setattr(os, "access", lambda path, mode: not (mode & os.W_OK))
    with pytest.raises(WarehouseError) as caught, open_warehouse(workspace):
        pass
    assert str(caught.value) == (
        "warehouse.duckdb: this file or its folder may not be written to. "
        "Correct the permissions or choose another workspace."
    )
    assert workspace.warehouse.read_bytes() == before


@contextmanager
def small_disk(folder: Path, size: str):
    """Mount a small disk in memory; only root can."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("needs the right to mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_read_only_disk(tmp_path):
    with small_disk(tmp_path / "disk", "8m") as disk:
        workspace = Workspace(disk)
        with open_warehouse(workspace) as warehouse:
            load_rows(warehouse, "lots", [{"lot_id": "A"}])
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with pytest.raises(WarehouseError, match="may not be written to"), open_warehouse(workspace):
            pass
        with open_warehouse(workspace, read_only=True) as warehouse:
            assert warehouse.frame("FROM core.lots").height == 1


@pytest.mark.parametrize("size", ["2m", "3m", "4m", "5m"])
def test_a_full_disk_leaves_the_warehouse_as_it_was(tmp_path, size):
    with small_disk(tmp_path / "disk", size) as disk:
        workspace = Workspace(disk)
        with open_warehouse(workspace) as warehouse:
            load_rows(warehouse, "lots", [{"lot_id": "A"}])
        with pytest.raises(WarehouseError) as caught, open_warehouse(workspace) as warehouse:
            load_rows(warehouse, "lots", LOTS)
        assert str(caught.value) == (
            "warehouse.duckdb: the disk is full, so nothing was written. Free some space and run the command again."
        )
        assert contents(workspace) == (1, 1, 2)


LIMITED = """
import resource, signal, sys
from pathlib import Path
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from pipeline.errors import WarehouseError
from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse
from tests.warehouse_frames import load_rows
import os
lots = [{"lot_id": str(number), "address": os.urandom(40).hex()} for number in range(20_000)]
resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, 2_000_000))
try:
    with open_warehouse(Workspace(Path(sys.argv[1]))) as warehouse:
        load_rows(warehouse, "lots", lots)
except WarehouseError as fault:
    print(fault)
    sys.exit(fault.exit_code)
"""


def test_a_disk_quota_leaves_the_warehouse_as_it_was(workspace):
    with open_warehouse(workspace) as warehouse:
        load_rows(warehouse, "lots", [{"lot_id": "A"}])
    child = subprocess.run(
        [sys.executable, "-c", LIMITED, str(workspace.root)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert child.returncode == 3, child.stderr
    assert "the disk is full" in child.stdout
    assert contents(workspace) == (1, 1, 2)


def test_a_fault_in_the_middle_of_a_load_leaves_nothing_behind(workspace, monkeypatch):
    def fail(*_: object) -> None:
        raise duckdb.OutOfMemoryException("Out of Memory Error: could not allocate block")

    with open_warehouse(workspace) as warehouse:
        load_rows(warehouse, "lots", [{"lot_id": "A"}])
        with monkeypatch.context() as patch:
            patch.setattr("pipeline.steps.load._store_report", fail)
            with pytest.raises(WarehouseError, match="memory ran out"):
                load_rows(warehouse, "lots", [{"lot_id": "B"}])
        assert load_rows(warehouse, "lots", [{"lot_id": "C"}]).load_id == 2
    assert contents(workspace) == (2, 2, 3)


KILLED = """
import sys
from pathlib import Path
from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse
from tests.warehouse_frames import load_rows
number = sys.argv[2]
rows = [{"lot_id": f"{number}-{at}", "address": f"{at} Invented Street", "x": float(at)} for at in range(60_000)]
print("ready", flush=True)
with open_warehouse(Workspace(Path(sys.argv[1]))) as warehouse:
    load_rows(warehouse, "lots", rows)
print("done", flush=True)
"""


@pytest.mark.slow
def test_kill_in_the_middle_of_a_load_leaves_all_or_none(workspace):
    """SIGKILL at moments spread over the whole load; each load is 60,000 rows and one line in records.loads."""
    with open_warehouse(workspace):
        pass
    n_loads, span, kept, lost = 0, None, 0, 0
    for number in range(16):
        child = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(workspace.root), str(number)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        started = time.monotonic()
        if span is None:  # the first is left alone, to learn how long a load takes
            assert child.stdout.readline() == "done\n"
            span = time.monotonic() - started
        else:
            time.sleep(span * number / 14)
            child.kill()
        child.wait()
        child.stdout.close()
        n_lots, n_now, n_landing = contents(workspace)
        assert n_lots == 60_000 * n_now, "a load is there in part"
        assert n_landing == n_now + 1, "landing and core disagree"
        assert n_now - n_loads in {0, 1}
        kept, lost = kept + (n_now > n_loads), lost + (n_now == n_loads)
        n_loads = n_now
    assert kept + lost == 16
    assert lost >= 5, "the kills came too late to prove anything"


def test_transactions_are_kept_as_a_whole_or_not_at_all(warehouse: Warehouse):
    def stumble() -> None:
        with warehouse.transaction() as con:
            con.execute("INSERT INTO core.lots (lot_id, load_id, source_row) VALUES ('A', 1, 2)")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        stumble()
    assert warehouse.frame("FROM core.lots").is_empty()
    with warehouse.transaction() as con:
        con.execute("INSERT INTO core.lots (lot_id, load_id, source_row) VALUES ('A', 1, 2)")
    assert warehouse.frame("FROM core.lots").height == 1


def test_nothing_is_fetched_from_outside(warehouse: Warehouse):
    with warehouse.transaction() as con:
        for setting in (
            "autoinstall_known_extensions",
            "autoload_known_extensions",
            "allow_community_extensions",
        ):
            assert con.execute("SELECT current_setting(?)", [setting]).fetchall() == [(False,)]
