"""The two clocks."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """Two clocks that must not be mixed: one for the record, one for durations."""

    def now(self) -> datetime:
        """Return the time for the record: aware, UTC."""

    def elapsed_s(self) -> float:
        """Return seconds since some moment; never goes backwards."""

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
