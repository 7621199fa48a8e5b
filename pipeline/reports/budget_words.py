"""What a budget says in words, the same on screen, in Excel and in PDF."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.steps.budget_tables import Budget

CAUTIONS = (
    "An estimate from inspection records and the assumptions listed with it; no offer and no substitute for putting a "
    "camera in the lines or for bids from licensed contractors.",
    "Before any digging have every utility located and marked; a gas line may have been bored through a sewer. Manholes "
    "and pits are confined spaces and hold sewer gas. Asbestos cement and some pitch-fibre pipe holds asbestos. Local "
    "codes and licensed practice come first.",
)


METHOD = (
    "Failed means that a pipe has come to need repair. A camera gives an age at which a pipe had failed, or had not yet; "
    "curves are fitted to that, never to ages at inspection taken for ages at failure.",
    "Each possible future has one draw of those curves and one level of prices for all pipes, and chance events of its own "
    "for every pipe; what inspections already showed is counted in, and all policies meet the same futures. A pipe that "
    "needs repair makes trouble that cannot wait some years later.",
    "Ranges of 8 in 10 futures take in what the records leave open about curves, years laid and materials, and prices as "
    "given; they know nothing of what is wrong in the records, or of prices outside the ranges listed.",
    "Amounts fall at the end of each year; present value is discounted to the beginning of the first.",
)
#: Units that end the names of assumptions, as people write them.
UNITS = {
    " usd": " [US dollars]",
    " ft where unknown": " where unknown [ft]",
    " in where unknown": " where unknown [in]",
}


@dataclass(frozen=True, kw_only=True)
class Heading:
    """What stands over every page.

    Attributes
    ----------
    town : str
        Name of the town or client.
    is_synthetic : bool
        The records are invented.
    chosen : str
        Which lots, in words.
    run_id, as_of : str
        The build behind it.
    purpose, use_until : str
        What a file is for, and the last day of its use; empty on screen.
    """

    town: str
    is_synthetic: bool
    chosen: str
    run_id: str
    as_of: str
    purpose: str = ""
    use_until: str = ""

    @property
    def title(self) -> str:
        """The title."""
        return f"Replacement budget: {self.chosen}"

    @property
    def line(self) -> str:
        """The line below it."""
        invented = " An invented town: nothing in it is real." if self.is_synthetic else ""
        use = f" Purpose: {self.purpose}. Not to be used after {self.use_until}." if self.purpose else ""
        return f"{self.town}. Now: {self.as_of}. Build {self.run_id}.{use}{invented}"


def dollars(value: float) -> str:
    """Write a sum for people: no cents, and no more figures than it deserves."""
    step = (
        1 if abs(value) < 1_000 else 10 if abs(value) < 100_000 else 100 if abs(value) < 1_000_000 else 1_000
    )
    return f"${round(value / step) * step:,.0f}" if value >= 0 else f"-${round(-value / step) * step:,.0f}"


def label(policy: str) -> str:
    """Return a policy's code as words."""
    return policy.replace("_", " ")


def assumption_name(name: str) -> str:
    """Return the name of an assumption with its unit as people write it."""
    for ending, words in UNITS.items():
        if name.endswith(ending):
            return name.removesuffix(ending) + words
    return name


#: What the futures of a policy come to: heading, and the cell of a row of `policies`.
POLICY_FIGURES: tuple[tuple[str, Callable[[Mapping[str, Any]], str]], ...] = (
    ("present value, mean", lambda row: dollars(row["present_value"])),
    (
        "8 of 10 futures",
        lambda row: f"{dollars(row['present_value_p10'])} to {dollars(row['present_value_p90'])}",
    ),
    ("of it trouble", lambda row: dollars(row["emergency_present_value"])),
    (
        "works planned / in trouble / of both, at one spot",
        lambda row: (
            f"{row['expected_planned']:.1f} / {row['expected_emergencies']:.1f} / {row['expected_spot_repairs']:.1f}"
        ),
    ),
    ("balance now", lambda row: dollars(row["opening_balance_usd"])),
    ("first contribution", lambda row: dollars(row["first_contribution_usd"])),
)


