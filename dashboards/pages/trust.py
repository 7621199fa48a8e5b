"""How far to trust it: looks kept from the fit, foretold, and then compared with what the camera saw."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import panel as pn
import polars as pl

from dashboards import parts, theme, wording
from dashboards.charts import foretold
from dashboards.data import Records
from dashboards.parts import Shown

#: Filters of other pages that the published scores have no grain for.
NOT_OBEYED = {
    "subdivision": "subdivision",
    "portfolio": "portfolio",
    "era": "time laid",
    "purpose": "reason for the look",
    "from": "first year",
    "to": "last year",
}


def page(records: Records) -> pn.viewable.Viewable:
    """Build the page."""
    title = parts.title(wording.PAGES["trust"], wording.LEADS["trust"])
    questions = records.validation_questions()
    if questions.is_empty():
        return pn.Column(
            title, parts.empty(wording.NO_LOOKS, wording.NO_LOOKS_TODO), sizing_mode="stretch_width"
        )
    kinds = records.validation_materials() or ["all"]
    chosen = pn.widgets.Select(
        name="Material",
        options={wording.ALL_MATERIALS if k == "all" else wording.material(k): k for k in kinds},
        value=_asked(kinds),
        width=320,
        stylesheets=[theme.WIDGET],
    )
    parts.keep_in_address(chosen, "material")
    return pn.Column(
        title,
        parts.card(parts.heading("How this was tried"), parts.bullets(wording.HOW_TRIED)),
        _laws(records.laws_tried()),
        *_areas(records.areas_in_scores()),
        parts.card(parts.paragraph(wording.TRUST_FILTERS), *_not_obeyed(kinds), chosen),
        parts.live(lambda material: _questions(records, questions, material), chosen),
        sizing_mode="stretch_width",
    )


def _asked(kinds: list[str]) -> str:
    """The one material that the address asks for; all of them where it asks for several, or for one not judged."""
    given = (parts.from_address("material") or "").split(",")
    return given[0] if len(given) == 1 and given[0] in kinds else "all"


def _not_obeyed(kinds: list[str]) -> list[pn.viewable.Viewable]:
    """Say which filters came along in the address and are not obeyed here."""
    names = [words for name, words in NOT_OBEYED.items() if parts.from_address(name)]
    materials = [code for code in (parts.from_address("material") or "").split(",") if code]
    if materials and _asked(kinds) == "all" and materials != ["all"]:
        names.insert(0, wording.any_of([wording.material(code) for code in materials]))
    return [parts.note(wording.not_obeyed(names))] if names else []


def _areas(sentence: str | None) -> list[pn.viewable.Viewable]:
    return (
        []
        if sentence is None
        else [parts.card(parts.heading(wording.AREAS_TRIED), parts.paragraph(sentence))]
    )


def _laws(tried: pl.DataFrame) -> pn.viewable.Viewable:
    head = parts.heading(wording.LAW_TRIED)
    chosen = tried.filter("is_chosen").row(0, named=True)
    if chosen["status"] != "ok":
        return parts.card(head, parts.note(chosen["sentence"]))
    return parts.card(
        head,
        parts.paragraph(chosen["sentence"]),
        parts.table(
            tried,
            [
                Shown("law", lambda r: wording.LAWS[r["law"]]),
                Shown("log score", lambda r: wording.number(r["log_score"], 4), is_number=True),
                Shown("to the Weibull", _behind_weibull, is_number=True),
                Shown("likelihood", _likelihood, is_number=True),
            ],
            caption=f"{wording.count(chosen['n_looks'], 'look')} foretold under each law",
        ),
        parts.folded("What the laws mean", parts.paragraph(wording.LAWS_MEAN, small=True)),
    )


def _questions(records: Records, questions: pl.DataFrame, material: str) -> pn.viewable.Viewable:
    cards = [_question(records, row, material) for row in questions.iter_rows(named=True)]
    return parts.side_by_side(*cards, least_px=440)


def _question(records: Records, row: Mapping[str, Any], material: str) -> pn.viewable.Viewable:
    head = parts.heading(wording.QUESTIONS[row["question"]])
    if row["status"] != "ok":
        return parts.card(head, parts.note(row["sentence"]))
    scores = records.validation_scores(row["question"], material)
    if scores.is_empty():
        return parts.card(head, parts.note("Too few looks at this material were kept from the fit."))
    tenths = records.validation_calibration(row["question"], material)
    return parts.card(
        head,
        parts.paragraph(row["sentence"]),
        parts.chart(
            foretold.against_seen(tenths, colour=theme.DEEP),
            height=330,
            data=tenths,
            name=f"foretold {row['question']} {material}",
            says=f"The life regression: {_looks_at_each(tenths)} at each dot, with the range that chance alone allows. "
            "On the dashed line, chances come true as foretold; above it, pipes were worse than foretold.",
        ),
        parts.folded(
            "The numbers behind the dots",
            parts.table(
                tenths,
                [
                    Shown("foretold", lambda r: wording.chance(r["predicted_share"]), is_number=True),
                    Shown("seen bad", lambda r: wording.share(r["n_bad"], r["n_looks"]), is_number=True),
                    Shown(
                        "range",
                        lambda r: wording.chance_range(r["observed_share_lower"], r["observed_share_upper"]),
                        is_number=True,
                    ),
                    Shown("looks", lambda r: wording.number(r["n_looks"]), is_number=True),
                    Shown("of them bad", lambda r: wording.number(r["n_bad"]), is_number=True),
                ],
                caption="Tenths of the looks, by foretold chance",
            ),
        ),
        parts.table(
            scores,
            [
                Shown("model", lambda r: wording.MODELS[r["model"]]),
                Shown("log score", lambda r: wording.number(r["log_score"], 3), is_number=True),
                Shown("difference", _behind, is_number=True),
                Shown("Brier score", lambda r: wording.number(r["brier_score"], 3), is_number=True),
                Shown("AUC", lambda r: wording.number(r["auc"], 2), is_number=True),
                Shown("slope", lambda r: wording.number(r["calibration_slope"], 2), is_number=True),
            ],
            caption=f"{wording.count(scores['n_looks'][0], 'look')} foretold, {wording.number(scores['n_bad'][0])} of them bad",
        ),
        parts.paragraph(wording.SCORES_MEAN, small=True),
    )


def _looks_at_each(tenths: pl.DataFrame) -> str:
    n = tenths["n_looks"]
    least, most = wording.number(n.min()), wording.number(n.max())  # type: ignore[arg-type]
    return f"{least} looks" if least == most else f"{least} to {most} looks"


def _behind(row: Mapping[str, Any]) -> str:
    if row["model"] == "life_regression":
        return "–"
    return _difference(row["behind_life_regression"], row["behind_life_regression_error"], 3)


def _behind_weibull(row: Mapping[str, Any]) -> str:
    if row["law"] == "weibull" or wording.missing(row["behind_weibull"]):
        return "–"
    return _difference(row["behind_weibull"], row["behind_weibull_error"], 4)


def _likelihood(row: Mapping[str, Any]) -> str:
    return wording.number(row["log_marginal_likelihood"], 1).replace("-", "−")


def _difference(by: float, error: float | None, digits: int) -> str:
    told = f"{by:+.{digits}f}".replace("-", "−")
    return told if error is None or wording.missing(error) else f"{told} ± {error:.{digits}f}"
