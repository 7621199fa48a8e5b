"""The only place of the dashboards that reads; everything comes from one published generation."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from dashboards import lots_asked
from dashboards.budget_queries import BudgetQueries
from dashboards.filters import Options, View
from dashboards.kept import Kept
from dashboards.map_queries import MapQueries
from dashboards.sewer_queries import SewerQueries
from dashboards.utility_queries import UtilityQueries
from pipeline.accounts import Account
from pipeline.exports import do_not_contact
from pipeline.published.chosen_areas import Area, chosen_areas
from pipeline.published.chosen_curves import ChosenCurve, chosen_curves
from pipeline.published.read import PublishedReader, open_current
from pipeline.published.scope import Scope
from pipeline.settings import Workspace
from pipeline.vocabulary import Outcome

#: Answers and drawings kept for other readers of the same records, of some ten kilobytes each.
MOST_KEPT = 500
#: Rejected rows shown as a sample; the counts by reason are complete.
SAMPLE_OF_REJECTS = 50


class Records:
    """The published tables, asked the questions that the pages have."""

    def __init__(
        self, reader: PublishedReader, workspace: Workspace | None = None, *, home: Workspace | None = None
    ) -> None:
        self._reader = reader
        #: Where the list of whom not to contact may lie.
        self._home = home
        #: Where files may be brought in and built; None where only published tables are shown.
        self.workspace = workspace
        #: What pages make of these records that is the same for every reader.
        self.kept = Kept(MOST_KEPT)

    @cached_property
    def run(self) -> dict[str, Any]:
        """The build behind all numbers."""
        return self._reader.run()

    @cached_property
    def options(self) -> Options:
        """What the shared filters offer."""
        return lots_asked.options(self._reader)

    def looks_by_age(self, outcome: str, materials: tuple[str, ...], view: View) -> pl.DataFrame:
        """Looks by material and age band, as in `look_counts`, of those that a view asks for.

        Parameters
        ----------
        outcome : str
            Outcome; its code is part of two columns' names.
        materials : tuple of str
            Codes; the view's own choice of materials is not looked at.
        view : View
            Area, portfolio, era, purpose and years of the looks.
        """
        condition, values = lots_asked.where_looks(view)
        code = next(code for code in Outcome.codes() if code == outcome)
        sql = (
            f"SELECT material, age_from_years, age_to_years, sum(n_looks_{code})::BIGINT AS n_looks, sum(n_bad_{code})::BIGINT AS n_bad "  # noqa: S608 - a code of the vocabulary
            f"FROM look_groups WHERE list_contains(?, material) AND {condition} GROUP BY ALL HAVING sum(n_looks_{code}) > 0 ORDER BY 1, 2"
        )
        return self.kept.of(
            ("looks by age", code, materials, view),
            lambda: self._reader.query(sql, [list(materials), *values]),
        )

    @cached_property
    def can_narrow_looks(self) -> bool:
        """Whether looks can be narrowed down: not by accounts that see areas only, nor where there are none."""
        return self._reader.query("SELECT 1 FROM look_groups LIMIT 1").height > 0

    @cached_property
    def can_narrow_areas(self) -> bool:
        """The same of the lots behind the counts of areas."""
        return self._reader.query("SELECT 1 FROM lot_expectations LIMIT 1").height > 0

    @property
    def is_restricted(self) -> bool:
        """Whether the account sees a part of the lots only."""
        return self._reader.scope is not None

    def chosen_curves(self, outcome: str, materials: tuple[str, ...], view: View) -> dict[str, ChosenCurve]:
        """Stepped curves of the looks alone that a view asks for, by material.

        Parameters
        ----------
        outcome : str
            What counts as failed.
        materials : tuple of str
            Codes; the view's own choice of materials is not looked at.
        view : View
            Area, portfolio, era, purpose and years of the looks.
        """
        condition, values = lots_asked.where_looks(view)
        return self.kept.of(
            ("chosen curves", outcome, materials, view),
            lambda: chosen_curves(self._reader, outcome, materials, condition, values),
        )

    def chosen_areas(self, area: Area, view: View) -> pl.DataFrame:
        """Blocks or subdivisions, counted over the lots and looks that a view asks for alone; see `chosen_areas`.

        Parameters
        ----------
        area : {'block', 'subdivision'}
            Which areas.
        view : View
            Lots by area, portfolio, material and era of a segment; and purpose and years of the one look of each
            that counts.
        """
        lots = lots_asked.where_lots(replace(view, purpose=(), first_year=None, last_year=None))
        return self.kept.of(
            ("chosen areas", area, view),
            lambda: chosen_areas(self._reader, area, lots, lots_asked.where_expected(view)),
        )

    @cached_property
    def utility(self) -> UtilityQueries:
        """Connections to the public sewer, and areas to call in."""
        return UtilityQueries(self._reader)

    @cached_property
    def money(self) -> BudgetQueries:
        """Budgets of portfolios and subdivisions."""
        return BudgetQueries(self._reader)

    @cached_property
    def map(self) -> MapQueries:
        """What lies in a window of the map."""
        return MapQueries(self._reader)

    @cached_property
    def sewers(self) -> SewerQueries:
        """The public sewer in a window of the map."""
        return SewerQueries(self._reader)

    def n_lots(self, view: View) -> int:
        """How many lots a view holds."""
        condition, values = lots_asked.where_lots(view)
        return int(self._reader.query(f"SELECT count(*) FROM lots WHERE {condition}", values).item())  # noqa: S608 - our own condition

    @cached_property
    def outcomes(self) -> pl.DataFrame:
        """Outcomes, with what counts as each."""
        return self._reader.table("outcomes")

    def outcome(self, code: str) -> dict[str, Any]:
        """One outcome."""
        return self.outcomes.filter(pl.col("outcome") == code).row(0, named=True)

    def curve_groups(self, outcome: str) -> pl.DataFrame:
        """Materials of one outcome, most failures first, with the fitted curve's status beside the stepped one's."""
        return self._reader.query(
            "SELECT g.*, f.status AS fitted_status, f.sentence AS fitted_sentence "
            "FROM curve_groups AS g LEFT JOIN fitted_groups AS f USING (outcome, material) "
            "WHERE g.outcome = ? ORDER BY g.n_bad DESC, g.n_looks DESC, g.material",
            [outcome],
        )

    def curve(self, outcome: str, material: str) -> pl.DataFrame:
        """Nonparametric curve."""
        return self._reader.query(
            "SELECT * FROM curves WHERE outcome = ? AND material = ? ORDER BY age_years", [outcome, material]
        )

    def fitted(self, outcome: str, materials: list[str]) -> pl.DataFrame:
        """Fitted curves that the records can carry."""
        return self._reader.query(
            "SELECT c.* FROM fitted_curves AS c JOIN fitted_groups AS g USING (outcome, material) "
            "WHERE g.status = 'ok' AND c.outcome = ? AND list_contains(?, c.material) "
            "ORDER BY c.material, c.age_years",
            [outcome, materials],
        )

    def look_counts(self, outcome: str, material: str) -> pl.DataFrame:
        """Looks by age band."""
        return self._reader.query(
            "SELECT * FROM look_counts WHERE outcome = ? AND material = ? ORDER BY age_from_years",
            [outcome, material],
        )

    def blocks(self, subdivision: str | None = None) -> pl.DataFrame:
        """All blocks, or those of one subdivision."""
        return self._reader.query(
            "SELECT * FROM blocks WHERE ? IS NULL OR subdivision = ? ORDER BY block",
            [subdivision, subdivision],
        )

    def n_blocks(self, subdivision: str | None = None) -> int:
        """How many blocks there are, everywhere or in one subdivision."""
        found = self._reader.query(
            "SELECT count(*) AS n FROM blocks WHERE ? IS NULL OR subdivision = ?", [subdivision, subdivision]
        )
        return int(found["n"][0])

    def hot_spot_searches(self) -> list[dict[str, Any]]:
        """The searches for hot spots that the build made, that among all unselected looks first."""
        found = self._reader.query("SELECT * FROM hot_spot_scans ORDER BY period = 'all' DESC, period")
        return found.rows(named=True)

    def hot_spots(self, search: str = "all", subdivision: str = "") -> pl.DataFrame:
        """Zones with more failures than material, age and depth explain; those with inspected lots of a subdivision."""
        # The names stand in one text, separated by a comma and a space.
        return self._reader.query(
            "SELECT * FROM hot_spots WHERE period = ? AND (? = '' OR contains(', ' || subdivisions || ', ', ', ' || ? || ', ')) "
            "ORDER BY zone",
            [search, subdivision, subdivision],
        )

    def subdivisions(self) -> pl.DataFrame:
        """All subdivisions."""
        return self._reader.table("subdivisions")

    def subdivision_names(self) -> list[str]:
        """Names of the subdivisions, in order."""
        return self._reader.query("SELECT subdivision FROM subdivisions ORDER BY 1")["subdivision"].to_list()

    def subdivision(self, name: str) -> dict[str, Any]:
        """One subdivision."""
        return self._one("SELECT * FROM subdivisions WHERE subdivision = ?", name)

    def at_least(self, name: str) -> pl.DataFrame:
        """Chance of k lots or more in a subdivision."""
        return self._reader.query("SELECT * FROM subdivision_counts WHERE subdivision = ? ORDER BY k", [name])

    def around(self, name: str, k: int) -> pl.DataFrame:
        """Published numbers next to k in a subdivision: the largest up to k and the smallest from k on, or just k."""
        return self._reader.query(
            "SELECT k, probability_at_least FROM subdivision_counts WHERE subdivision = ? AND k IN ("
            "(SELECT max(k) FROM subdivision_counts WHERE subdivision = ? AND k <= ?), "
            "(SELECT min(k) FROM subdivision_counts WHERE subdivision = ? AND k >= ?)) ORDER BY k",
            [name, name, k, name, k],
        )

    def find_lots(self, words: str, limit: int = 20) -> pl.DataFrame:
        """Lots whose address or id holds the words, best first; never more than the limit.

        Parameters
        ----------
        words : str
            What the user typed; `%` and `_` are taken as plain characters.
        limit : int
            Most rows that are returned.
        """
        plain = " ".join(words.split()).lower()
        return self.kept.of(("lots found", plain, limit), lambda: self._find_lots(plain, limit))

    def _find_lots(self, plain: str, limit: int) -> pl.DataFrame:
        return self._reader.query(
            "SELECT lot_id, coalesce(address, lot_id) AS address FROM lots "
            "WHERE contains(lower(coalesce(address, '')), ?) OR starts_with(lower(lot_id), ?) "
            "ORDER BY NOT starts_with(lower(coalesce(address, lot_id)), ?), length(address), address, lot_id LIMIT ?",
            [plain, plain, plain, limit],
        )

    def has_lot(self, lot_id: str) -> bool:
        """Whether there is such a lot."""
        return self._reader.query("SELECT 1 FROM lots WHERE lot_id = ?", [lot_id]).height == 1

    @cached_property
    def a_telling_lot(self) -> str | None:
        """A lot to open the page with: scored, inspected, of several segments, and neither sure way."""
        found = self._reader.query(
            "SELECT lot_id FROM lots ORDER BY (status = 'ok') DESC, (n_inspections > 0) DESC, (n_segments > 1) DESC, "
            "abs(failure_probability - 0.5) NULLS LAST, lot_id LIMIT 1"
        )
        return None if found.is_empty() else str(found["lot_id"][0])

    def lot(self, lot_id: str) -> dict[str, Any]:
        """One lot with its score."""
        return self.kept.of(("lot", lot_id), lambda: self._one("SELECT * FROM lots WHERE lot_id = ?", lot_id))

    def lot_part(self, table: str, lot_id: str) -> pl.DataFrame:
        """The rows of one lot in a table that belongs to lots.

        Parameters
        ----------
        table : {'segments', 'inspections', 'findings', 'reasons'}
            Which of them.
        lot_id : str
            The lot.
        """
        return self._reader.query(LOT_PARTS[table], [lot_id])

    def laws_tried(self) -> pl.DataFrame:
        """Return how each law of life foretold looks, the chosen one first."""
        return self._reader.query("SELECT * FROM laws_tried ORDER BY is_chosen DESC, log_score, law")

    def areas_in_scores(self) -> str | None:
        """Whether scores take in what areas have in common, in words; None in a build that did not ask."""
        found = self._reader.query("SELECT sentence FROM local_effects WHERE method = 'in_scores'")
        return str(found["sentence"][0]) if found.height else None

    def validation_questions(self) -> pl.DataFrame:
        """Ways of keeping looks from the fit, and what was found."""
        return self._reader.query("SELECT * FROM validation_questions ORDER BY question")

    def validation_materials(self) -> list[str]:
        """Materials that were judged by themselves, 'all' first, the others by their number of looks."""
        found = self._reader.query(
            "SELECT material FROM validation_scores GROUP BY material ORDER BY material <> 'all', max(n_looks) DESC, material"
        )
        return found["material"].to_list()

    def validation_scores(self, question: str, material: str) -> pl.DataFrame:
        """How well each model foretold looks, best first."""
        return self._reader.query(
            "SELECT * FROM validation_scores WHERE question = ? AND material = ? ORDER BY log_score, model",
            [question, material],
        )

    def validation_calibration(self, question: str, material: str) -> pl.DataFrame:
        """Foretold chances of the life regression against what was seen, by tenths of the looks."""
        return self._reader.query(
            "SELECT * FROM validation_calibration WHERE question = ? AND material = ? AND model = 'life_regression' "
            "ORDER BY position",
            [question, material],
        )

    def lots_to_hand_on(self, name: str, most: int) -> pl.DataFrame:
        """The lots of a subdivision with the highest chance now, as they may be told with their addresses.

        Whom not to contact is left out. Where a client keeps the result of a look, the chance is that of lines like it.
        """
        chances = ", ".join(
            f"if(is_withheld, failure_probability_without_own{end}, failure_probability{end}) AS failure_probability{end}"
            for end in ("", "_lower", "_upper")
        )
        return self._reader.query(
            f"WITH told AS (SELECT *, n_inspections > 0 AND NOT tells_own_results AS is_withheld FROM lots) "  # noqa: S608 - no name comes from outside
            f"SELECT * REPLACE ({chances}) FROM told WHERE subdivision = ? AND status = 'ok' "
            "AND NOT list_contains(?, lot_id) ORDER BY failure_probability DESC, lot_id LIMIT ?",
            [name, sorted(self._not_to_contact(name)), most],
        )

    def _not_to_contact(self, subdivision: str) -> frozenset[str]:
        """Lots of a subdivision that are on the workspace's list."""
        if self._home is None:
            return frozenset()
        lots = self._reader.query("SELECT lot_id, address FROM lots WHERE subdivision = ?", [subdivision])
        return do_not_contact(self._home, lots).lots

    def loads(self) -> pl.DataFrame:
        """Loads, newest first."""
        return self._reader.query("SELECT * FROM loads ORDER BY load_id DESC")

    def reject_counts(self) -> pl.DataFrame:
        """Rejected rows by file and reason."""
        return self._reader.query("SELECT * FROM reject_counts ORDER BY n_rejects DESC, file_name")

    def rejects(self) -> pl.DataFrame:
        """A sample of rejected rows, a few for each reason, newest first."""
        return self._reader.query(
            "SELECT * FROM rejects QUALIFY row_number() OVER (PARTITION BY reason_code ORDER BY load_id DESC, source_row) <= 5 "
            "ORDER BY load_id DESC, source_row LIMIT ?",
            [SAMPLE_OF_REJECTS],
        )

    def contradictions(self) -> pl.DataFrame:
        """Contradictions in accepted records by kind, with one example."""
        return self._reader.query(
            "SELECT kind, any_value(meaning) AS meaning, sum(n)::BIGINT AS n, count(*) AS n_places, min(detail) AS example "
            "FROM findings_on_records GROUP BY kind ORDER BY n DESC, kind"
        )

    def changes(self) -> pl.DataFrame:
        """What the newest build changed in the numbers."""
        return self._reader.table("changes")

    def changed_lots(self) -> pl.DataFrame:
        """Lots whose chance moved most, largest move first."""
        return self._reader.query(
            "SELECT * FROM changed_lots ORDER BY abs(failure_probability - failure_probability_before) DESC, lot_id"
        )

    def record_counts(self) -> pl.DataFrame:
        """Rows on record by table."""
        return self._reader.query("SELECT * FROM record_counts ORDER BY n_rows DESC")

    def _one(self, sql: str, key: str) -> dict[str, Any]:
        return self._reader.query(sql, [key]).row(0, named=True)


