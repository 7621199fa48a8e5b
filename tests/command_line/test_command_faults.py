"""Each fault a user can meet: one sentence, the right exit code, nothing half done."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import cli as cli_module
from pipeline.commands import build as build_module
from pipeline.commands import load as load_module
from pipeline.settings import Settings, Workspace
from pipeline.warehouse import open_warehouse

JOBS = """Address,Date,Year built,Pipe,Length,Verdict
12 Alder Street,2021-03-04,1952,4" clay,60,repair
14 Alder Street,2021-03-05,1953,4" clay,55,serviceable
"""


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    path = tmp_path / "jobs.csv"
    path.write_text(JOBS)
    return path


def one_sentence(text: str) -> str:
    lines = [line for line in text.splitlines() if line.strip()]
    assert "Traceback" not in text
    return lines[-1]


def test_no_command_shows_the_help(underlot) -> None:
    answer = underlot()
    assert answer.code == 2
    assert "First time:" in answer.err + answer.out


@pytest.mark.parametrize(
    "arguments", [["nonsense"], ["score", "--colour", "red"], ["load"], ["demo", "--lots", "many"]]
)
def test_a_wrong_call_is_2(underlot, arguments: list[str]) -> None:
    answer = underlot(*arguments)
    assert answer.code == 2
    assert "Traceback" not in answer.err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["build"], 3, "Nothing is loaded yet. Load a file with `underlot load FILE` first."),
        (["rejects"], 3, "Nothing is loaded yet. Load a file with `underlot load FILE` first."),
        (["score", "12 Alder Street"], 3, "nothing has been published yet. Run `underlot build` first."),
        (["dashboard", "--no-browser"], 3, "nothing has been published yet. Run `underlot build` first."),
        (["demo", "--lots", "10", "--no-serve"], 2, "a town needs at least 500 lots. Ask for more."),
        (["score"], 2, "Ask for one thing"),
        (["load", "absent.csv", "--yes"], 3, "absent.csv"),
    ],
)
def test_faults_in_an_empty_workspace(underlot, tmp_path: Path, arguments, code: int, words: str) -> None:
    answer = underlot(*arguments, workspace=tmp_path / "new")
    assert answer.code == code
    assert words in one_sentence(answer.err)


def test_an_unknown_sheet_of_headers_is_refused(underlot, tmp_path: Path) -> None:
    path = tmp_path / "menu.csv"
    path.write_text("dish,calories\nsoup,120\n")
    answer = underlot("load", path, "--yes", workspace=tmp_path / "w")
    assert answer.code == 3
    assert one_sentence(answer.err).startswith("menu.csv: no header looks like a column")
    assert not (tmp_path / "w").exists()


def test_an_unknown_layout_is_refused(underlot, jobs: Path, tmp_path: Path) -> None:
    answer = underlot("load", jobs, "--layout", "pipes", workspace=tmp_path / "w")
    assert answer.code == 2
    assert "--layout pipes: no such layout. Use one of: lots, segments," in one_sentence(answer.err)


def test_a_map_that_is_not_there_is_refused(underlot, jobs: Path, tmp_path: Path) -> None:
    answer = underlot("load", jobs, "--map", tmp_path / "none.toml", workspace=tmp_path / "w")
    assert answer.code == 2
    assert one_sentence(answer.err).startswith("none.toml: the column map cannot be read")


def test_a_missing_column_is_named(underlot, tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    path.write_text("inspection_id,kind\nJ1,crack\n")
    answer = underlot("load", path, "--layout", "findings", "--yes", workspace=tmp_path / "w")
    assert answer.code == 2
    assert "findings.csv: no column was found for: at_ft." in one_sentence(answer.err)
    assert not (tmp_path / "w").exists()


def test_without_somebody_to_ask_nothing_is_loaded(underlot, jobs: Path, tmp_path: Path) -> None:
    answer = underlot("load", jobs, workspace=tmp_path / "w")
    assert answer.code == 2
    assert "run again with --yes, or write a map and give it with --map." in one_sentence(answer.err)
    assert "Pipe" in answer.out
    assert "material_run" in answer.out
    assert not (tmp_path / "w").exists()


def test_a_map_is_kept_only_for_rows_that_were_taken(
    underlot, jobs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The help promises that the answer is kept: no answer, or no load, and there is nothing to keep."""
    workspace = Workspace(tmp_path / "w")
    monkeypatch.setattr(load_module, "_ask", lambda _plans: False)
    declined = underlot("load", jobs, workspace=workspace.root)
    assert (declined.code, declined.err.strip()) == (2, "Nothing was loaded.")
    assert not workspace.maps.exists()
    workspace.create()
    with open_warehouse(workspace):
        refused = underlot("load", jobs, "--yes", workspace=workspace.root)
    assert refused.code == 3
    assert not list(workspace.maps.glob("*"))
    assert "The map is kept" not in refused.err
    taken = underlot("load", jobs, "--yes", workspace=workspace.root)
    assert taken.code == 0
    assert f"The map is kept in {workspace.maps / 'jobs.toml'}" in taken.err


