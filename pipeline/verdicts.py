"""Verdict rules and material years: read, checked, given a version, and put where SQL can use them.

The rules themselves are data (`pipeline/rules/*.toml`, or the workspace's own copy); they are applied by
`sql/exposure/finding_verdicts.sql`.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from typing import Any

import duckdb
import polars as pl

from pipeline import rule_files
from pipeline.columns import FIRST_YEAR, LAST_YEAR
from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.vocabulary import FindingFamily, FindingKind, Material, Verdict

RULES_NAME = "verdict_rules.toml"
YEARS_NAME = "material_years.toml"
MEASURES = ("loss_pct", "offset_in", "water_depth_in")
OUTCOME_FAMILIES = (FindingFamily.STRUCTURAL, FindingFamily.ROOTS_JOINTS, FindingFamily.GRADE)


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRule:
    """One rule; it fits a finding of its kind when all that it names holds.

    Attributes
    ----------
    rule_id, kind, family : str
        Name; a FindingKind; a FindingFamily.
    verdict : str or None
        A Verdict; None for features and hazards.
    measure : str or None
        One of MEASURES; the bounds below are in its unit (inches, or % of area).
    measure_min, measure_max : float or None
        Inclusive bounds.
    length_min_ft : float or None
        Least length of the stretch [ft].
    needs_drained : bool
        Fits on drained lines only.
    near_manhole : bool or None
        Fits only next to a manhole (True) or away from one (False).
    is_unjudged : bool
        What was seen counts neither as good nor as bad.
    is_hazard : bool
        Stop work.
    sentence, source : str
        For people; where the rule comes from.
    """

    rule_id: str
    kind: str
    family: str
    verdict: str | None
    measure: str | None
    measure_min: float | None
    measure_max: float | None
    length_min_ft: float | None
    needs_drained: bool
    near_manhole: bool | None
    is_unjudged: bool
    is_hazard: bool
    sentence: str
    source: str

    @property
    def is_conditional(self) -> bool:
        """Some findings of its kind may not fit."""
        named = (self.measure, self.length_min_ft, self.near_manhole)
        return self.needs_drained or any(condition is not None for condition in named)


@dataclass(frozen=True, slots=True)
class VerdictRules:
    """All rules, in order, and a hash of what they say."""

    rules: tuple[VerdictRule, ...]
    version: str


def verdict_rules(workspace: Workspace) -> VerdictRules:
    """Read the workspace's verdict rules, or the shipped ones.

    Raises
    ------
    SettingsError
        A rule says something impossible; the sentence names it.
    """
    plain = rule_files.parsed(rule_files.own_or_shipped_text(workspace.root, RULES_NAME), RULES_NAME)
    entries = plain.get("rule")
    if set(plain) != {"rule"} or not isinstance(entries, list) or not entries:
        raise SettingsError(f"{RULES_NAME}: write one [[rule]] block for each rule, and nothing else.")
    rules = tuple(_Rule(number, entry).parse() for number, entry in enumerate(entries, start=1))
    _check_together(rules)
    text = json.dumps([asdict(rule) for rule in rules], sort_keys=True)
    return VerdictRules(rules, hashlib.sha256(text.encode()).hexdigest()[:12])


def store_rules(con: duckdb.DuckDBPyConnection, rules: VerdictRules) -> None:
    """Keep this version of the rules in `records.verdict_rules`, once."""
    con.execute("DELETE FROM records.verdict_rules WHERE rule_version = ?", [rules.version])
    names = [item.name for item in fields(VerdictRule)]
    rows = [
        [rules.version, position, *(getattr(rule, name) for name in names)]
        for position, rule in enumerate(rules.rules, start=1)
    ]
    con.executemany(
        "INSERT INTO records.verdict_rules VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        rows,
    )


class _Rule:
    """Turns one block of the file into a rule, or into one sentence about what is wrong."""

    KEYS = (
        "id",
        "kind",
        "family",
        "verdict",
        "measure",
        "at_least",
        "at_most",
        "length_at_least_ft",
        "needs_drained",
        "near_manhole",
        "unjudged",
        "hazard",
        "sentence",
        "source",
    )

    def __init__(self, number: int, entry: Any) -> None:
        self.entry: dict[str, Any] = entry if isinstance(entry, dict) else {}
        self.place = f"{RULES_NAME}, rule {self.entry.get('id', number)!r}"

    def parse(self) -> VerdictRule:
        for key in self.entry:
            if key not in self.KEYS:
                raise self._fault(f"{key!r} is unknown. Use: {', '.join(self.KEYS)}.")
        family = self._code("family", FindingFamily.codes())
        verdict = self._code("verdict", Verdict.codes()) if "verdict" in self.entry else None
        rule = VerdictRule(
            rule_id=self._text("id"),
            kind=self._code("kind", FindingKind.codes()),
            family=family,
            verdict=verdict,
            measure=self._code("measure", MEASURES) if "measure" in self.entry else None,
            measure_min=self._number("at_least"),
            measure_max=self._number("at_most"),
            length_min_ft=self._number("length_at_least_ft"),
            needs_drained=self._flag("needs_drained") or False,
            near_manhole=self._flag("near_manhole"),
            is_unjudged=self._flag("unjudged") or False,
            is_hazard=self._flag("hazard") or False,
            sentence=self._text("sentence"),
            source=self._text("source"),
        )
        self._check(rule)
        return rule

    def _check(self, rule: VerdictRule) -> None:
        has_bound = rule.measure_min is not None or rule.measure_max is not None
        if has_bound != (rule.measure is not None):
            raise self._fault("a measure and its bound (at_least or at_most) belong together.")
        if (
            rule.measure_min is not None
            and rule.measure_max is not None
            and rule.measure_min > rule.measure_max
        ):
            raise self._fault("at_least is above at_most, so nothing can fit.")
        is_bad = rule.verdict in {Verdict.REPAIR, Verdict.REPLACE}
        if is_bad and rule.family not in OUTCOME_FAMILIES:
            raise self._fault(
                f"the family {rule.family!r} is not a condition of the pipe; no {rule.verdict} here."
            )
        if is_bad and rule.is_unjudged:
            raise self._fault(f"what is unjudged cannot carry the verdict {rule.verdict}.")

    def _fault(self, problem: str) -> SettingsError:
        return SettingsError(f"{self.place}: {problem}")

    def _text(self, key: str) -> str:
        value = self.entry.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self._fault(f"{key!r} is missing or no text.")
        return value

    def _code(self, key: str, known: tuple[str, ...]) -> str:
        value = self.entry.get(key)
        if value not in known:
            raise self._fault(f"{key} {value!r} is unknown. Use one of: {', '.join(known)}.")
        return str(value)

    def _number(self, key: str) -> float | None:
        value = self.entry.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
            raise self._fault(f"{key} {value!r} is not a number from 0 up.")
        return float(value)

    def _flag(self, key: str) -> bool | None:
        value = self.entry.get(key)
        if value is not None and not isinstance(value, bool):
            raise self._fault(f"{key} {value!r}: write true or false.")
        return value


def _check_together(rules: tuple[VerdictRule, ...]) -> None:
    seen: set[str] = set()
    for rule in rules:
        if rule.rule_id in seen:
            raise SettingsError(
                f"{RULES_NAME}, rule {rule.rule_id!r}: the id stands twice. Give each rule its own."
            )
        seen.add(rule.rule_id)
    for kind in FindingKind.codes():
        of_kind = [rule for rule in rules if rule.kind == kind]
        if not of_kind:
            raise SettingsError(f"{RULES_NAME}: there is no rule for {kind!r}. Add one.")
        if of_kind[-1].is_conditional:
            problem = f"the last rule of {kind!r} may name no condition. Add one rule for all that is left."
            raise SettingsError(f"{RULES_NAME}, rule {of_kind[-1].rule_id!r}: {problem}")
        if len({rule.family for rule in of_kind}) > 1:
            problem = f"all rules of {kind!r} belong to one family."
            raise SettingsError(f"{RULES_NAME}, rule {of_kind[-1].rule_id!r}: {problem}")


def material_years(workspace: Workspace) -> pl.DataFrame:
    """Read the years in which each material was laid.

    Returns
    -------
    polars.DataFrame
        `material`, `first_year`, `last_year` (2100 where still laid); one row for each material.

    Raises
    ------
    SettingsError
        The table says something impossible.
    """
    plain = rule_files.parsed(rule_files.own_or_shipped_text(workspace.root, YEARS_NAME), YEARS_NAME)
    for name in plain:
        if name not in Material.codes():
            raise SettingsError(
                f"{YEARS_NAME}, [{name}]: unknown material. Use one of: {', '.join(Material.codes())}."
            )
    rows = []
    for material in Material.codes():
        entry = plain.get(material)
        if not isinstance(entry, dict):
            raise SettingsError(f"{YEARS_NAME}: [{material}] is missing. Add it, with `first = …`.")
        rows.append((material, *_years(f"{YEARS_NAME}, [{material}]", entry)))
    return pl.DataFrame(
        rows, schema={"material": pl.String, "first_year": pl.Float64, "last_year": pl.Float64}, orient="row"
    )


def _years(place: str, entry: dict[str, Any]) -> tuple[float, float]:
    first, last = entry.get("first"), entry.get("last", int(LAST_YEAR))
    if type(first) is int and type(last) is int and FIRST_YEAR <= first <= last <= LAST_YEAR:
        return float(first), float(last)
    raise SettingsError(
        f"{place}: first {first!r} and last {last!r} are not years between 1850 and 2100 in this order."
    )