LOT_PARTS = {
    "segments": "SELECT * FROM lot_segments WHERE lot_id = ? ORDER BY sequence",
    "inspections": "SELECT * FROM lot_inspections WHERE lot_id = ? ORDER BY look_year DESC, inspection_id",
    "findings": "SELECT * FROM lot_findings WHERE lot_id = ? ORDER BY inspection_id, at_ft, number",
    "reasons": "SELECT * FROM lot_reasons WHERE lot_id = ? ORDER BY position",
}


@dataclass
class Lent:
    """An open generation, as one kind of account sees it, with the number of sessions that use it.

    Attributes
    ----------
    reader : PublishedReader
        The generation.
    records : Records
        The pages' questions to it.
    scope : Scope or None
        What is left out of it.
    sessions : int
        Sessions that use it.
    """

    reader: PublishedReader
    records: Records
    scope: Scope | None
    sessions: int = 0


class Library:
    """Hands each new session the newest generation, and closes an old one when its last session ends."""

    def __init__(self, place: Workspace | Path) -> None:
        self._place = place
        self._lock = threading.Lock()
        self._open: list[Lent] = []

    def borrow(self, account: Account | None = None) -> Lent:
        """Return the newest generation, to be given back with `give_back`.

        Parameters
        ----------
        account : Account, optional
            Who asks; its rows alone are there. None means the machine's own user, who sees all.

        Raises
        ------
        PublishedError
            Nothing is published, or it cannot be read.
        """
        scope = None if account is None else account.scope
        with self._lock:
            fresh = [lent for lent in self._open if lent.scope == scope and not lent.reader.is_stale()]
            lent = fresh[0] if fresh else self._opened(scope)
            lent.sessions += 1
            self._close_unused()
            return lent

    def give_back(self, lent: Lent) -> None:
        """End a session's use of a generation."""
        with self._lock:
            lent.sessions -= 1
            self._close_unused()

    def _opened(self, scope: Scope | None) -> Lent:
        reader = open_current(self._place, scope)
        # Who does not see everything brings no files in either.
        workspace = self._workspace() if scope is None else None
        lent = Lent(reader, Records(reader, workspace, home=self._workspace()), scope)
        self._open.append(lent)
        return lent

    def _workspace(self) -> Workspace | None:
        """The workspace behind the published folder, if it is one in which files can be loaded."""
        if isinstance(self._place, Workspace):
            return self._place
        return Workspace(self._place) if (self._place / "published").is_dir() else None

    def _close_unused(self) -> None:
        for lent in list(self._open):
            if lent.sessions == 0 and lent.reader.is_stale():
                lent.reader.close()
                self._open.remove(lent)
