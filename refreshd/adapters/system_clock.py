"""The server's own clocks: the only place that asks what time it is."""

from __future__ import annotations

import time
from datetime import UTC, datetime


class SystemClock:
    """`ports.Clock` on the kernel's clocks."""

    def now(self) -> datetime:
        """Return the time for the record: aware, UTC."""
        return datetime.now(tz=UTC)

    def elapsed_s(self) -> float:
        """Return seconds since some moment; never goes backwards; stands still in a suspend."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(max(0.0, seconds))
