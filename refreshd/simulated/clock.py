"""A clock that stands still until it is told to move."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta


@dataclass
class SimulatedClock:
    """`ports.Clock` whose time passes only by sleeping, or by being set."""

    time: datetime = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
    passed_s: float = 0.0

    def now(self) -> datetime:
        """Return the time it was set to."""
        return self.time

    def elapsed_s(self) -> float:
        """Return the seconds slept so far."""
        return self.passed_s

    def sleep(self, seconds: float) -> None:
        """Move both clocks on."""
        self.passed_s += seconds
        self.time += timedelta(seconds=seconds)
