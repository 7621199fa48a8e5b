"""Material text as people write it, e.g. `4" PVC > 4" VCP > 6" VCP (orig.)`, to segments.

A text is read, rejected (`unknown_material`) or asked about (`ambiguous_material`); never guessed. The
spellings are data (`rules/material_spellings.toml`); a column map's `[values.material]` comes first.

"T/C" is read as terra cotta, because no material is abbreviated "T"; "TC", "CT" and "C.T." are asked about,
because they may as well be tile.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from types import MappingProxyType

from rapidfuzz.distance import DamerauLevenshtein

from pipeline.quantities import Fault, parse_length
from pipeline.vocabulary import Material, RejectReason

MATERIAL_CODES = Material.codes()
NO_WORDS: Mapping[str, str] = MappingProxyType({})

#: A misspelt word has at least this many letters; shorter ones are abbreviations, where one letter is all.
SHORTEST_MISSPELT = 5
#: From this many letters on, two slips are allowed.
TWO_SLIPS_FROM = 8
#: Possible diameters, as in the contract [in].
SMALLEST_IN, LARGEST_IN = 1.0, 120.0

_SEPARATOR = re.compile(
    r"\s*(?:-+>|=+>|[>→»]|\b(?:transition(?:s|ing)?|chang(?:es|ing)) (?:in)?to\b|\bthen\b|\binto\b|\bto\b)\s*",
    re.IGNORECASE,
)
_MIXED = re.compile(r"\s*(?:[/&+,;\n]|\band\b|\bor\b|\bw/|\bwith\b)\s*", re.IGNORECASE)
_NUMBER = r"\d+(?:\.\d+)?(?:[ -]\d+/\d+)?"
_DIAMETER = re.compile(
    rf"(?P<size>{_NUMBER})\s*-?\s*(?P<unit>\"|”|″|''|inch(?:es)?\b|in\b\.?|mm\b)", re.IGNORECASE
)
_BARE_DIAMETER = re.compile(r"\s*(?P<size>\d{1,2})(?P<unit>)\s+(?=[a-z])", re.IGNORECASE)
_SPOKEN_STRETCH = re.compile(
    r"(\d\s*(?:'|ft\.?|feet)?)\s+to\s+(\d+(?:\.\d+)?\s*(?:'|ft\b|feet\b))", re.IGNORECASE
)
_STRETCH = re.compile(
    r"[(\[]?\s*(?P<from>\d+(?:\.\d+)?)\s*(?:'|ft\.?|feet)?\s*(?:-|–|to)\s*(?P<to>\d+(?:\.\d+)?)\s*(?:'(?!')|ft\b\.?|feet\b)\s*[)\]]?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class RunSegment:
    """One stretch of a line as the text describes it.

    Attributes
    ----------
    sequence : int
        1 is written first.
    material : str
        Code of `vocabulary.Material`.
    diameter_in : float or None
        Nominal diameter [in].
    is_original : bool or None
        Whether the text says it was laid with the house; None where it does not say.
    from_ft, to_ft : float or None
        Footage, where the text gives it [ft].
    """

    sequence: int
    material: str
    diameter_in: float | None = None
    is_original: bool | None = None
    from_ft: float | None = None
    to_ft: float | None = None


@dataclass(frozen=True, slots=True)
class Spellings:
    """The spelling table, with its keys as `spelling_key` makes them."""

    materials: Mapping[str, str]
    ask: Mapping[str, str]
    filler: frozenset[str]
    place: frozenset[str]
    original: frozenset[str]
    newer: frozenset[str]
    unknown: frozenset[str]


@cache
def spellings() -> Spellings:
    """Load the shipped spelling table."""
    text = resources.files("pipeline.rules").joinpath("material_spellings.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    materials = {code: code for code in MATERIAL_CODES} | {
        spelling_key(word): code for code, words in data["materials"].items() for word in words
    }
    materials |= {spelling_key(code): code for code in MATERIAL_CODES}
    words = {name: frozenset(spelling_key(word) for word in given) for name, given in data["words"].items()}
    return Spellings(
        materials=materials,
        ask={spelling_key(word): meaning for word, meaning in data["ask"].items()},
        **words,
    )


def spelling_key(text: str) -> str:
    """Lower case, full stops dropped, hyphens and quotes as spaces, single spaces."""
    bare = text.casefold().replace(".", "")
    return " ".join(re.sub(r"[-_\"'”″()\[\]]", " ", bare).split())


def codes_of_run(run: str) -> tuple[str, ...]:
    """Split the right-hand side of a map's material entry, e.g. "vitrified_clay > cast_iron"."""
    return tuple(part.strip() for part in run.split(">"))


