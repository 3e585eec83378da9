"""Durations as people write them, and calendar arithmetic."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.durations import (
    DURATION_EXAMPLES,
    DURATION_PATTERN,
    WAIT_EXAMPLES,
    WAIT_PATTERN,
    Duration,
    add,
    is_shorter,
    parse_duration,
    parse_wait_s,
    subtract,
    wait_text,
)

DATES = st.dates(min_value=date(1900, 1, 1), max_value=date(2200, 12, 31))
DURATIONS = st.builds(
    Duration,
    years=st.integers(1, 40),
    months=st.integers(0, 300),
    days=st.integers(0, 10_000),
)


@pytest.mark.parametrize(
    ("text", "duration"),
    [
        ("3 years", Duration(years=3)),
        ("1 year", Duration(years=1)),
        ("18 months", Duration(months=18)),
        ("1 year 6 months", Duration(years=1, months=6)),
        ("2 weeks", Duration(days=14)),
        ("1 week 3 days", Duration(days=10)),
        ("30 days", Duration(days=30)),
        (" 30days ", Duration(days=30)),
        ("100 years", Duration(years=100)),
        ("1200 months", Duration(months=1200)),
    ],
)
def test_a_duration_is_read_as_people_write_it(text: str, duration: Duration) -> None:
    """Years and months stay calendar units; weeks become days."""
    read = parse_duration(text)

    assert read == duration


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "3",
        "years",
        "0 years",
        "0 days",
        "1 year 0 months",
        "-3 years",
        "+3 years",
        "1.5 years",
        "1,5 years",
        "1/2 year",
        "3 yrs",
        "3 Years",
        "three years",
        "3 years ago",
        "6 months 1 year",
        "1 year 1 year",
        "1 day 1 week",
        "1 year, 6 months",
        "10 minutes",
        "P3Y",
        "101 years",
        "1201 months",
        "100 years 1 day",
        "36601 days",
        "99999999999999999999 years",
        "٣ years",
        "3\tyears",
        "3 years\n",
        "03 years",
    ],
)
def test_what_is_no_duration_is_refused_with_the_allowed_forms(text: str) -> None:
    """Zero, negative, fractional and nonsense durations are refused, and the message helps."""
    with pytest.raises(ValueError, match=r'Allowed: whole numbers .* "3 years", "18 months"'):
        parse_duration(text)


@pytest.mark.parametrize(
    ("start", "duration", "end"),
    [
        (date(2024, 8, 31), Duration(months=18), date(2026, 2, 28)),
        (date(2022, 8, 31), Duration(months=18), date(2024, 2, 29)),
        (date(2024, 2, 29), Duration(years=1), date(2025, 2, 28)),
        (date(2024, 2, 29), Duration(years=4), date(2028, 2, 29)),
        (date(2096, 2, 29), Duration(years=4), date(2100, 2, 28)),
        (date(2000, 2, 28), Duration(days=1), date(2000, 2, 29)),
        (date(2100, 2, 28), Duration(days=1), date(2100, 3, 1)),
        (date(2023, 1, 31), Duration(months=1), date(2023, 2, 28)),
        (date(2023, 1, 31), Duration(months=1, days=1), date(2023, 3, 1)),
        (date(2023, 12, 31), Duration(months=2), date(2024, 2, 29)),
        (date(2023, 12, 15), Duration(months=1), date(2024, 1, 15)),
        (date(2023, 5, 1), Duration(years=3), date(2026, 5, 1)),
        (date(2023, 5, 1), Duration(years=1, months=6, days=30), date(2024, 12, 1)),
        (date(9990, 1, 1), Duration(years=100), date.max),
        (date(9999, 12, 31), Duration(days=1), date.max),
    ],
)
def test_adding_counts_calendar_years_and_months(
    start: date, duration: Duration, end: date
) -> None:
    """Month ends and leap days are clamped to the month; the calendar's end is the limit.

    Expected dates: counted by hand on the Gregorian calendar (2100 is no leap year).
    """
    assert add(start, duration) == end


@pytest.mark.parametrize(
    ("end", "duration", "start"),
    [
        (date(2024, 3, 31), Duration(months=1), date(2024, 2, 29)),
        (date(2024, 1, 15), Duration(months=1), date(2023, 12, 15)),
        (date(2024, 2, 29), Duration(years=1), date(2023, 2, 28)),
        (date(2024, 3, 1), Duration(days=1), date(2024, 2, 29)),
        (date(50, 1, 1), Duration(years=100), date.min),
        (date(1, 1, 2), Duration(days=2), date.min),
    ],
)
def test_subtracting_mirrors_adding(end: date, duration: Duration, start: date) -> None:
    """Going back clamps to month ends likewise, and stops at the calendar's beginning."""
    assert subtract(end, duration) == start


