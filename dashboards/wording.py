"""Every sentence the pages say, and how numbers are put into words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.percent import NO_NUMBER, chance_words, estimate_words, range_words
from pipeline.vocabulary import Material, Outcome, Vocabulary

PAGES = {
    "age": "How pipes age",
    "where": "Where they fail",
    "map": "The map",
    "sale": "Before a sale",
    "budget": "Replacement budget",
    "connections": "Which connections first",
    "canvass": "Where to offer a look",
    "trust": "How far to trust it",
    "records": "The records",
}

LEADS = {
    "age": "The share of pipes that have a repair-grade finding by each age, material by material, from what cameras saw.",
    "where": "Blocks where cameras found more, or fewer, failed lines than the material, age and depth of those lines lead one to expect.",
    "sale": "The estimated chance of a repair-grade finding in one house's line, or in a whole subdivision, and what that estimate rests on.",
    "trust": "Looks that were kept from the fit, foretold by it and by simpler means, beside what the camera then saw.",
    "records": "What was loaded, what was turned away and why, and where the records contradict themselves.",
}

ALL_MATERIALS = "all materials"
QUESTIONS = {
    "later_looks": "Later looks, foretold from earlier ones",
    "other_subdivisions": "Subdivisions that were left out",
    "other_lots": "Lots that were left out",
}
LAWS = {"weibull": "Weibull", "log-logistic": "log-logistic", "gompertz": "Gompertz"}
MODELS = {
    "life_regression": "life regression",
    "trees": "trees, no law of ageing",
    "age_only": "share failed by age alone",
    "base_rate": "base rate",
    **{law: f"life regression, {words} law" for law, words in LAWS.items()},
}
HOW_TRIED = (
    "Later looks: everything up to a day is fitted, and the looks after it are foretold.",
    "Subdivisions: half of them are left out, their looks are foretold from the other half, and the other way round. "
    "Where no subdivision is on record, it is half of the lots.",
    "Each model is fitted again to the same looks. The life regression is what scores rest on; trees that assume no law of "
    "ageing show what it may miss; the base rate and the share failed by age alone are what it has to beat.",
)
AREAS_TRIED = "Whether neighbours tell of each other"
LAW_TRIED = "Which law of life"
LAWS_MEAN = (
    "A law of life says how the chance of having failed grows with age. The laws part at great ages: under the Gompertz hardly any "
    "pipe lasts very long, under the log-logistic some does, and the Weibull lies between. Each was fitted and foretold the looks "
    "below; log score: less is better. The Weibull is kept unless another is ahead by more than the error of the comparison and the fitted looks bear it out. "
    "Likelihood: of the looks that were fitted, more is better."
)
SCORES_MEAN = (
    "Log score and Brier score: less is better. Difference: of the log score to that of the life regression, with its standard "
    "error; above 0 the life regression is better. AUC: the chance that a bad look was given the higher chance than a good one; "
    "0.5 is blind guessing. Slope: 1 where chances are as extreme as they should be, less where they are too extreme."
)

CAUTIONS_TITLE = "Before anyone digs or enters"
CAUTIONS = (
    "Call before digging: have every utility located and marked first.",
    "A gas line may have been bored through a sewer. Where a foreign line may cross, put a camera through before cutting or jetting; "
    "if one is seen, stop, leave it alone and call the gas utility.",
    "Manholes and pits are confined spaces and hold sewer gas: entry only with a permit, gas tests and trained people.",
    "Asbestos cement, and some pitch-fibre pipe, holds asbestos: do not cut, break or grind it except as local rules allow.",
    "Local codes, and the judgement of licensed people on site, come before anything shown here.",
)

SCREENING = "A screening aid, never a substitute for putting a camera in the line."
CHANCE_NOW = "estimated chance that a repair-grade finding is there now"
NO_CAMERA = "No camera record; estimate from similar houses."

NOTHING_PUBLISHED = "There is nothing to show yet"
NOTHING_PUBLISHED_TODO = (
    "Load inspection records with `underlot load FILE`, then run `underlot build`. To look around first in an "
    "invented town, run `underlot demo`."
)

NO_LOOKS = "No inspection can be counted yet"
NO_LOOKS_TODO = "Curves need inspections with a date or age and a verdict or findings. Load some with `underlot load FILE`, then run `underlot build`."
NO_AREAS = "No blocks or subdivisions are on record"
NO_AREAS_TODO = "Give the lots a block or a subdivision: load a file with those columns with `underlot load FILE`, then run `underlot build`."
NO_PLACES = "The records say nothing about where these lots lie"
NO_PLACES_TODO = "The table below holds all areas. For a map, load coordinates or outlines of the lots with `underlot load FILE`, then run `underlot build`."
NO_LOTS = "No lots are on record"
NO_LOTS_TODO = "Load inspections, or a list of lots, with `underlot load FILE`, then run `underlot build`."
NO_SUBDIVISIONS = "No subdivision is on record"
NO_SUBDIVISIONS_TODO = "Give the lots a subdivision: load a file with that column with `underlot load FILE`, then run `underlot build`."
LOAD_TODO = "Load a file of inspections with `underlot load FILE`, then run `underlot build`."
REJECTS_TODO = (
    "`underlot rejects` writes all of them to a file. Mend the rows there and load that file again."
)

EXPECTED = (
    "Orange: more lines found failed than the material, age and depth of the inspected lines lead one to expect; blue: fewer. "
    "Only lots whose line was inspected without a complaint count, each with its newest look."
)
HOT_SPOT_SEARCHES = {
    "all": "all but those made because of a failure",
    "recent": "those of the last years only",
    "every_reason": "all, whatever they were made for",
}
HOT_SPOT_WARNING = (
    "A hot spot is a place to look closer, with a camera; it says nothing about any one line. Only inspected lots count: where "
    "few were, none is found. Outlines on the map are drawn around the lots inside; dashed ones are not firm."
)
COVERAGE = "The share of lots with at least one counted look. Where little was inspected, the map beside says little."
AREA_WARNING = "An area within the range that chance allows is no hot spot. Of many areas, some fall outside it by chance alone."

STOP_WORK = "Stop work: a line of another utility was seen inside this pipe"
STOP_WORK_STEPS = (
    "It may be gas. Do not cut roots, jet or dig here.",
    "Keep people and sources of ignition away, and call the gas utility.",
    "Work may go on only when the utility has made the crossing safe.",
)
ASBESTOS = "Part of this line may hold asbestos: do not cut, break or grind it except as local rules allow, and leave it to licensed people."

CHOICE_OF_LOOKS = (
    "Looks to draw a curve of. The curves of the build rest on all looks that were not made because something was already wrong; "
    "the looks asked for here get a curve of their own below each of them."
)
OWN_LOTS_ONLY = "It is drawn from the lots that this account may see."
NOT_NARROWED_HERE = (
    "Looks cannot be narrowed down here: this account sees figures of areas only, or no look can be counted."
)
AREAS_NOT_NARROWED = (
    "Only the choice of a subdivision is offered: to count chosen pipes and looks takes single lots, which this account does not "
    "see, or a fit, which these records do not bear."
)
WHICH_LOTS_COUNT = (
    "Each lot counts with its newest look that was not made because something was wrong. Material and time laid choose lots with "
    "any such pipe in their line, of which the whole line counts; reason and years choose among the looks that count. Where fewer "
    "than {} of the chosen lots were inspected, nothing that was seen is told."
)
SEARCH_OF_ALL = (
    "The search is that of the build and rests on all looks named above, over the whole town. Of the filters only the "
    "subdivision is obeyed here: it chooses which zones are shown."
)
COVERAGE_OF_CHOSEN = "Of the lots asked for, the share whose counted look is among those asked for."
NO_LOT_ASKED_FOR = "No lot is among those asked for. Take a filter back to see some."
TRUST_FILTERS = (
    "What follows can be narrowed down by material: looks at each material were judged by themselves where they were enough. By area, "
    "time laid, reason or year no scores are published. What stands above is about the whole town."
)

WHY_APART = (
    "The fitted curve also takes in pipes whose material or year laid is known only roughly, pipes dug out before a camera came, "
    "and looks at whole lines; the stepped curve cannot. So the two may lie apart."
)
SEARCH_HELP = "Type a part of the address, or the beginning of a lot number, then choose a lot from the list; Enter takes the first."
CHOOSE_LOT = "choose a lot…"

NO_NUMBER_GIVEN = "Type a number of lots."

ERROR_TITLE = "This part could not be drawn"

OUTCOMES: dict[str, str] = {
    Outcome.STRUCTURAL: "Structural",
    Outcome.ROOTS_JOINTS: "Roots and joints",
    Outcome.GRADE: "Grade (bellies)",
    Outcome.ANY: "Any repair-grade finding",
}

SOURCES = {
    "recorded": "on record",
    "works": "works",
    "not_recorded": "not on record",
    "house_and_material": "house and material",
    "inferred_first_life": "inferred",
    "age_only": "age only",
}

REFUSED = {
    "too_few_records": "Too few records",
    "too_little_known": "Too little is known",
    "not_fitted": "Not fitted",
}


def material(code: str | None) -> str:
    """Name of a material for people."""
    if code is None:
        return Material.UNKNOWN.label
    return next((member.label for member in Material if member == code), code.replace("_", " "))


def outcome(code: str) -> str:
    """Name of an outcome for people."""
    return OUTCOMES.get(code, code.replace("_", " ").capitalize())


def word(code: str | None) -> str:
    """Any other code as words."""
    return "–" if code is None else code.replace("_", " ")


def meaning(words: type[Vocabulary], code: str) -> str:
    """The definition that the vocabulary gives a code, or the code as words."""
    return next((member.meaning for member in words if member == code), word(code))


#: Chances and their ranges, as every part of Underlot words them.
chance, chance_range, estimate = chance_words, range_words, estimate_words


def share(part: float, whole: float) -> str:
    """A counted share in per cent; unlike a chance it may be exactly none or all."""
    if not whole:
        return "–"
    return f"{100 * part / whole:.0f} %" if part in (0, whole) else chance(part / whole)


def estimate_range(level_: float, lower: float | None, upper: float | None) -> str:
    """The range of a chance with its level: '90 % range 12 to 46 %', or that all of it is over 99 %."""
    span = chance_range(lower, upper)
    alike = chance(lower) == chance(upper) != NO_NUMBER
    return f"{level(level_)} range {'wholly ' if alike else ''}{span}"


def almost_surely_there(horizon: str) -> str:
    """Why no chance is given for a line that has no finding now."""
    return (
        f"What would follow within {horizon} if there were none now is not told: one is almost surely there."
    )


def at_least(k: int, around: pl.DataFrame) -> str:
    """The chance of k or more, from the published numbers next to k: `k, probability_at_least`, k rising."""
    chances = around["probability_at_least"].to_list()
    if around.is_empty():
        return NO_NUMBER
    if around["k"][0] == k or len(chances) == 1:
        return chance(chances[0])
    # More are less likely: the chance lies between those of its neighbours.
    return chance_range(chances[1], chances[0])


def number(value: float | None, digits: int = 0) -> str:
    """A number with thousands set apart."""
    return "–" if missing(value) else f"{value:,.{digits}f}"


def number_range(lower: float | None, upper: float | None, digits: int = 0) -> str:
    """A range of numbers."""
    if missing(lower) or missing(upper):
        return "–"
    return f"{number(lower, digits)} to {number(upper, digits)}"


def years(low: float | None, high: float | None) -> str:
    """Calendar years in which a pipe may have been laid, from bounds in decimal years.

    A pipe of one known year has that year's bounds; where only ages are kept the bounds are not years at all.
    """
    if low is None or high is None or math.isnan(low) or math.isnan(high) or high <= 0:
        return "–"
    first, last = math.floor(low), math.floor(high)
    return str(first) if last - first <= 1 else f"{first} to {last}"


def day(value: date | datetime | None) -> str:
    """A date, month in words so that nobody swaps it with the day."""
    return "–" if value is None else f"{value.day} {value:%b %Y}"


def look_time(day_: date | None, look_year: float | None) -> str:
    """The day of a look, or the pipe's age where only ages are kept."""
    if day_ is not None:
        return day(day_)
    return "not recorded" if missing(look_year) else f"at age {number(look_year)}"


