"""Quiet hours: the times of day, on the clock on the wall, in which no pass runs. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, time, timedelta

_SPAN = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])-([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)

QUIET_SPAN_PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9]-([01][0-9]|2[0-3]):[0-5][0-9]$"
_DAYS_LOOKED_AT = 2
_S_A_MINUTE = 60
_MINUTES_AN_HOUR = 60
_MINUTES_A_DAY = 24 * _MINUTES_AN_HOUR


@dataclass(frozen=True, slots=True, order=True)
class QuietSpan:
    """From `begin` until `end`, which belongs to it no more; over midnight if `end` is earlier."""

    begin: time
    end: time

    def __str__(self) -> str:
        """Return it as it is written in the policy; `parse_quiet_span` reads it back."""
        return f"{self.begin:%H:%M}-{self.end:%H:%M}"

    def holds(self, at: time) -> bool:
        """Say whether a time of day lies within."""
        if self.begin < self.end:
            return self.begin <= at < self.end
        return at >= self.begin or at < self.end


def parse_quiet_span(text: str) -> QuietSpan:
    """
    Read ``22:00-06:00``.

    Raises:
        ValueError: With a sentence that says what is allowed.
    """
    found = _SPAN.fullmatch(text)
    if found is None or found[1] + found[2] == found[3] + found[4]:
        raise ValueError(
            'Allowed: two times of day that differ, such as "22:00-06:00" or "12:00-13:30"'
        )
    return QuietSpan(time(int(found[1]), int(found[2])), time(int(found[3]), int(found[4])))


def is_quiet(spans: tuple[QuietSpan, ...], moment: datetime) -> bool:
    """Say whether a moment, aware and in the server's own time zone, lies in quiet hours."""
    return any(span.holds(moment.time()) for span in spans)


def open_s_a_day(spans: tuple[QuietSpan, ...]) -> int:
    """Return how many seconds of a day lie in no quiet hours."""
    return sum(
        _S_A_MINUTE
        for minute in range(_MINUTES_A_DAY)
        if not any(span.holds(time(*divmod(minute, _MINUTES_AN_HOUR))) for span in spans)
    )


def next_edge(spans: tuple[QuietSpan, ...], moment: datetime) -> datetime | None:
    """
    Return when quiet hours next begin or end after a moment; None: there are none.

    On the night on which clocks are changed the edge may be an hour off; whoever waits for it
    asks `is_quiet` again when it comes.
    """
    today = moment.date()
    edges = (
        datetime.combine(today + timedelta(days=ahead), at, moment.tzinfo)
        for ahead in range(_DAYS_LOOKED_AT)
        for span in spans
        for at in (span.begin, span.end)
    )
    return min((edge for edge in edges if edge > moment), default=None)
