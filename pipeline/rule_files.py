"""Files of settings and rules in TOML: the user's own copy where there is one, else the one shipped in `pipeline/rules`."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from pipeline.errors import SettingsError


def shipped_text(file: str) -> str:
    """Return the shipped file."""
    return (resources.files("pipeline.rules") / file).read_text(encoding="utf-8")


def own_or_shipped_text(folder: Path, file: str) -> str:
    """Return the copy in a folder where there is one, else the shipped file; raises as `own_text`."""
    own = folder / file
    return own_text(own) if own.exists() else shipped_text(file)


def own_text(own: Path) -> str:
    """Return the text of a file that the user may edit.

    Raises
    ------
    SettingsError
        It cannot be read.
    """
    try:
        # Editors of some systems put a mark before UTF-8, which is no part of the text.
        return own.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as exc:
        raise SettingsError(f"{own}: it is not written in UTF-8 ({exc}). Save it as UTF-8.") from exc
    except OSError as exc:
        raise SettingsError(
            f"{own}: cannot be read ({exc.strerror or exc}). Correct its permissions, or move it away."
        ) from exc


def parsed(text: str, file: str) -> dict[str, Any]:
    """Return what a TOML text says.

    Raises
    ------
    SettingsError
        It is no TOML; the sentence names the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise SettingsError(f"{file}: not readable as TOML ({exc}). Correct that line.") from exc