def yes_no(value: bool | None) -> str:
    """A flag in words."""
    return "not recorded" if value is None else ("yes" if value else "no")


def count(n: int, one: str, many: str | None = None) -> str:
    """A count with its noun: 1 look, 2 looks."""
    return f"{number(n)} {one if n == 1 else many or one + 's'}"


def missing(value: float | None) -> bool:
    """Whether there is no number."""
    return value is None or (isinstance(value, float) and math.isnan(value))


def level(share: float) -> str:
    """The level of a range, e.g. 90 %."""
    return f"{100 * share:.0f} %"


def lots_found(n: int, most: int) -> str:
    """How many lots a search offers, and what to do about too many or none."""
    if n == 0:
        return "No lot has this in its address. Try a shorter part, for instance the street alone."
    if n == most:
        return f"{most} lots or more fit; the closest {most} are in the list. Add the house number to narrow it down."
    return f"{count(n, 'lot')} found." + (" Choose one from the list." if n > 1 else "")


def against_chance(row: Mapping[str, Any]) -> str:
    """Whether an area's findings lie outside what chance allows, or cannot be judged."""
    if row["status"] != "ok":
        return REFUSED.get(row["status"], word(row["status"])).lower()
    if row["n_observed"] > row["expected_upper"]:
        return "more than chance allows"
    return "fewer than chance allows" if row["n_observed"] < row["expected_lower"] else "within chance"