def parse_run(text: str, *, words: Mapping[str, str] = NO_WORDS) -> tuple[RunSegment, ...] | Fault:
    """Read a material text.

    Parameters
    ----------
    text : str
        As written. Blank, or a word for unknown, gives one segment of material "unknown".
    words : mapping of str to str
        The column map's own words to a code, or to codes joined with ">" in order along the line, or to ""
        for unknown.

    Returns
    -------
    tuple of RunSegment, or Fault
        Fault codes: unknown_material, ambiguous_material, out_of_range (a diameter).
    """
    own = {spelling_key(word): run for word, run in words.items()}
    if spelling_key(text) in own:
        parts = [text]
    else:
        parts = [part for part in _SEPARATOR.split(_join_stretches(text)) if not _is_place(part)]
    segments: list[RunSegment] = []
    for part in parts:
        found = _parse_part(part, own, text)
        if isinstance(found, Fault):
            return found
        segments.extend(found)
    if not segments:
        return _unexplained(text, text)
    return tuple(replace(segment, sequence=number) for number, segment in enumerate(segments, start=1))


def _is_place(part: str) -> bool:
    return spelling_key(part) in spellings().place


def _join_stretches(text: str) -> str:
    """Write footage "0 to 12 ft" as "0-12 ft", so that its "to" does not cut the run."""
    return _SPOKEN_STRETCH.sub(r"\1-\2", text)


def _parse_part(part: str, own: Mapping[str, str], text: str) -> tuple[RunSegment, ...] | Fault:
    """Read one part of a run: footage, diameter, flags, and what is left is the material."""
    rest, from_ft, to_ft = _take_stretch(part)
    rest, diameter = _take_diameter(rest, text)
    if isinstance(diameter, Fault):
        return diameter
    rest, is_original = _take_flags(rest)
    word = _shown(part, rest)
    key = next((key for key in (spelling_key(part), rest) if key in own), None)
    if key is not None:
        materials: tuple[str, ...] | Fault = tuple(
            c or Material.UNKNOWN.value for c in codes_of_run(own[key])
        )
    else:
        materials = _material(rest, own, word, text)
    if isinstance(materials, Fault):
        return materials
    if len(materials) > 1:
        # The map gives their order; what else the text says cannot be shared out between them.
        return tuple(RunSegment(1, material) for material in materials)
    return (RunSegment(1, materials[0], diameter, is_original, from_ft, to_ft),)


def _take_stretch(part: str) -> tuple[str, float | None, float | None]:
    """Take out footage such as 0-12'."""
    stretch = _STRETCH.search(part)
    if stretch is None:
        return part, None, None
    rest = part[: stretch.start()] + " " + part[stretch.end() :]
    return rest, float(stretch["from"]), float(stretch["to"])


def _take_diameter(rest: str, text: str) -> tuple[str, float | Fault | None]:
    """Take out the diameter [in]; with several in one part none is taken, since their order is not known."""
    sizes = list(_DIAMETER.finditer(rest))
    if not sizes:
        bare = _BARE_DIAMETER.match(rest)
        sizes = [bare] if bare is not None else []
    remains = rest
    for size in reversed(sizes):
        remains = remains[: size.start()] + " " + remains[size.end() :]
    if len(sizes) != 1:
        return remains, None
    unit = "mm" if (sizes[0]["unit"] or "").lower() == "mm" else "in"
    inches = parse_length(sizes[0]["size"].replace("-", " "), unit=unit, to="in")
    if isinstance(inches, Fault) or not SMALLEST_IN <= inches <= LARGEST_IN:
        return rest, Fault(
            RejectReason.OUT_OF_RANGE,
            f"Diameter {sizes[0][0].strip()} in {text.strip()!r} is no diameter of a sewer; "
            f"{SMALLEST_IN:g} to {LARGEST_IN:g} inches are possible. Correct it.",
        )
    return remains, round(inches, 3)


def _take_flags(rest: str) -> tuple[str, bool | None]:
    """Take out the words for original and newer pipe."""
    table = spellings()
    tokens = spelling_key(rest).split()
    is_original = (
        True if table.original.intersection(tokens) else False if table.newer.intersection(tokens) else None
    )
    return " ".join(token for token in tokens if token not in table.original | table.newer), is_original


