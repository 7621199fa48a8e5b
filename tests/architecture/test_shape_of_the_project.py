"""The rules of the tree that no linter knows: packaging, one test and one demo command, no addresses."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("pipeline", "models", "dashboards", "synthetic_data")
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "Makefile",
    "pyproject.toml",
    "constraints.txt",
    "requirements.lock",
    "tests",
    *PACKAGES,
}


def tracked_files():
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in done.stdout.splitlines() if (ROOT / name).is_file()]


def test_every_package_folder_is_in_the_wheel():
    listed = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    found = {
        "underlot_app." + ".".join(init.parent.relative_to(ROOT).parts)
        for package in PACKAGES
        for init in (ROOT / package).rglob("__init__.py")
    }
    assert found == listed


def test_every_folder_with_code_or_data_is_a_package():
    for file in tracked_files():
        if file.relative_to(ROOT).parts[0] in PACKAGES and file.suffix in {".py", ".sql", ".toml"}:
            assert (file.parent / "__init__.py").exists(), file


def test_the_top_level_is_as_agreed():
    names = {file.relative_to(ROOT).parts[0] for file in tracked_files()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_the_readme_gives_the_commands_that_make_runs():
    readme = (ROOT / "README.md").read_text()
    makefile = (ROOT / "Makefile").read_text().replace("$(PYTHON)", "python3").replace(" $(ARGS)", "")
    for target in ("demo", "test"):
        line = re.search(rf"^{target}:.*\n\t(.+)$", makefile, re.MULTILINE)
        assert line is not None
        assert line.group(1) in readme


def test_no_lock_file_names_a_registry():
    for name in ("constraints.txt", "requirements.lock"):
        assert "://" not in (ROOT / name).read_text()


def test_no_tests_folder_is_a_package():
    # tests/models/__init__.py would make pytest import the folder as `models`, hiding the real one.
    assert not list((ROOT / "tests").rglob("__init__.py"))


def test_the_readme_opens_with_the_job():
    paragraphs = (ROOT / "README.md").read_text().split("\n\n")
    first = next(text for text in paragraphs if not text.startswith(("#", "!", "<")))
    for word in (
        "lateral",
        "inspection",
        "survival curves",
        "hot spots",
        "pre-sale risk",
        "replacement budgets",
    ):
        assert word in " ".join(first.split())


def test_sql_files_hold_one_statement_and_say_their_grain():
    for file in sorted((ROOT / "pipeline/sql").rglob("*.sql")):
        text = file.read_text()
        assert text.startswith("--"), f"{file.name}: line 1 says grain, keys, units"
        code = re.sub(r"--.*|'[^']*'", "", text)
        assert code.strip().rstrip(";").count(";") == 0, f"{file.name}: one statement a file"


def test_who_loads_a_file_does_not_wait_for_what_builds() -> None:
    heavy = ("numba", "sklearn", "scipy", "pandas", "altair")
    asked = (
        "import sys, pipeline.desk, pipeline.cli; pipeline.cli.cli.get_command(None, 'load'); "
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", asked], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