def too_many_blocks(n: int) -> str:
    """Why subdivisions are drawn instead of blocks."""
    return f"{number(n)} blocks are too many to draw at once, so whole subdivisions are shown. Choose one to see its blocks."


def invented(run: Mapping[str, Any]) -> str:
    """What the band over an invented town's pages says."""
    if not run["is_synthetic"]:
        return ""
    return (
        f"{run['town_name']} is an invented town. Its streets, houses, pipes and inspections were made up to show "
        "Underlot at work; nothing here is about a real place."
    )


def run_line(run: Mapping[str, Any]) -> str:
    """When the numbers were made and from how many records."""
    return (
        f"built {day(run['built_at'])} · {count(run['n_lots'], 'lot')} · {count(run['n_inspections'], 'inspection')} "
        f"· {count(run['n_lots_inspected'], 'lot')} inspected"
    )


def as_called(row: Mapping[str, Any]) -> str:
    """Whether the figures of an outcome are as the camera called them, or corrected."""
    sensitivity, specificity = row["sensitivity"], row["specificity"]
    if missing(sensitivity) or missing(specificity) or (sensitivity == 1 and specificity == 1):
        return (
            "All figures here are as called by the camera: a missed defect counts as sound, a false call as failed. "
            f"Nothing is corrected (settings: sensitivity 100 %, specificity 100 %). {row['camera_sentence']} {WHY_APART}"
        )
    said = row["camera_sentence"]
    if missing(row["sensitivity_lower"]) and missing(row["specificity_lower"]):
        said = (
            f"It is taken to call {chance(sensitivity)} of failed pipe failed and {chance(specificity)} of sound pipe sound. "
            f"{said}"
        )
    return (
        "The stepped curve and the counts are as called by the camera. The fitted curve is corrected for the camera's errors. "
        f"{said} {WHY_APART}"
    )