def _shown(part: str, rest: str) -> str:
    """Show the words of a part that the map must explain, as written: without diameter, footage and flags."""
    kept = set(rest.split())
    words = [word for word in re.split(r"[\s()\[\]]+", part) if set(spelling_key(word).split()) & kept]
    return " ".join(words) or part.strip()


def _material(rest: str, own: Mapping[str, str], word: str, text: str) -> tuple[str, ...] | Fault:
    """Find the one material that the words left over name."""
    table = spellings()
    bare = _without(rest, table.filler)
    if not bare or bare in table.unknown:
        says_so = bare in table.unknown or not spelling_key(word)
        return (Material.UNKNOWN.value,) if says_so else _unexplained(word, text)
    for key in (rest, bare):
        if key in table.ask:
            return _ask(word, table.ask[key])
        if key in table.materials:
            return (table.materials[key],)
    named = _named(rest, own)
    if named is None:
        return _misspelt(bare, word, text)
    materials = [material for material in named if material is not None]
    return (materials[0],) if len(named) == len(materials) == 1 else _ask_order(word)


def _without(rest: str, filler: frozenset[str]) -> str:
    """Drop filler words, longest first."""
    padded = f" {rest} "
    for word in sorted(filler, key=len, reverse=True):
        padded = padded.replace(f" {word} ", " ")
    return " ".join(padded.split())


def _named(rest: str, own: Mapping[str, str]) -> set[str | None] | None:
    """Materials that the words name between them; None among them for one to be asked about.

    Returns None where a word is neither a material nor filler.
    """
    found: set[str | None] = set()
    for piece in _MIXED.split(rest):
        tokens = _without(piece, spellings().filler).split()
        while tokens:
            hit = _longest_hit(tokens, own)
            if hit is None:
                return None
            length, material = hit
            found.add(material)
            tokens = tokens[length:]
    return found or None


def _longest_hit(tokens: list[str], own: Mapping[str, str]) -> tuple[int, str | None] | None:
    table = spellings()
    for length in range(len(tokens), 0, -1):
        key = " ".join(tokens[:length])
        if key in own:
            codes = codes_of_run(own[key])
            return length, codes[0] if len(codes) == 1 else None
        if key in table.materials:
            return length, table.materials[key]
        if key in table.ask:
            return length, None
    return None


def _misspelt(rest: str, word: str, text: str) -> tuple[str, ...] | Fault:
    """Allow slips of the pen where only one reading is near enough."""
    if len(rest) < SHORTEST_MISSPELT or not re.fullmatch(r"[a-z ]+", rest):
        return _unexplained(word, text)
    slips = 2 if len(rest) >= TWO_SLIPS_FROM else 1
    table = spellings()
    materials = {code for word, code in table.materials.items() if _is_near(rest, word, slips)}
    questions = {meaning for word, meaning in table.ask.items() if _is_near(rest, word, slips)}
    if len(materials) + len(questions) != 1:
        return _unexplained(word, text)
    return _ask(word, questions.pop()) if questions else (materials.pop(),)


def _is_near(word: str, known: str, slips: int) -> bool:
    return (
        len(known) >= SHORTEST_MISSPELT - 1
        and DamerauLevenshtein.distance(word, known, score_cutoff=slips) <= slips
    )


def _unexplained(word: str, text: str) -> Fault:
    within = "" if word == text.strip() else f" in {text.strip()!r}"
    return Fault(
        RejectReason.UNKNOWN_MATERIAL,
        f"Material {word!r}{within} is a spelling nobody has explained. {_how(word, '<material>')}",
    )


def _ask(word: str, meaning: str) -> Fault:
    return Fault(
        RejectReason.AMBIGUOUS_MATERIAL, f"Material {word!r} can be {meaning}. {_how(word, '<material>')}"
    )


def _ask_order(word: str) -> Fault:
    return Fault(
        RejectReason.AMBIGUOUS_MATERIAL,
        f"Material {word!r} names more than one material and not their order along the line. "
        f"{_how(word, '<material> > <material>')}",
    )


def _how(word: str, meaning: str) -> str:
    """Tell how to explain a spelling in the map, in TOML."""
    quoted = f"'{word}'" if '"' in word and "'" not in word else '"' + word.replace('"', '\\"') + '"'
    return (
        f'Explain it with the line {quoted} = "{meaning}" under [values.material] in the column map, '
        "and load the file again."
    )
