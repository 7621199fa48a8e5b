"""Lengths, numbers and dates as people write them."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import quantities
from pipeline.quantities import Fault
from pipeline.validation.cells import proven_order

TODAY = date(2026, 6, 30)

# One foot is 0.3048 m and one inch 25.4 mm exactly (international yard and pound agreement, 1959).
FOOT_IN_M = 0.3048


@pytest.mark.parametrize(
    ("text", "feet"),
    [
        ("42'", 42),
        ("43'6\"", 43.5),
        ("43' 6\"", 43.5),
        ("43 ft 6 in", 43.5),
        ("43’6”", 43.5),
        ("80' - 8 1/2\"", 80 + 8.5 / 12),
        ("80'8-1/2\"", 80 + 8.5 / 12),
        ("12' 3/4 in", 12 + 0.75 / 12),
        ("12' 3/0\"", None),
        ("43-ft", None),
        ("13.1 m", 13.1 / FOOT_IN_M),
        ("13.1m", 13.1 / FOOT_IN_M),
        ("43.5ft", 43.5),
        ("43.5 feet", 43.5),
        ("38", 38),
        ("38 LF", 38),
        ("1,250 ft", 1250),
        ("18 in", 1.5),
        ('6 1/2"', 6.5 / 12),
        ("450 mm", 0.45 / FOOT_IN_M),
        ("about 40", None),
        ("43-48'", None),
        ("@ 43'", None),
        ("4O ft", None),
        ("", None),
        ("ft", None),
        ("1/0 in", None),
    ],
)
def test_lengths(text, feet):
    found = quantities.parse_length(text, unit="ft", to="ft")
    if feet is None:
        assert isinstance(found, Fault), text
        assert found.code == "not_a_number"
    else:
        assert found == pytest.approx(feet, rel=1e-12)


def test_unit_of_the_map_holds_only_where_the_text_names_none():
    assert quantities.parse_length("10", unit="m", to="ft") == pytest.approx(10 / FOOT_IN_M)
    assert quantities.parse_length("10 ft", unit="m", to="ft") == pytest.approx(10)
    assert quantities.parse_length("100", unit="mm", to="in") == pytest.approx(100 / 25.4)


def test_message_of_a_bad_length():
    found = quantities.parse_length("about 40", unit="ft", to="ft")
    assert found.reason == "'about 40' is not a length. Correct it, or leave it empty."


def test_decimal_comma_is_never_taken_for_thousands():
    found = quantities.parse_number("12,5")
    assert isinstance(found, Fault)
    assert found.reason == (
        "'12,5' is not a number. If ',' is the decimal sign of this file, set decimal = \",\" in the column map."
    )
    assert quantities.parse_number("12,5", decimal=",") == 12.5
    assert quantities.parse_number("1.234,5", decimal=",") == 1234.5
    assert quantities.parse_number("$1,234.50") == 1234.5
    assert isinstance(quantities.parse_number("12.5", decimal=","), Fault)


@given(
    feet=st.integers(0, 1999),
    inches=st.integers(0, 11),
    form=st.sampled_from(
        ["{f}'{i}\"", "{f}' {i}\"", "{f} ft {i} in", "{f}ft {i}in", "{f}’{i}”", "{f} feet {i} inches"]
    ),
)
def test_feet_and_inches_come_back(feet, inches, form):
    text = form.format(f=feet, i=inches)
    assert quantities.parse_length(text, unit="m", to="ft") == pytest.approx(feet + inches / 12, abs=1e-9)


@given(
    hundredths=st.integers(0, 99_999),
    form=st.sampled_from(["{}", "{} m", "{}m", "{} meters", " {} M "]),
)
def test_metres_come_back(hundredths, form):
    text = form.format(hundredths / 100)
    assert quantities.parse_length(text, unit="m", to="m") == pytest.approx(hundredths / 100, abs=1e-9)


@given(st.text(max_size=30))
def test_any_text_gives_a_length_or_a_fault(text):
    found = quantities.parse_length(text, unit="ft", to="ft")
    assert isinstance(found, float | Fault)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2020-03-04", date(2020, 3, 4)),
        ("2020-03-04 00:00:00", date(2020, 3, 4)),
        ("2020-03-04T13:30:00Z", date(2020, 3, 4)),
        ("20200304", date(2020, 3, 4)),
        ("3/31/2020", date(2020, 3, 31)),
        ("31.3.2020", date(2020, 3, 31)),
        ("3-31-20", date(2020, 3, 31)),
        ("3/3/20", date(2020, 3, 3)),
        ("4-Mar-20", date(2020, 3, 4)),
        ("March 4, 2020", date(2020, 3, 4)),
        ("Mar 4 2020", date(2020, 3, 4)),
        ("4 March 2020", date(2020, 3, 4)),
        # Day 43894 of the 1900 date system is 2020-03-04 (45 days after 43849 = 2020-01-19; checked by hand
        # from 43831 = 2020-01-01, a number printed in many spreadsheet manuals; from memory).
        ("43894", date(2020, 3, 4)),
        ("43894.5", date(2020, 3, 4)),
    ],
)
def test_dates(text, day):
    assert quantities.parse_date(text, today=TODAY) == day


@pytest.mark.parametrize(
    "text",
    [
        "",
        "soon",
        "2020",
        "March 2020",
        "May",
        "13/32/2020",
        "2/30/2020",
        "12",
        "1/2",
        "0",
        "99999999",
        "fall 2019",
        "4 o'clock",
    ],
)
def test_what_is_no_date(text):
    found = quantities.parse_date(text, today=TODAY)
    assert isinstance(found, Fault), text
    assert found.code == "not_a_date"


def test_ambiguous_date_is_asked_about():
    found = quantities.parse_date("3/4/2020", today=TODAY)
    assert isinstance(found, Fault)
    assert found.code == "ambiguous_date"
    assert found.reason == (
        "'3/4/2020' can be 2020-03-04 or 2020-04-03. Say which in the column map: "
        'format = "mdy" or format = "dmy".'
    )
    assert quantities.parse_date("3/4/2020", today=TODAY, formats=("dmy",)) == date(2020, 4, 3)
    assert quantities.parse_date("3/4/2020", today=TODAY, formats=("%m/%d/%Y",)) == date(2020, 3, 4)
    assert quantities.parse_date("3/4/2020", today=TODAY, order="mdy") == date(2020, 3, 4)


def test_a_named_format_is_not_bent():
    found = quantities.parse_date("3/31/2020", today=TODAY, formats=("dmy",))
    assert isinstance(found, Fault)
    assert found.code == "not_a_date"


def test_order_is_proven_by_the_other_values():
    assert proven_order(["3/4/2020", "3/31/2020"], today=TODAY) == "mdy"
    assert proven_order(["3/4/2020", "31/3/2020"], today=TODAY) == "dmy"
    assert proven_order(["3/4/2020", "31/3/2020", "3/31/2020"], today=TODAY) is None
    assert proven_order(["3/4/2020", "2020-03-31", "March 31, 2020"], today=TODAY) is None


def test_two_digit_years_are_not_in_the_far_future():
    assert quantities.parse_date("3/31/85", today=TODAY) == date(1985, 3, 31)
    assert quantities.parse_date("3/31/26", today=TODAY) == date(2026, 3, 31)


@given(
    day=st.dates(date(1960, 1, 1), date(2026, 6, 30)),
    form=st.sampled_from(
        [
            "%Y-%m-%d",
            "%Y/%m/%d",
            "%d %B %Y",
            "%B %d, %Y",
            "%b %d %Y",
            "%d-%b-%Y",
            "%Y%m%d",
            "%Y-%m-%d 00:00:00",
        ]
    ),
)
def test_unambiguous_dates_come_back(day, form):
    assert quantities.parse_date(day.strftime(form), today=TODAY) == day


@given(
    day=st.dates(date(1960, 1, 1), date(2026, 6, 30)),
    order=st.sampled_from(
        [("mdy", "%m/%d/%Y"), ("dmy", "%d/%m/%Y"), ("dmy", "%d.%m.%Y"), ("mdy", "%m-%d-%Y")]
    ),
)
def test_numeric_dates_come_back_or_are_asked_about(day, order):
    name, form = order
    text = day.strftime(form)
    assert quantities.parse_date(text, today=TODAY, order=name) == day
    found = quantities.parse_date(text, today=TODAY)
    if day.day > 12 or day.day == day.month:
        assert found == day
    else:
        assert isinstance(found, Fault)
        assert found.code == "ambiguous_date"


@given(st.dates(date(1955, 1, 1), date(2026, 6, 30)))
def test_spreadsheet_serials_come_back(day):
    # Day 36526 is 2000-01-01 in the 1900 date system (from memory; ECMA-376 part 1, 18.17.4.1).
    serial = 36526 + (day - date(2000, 1, 1)) // timedelta(days=1)
    assert quantities.parse_date(str(serial), today=TODAY) == day


@given(st.text(max_size=25))
def test_any_text_gives_a_date_or_a_fault(text):
    assert isinstance(quantities.parse_date(text, today=TODAY), date | Fault)
