"""Writes down what happens, and knows when nothing can be written down (I4, I5).

While the clock is not believed, or a disk takes no records, one alarm is given and nothing is
planned, dated or begun; the caretaker goes on watching, and tries again at the next bell.
"""

from __future__ import annotations

from refreshd.caretaker import words
from refreshd.caretaker.surroundings import Surroundings
from refreshd.errors import ClockError, RefreshdError
from refreshd.events import Entry, Event

RETRY_S = 60.0
"""So long after a failure nothing is tried again. Chosen, no source."""


class Scribe:
    """The one door from the caretaker to the ledger's write side."""

    def __init__(self, around: Surroundings) -> None:
        self._around = around
        self.clock_alarm = ""
        self.record_alarm = ""
        self._retry_s: float | None = None  # a time of the clock that never jumps

    @property
    def is_well(self) -> bool:
        """Say whether records can be written, as far as known."""
        return not (self.clock_alarm or self.record_alarm)

    @property
    def retry_s(self) -> float | None:
        """Return when to try again, by the clock that never jumps; None: all is well."""
        return self._retry_s

    def try_now(self) -> None:
        """Wait no longer: something happened that may have mended it."""
        self._retry_s = None

    def may_write(self) -> bool:
        """Look whether records can be written now. Never fails."""
        now_s = self._around.clock.elapsed_s()
        if self._retry_s is not None and now_s < self._retry_s:
            return False
        try:
            doubt = self._around.ledger.clock_doubt()
            if doubt:
                self._doubt_clock(doubt)
                return False
            self._believe_clock()
            if self.record_alarm:
                self._around.ledger.open()
        except RefreshdError as err:
            self.failed(err)
            return False
        return True

    def write(self, event: Event) -> Entry:
        """Write an event down; what is raised was said already, where it concerns everything."""
        try:
            entry = self._around.ledger.record(event)
        except RefreshdError as err:
            self.failed(err)
            raise
        if self.record_alarm:
            self.record_alarm = ""
            self._around.notices.post(words.records_again())
        self._retry_s = None
        return entry

    def failed(self, err: RefreshdError) -> None:
        """Hear that the ledger could not be read or written."""
        if isinstance(err, ClockError):
            self._doubt_clock(str(err))
            return
        self._retry_s = self._around.clock.elapsed_s() + RETRY_S
        if not self.record_alarm:
            self._around.notices.post(words.no_records(str(err)))
        self.record_alarm = str(err)

    def _doubt_clock(self, doubt: str) -> None:
        self._retry_s = self._around.clock.elapsed_s() + RETRY_S
        if not self.clock_alarm:
            self._around.notices.post(words.clock_doubted(doubt))
        self.clock_alarm = doubt

    def _believe_clock(self) -> None:
        if self.clock_alarm:
            self.clock_alarm = ""
            self._around.notices.post(words.clock_believed())
        if not self.record_alarm:
            self._retry_s = None
