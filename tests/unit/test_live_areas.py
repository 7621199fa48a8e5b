"""Areas of a page that change: in place where they can, built anew where they must, and silent once they are gone."""

from __future__ import annotations

import panel as pn
import param
import pytest
from markupsafe import Markup

from dashboards import parts
from dashboards.sheet import Drawing, Sheet

#: Panel names a later version of its own; what it says then is not what is tested here.
pytestmark = pytest.mark.filterwarnings("ignore:button_type is deprecated:PendingDeprecationWarning")


class Filter(param.Parameterized):
    """Something with a value."""

    value = param.Integer()


def test_an_area_that_is_gone_no_longer_answers_a_filter_that_stays() -> None:
    outer, stays, answers = Filter(), Filter(), []

    def inner(value: int) -> pn.pane.HTML:
        answers.append(value)
        return parts.text("inside")

    def built(value: int) -> pn.viewable.Viewable:
        parts.follow(stays, lambda event: answers.append(100 * value + event.new))
        return parts.live(inner, stays)

    parts.live(built, outer)
    outer.value = 1
    outer.value = 2
    answers.clear()
    stays.value = 7
    assert sorted(answers) == [7, 207], "only the newest area answers, once for each that follows"


def test_a_text_changes_in_its_place() -> None:
    chosen = Filter(value=1)
    shown = parts.live_text(lambda value: parts.text(f"<b>{value}</b>"), chosen)
    chosen.value = 5
    assert shown.object == "<b>5</b>"


def spec(end: float) -> dict[str, object]:
    rows = [{"a": 0.0}, {"a": end}]
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json", "data": {"values": rows}, "mark": "point",
        "encoding": {"x": {"field": "a"}},
    }  # fmt: skip


def test_a_sheet_keeps_its_pieces_while_they_follow_each_other_alike() -> None:
    sheet = Sheet()
    sheet.show([Markup("<p>a</p>"), Markup("<p>b</p>"), Drawing(spec(1), "one", 100, "lot 1")])
    text, chart = sheet.panel.objects
    assert text.object.count("<p>") == 2, "neighbouring texts stand in one pane"
    sheet.show([Markup("<p>c</p>"), Drawing(spec(2), "two", 100, "lot 2")])
    assert sheet.panel.objects == [text, chart]
    assert text.object == "<p>c</p>"
    vega, button, says = chart.objects
    assert vega.object["data"]["values"][1] == {"a": 2}
    assert (vega.object["description"], button.filename) == ("two", "underlot_lot_2.csv")
    assert "two" in says.object
    assert button.callback().getvalue() == b"a\n0.0\n2.0\n"


def test_a_sheet_of_other_pieces_is_built_anew() -> None:
    sheet = Sheet()
    sheet.show([Markup("<p>a</p>"), Drawing(spec(1), "one", 100, "lot 1")])
    sheet.show([Markup("<p>no estimate</p>")])
    assert [type(piece) for piece in sheet.panel.objects] == [pn.pane.HTML]