@given(DURATIONS)
def test_a_written_duration_reads_back_as_itself(duration: Duration) -> None:
    """`str` and `parse_duration` are inverse, so that a policy can be written out and read."""
    assert parse_duration(str(duration)) == duration
    assert re.fullmatch(DURATION_PATTERN, str(duration))


@given(DATES, DURATIONS)
def test_a_due_date_is_always_later_than_what_it_counts_from(day: date, length: Duration) -> None:
    """No duration is empty, so nothing is due on the day on which it was done."""
    assert subtract(day, length) < day < add(day, length)


@given(DATES, st.integers(1, 36_600))
def test_days_are_plain_days(day: date, days: int) -> None:
    """Days are not calendar units: they add up as a calendar counts them."""
    assert add(day, Duration(days=days)) == day + timedelta(days=days)


@given(DATES, st.integers(1, 1200))
def test_months_land_in_the_right_month(day: date, months: int) -> None:
    """The month is exactly so many months on; only the day may be clamped, never beyond."""
    moved = add(day, Duration(months=months))

    assert (moved.year * 12 + moved.month) - (day.year * 12 + day.month) == months
    assert moved.day <= day.day
    assert moved.day == day.day or (moved + timedelta(days=1)).day == 1


@given(DATES, DATES, DURATIONS)
def test_adding_keeps_the_order_of_dates(one: date, other: date, length: Duration) -> None:
    """What was done earlier never falls due later."""
    earlier, later = sorted((one, other))

    assert add(earlier, length) <= add(later, length)


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_with_a_reason(text: str) -> None:
    """No text makes the reader fail otherwise; what it accepts an editor accepts too."""
    try:
        parse_duration(text)
    except ValueError as err:
        assert "Allowed" in str(err)  # noqa: PT017 - either way is right, this one has a message
    else:
        assert re.fullmatch(DURATION_PATTERN, text)


@pytest.mark.parametrize("fields", [{}, {"days": -1}, {"years": 101}, {"months": -1, "years": 2}])
def test_a_duration_out_of_bounds_cannot_be_made(fields: dict[str, int]) -> None:
    """Negative, empty and absurd durations do not exist, however they are made."""
    with pytest.raises(ValueError, match=r"bounds|at least"):
        Duration(**fields)


def test_durations_are_compared_as_calendar_time() -> None:
    """A year of 365 days is no shorter than one year, 364 days and 11 months are."""
    year = Duration(years=1)

    assert not is_shorter(Duration(days=365), year)
    assert not is_shorter(Duration(months=12), year)
    assert is_shorter(Duration(days=364), year)
    assert is_shorter(Duration(months=11), year)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("10 minutes", 600),
        ("1 minute", 60),
        ("90 seconds", 90),
        ("1 hour", 3600),
        ("24 hours", 86400),
    ],
)
def test_a_waiting_time_is_read_in_seconds(text: str, seconds: int) -> None:
    """One number and one unit."""
    assert parse_wait_s(text) == seconds


@pytest.mark.parametrize(
    "text", ["", "10", "0 minutes", "-1 hour", "1.5 hours", "25 hours", "1 day", "1 hour 5 minutes"]
)
def test_what_is_no_waiting_time_is_refused_with_the_allowed_forms(text: str) -> None:
    """The message names the units, the bounds and examples."""
    with pytest.raises(ValueError, match=r'Allowed: one whole number of seconds.*"10 minutes"'):
        parse_wait_s(text)


@given(st.integers(1, 86_400))
def test_a_written_waiting_time_reads_back_as_itself(seconds: int) -> None:
    """`wait_text` and `parse_wait_s` are inverse."""
    assert parse_wait_s(wait_text(seconds)) == seconds
    assert re.fullmatch(WAIT_PATTERN, wait_text(seconds))


def test_every_example_that_is_offered_is_accepted() -> None:
    """A message never proposes what the reader would refuse."""
    assert all(parse_duration(example) for example in DURATION_EXAMPLES)
    assert all(parse_wait_s(example) for example in WAIT_EXAMPLES)
    assert all(re.fullmatch(DURATION_PATTERN, example) for example in DURATION_EXAMPLES)
