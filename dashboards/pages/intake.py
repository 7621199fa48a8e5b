"""Bringing a file in: drop it, see what its headers are taken for, mend rows, load it, build again."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import panel as pn

from dashboards import desk, parts, theme, wording
from dashboards.desk import DeskError, Upload
from dashboards.pages.column_choice import ColumnChoice
from dashboards.pages.row_mending import RowMending
from dashboards.parts import Shown
from pipeline.errors import UnderlotError
from pipeline.settings import Workspace

HELP = (
    f"CSV, Excel, OpenDocument, Parquet, GeoJSON or GeoPackage, up to {desk.LARGEST_MB} MB. Nothing is loaded before you have seen "
    "what each column is taken for. Larger files, and shapefiles: `underlot load FILE`."
)
#: Buttons for sheets of a workbook that were not loaded; a list of all stands above the columns.
SHEETS_OFFERED = 8


class Dropper(pn.widgets.FileDropper):
    """A place to drop a file that stops collecting when more than the limit arrives, whatever the browser says."""

    def _process_event(self, event: Any) -> None:
        got = sum(len(part) for part in self._file_buffer.get(event.data.get("name"), []))
        if got > desk.LARGEST_MB * 2**20:
            self._file_buffer.clear()
            return
        super()._process_event(event)


class Intake:
    """The steps from a file to new numbers, for one session."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._upload: Path | None = None
        self._known_map: dict[str, Any] | None = None
        #: Those not loaded yet; a file without sheets is one called None.
        self._sheets: list[str | None] = []
        self._dropper = Dropper(
            accepted_filetypes=list(desk.KINDS), max_file_size=f"{desk.LARGEST_MB}MB", multiple=False,
            previews=[], stylesheets=[theme.WIDGET], sizing_mode="stretch_width", height=120, name="File of inspections, lots, findings or works",
        )  # fmt: skip
        self._dropper.param.watch(self._dropped, "value")
        self._progress = pn.Column(sizing_mode="stretch_width", margin=0)
        self._steps = pn.Column(sizing_mode="stretch_width", margin=0)
        self._build = action("Build the numbers again", self._built, primary=False)
        self._is_working = self._is_left = False
        pn.state.on_session_destroyed(lambda _context: self._leave())

    def panel(self) -> pn.viewable.Viewable:
        """Lay the section out."""
        return parts.card(
            parts.heading("Bring in a file"),
            parts.text_with_commands(HELP),
            self._dropper,
            self._steps,
            self._progress,
            pn.FlexBox(self._build, gap="8px", sizing_mode="stretch_width"),
        )

    async def _dropped(self, event: Any) -> None:
        if not event.new:
            return
        self._forget_upload()
        name, content = next(iter(event.new.items()))
        try:
            self._upload = Upload(self._workspace, name, content).path
        except UnderlotError as fault:
            self._steps.objects = [parts.error_card(str(fault))]
            return
        self._known_map, self._sheets = None, []
        await self._propose()

    async def mend(self, load_id: int) -> None:
        """Show the rejected rows of an earlier load, to be mended here."""
        path = desk.place_for(self._workspace, f"mended rows of load {load_id}.csv")
        self._forget_upload()
        found = await self._ask("rejected", file=str(path), load_id=load_id)
        if found is not None:
            self._upload, self._known_map = path, found["map"]
            self._sheets = [found["map"].get("sheet")]
            await self._check(found["map"])

    def _forget_upload(self) -> None:
        if self._upload is not None:
            desk.throw_away(self._upload)
            self._upload = None

    def _leave(self) -> None:
        """The page was closed: what was not loaded goes, unless it is being worked on."""
        self._is_left = True
        if not self._is_working:
            self._forget_upload()

    async def _propose(self, layout: str | None = None, sheet: str | None = None) -> bool:
        """Show what is taken for what; tell whether the file, or this sheet of it, can be read."""
        proposal = await self._ask("propose", file=str(self._upload), layout=layout, sheet=sheet)
        if proposal is None:
            return False
        self._sheets = self._sheets or [proposal["sheet"], *proposal["other_sheets"]]
        choice = ColumnChoice(proposal, on_other=self._propose, on_check=self._check)
        self._steps.objects = [choice.panel()]
        return True

    async def _check(self, column_map: dict[str, Any], cells: list[dict[str, Any]] | None = None) -> None:
        checked = await self._ask("check", file=str(self._upload), map=column_map, cells=cells or [])
        if checked is not None:
            mending = RowMending(checked, column_map, cells or [], on_check=self._check, on_load=self._load)
            before = self._steps.objects[:1] if self._known_map is None else []
            self._steps.objects = [*before, mending.panel()]

    async def _load(self, column_map: dict[str, Any], cells: list[dict[str, Any]]) -> None:
        if column_map.get("sheet") not in self._sheets:  # loaded by the first half of a double click
            return
        report = await self._ask("load", file=str(self._upload), map=column_map, cells=cells)
        if report is None:
            return
        self._sheets = [name for name in self._sheets if name != column_map.get("sheet")]
        further = [self._go_on(name) for name in self._sheets[:SHEETS_OFFERED]]
        if not further:
            self._forget_upload()
        further.append(action("Build the numbers again", self._built, primary=not further))
        self._steps.objects = [_loaded(report), pn.FlexBox(*further, sizing_mode="stretch_width")]

    def _go_on(self, sheet: str | None) -> pn.widgets.Button:
        """Return the button for the next sheet of a workbook."""

        async def pressed(_event: Any) -> None:
            await self._propose(sheet=sheet)

        return action(f"Go on with sheet “{sheet}”", pressed)

    async def _built(self, _event: Any = None) -> None:
        if self._is_working:  # the second half of a double click
            return
        report = await self._ask("build")
        if report is not None:
            self._steps.objects = [
                parts.text(
                    '<div class="u-note" role="status">The new numbers are published. '
                    '<a href="?page=records">See what changed</a>.</div>'
                )
            ]

    async def _ask(self, do: str, **request: Any) -> Any:
        """Have work done, showing how it gets on; a fault becomes a card and None is returned."""
        self._build.disabled = self._is_working = True
        self._show(parts.progress("Starting", None))
        try:
            return await desk.ask(
                self._workspace, do, lambda stage, share: self._show(parts.progress(stage, share)), **request
            )
        except DeskError as fault:
            self._steps.objects = [
                *self._steps.objects[:2],
                parts.error_card(str(fault), "This could not be done"),
            ]
            return None
        finally:
            self._build.disabled = self._is_working = False
            if self._is_left:
                self._forget_upload()
            self._progress.objects = []

    def _show(self, piece: pn.viewable.Viewable) -> None:
        self._progress.objects = [piece]


