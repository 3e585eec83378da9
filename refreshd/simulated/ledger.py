"""Journal and catalogue in memory, in their order, on the same power line as the disks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from refreshd.errors import ClockError, RecordFailedError
from refreshd.events import ClockAttested, Entry, Event
from refreshd.ledger import doubt_of
from refreshd.ports import Clock
from refreshd.simulated.catalogue import MemoryCatalogue
from refreshd.simulated.disk import PowerLine

CLOCK_LEAP_MAX = timedelta(days=3653)
"""The ten years of a policy that says nothing else."""


@dataclass
class RecordFailure:
    """The `nth` record from now (from 1) fails; all after it do, too, if `is_forever`."""

    nth: int
    is_forever: bool = False


class SimulatedLedger(MemoryCatalogue):
    """`ports.Ledger`: a record is lost by a cut before it is journalled, and kept by one after.

    What lies between journal and catalogue is not simulated here: reopening the shelf applies
    an interrupted act again, so a journalled record always reaches the catalogue.
    """

    def __init__(
        self, clock: Clock, line: PowerLine, clock_leap_max: timedelta = CLOCK_LEAP_MAX
    ) -> None:
        super().__init__()
        self._clock = clock
        self._line = line
        self._clock_leap_max = clock_leap_max
        self.entries: list[Entry] = []
        self.failure: RecordFailure | None = None
        self.doubt = ""  # what a test has against the clock, besides what the rule has

    def open(self) -> None:
        """Nothing is to be brought together in memory."""

    def clock_doubt(self) -> str:
        """Return why the clock cannot be believed: by the rule of the real ledger, or the test."""
        last = self.entries[-1] if self.entries else None
        return self.doubt or doubt_of(last, self._clock.now(), self._clock_leap_max)

    def record(self, event: Event) -> Entry:
        """Keep an event, or fail as told."""
        self._line.step()
        doubt = self.clock_doubt()
        if doubt and not isinstance(event, ClockAttested):
            raise ClockError(doubt)
        self.doubt = ""
        if self.failure is not None:
            self.failure.nth -= 1
            if self.failure.nth == 0 or (self.failure.is_forever and self.failure.nth < 0):
                raise RecordFailedError("the journal cannot be written: no space left on device")
        sequence = len(self.entries) + 1
        entry = Entry.model_construct(
            sequence=sequence,
            at=self._clock.now(),
            label=event.label,
            event=event,
            previous=f"{sequence - 1:064x}",
            digest=f"{sequence:064x}",
        )
        self.apply([entry])
        self.entries.append(entry)
        self._line.step()
        return entry
