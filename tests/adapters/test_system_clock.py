"""The server's own clocks."""

from __future__ import annotations

from datetime import UTC, timedelta

from refreshd.adapters.system_clock import SystemClock


def test_the_time_of_the_record_is_aware_and_in_utc() -> None:
    """I4: a date without a zone could be a day off."""
    now = SystemClock().now()

    assert now.tzinfo is UTC
    assert now.utcoffset() == timedelta(0)


def test_durations_never_go_backwards() -> None:
    """They are not taken from the clock that somebody may set."""
    clock = SystemClock()
    readings = [clock.elapsed_s() for _ in range(1000)]
    clock.sleep(-1.0)

    assert readings == sorted(readings)
    assert clock.elapsed_s() >= readings[-1]