def test_a_map_that_was_edited_is_not_replaced(underlot, jobs: Path, tmp_path: Path) -> None:
    maps = tmp_path / "w" / "maps"
    assert underlot("load", jobs, "--yes", workspace=tmp_path / "w").code == 0
    proposed = (maps / "jobs.toml").read_text(encoding="utf-8")
    (maps / "jobs.toml").write_text("# mine\n" + proposed, encoding="utf-8")
    for _ in range(2):
        again = underlot("load", jobs, "--yes", workspace=tmp_path / "w")
        assert f"The map is kept in {maps / 'jobs_2.toml'}" in again.err
    assert (maps / "jobs.toml").read_text(encoding="utf-8") == "# mine\n" + proposed
    assert (maps / "jobs_2.toml").read_text(encoding="utf-8") == proposed
    assert len(list(maps.glob("*"))) == 2


def test_a_map_that_cannot_be_kept_is_told_after_the_load(underlot, jobs: Path, tmp_path: Path) -> None:
    (tmp_path / "w").mkdir()
    (tmp_path / "w" / "maps").write_text("no folder")
    answer = underlot("load", jobs, "--yes", workspace=tmp_path / "w")
    assert answer.code == 2
    assert "jobs.csv: 2 read" in answer.out
    assert "the rows are loaded, but the map cannot be saved" in one_sentence(answer.err)


def test_settings_that_say_nonsense_are_named(underlot, jobs: Path, tmp_path: Path) -> None:
    workspace = tmp_path / "w"
    assert underlot("load", jobs, "--yes", workspace=workspace).code == 0
    (workspace / "settings.toml").write_text("min_lives = 0\n")
    answer = underlot("build", workspace=workspace)
    assert answer.code == 2
    assert (
        one_sentence(answer.err)
        == "settings.toml, min_lives: 0 is not a whole number from 1 to 1,000,000. Correct it."
    )


def test_the_demo_keeps_out_of_real_records(underlot, jobs: Path, tmp_path: Path) -> None:
    workspace = tmp_path / "w"
    assert underlot("load", jobs, "--yes", workspace=workspace).code == 0
    answer = underlot("demo", "--lots", "600", "--no-serve", workspace=workspace)
    assert answer.code == 2
    assert "holds your own records; the invented town would mix with them." in one_sentence(answer.err)
    assert not (workspace / "town").exists()


def test_another_demo_town_is_not_put_over_the_first(underlot, town: Workspace) -> None:
    answer = underlot("demo", "--lots", "700", "--no-serve", workspace=town.root)
    assert answer.code == 2
    assert "already holds a town of 600 lots with seed 5." in one_sentence(answer.err)


def test_a_defect_of_ours_gives_a_reference_and_a_log(underlot, tmp_path: Path, monkeypatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(build_module, "build", fail)
    answer = underlot("build", workspace=tmp_path)
    assert answer.code == 1
    line = one_sentence(answer.err)
    assert line.startswith("This is a defect in Underlot, not in your files (reference ")
    assert "secret detail" not in answer.err
    (log,) = (tmp_path / "logs").iterdir()
    assert log.stem in line
    assert "ZeroDivisionError: secret detail" in log.read_text()
    debug = underlot("--debug", "--workspace", tmp_path, "build")
    assert debug.code == 1
    assert "ZeroDivisionError: secret detail" in debug.err


def test_stopping_is_130_and_no_traceback(underlot, tmp_path: Path, monkeypatch) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(build_module, "build", stop)
    answer = underlot("build", workspace=tmp_path)
    assert (answer.code, answer.err.strip()) == (cli_module.EXIT_STOPPED, "Stopped.")


def test_stopping_a_query_of_the_database_is_no_defect(
    underlot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """DuckDB answers Ctrl+C with a RuntimeError of its own, at a moment that no test can count on; so does this."""

    def long_query(*_given: object, **_named: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise RuntimeError("Query interrupted") from None

    monkeypatch.setattr(build_module, "build", long_query)
    before = signal.getsignal(signal.SIGINT)
    answer = underlot("build", workspace=tmp_path)
    assert (answer.code, answer.err.strip()) == (cli_module.EXIT_STOPPED, "Stopped.")
    assert not Workspace(tmp_path).logs.exists()
    assert signal.getsignal(signal.SIGINT) is before


def test_after_loading_the_next_step_is_told_and_not_when_nothing_is_new(
    underlot, tmp_path: Path, jobs: Path
) -> None:
    told = "Work them in with: underlot build"
    assert told in underlot("load", jobs, "--yes", workspace=tmp_path / "w").err
    again = underlot("load", jobs, "--yes", workspace=tmp_path / "w")
    assert again.code == 0
    assert told not in again.err


def test_the_installed_start_gives_the_exit_code(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "--workspace", str(tmp_path), "build"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 3
    assert done.stderr == "Nothing is loaded yet. Load a file with `underlot load FILE` first.\n"


def test_a_workspace_of_too_few_records_says_so_everywhere(underlot, jobs: Path, tmp_path: Path) -> None:
    workspace = tmp_path / "w"
    assert underlot("load", jobs, "--yes", workspace=workspace).code == 0
    built = underlot("build", workspace=workspace)
    assert built.code == 0
    assert "0 fitted curves" in built.out
    answer = underlot("score", "12 alder st", workspace=workspace)
    assert answer.code == 0
    assert "12 Alder Street" in answer.out
    Workspace(workspace).write_settings(Settings())
