"""Files that are written whole or not at all."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from pipeline.errors import SettingsError


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file, or leave the place as it was.

    Parameters
    ----------
    path : Path
        Replaced where it exists.
    content : str or bytes
        Text is written in UTF-8.

    Raises
    ------
    SettingsError
        It cannot be written there.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        part.replace(path)
    except OSError as exc:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise SettingsError(
            f"{path}: cannot be written ({exc.strerror or exc}). Close it where it is open, or choose another place."
        ) from exc