def years_not_on_record(run: Mapping[str, Any]) -> str:
    """How many segments have no year of their own, and what became of them."""
    sentences = []
    if run["n_segments_by_like_pipe"]:
        sentences.append(
            f"{count(run['n_segments_by_like_pipe'], 'segment')} without an install year or a house year that tells it: "
            "the years in which like pipe was laid stand in."
        )
    if run["n_undated_segments"]:
        sentences.append(
            f"{count(run['n_undated_segments'], 'segment')} of which nothing tells when it was laid: "
            "such lines are not scored."
        )
    return " ".join(sentences)


def any_of(names: list[str]) -> str:
    """Names as alternatives."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def not_obeyed(names: list[str]) -> str:
    """Filters of other pages that a page cannot obey."""
    return f"Asked for on another page and not obeyed here: {', '.join(names)}. The figures below are not narrowed by that."


def none_told(least: int, name: str) -> str:
    """Why a narrowed choice shows no area."""
    larger = " Whole subdivisions may have enough of them: choose these as areas." if name == "block" else ""
    return (
        f"In no {name} were {least} of the lots asked for inspected, so nothing that was seen there is told.{larger} Looks made "
        "because something was already wrong never count here."
    )


def over_represent(n_selected: int, n_looks: int) -> str:
    """What a curve of looks made because something was already wrong does not tell."""
    which = (
        "All of these looks"
        if n_selected == n_looks
        else f"{number(n_selected)} of these {number(n_looks)} looks"
    )
    return (
        f"{which} were made because something was already wrong. Such looks over-represent failing lines: what they show "
        "tends to lie above what is true of all pipes of this kind. No curve of the build takes them in."
    )


def looks_kept_out(run: Mapping[str, Any]) -> str:
    """Which looks the curves leave out."""
    if not run["n_looks_selected"]:
        return ""
    return (
        f"{count(run['n_looks_selected'], 'look')} of {number(run['n_looks'])} were made because something was already "
        "wrong; they are kept out of these curves, or the pipes would look worse than they are."
    )
