"""The way in to reports: what about, and written as what."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from dashboards.data import Records
from dashboards.reports import connections, house, reserve, subdivision
from dashboards.reports.as_html import as_html
from dashboards.reports.as_pdf import as_pdf
from dashboards.reports.document import Document
from pipeline.errors import SettingsError
from pipeline.published.read import open_current
from pipeline.settings import Workspace
from pipeline.whole_files import write_whole

WRITERS = {".html": as_html, ".pdf": as_pdf}


def save_report(
    workspace: Workspace,
    path: Path,
    *,
    lot: str | None,
    subdivision_name: str | None,
    before_writing: Callable[[str, int, str], None] = lambda _title, _n_lots, _run_id: None,
) -> str:
    """Write a report on a lot or a subdivision; return what it is about.

    Parameters
    ----------
    workspace : Workspace
        Whose published results.
    path : Path
        File ending in .html or .pdf; replaced whole.
    lot : str or None
        Address, a part of it that fits one lot only, or lot id.
    subdivision_name : str or None
        Name of a subdivision, in place of a lot.
    before_writing : callable
        Takes what the report is about, how many lots it names and the id of the run; what it raises keeps the file from being written.

    Raises
    ------
    UnderlotError
        Nothing is published, nothing or several things have that name, or the file cannot be written.
    """
    writer = writer_for(path)
    with open_current(workspace) as reader:
        records = Records(reader, home=workspace)
        made = _on_lot(records, lot) if lot is not None else _on_area(records, subdivision_name or "")
        named = 1 if lot is not None else records.lots_to_hand_on(made.title, subdivision.MOST_LOTS).height
        run_id = str(records.run["run_id"])
    content = writer(made)
    before_writing(made.title, named, run_id)
    write_whole(path, content)
    return made.title


def save_programme(workspace: Workspace, path: Path, facts: Mapping[str, Any]) -> None:
    """Write a connection programme, made from what is published now; `facts` are the fields of a `Programme`.

    Raises
    ------
    UnderlotError
        Nothing is published, or the file cannot be written.
    """
    writer = writer_for(path)
    with open_current(workspace) as reader:
        made = connections.report(Records(reader), connections.Programme(**facts))
    write_whole(path, writer(made))


def save_reserve_plan(path: Path, facts: Mapping[str, Any]) -> None:
    """Write a reserve plan; `facts` are the fields of a `ReservePlan`.

    Raises
    ------
    UnderlotError
        The file cannot be written.
    """
    write_whole(path, writer_for(path)(reserve.report(reserve.ReservePlan(**facts))))


def writer_for(path: Path) -> Callable[[Document], bytes]:
    """Return what writes a file of this ending.

    Raises
    ------
    SettingsError
        Reports are not written as that.
    """
    writer = WRITERS.get(path.suffix.lower())
    if writer is None:
        raise SettingsError(
            f"{path.name}: reports are written as .html or .pdf. Choose one of these endings."
        )
    return writer


def _on_lot(records: Records, words: str) -> Document:
    if records.has_lot(words):
        return house.report(records, words)
    found = records.find_lots(words, limit=6)
    same = found.filter(found["address"].str.to_lowercase() == " ".join(words.split()).lower())
    chosen = same if same.height == 1 else found
    if chosen.is_empty():
        raise SettingsError(
            f"No lot has {words!r} in its address, or as its id. Try a shorter part of the address."
        )
    if chosen.height > 1:
        several = "; ".join(f"{r['address']} ({r['lot_id']})" for r in chosen.head(5).iter_rows(named=True))
        raise SettingsError(
            f"Several lots fit {words!r}: {several}. Give more of the address, or the lot id."
        )
    return house.report(records, chosen["lot_id"][0])


def _on_area(records: Records, name: str) -> Document:
    names = records.subdivision_names()
    known = {each.lower(): each for each in names}
    if name.lower() not in known:
        raise SettingsError(
            f"There is no subdivision {name!r}. Subdivisions: {', '.join(names[:12]) or 'none'}."
        )
    return subdivision.report(records, known[name.lower()])
