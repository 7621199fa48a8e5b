"""Columns that pages and reports have in common say the same of the same row."""

from __future__ import annotations

from dashboards.pages import connections as page
from dashboards.reports import connections as report
from dashboards.table_columns import of_connections
from pipeline.vocabulary import LateralPart

ROW = {
    "manhole_id": None, "main_id": "M7", "station_ft": 120.0, "consequence": 1.5, "risk_points": 0.6,
    "in_list_probability": 0.5, "bundle": 3, "cost_low_usd": 8_000.0, "cost_high_usd": 12_000.0,
    "property_line_ft": 30.0, "property_line_source": "assumed", "tie_in_failure_probability": 0.4,
    "tie_in_failure_probability_lower": 0.2, "tie_in_failure_probability_upper": 0.6,
}  # fmt: skip


def test_a_connection_reads_alike_on_the_page_and_on_paper() -> None:
    common = of_connections(LateralPart.of("tie_in"))
    told = {column.label: column.value(ROW) for column in common}
    assert told["main or manhole"] == "M7"
    assert told["times"] == "1.50"
    assert told["risk [points]"] == "0.60"
    assert told["own cost [US dollars]"] == "8,000 to 12,000"
    labels = [column.label for column in report._columns(LateralPart.of("tie_in"))]
    assert labels == ["no.", "lot", *told, "property line [ft]"]
    assert page.of_connections is report.of_connections
    # 'Assumed' is what tells a reader that nobody measured it.
    assert page.property_line(ROW) == "30, assumed"
    assert page.property_line(ROW | {"property_line_source": "recorded"}) == "30"
