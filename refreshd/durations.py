"""Lengths of time as people write them, and calendar arithmetic on dates.

An interval of the policy counts calendar years and months, not multiples of so many seconds:
three years after 31 August is 31 August. A `Duration` therefore keeps years, months and days
apart and only becomes a number of days once it is laid against a date. The waiting time for
one request of a drive is another thing, seconds on a clock that knows no calendar.
"""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import MAXYEAR, MINYEAR, date, timedelta

YEARS_MAX = 100
"""Longest duration accepted: longer is a slip of the pen. Common practice, no source."""

DAYS_MAX = YEARS_MAX * 366
MONTHS_MAX = YEARS_MAX * 12
SECONDS_MAX = 24 * 3600
DAYS_A_WEEK = 7
MONTHS_A_YEAR = 12

DURATION_PATTERN = r"^ *([1-9][0-9]{0,4} *(years?|months?|weeks?|days?) *){1,4}$"
"""What an editor can check; `parse_duration` also checks the order and the bounds."""

DURATION_EXAMPLES = ("3 years", "18 months", "1 year 6 months", "2 weeks", "30 days")

WAIT_PATTERN = r"^ *[1-9][0-9]{0,4} *(hours?|minutes?|seconds?) *$"
WAIT_EXAMPLES = ("10 minutes", "90 seconds", "1 hour")

_PART = re.compile(r"([1-9][0-9]{0,4}) *([a-z]+)", re.ASCII)
_LARGEST_FIRST = ("year", "month", "week", "day")
_WAIT_UNITS = {"second": 1, "minute": 60, "hour": 3600}


@dataclass(frozen=True, slots=True)
class Duration:
    """A calendar duration: `years`, `months` and `days`, none negative, not all zero.

    Two durations cannot simply be ordered (is a month longer than 30 days?); see `is_shorter`.
    """

    years: int = 0
    months: int = 0
    days: int = 0

    def __post_init__(self) -> None:
        bounds = {"years": YEARS_MAX, "months": MONTHS_MAX, "days": DAYS_MAX}
        for name, most in bounds.items():
            value = getattr(self, name)
            if not 0 <= value <= most:
                raise ValueError(f"{value} {name} is out of bounds: at most {YEARS_MAX} years")
        if not (self.years or self.months or self.days):
            raise ValueError("a duration of nothing is no duration: at least 1 day")
        if self.years + self.months / MONTHS_A_YEAR + self.days / 366 > YEARS_MAX:
            raise ValueError(f"longer than {YEARS_MAX} years")

    def __str__(self) -> str:
        """Return it as it is written in the policy; `parse_duration` reads it back."""
        parts = ((self.years, "year"), (self.months, "month"), (self.days, "day"))
        return " ".join(counted(number, unit) for number, unit in parts if number)


def counted(number: int, unit: str) -> str:
    """Return ``1 day``, ``2 days``: a number with its unit in the right number."""
    return f"{number} {unit}" if number == 1 else f"{number} {unit}s"


def parse_duration(text: str) -> Duration:
    """
    Read a calendar duration such as ``3 years`` or ``1 year 6 months``.

    Args:
        text: Whole numbers, each with a unit (year, month, week, day, or their plurals), the
            largest unit first, each unit once. Weeks become days.

    Raises:
        ValueError: With a sentence that says what is allowed.
    """
    amounts = _amounts(text, _LARGEST_FIRST)
    order = [_LARGEST_FIRST.index(unit) for unit, _ in amounts]
    if not amounts or order != sorted(set(order)):
        raise ValueError(f"no duration. {_duration_help()}")
    amount = dict(amounts)
    try:
        return Duration(
            years=amount.get("year", 0),
            months=amount.get("month", 0),
            days=amount.get("week", 0) * DAYS_A_WEEK + amount.get("day", 0),
        )
    except ValueError as err:
        raise ValueError(f"{err}. {_duration_help()}") from err


def parse_wait_s(text: str) -> int:
    """
    Read a waiting time such as ``10 minutes``, and return it in seconds.

    Raises:
        ValueError: With a sentence that says what is allowed.
    """
    amounts = _amounts(text, tuple(_WAIT_UNITS))
    if len(amounts) != 1:
        raise ValueError(f"no waiting time. {_wait_help()}")
    ((unit, number),) = amounts
    seconds = number * _WAIT_UNITS[unit]
    if not 1 <= seconds <= SECONDS_MAX:
        raise ValueError(f"out of bounds. {_wait_help()}")
    return seconds


def wait_text(seconds: int) -> str:
    """Return a waiting time in the largest unit that divides it; `parse_wait_s` reads it back."""
    unit, length = next(
        (unit, length) for unit, length in reversed(_WAIT_UNITS.items()) if not seconds % length
    )
    return counted(seconds // length, unit)


def add(day: date, duration: Duration) -> date:
    """
    Return the date that lies `duration` after `day`, in calendar arithmetic.

    Years and months are added first; a day that the month does not have becomes its last
    (31 August 2024 and 18 months: 28 February 2026); then the days are added. Beyond the end
    of the calendar (31 December 9999) that last day is returned.
    """
    moved = _move_months(day, duration.years * MONTHS_A_YEAR + duration.months)
    try:
        return moved + timedelta(days=duration.days)
    except OverflowError:
        return date.max


def subtract(day: date, duration: Duration) -> date:
    """Return the date that lies `duration` before `day`; the mirror image of `add`.

    Before the beginning of the calendar (1 January 1), that first day is returned.
    """
    moved = _move_months(day, -(duration.years * MONTHS_A_YEAR + duration.months))
    try:
        return moved - timedelta(days=duration.days)
    except OverflowError:
        return date.min


def is_shorter(one: Duration, other: Duration) -> bool:
    """Say whether `one` is the shorter of two durations, counted from 1 January 2001.

    In a run of ordinary years, so that 365 days are not shorter than one year.
    """
    start = date(2001, 1, 1)
    return add(start, one) < add(start, other)


def _move_months(day: date, months: int) -> date:
    """Return `day` moved by whole months, clamped to month ends and to the calendar's ends."""
    index = day.year * MONTHS_A_YEAR + day.month - 1 + months
    year, month = index // MONTHS_A_YEAR, index % MONTHS_A_YEAR + 1
    if year > MAXYEAR:
        return date.max
    if year < MINYEAR:
        return date.min
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def _amounts(text: str, units: tuple[str, ...]) -> list[tuple[str, int]]:
    """Return ``(unit, number)`` for each part of a text, or nothing if a part is not understood."""
    found: list[tuple[str, int]] = []
    rest = text.strip(" ")
    while rest:
        part = _PART.match(rest)
        if part is None:
            return []
        unit = part[2].removesuffix("s")
        if unit not in units:
            return []
        found.append((unit, int(part[1])))
        rest = rest[part.end() :].lstrip(" ")
    return found


def _duration_help() -> str:
    examples = ", ".join(f'"{example}"' for example in DURATION_EXAMPLES)
    return (
        "Allowed: whole numbers of years, months, weeks or days, largest first, "
        f"from 1 day to {YEARS_MAX} years, such as {examples}"
    )


def _wait_help() -> str:
    examples = ", ".join(f'"{example}"' for example in WAIT_EXAMPLES)
    return (
        "Allowed: one whole number of seconds, minutes or hours, from 1 second to 24 hours, "
        f"such as {examples}"
    )
