"""When the caretaker is rung: the only module that knows APScheduler.

Nothing that matters is kept in its job store, which is in memory: when to ring is worked out
from the record each time. A bell that was missed is rung once, late.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler

SAFETY_MINUTES = 10
"""A bell whatever was worked out, so that a fault in that costs minutes and not years."""

_DUE, _SAFETY = "due", "safety"
_MISSED = {"coalesce": True, "misfire_grace_time": None, "max_instances": 2}
"""However late: the caretaker asks what is due now, not what was due then. Two at a time: while
one rings, it may set the next for this very moment, and that one would be dropped."""

logging.getLogger("apscheduler").setLevel(logging.WARNING)  # It tells of each bell otherwise.


class Bells:
    """Rings at the time set last, and now and then besides. Rung in the loop."""

    def __init__(self, ring: Callable[[], None]) -> None:
        self._ring = ring
        self._at: datetime | None = None
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults=_MISSED)
        self._scheduler.add_job(self._rung, "interval", minutes=SAFETY_MINUTES, id=_SAFETY)

    def start(self) -> None:
        """Begin to ring, in the loop that runs."""
        self._scheduler.start()

    def set(self, at: datetime | None) -> None:
        """Ring at a moment, instead of the one set before; None: only the safety bell."""
        if at == self._at:
            return
        self._at = at
        if at is not None:
            # The defaults of the scheduler hold for this job, too (late is better than never).
            self._scheduler.add_job(self._rung, "date", run_date=at, id=_DUE, replace_existing=True)
        elif self._scheduler.get_job(_DUE) is not None:
            self._scheduler.remove_job(_DUE)

    def close(self) -> None:
        """Ring no more."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    async def _rung(self) -> None:
        """A coroutine: what is none would be run in a thread of its own."""
        self._ring()
