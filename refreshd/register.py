"""The chunk register: a drive as a row of chunks, each with a digest and a last-rewrite date.

Dates are kept as proleptic ordinals of calendar days (1 January of year 1 is day 1, as
`datetime.date.toordinal`), four bytes each, with two values that are no dates.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

NEVER = 0
"""The chunk was never rewritten and proved by us."""

HOLE = 0xFFFFFFFF
"""The chunk is a hole of an image file: nothing in it can fade."""


def oldest_day(days: Sequence[int]) -> date | None:
    """Return the oldest proved rewrite among the days given, or None while one is missing.

    Holes do not count: they hold nothing. A register of holes alone has no date (I4: what
    was never proved has none).
    """
    dated = [day for day in days if day != HOLE]
    if not dated or min(dated) == NEVER:
        return None
    return date.fromordinal(min(dated))