def sentences(budget: Budget) -> list[str]:
    """What the budget comes to, sentence by sentence."""
    facts = budget.facts
    return [
        _counted(facts),
        _cheapest(budget),
        _reserve(facts),
        _cameras(facts),
        _cap(facts),
        _prices(budget),
    ]


def _counted(facts: Mapping[str, Any]) -> str:
    words = (
        f"{facts['n_lots']:,} lots with {facts['n_pipes']:,} pipes on record, {facts['horizon_years']} years, "
        f"{facts['n_draws']:,} possible futures."
    )
    if facts["n_borrowed"]:
        words += f" {facts['n_borrowed']:,} lots have no line on record: in each future such a lot has the line of a similar house."
    if facts.get("n_withheld"):
        words += (
            f" {facts['n_withheld']:,} lots are counted in but not named here: their clients do not allow results to be told "
            "with the address, or they are on the list of whom not to contact."
        )
    if facts["n_left_out"]:
        words += f" {facts['n_left_out']:,} lots are left out, because neither their line nor enough similar houses are on record."
    return words


def _cheapest(budget: Budget) -> str:
    least = budget.policies.sort("present_value").row(0, named=True)
    return (
        f"Least present value on average: {label(least['policy'])}, {dollars(least['present_value'])} "
        f"(in 8 of 10 futures {dollars(least['present_value_p10'])} to {dollars(least['present_value_p90'])})."
    )


def _reserve(facts: Mapping[str, Any]) -> str:
    chosen = facts["reserve_policy"]
    share = f"{facts['reserve_confidence']:.0%}"
    if facts["reserve_is_given"]:
        return (
            f"Reserve for '{label(chosen)}': with {dollars(facts['opening_balance_usd'])} now, a first contribution of "
            f"{dollars(facts['first_contribution_usd'])} a year, growing with prices, never runs dry in {share} of futures. "
            f"Without contributions, the reserve and its interest would fall short in {facts['chance_above_reserve'][chosen]:.0%} of them."
        )
    return (
        f"Reserve for '{label(chosen)}': {dollars(facts['opening_balance_usd'])} now and a first contribution of "
        f"{dollars(facts['first_contribution_usd'])} a year, growing with prices, never run dry in {share} of futures."
    )


def _cameras(facts: Mapping[str, Any]) -> str:
    if not facts["n_cameras_first"]:
        return "Before deciding to renew now or to leave, a camera is worth its price at none of these lots."
    return (
        f"Put a camera in {facts['n_cameras_first']:,} of these lots first: before deciding to renew now or to leave, that is "
        f"worth {dollars(facts['cameras_value_usd'])} more than it costs. (Knowing the state of every pipe for certain and "
        f"for nothing would be worth {dollars(facts['perfect_information_usd'])}.)"
    )


def _cap(facts: Mapping[str, Any]) -> str:
    if facts["cap_usd"] <= 0:
        return "A cap of $0 allows no planned renewal: within it every pipe waits for trouble."
    words = f"Within a cap of {dollars(facts['cap_usd'])} a year (today's dollars) for planned renewal, "
    if facts["cap_bound_usd"] <= 0:
        return words + "renewing ahead of trouble saves nothing on average."
    return (
        words
        + f"the programme saves {dollars(facts['cap_benefit_usd'])} of present value on average (in 8 of 10 futures "
        f"{dollars(facts['cap_saved_p10_usd'])} to {dollars(facts['cap_saved_p90_usd'])}); no other choice within "
        f"the cap could save more than {dollars(facts['cap_bound_usd'])} ({facts['cap_gap']:.1%} at most was left on the table). "
        "Trouble that cannot wait comes on top of the cap."
    )


def _prices(budget: Budget) -> str:
    named = dict(budget.assumptions.select("name", "value").iter_rows())
    base = " and ".join(str(year) for year in budget.facts["base_years"])
    return (
        f"US dollars; prices of {base}, carried forward by {float(named['prices: escalation rate']):.1%} a year "
        f"({named['prices: index']}), discounted at {float(named['prices: discount rate']):.1%}. Sums of a year are in that "
        "year's money. Every assumption is listed at the end."
    )