def action(words: str, do: Callable[[Any], Awaitable[None]], *, primary: bool = True) -> pn.widgets.Button:
    """Return a button for a step."""
    made = pn.widgets.Button(
        name=words, button_type="primary" if primary else "default", stylesheets=[theme.WIDGET, theme.ACTION], margin=(6, 8, 6, 0)
    )  # fmt: skip
    made.on_click(do)
    return made


def _loaded(report: dict[str, Any]) -> pn.viewable.Viewable:
    if report["already_loaded"] is not None:
        return parts.note(f"{report['file_name']} was loaded before with this map; nothing was changed.")
    numbers = (
        ("n_read", "rows read"),
        ("n_accepted", "taken"),
        ("n_unchanged", "already on record"),
        ("n_duplicate", "repeated in the file"),
        ("n_rejected", "not taken"),
        ("n_superseded", "older rows replaced"),
    )
    reasons = [{"reason": code, "n": n} for code, n in report["rejects_by_reason"].items()]
    more = [
        parts.table(
            parts.frame_of(reasons),
            [
                Shown("not taken because", lambda r: wording.word(r["reason"])),
                Shown("rows", lambda r: wording.number(r["n"]), is_number=True),
            ],
            caption="Rows that were not taken",
        ),
        parts.paragraph("After the next build they can be mended below, under the rows that were not taken.", small=True),
    ]  # fmt: skip
    return pn.Column(
        parts.heading(f"{report['file_name']} is loaded"),
        parts.figures([(wording.number(report[name]), words) for name, words in numbers]),
        *(more if reasons else []),
        sizing_mode="stretch_width",
    )
