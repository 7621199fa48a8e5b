"""What a report is made of, whatever it is written as."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl
import vl_convert

from dashboards import labels, theme, wording
from dashboards.parts import Shown
from pipeline.reports import typeface


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    words: str
    is_small: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences."""

    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figures:
    """Big numbers, each with what it counts."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that must not be overlooked, with steps."""

    words: str
    sentences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart and the sentence below it.

    Attributes
    ----------
    spec : mapping
        Vega-Lite specification, as `theme.dress` returns it.
    says : str
        What it shows.
    height : int
        Height [px] beside a width of 640.
    """

    spec: Mapping[str, Any]
    says: str
    height: int

    WIDTH = 640

    def _sized(self) -> dict[str, Any]:
        return {**self.spec, "width": self.WIDTH, "height": self.height}

    def svg(self) -> str:
        """The drawing; made without a network."""
        return str(vl_convert.vegalite_to_svg(self._sized()))

    def png(self) -> bytes:
        """The drawing as pixels, for paper."""
        return bytes(vl_convert.vegalite_to_png(_in_print(self._sized()), scale=3))


def _in_print(spec: Any) -> Any:
    """The specification in the typeface of print instead of that of the reader's screen."""
    if isinstance(spec, Mapping):
        return {name: _in_print(part) for name, part in spec.items()}
    if isinstance(spec, list):
        return [_in_print(part) for part in spec]
    return typeface.FAMILY if spec == theme.FONT else spec


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings.

    Attributes
    ----------
    caption : str
        What it holds.
    frame : DataFrame
        The rows.
    columns : tuple of Shown
        Its columns.
    """

    caption: str
    frame: pl.DataFrame
    columns: tuple[Shown, ...]

    @property
    def cells(self) -> list[list[str]]:
        """The text of each row."""
        return [[c.value(row) for c in self.columns] for row in self.frame.iter_rows(named=True)]


Block = Text | Bullets | Figures | Caution | Picture | Table


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with what stands under it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A report.

    Attributes
    ----------
    title, lead : str
        What it is about.
    source : str
        Town, run and day behind every number.
    invented : str
        Said at the top where the records are made up; else empty.
    sections : tuple of Section
        Its content; the cautions and the way the numbers were made come last in every report.
    """

    title: str
    lead: str
    source: str
    invented: str
    sections: tuple[Section, ...] = field(default=())


def document(
    run: Mapping[str, Any], title: str, lead: str, sections: list[Section], method: list[str]
) -> Document:
    """Return a report with what every report ends with."""
    ending = [
        Section("Before anyone digs or enters", (Bullets(wording.CAUTIONS),)),
        Section("How the numbers were made", (Bullets((*method, *_method(run))),)),
    ]
    return Document(title, lead, labels.source_line(run), wording.invented(run), (*sections, *ending))


def _method(run: Mapping[str, Any]) -> tuple[str, ...]:
    level = wording.level(run["score_level"])
    return (
        run["failure_definition"],
        "A camera gives an age at which a line had already failed, or had not yet; the curves are fitted to that, never to ages at "
        "inspection taken for ages at failure.",
        f"Ranges hold at {level} and take in what the records leave open about the curves, years laid and materials; they know nothing "
        "of what is wrong in the records themselves.",
        wording.looks_kept_out(run) or "Looks of every purpose are used.",
        f"Numbers hold for {run['as_of_source']}. Run {run['run_id']}, seed {run['seed']}: the same records and settings give the same.",
        wording.SCREENING,
    )
