"""What of the published tables an account may see: the other rows are not there for any question it asks."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.published import contract

#: Tables with text as users wrote it, which may name any lot.
RAW_TEXT = frozenset({"rejects"})
#: The public sewer by what identifies it: a portfolio sees what its own lines tie into.
SEWERS = {"mains": "main_id", "manholes": "manhole_id"}
#: Counts so finely divided that single lots can be told from them.
FINE_COUNTS = frozenset({"look_groups", "look_histories"})


@dataclass(frozen=True, slots=True)
class Scope:
    """A restriction to the lots of some portfolios; without any, to areas, and no single lot.

    Attributes
    ----------
    portfolios : tuple of str
        Tags of `lots.portfolio`.
    """

    portfolios: tuple[str, ...] = ()

    def views(self, source: str) -> list[str]:
        """Return statements that make a view of each published table, holding what may be seen of it.

        Parameters
        ----------
        source : str
            Name of the attached database with the tables.
        """
        # `lots` first, then what hangs on a lot: the others are told by these.
        tables = sorted(contract.TABLES.values(), key=lambda t: (t.name != "lots", "lot_id" not in t.names))
        return [
            f'CREATE VIEW "{table.name}" AS SELECT * FROM {source}."{table.name}" WHERE {self._condition(table)}'  # noqa: S608 - names of the contract
            for table in tables
        ]

    def _condition(self, table: contract.PublishedTable) -> str:
        if table.name in RAW_TEXT:
            return "false"
        return self._of_portfolios(table) if self.portfolios else _of_areas(table)

    def _of_portfolios(self, table: contract.PublishedTable) -> str:
        tags = ", ".join("'" + tag.replace("'", "''") + "'" for tag in self.portfolios)
        if "portfolio" in table.names:
            return f"portfolio IN ({tags})"
        if "group_name" in table.names:
            # A budget tells what buildings cost: that of a portfolio belongs to those who may see it.
            return f"group_kind = 'portfolio' AND group_name IN ({tags})"
        if table.name in SEWERS:
            return f"{SEWERS[table.name]} IN (SELECT {SEWERS[table.name]} FROM tie_ins)"  # noqa: S608 - names of the contract
        for name in ("lot_id", "block", "subdivision", "pipe_set", "look_set"):
            if name in table.names:
                return f"{name} IN (SELECT {name} FROM lots)"  # noqa: S608 - names of the contract
        return "true"


def _of_areas(table: contract.PublishedTable) -> str:
    names = table.names
    is_of_lots = any(name in names for name in ("portfolio", "group_name", "lot_id", "pipe_set", "look_set"))
    if is_of_lots or table.name in FINE_COUNTS:
        return "false"
    if ("block" in names or "subdivision" in names) and "n_inspected" in names and "status" in names:
        # Of an area of few inspected lots what was seen would tell of single ones.
        return f"status = '{contract.STATUS_OK}'"
    return "true"
