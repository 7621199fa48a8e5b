"""Curves of failure by age, with what the records leave open, and the looks behind them."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import altair as alt
import polars as pl

from dashboards import theme, wording

BAD, GOOD = "repair-grade finding", "none"
#: Both charts of a material keep this width for the labels of the upright axis, so that their ages line up.
AXIS_PX = 46

AGES = alt.Axis(tickCount=8, labelFlush=False)
PER_CENT = alt.Axis(format="%", tickCount=5, minExtent=AXIS_PX, maxExtent=AXIS_PX)


def runs(curve: pl.DataFrame) -> pl.DataFrame:
    """Split a stepped curve into stretches that are determined or not, and repeat each stretch's last age
    as the next one's first, so that no gap shows between them.

    Parameters
    ----------
    curve : polars.DataFrame
        Rows of `curves` for one outcome and material, by age.

    Returns
    -------
    polars.DataFrame
        The same columns with `run`, the number of the stretch.
    """
    numbered = curve.with_columns(run=pl.col("is_determined").rle_id())
    ends = (
        numbered.with_columns(age_years=pl.col("age_years").shift(-1), next_run=pl.col("run").shift(-1))
        .filter(pl.col("next_run") != pl.col("run"))
        .drop("next_run")
    )
    return pl.concat([numbered, ends]).sort("run", "age_years")


def curve(stepped: pl.DataFrame, fitted: pl.DataFrame, *, oldest: float, colour: str) -> alt.TopLevelMixin:
    """Draw one material: the stepped curve with its band, what is undetermined, and the fitted curve.

    Parameters
    ----------
    stepped : polars.DataFrame
        Rows of `curves`; empty where the curve was refused.
    fitted : polars.DataFrame
        Rows of `fitted_curves`; empty where the fit was refused.
    oldest : float
        End of the age axis [years].
    colour : str
        Colour of the material.
    """
    layers = []
    if stepped.height:
        layers += [*_stepped(runs(stepped), oldest), _smoothed(stepped, oldest)]
    if fitted.height:
        layers += _fitted(fitted, oldest, colour)
    return alt.layer(*layers)


def _age(oldest: float, title: str | None = "age of the pipe [years]") -> alt.X:
    return alt.X("age_years:Q", title=title, scale=alt.Scale(domain=[0, oldest], nice=False), axis=AGES)


def _share(field: str) -> alt.Y:
    return alt.Y(field, title="share failed", axis=PER_CENT, scale=alt.Scale(domain=[0, 1]))


def _pale(stretch: alt.Chart) -> alt.Chart:
    """Mark where the records do not determine the curve: pale, between dotted lines."""
    return stretch.mark_area(
        interpolate="step-after",
        color=theme.OPEN,
        opacity=0.85,
        stroke="#8A7A3C",
        strokeDash=[2, 3],
        strokeWidth=1,
    )


def _stepped(split: pl.DataFrame, oldest: float) -> list[alt.Chart]:
    known = split.filter("is_determined")
    unknown = split.filter(~pl.col("is_determined"))
    age = _age(oldest)
    band = (
        alt.Chart(known)
        .mark_area(interpolate="step-after", opacity=0.16, color=theme.INK)
        .encode(
            x=age,
            y=_share("failure_probability_lower:Q"),
            y2=alt.Y2("failure_probability_upper:Q"),
            detail=alt.Detail("run:N"),
        )
    )
    open_stretch = _pale(alt.Chart(unknown)).encode(
        x=age,
        y=_share("undetermined_to:Q"),
        y2=alt.Y2("undetermined_from:Q"),
        detail=alt.Detail("run:N"),
        tooltip=[
            alt.Tooltip("age_years:Q", title="age"),
            alt.Tooltip("undetermined_from:Q", title="undetermined, from", format=".0%"),
            alt.Tooltip("undetermined_to:Q", title="to", format=".0%"),
        ],
    )
    line = (
        alt.Chart(known)
        .mark_line(interpolate="step-after", strokeWidth=2.2, color=theme.INK)
        .encode(
            x=age,
            y=_share("failure_probability:Q"),
            detail=alt.Detail("run:N"),
            tooltip=[
                alt.Tooltip("age_years:Q", title="age"),
                alt.Tooltip("failure_probability:Q", title="share failed", format=".0%"),
                alt.Tooltip("failure_probability_lower:Q", title="range from", format=".0%"),
                alt.Tooltip("failure_probability_upper:Q", title="to", format=".0%"),
            ],
        )
    )
    return [open_stretch, band, line]


def _smoothed(stepped: pl.DataFrame, oldest: float) -> alt.Chart:
    """Thin line through the steps, broken where they are."""
    drawn = (
        stepped.with_columns(part=pl.col("smoothed_probability").is_not_null().rle_id())
        .drop_nulls("smoothed_probability")
        .select("age_years", "smoothed_probability", "part")
    )
    return (
        alt.Chart(drawn)
        .mark_line(strokeWidth=1, opacity=0.6, color=theme.INK)
        .encode(
            x=_age(oldest),
            y=_share("smoothed_probability:Q"),
            detail=alt.Detail("part:N"),
            tooltip=[
                alt.Tooltip("age_years:Q", title="age"),
                alt.Tooltip("smoothed_probability:Q", title="smoothed share", format=".0%"),
            ],
        )
    )


def with_joint(fitted: pl.DataFrame) -> pl.DataFrame:
    """Repeat the last point within the looks as the first of the extension, so that the line has no gap."""
    within = fitted.filter(~pl.col("is_extension"))
    if within.height in {0, fitted.height}:
        return fitted
    return pl.concat([fitted, within.tail(1).with_columns(is_extension=pl.lit(value=True))]).sort("age_years")


def _fitted(fitted: pl.DataFrame, oldest: float, colour: str) -> list[alt.Chart]:
    age = _age(oldest)
    base = alt.Chart(with_joint(fitted))
    band = base.mark_area(opacity=0.22, color=colour).encode(
        x=age, y=_share("failure_probability_lower:Q"), y2=alt.Y2("failure_probability_upper:Q")
    )
    line = (
        base.transform_calculate(part="datum.is_extension ? 'extension' : 'within the looks'")
        .mark_line(strokeWidth=2.2, color=colour)
        .encode(
            x=age,
            y=_share("failure_probability:Q"),
            strokeDash=alt.StrokeDash(
                "part:N",
                scale=alt.Scale(domain=["within the looks", "extension"], range=[[1, 0], [5, 4]]),
                legend=None,
            ),
            tooltip=[
                alt.Tooltip("age_years:Q", title="age"),
                alt.Tooltip("failure_probability:Q", title="fitted share", format=".0%"),
                alt.Tooltip("failure_probability_lower:Q", title="range from", format=".0%"),
                alt.Tooltip("failure_probability_upper:Q", title="to", format=".0%"),
            ],
        )
    )
    return [band, line]


def chosen(stepped: pl.DataFrame, every: pl.DataFrame, *, oldest: float, colour: str) -> dict[str, Any]:
    """Draw the stepped curve of chosen looks with its band, and behind it that of the build, from all looks.

    Parameters
    ----------
    stepped, every : polars.DataFrame
        Rows of `curves` of the chosen looks, and of all; the latter empty where that curve was refused.
    oldest : float
        End of the age axis [years].
    colour : str
        Colour of the material.

    Returns
    -------
    dict
        A dressed specification.
    """
    rows = [
        runs(stepped).with_columns(
            kind=pl.when("is_determined").then(pl.lit("known")).otherwise(pl.lit("open"))
        )
    ]
    if every.height:
        rows.append(runs(every).filter("is_determined").with_columns(kind=pl.lit("every")))
    drawn = pl.concat(rows, how="diagonal_relaxed").filter(pl.col("age_years") <= oldest)
    return theme.refilled(_chosen_without_rows(oldest, colour), drawn.select(*_CHOSEN, "kind", "run"))


_CHOSEN = (
    "age_years", "failure_probability", "failure_probability_lower", "failure_probability_upper", "undetermined_from",
    "undetermined_to",
)  # fmt: skip


@lru_cache(maxsize=64)
def _chosen_without_rows(oldest: float, colour: str) -> dict[str, Any]:
    rows = alt.Data(values=[])

    def of(kind: str) -> alt.Chart:
        return alt.Chart(rows).transform_filter(f"datum.kind === '{kind}'")

    age, run = _age(oldest), alt.Detail("run:N")
    every = of("every").mark_line(
        interpolate="step-after", strokeWidth=1.6, strokeDash=[3, 3], color=theme.QUIET
    )
    open_stretch = _pale(of("open"))
    band = of("known").mark_area(interpolate="step-after", opacity=0.22, color=colour)
    line = of("known").mark_line(interpolate="step-after", strokeWidth=2.2, color=colour)
    told = [
        alt.Tooltip("age_years:Q", title="age"),
        alt.Tooltip("failure_probability:Q", title="share failed", format=".0%"),
    ]
    ends = [
        alt.Tooltip("failure_probability_lower:Q", title="range from", format=".0%"),
        alt.Tooltip("failure_probability_upper:Q", title="to", format=".0%"),
    ]
    return theme.dress(
        alt.layer(
            open_stretch.encode(
                x=age, y=_share("undetermined_to:Q"), y2=alt.Y2("undetermined_from:Q"), detail=run
            ),
            band.encode(
                x=age,
                y=_share("failure_probability_lower:Q"),
                y2=alt.Y2("failure_probability_upper:Q"),
                detail=run,
            ),
            every.encode(x=age, y=_share("failure_probability:Q"), detail=run, tooltip=told),
            line.encode(x=age, y=_share("failure_probability:Q"), detail=run, tooltip=[*told, *ends]),
        )
    )


def looks(counts: pl.DataFrame, *, oldest: float) -> dict[str, Any]:
    """Draw how many looks stand behind each age band, and how many of them were bad.

    Parameters
    ----------
    counts : polars.DataFrame
        Rows of `look_counts` for one outcome and material.
    oldest : float
        End of the age axis [years].

    Returns
    -------
    dict
        A dressed specification.
    """
    # Rectangles, since a stacked bar with a start and an end age would be taken for a horizontal one.
    bands = counts.filter(pl.col("age_from_years") < oldest).with_columns(
        age_to_years=pl.col("age_to_years").clip(upper_bound=oldest) - 0.4
    )
    bad = bands.with_columns(kind=pl.lit(BAD), bottom=pl.lit(0), top=pl.col("n_bad"))
    good = bands.with_columns(kind=pl.lit(GOOD), bottom=pl.col("n_bad"), top=pl.col("n_looks"))
    named = pl.concat(
        [part.with_columns(pl.col("bottom", "top").cast(pl.Int64)) for part in (bad, good)]
    ).with_columns(value=pl.col("top") - pl.col("bottom"))
    return theme.refilled(_looks_without_rows(oldest), named)


@lru_cache(maxsize=64)
def _looks_without_rows(oldest: float) -> dict[str, Any]:
    drawn = (
        alt.Chart(alt.Data(values=[]))
        .mark_rect()
        .encode(
            x=alt.X(
                "age_from_years:Q",
                title="age at the look [years]",
                scale=alt.Scale(domain=[0, oldest], nice=False),
                axis=AGES,
            ),
            x2=alt.X2("age_to_years:Q"),
            y2=alt.Y2("top:Q"),
            y=alt.Y(
                "bottom:Q",
                title="looks",
                axis=alt.Axis(tickCount=3, format=",d", minExtent=AXIS_PX, maxExtent=AXIS_PX),
            ),
            color=alt.Color(
                "kind:N",
                title=None,
                scale=alt.Scale(domain=[BAD, GOOD], range=[theme.MORE, "#9DB3B5"]),
            ),
            tooltip=[
                alt.Tooltip("age_from_years:Q", title="age from"),
                alt.Tooltip("kind:N", title="looks with"),
                alt.Tooltip("value:Q", title="number", format=",d"),
                alt.Tooltip("n_looks:Q", title="of", format=",d"),
            ],
        )
    )
    return theme.dress(drawn)


def compare(
    fitted: pl.DataFrame, *, oldest: float, materials: list[str], places: list[int]
) -> alt.TopLevelMixin:
    """Draw the fitted curves of several materials over each other, each with its range and to its oldest look.

    Parameters
    ----------
    fitted : polars.DataFrame
        Rows of `fitted_curves` for one outcome.
    oldest : float
        End of the age axis [years].
    materials : list of str
        Codes, in the order of the legend.
    places : list of int
        Place in the theme's colours and dashes, one for each material.
    """
    names = [wording.material(code) for code in materials]
    named = fitted.filter(~pl.col("is_extension")).with_columns(
        pl.col("material").replace_strict(dict(zip(materials, names, strict=True)), return_dtype=pl.String)
    )
    colour = alt.Color(
        "material:N",
        title=None,
        scale=alt.Scale(domain=names, range=[theme.SERIES[i] for i in places]),
        legend=alt.Legend(columns=2, symbolType="stroke", symbolOpacity=1, symbolSize=300),
    )
    dash = alt.StrokeDash(
        "material:N",
        title=None,
        scale=alt.Scale(domain=names, range=[theme.DASHES[i] for i in places]),
    )
    base = alt.Chart(named)
    band = base.mark_area(opacity=0.15).encode(
        x=_age(oldest),
        y=_share("failure_probability_lower:Q"),
        y2=alt.Y2("failure_probability_upper:Q"),
        color=colour,
    )
    line = base.mark_line(strokeWidth=2.4).encode(
        x=_age(oldest),
        y=_share("failure_probability:Q"),
        color=colour,
        strokeDash=dash,
        tooltip=[
            alt.Tooltip("material:N"),
            alt.Tooltip("age_years:Q", title="age"),
            alt.Tooltip("failure_probability:Q", title="fitted share", format=".0%"),
            alt.Tooltip("failure_probability_lower:Q", title="range from", format=".0%"),
            alt.Tooltip("failure_probability_upper:Q", title="to", format=".0%"),
        ],
    )
    return alt.layer(band, line)
