"""Quiet hours on the clock on the wall."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.hours import QuietSpan, is_quiet, next_edge, open_s_a_day, parse_quiet_span

NIGHT = parse_quiet_span("22:00-06:00")
NOON = parse_quiet_span("12:00-13:30")


@pytest.mark.parametrize(
    ("at", "quiet"),
    [("21:59", 0), ("22:00", 1), ("00:00", 1), ("05:59", 1), ("06:00", 0), ("12:00", 1),
     ("13:29", 1), ("13:30", 0)],
)  # fmt: skip
def test_a_span_begins_with_its_minute_and_ends_before_the_other(at: str, quiet: int) -> None:
    """Also over midnight."""
    moment = datetime.combine(datetime(2031, 6, 2, tzinfo=UTC), time.fromisoformat(at), UTC)

    assert is_quiet((NIGHT, NOON), moment) == bool(quiet)


def test_the_next_edge_is_the_first_that_comes() -> None:
    """A beginning or an end, today or tomorrow; none without quiet hours."""
    evening = datetime(2031, 6, 2, 22, 30, tzinfo=UTC)

    assert next_edge((NIGHT, NOON), evening) == datetime(2031, 6, 3, 6, tzinfo=UTC)
    assert next_edge((NOON,), evening) == datetime(2031, 6, 3, 12, tzinfo=UTC)
    assert next_edge((), evening) is None


def test_the_open_hours_of_a_day_are_counted_once() -> None:
    """Spans that overlap are not counted twice."""
    late = parse_quiet_span("23:00-07:00")

    assert open_s_a_day(()) == 24 * 3600
    assert open_s_a_day((NIGHT, NOON)) == 14.5 * 3600
    assert open_s_a_day((NIGHT, late)) == 15 * 3600
    assert open_s_a_day((parse_quiet_span("00:00-12:00"), parse_quiet_span("12:00-00:00"))) == 0


@pytest.mark.parametrize("text", ["22:00", "22:00-22:00", "24:00-06:00", "9:00-10:00", "a"])
def test_what_is_no_span_is_refused_with_an_example(text: str) -> None:
    """The message says what is allowed."""
    with pytest.raises(ValueError, match=r'"22:00-06:00"'):
        parse_quiet_span(text)


@given(st.times(), st.times())
def test_a_span_reads_back_as_it_is_written(begin: time, end: time) -> None:
    """What the policy shows can be pasted into it."""
    begin, end = begin.replace(second=0, microsecond=0), end.replace(second=0, microsecond=0)
    if begin != end:
        assert parse_quiet_span(str(QuietSpan(begin, end))) == QuietSpan(begin, end)
