"""A whole simulated shelf: journal, catalogue and ledger on one power line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta

from refreshd.errors import RecordFailedError
from refreshd.events import ClockAttested, Entry
from refreshd.journal import Journal
from refreshd.ledger import ShelfLedger
from refreshd.simulated.catalogue import MemoryCatalogue, Snapshot
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerCutError
from refreshd.simulated.journal_directory import Faults, SimulatedJournalDirectory
from refreshd.verification import Verification, verify
from tests.journals import NoLock

LEAP_MAX = timedelta(days=400)


class FailingCatalogue(MemoryCatalogue):
    """A catalogue that fails, or loses power, right before or right after it commits."""

    def __init__(self, faults: Faults, held: Snapshot | None = None) -> None:
        super().__init__()
        self.faults = faults
        if held is not None:
            self.restore(held)

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up, if nothing goes wrong."""

        def then() -> None:
            if before_commit is not None:
                before_commit()
            self._step("before committing")

        super().apply(entries, then)
        self._step("after committing")

    def _step(self, when: str) -> None:
        fails = self.faults.next()
        if self.faults.is_cut:
            raise PowerCutError(f"power cut {when}")
        if fails:
            raise RecordFailedError(f"{self.faults.cause} {when} the catalogue")


@dataclass
class Shelf:
    """What stays when a process ends: the directory and the catalogue."""

    directory: SimulatedJournalDirectory = field(default_factory=SimulatedJournalDirectory)
    held: Snapshot | None = None
    rotate_bytes: int = 700
    clock: SimulatedClock = field(default_factory=SimulatedClock)

    def __post_init__(self) -> None:
        self.faults = Faults()
        self.start()

    def start(self) -> ShelfLedger:
        """Begin a new process over what is there; its ledger is not open yet."""
        self.directory.faults = self.faults
        self.catalogue = FailingCatalogue(self.faults, self.held)
        self.journal = Journal(self.directory, self.rotate_bytes)
        self.ledger = ShelfLedger(self.journal, self.catalogue, self.clock, NoLock(), LEAP_MAX)
        return self.ledger

    def fault(self, faults: Faults) -> None:
        """Let this go wrong from now on."""
        self.faults = self.directory.faults = self.catalogue.faults = faults

    def restart(self, directory: SimulatedJournalDirectory | None = None) -> ShelfLedger:
        """End the process and begin another, after a power cut with what the cut left."""
        self.held = self.catalogue.snapshot()
        self.directory = directory or self.directory
        self.faults = Faults()
        return self.start()

    def record(self, count: int, acknowledged: list[Entry]) -> None:
        """Open and record so many events, one minute apart, noting those acknowledged."""
        self.ledger.open()
        for _ in range(count):
            self.clock.sleep(60)
            acknowledged.append(self.ledger.record(note(len(acknowledged))))

    def verified(self) -> Verification:
        """Verify the journal against the catalogue, as `journal verify` does."""
        return verify(Journal(self.directory).lines(), self.catalogue.head())


def note(number: int) -> ClockAttested:
    """Return an event that every catalogue takes; some are longer than a sector."""
    return ClockAttested(said_by=f"{number} " + "keeper " * (90 if number % 3 == 2 else 2))


def check(shelf: Shelf, acknowledged: list[Entry]) -> None:
    """Hold I5 and I6 against a shelf whose process or power went: reopen it and look."""
    found = shelf.verified()
    assert found.is_untouched, [str(problem) for problem in found.problems]
    shelf.record(2, acknowledged)
    written = list(Journal(shelf.directory).entries())
    assert [entry for entry in written if entry in acknowledged] == acknowledged
    assert shelf.verified().problems == ()
    assert shelf.catalogue.head() == (written[-1].sequence, written[-1].digest)
