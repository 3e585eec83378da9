"""Journal, catalogue, and the ledger that joins them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import Protocol

from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    LastRewrite,
    PassHistory,
    PassState,
    Pause,
    ShelfRow,
    Slip,
    Stay,
)
from refreshd.events import Entry, Event, TornLineKept
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import DriveNumber, FindingId, PassKind, ProvingId, SlipNumber


class Catalogue(Protocol):
    """What is known of the shelf: read side. Changed only by `Ledger.record`."""

    def drives(self) -> tuple[DriveCard, ...]:
        """Return all drives in care (withdrawn ones left out), by number."""

    def drive(self, number: DriveNumber) -> DriveCard:
        """Return one card, withdrawn or not, or raise UnknownDriveError."""

    def digests(self, number: DriveNumber, first: int, count: int) -> bytes:
        """Return `count` recorded digests, packed; NO_DIGEST where none is recorded."""

    def recorded_chunks(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded; the rest never was."""

    def written_days(self, number: DriveNumber, first: int, count: int) -> Sequence[int]:
        """Return, per chunk, the day of its last proved rewrite as a proleptic ordinal.

        0: never. `HOLE`: holds nothing that could fade. See refreshd.register.
        """

    def findings(self, number: DriveNumber | None = None) -> tuple[Finding, ...]:
        """Return open findings, of one drive or of all, by drive and place."""

    def finding(self, number: DriveNumber, finding: FindingId) -> Finding:
        """Return one finding in any state, or raise UsageError."""

    def unfinished_pass(self, number: DriveNumber, kind: PassKind) -> PassState | None:
        """Return the pass of this kind that was begun on this drive and has not ended."""

    def next_finding_id(self) -> FindingId:
        """Return an id that no finding has had yet."""

    def passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over this drive that have ended, oldest first."""

    def oldest_written(self, number: DriveNumber) -> LastRewrite:
        """Return the drive's last-rewrite date, and the chunks held back from it (I4)."""

    def shelf_rows(self) -> tuple[ShelfRow, ...]:
        """Return what planning needs of every drive in care, by number, in few queries."""

    def slips(self, number: DriveNumber | None = None) -> tuple[Slip, ...]:
        """Return the open slips of one drive or of all, by number."""

    def slip(self, slip: SlipNumber) -> Slip:
        """Return one slip in any state, or raise UsageError."""

    def next_slip_number(self) -> SlipNumber:
        """Return a number that no slip has had yet."""

    def deliveries(self) -> frozenset[Delivery]:
        """Return what was handed to which channel, of the slips that are open."""

    def stays(self) -> tuple[Stay, ...]:
        """Return the drives in care that are plugged in as far as the record knows, by number."""

    def is_reported(self, stranger: Evidence) -> bool:
        """Say whether this drive was reported as a stranger before."""

    def pause(self) -> Pause | None:
        """Return who asked that no pass runs; None: passes may run."""

    def health(self, number: DriveNumber) -> tuple[HealthEntry, ...]:
        """Return the health readings of a drive, oldest first."""

    def watches(self, number: DriveNumber) -> tuple[PassWatch, ...]:
        """Return temperature and rate across the passes of a drive, oldest first."""

    def unfinished_provings(self) -> tuple[Proving, ...]:
        """Return the provings that were begun and have neither ended nor been given up."""

    def certificates(self, names: Evidence | None = None) -> tuple[Certificate, ...]:
        """Return the certificates of all drives, or of one by its own names, oldest first.

        A drive is the same by `Evidence.is_surely_of`; one that gives no names of its own,
        because it has none or because a bridge hides them, has none.
        """

    def next_proving_id(self) -> ProvingId:
        """Return an id that no proving has had yet."""

    def policy_taken(self) -> str | None:
        """Return the digest of the policy that the service took last; None: it took none yet.

        SHA-256 of its file, empty where it was the built-in one.
        """


class JournalStore(Protocol):
    """The append-only, chained log. Raises JournalError when it is damaged."""

    def head(self) -> Entry | None:
        """Return the last entry, looking again for what another process appended."""

    def append(self, entry: Entry) -> None:
        """Make one entry durable, or raise RecordFailedError and leave none of it."""

    def entries(self, after: int = 0) -> Iterator[Entry]:
        """Yield the entries whose sequence is above `after`, in order, each one verified."""

    def mend(self, contained: int) -> TornLineKept | None:
        """Make the end fit to go on from; call under the lock of the shelf.

        `contained` is the number of the last entry that the catalogue contains. An unfinished
        line behind it is kept aside and cut off (and returned, to be noted); entries behind it
        are made durable, whoever wrote them.
        """


class JournalDirectory(Protocol):
    """The directory that holds the journal's files. What fails raises RecordFailedError."""

    def names(self) -> tuple[str, ...]:
        """Return the names of the journal's files, in order of their first record."""

    def size_bytes(self, name: str) -> int:
        """Return how long a file is."""

    def read(self, name: str, start: int, length: int) -> bytes:
        """Return `length` bytes from byte `start`, fewer only at the end of the file."""

    def write(self, name: str, start: int, data: bytes) -> None:
        """Write all of `data` at byte `start`. After a failure any part of it may be there."""

    def truncate(self, name: str, size_bytes: int) -> None:
        """Cut a file off."""

    def sync(self, name: str) -> None:
        """Make what was written to a file durable, its length included. Never retried."""

    def create(self, name: str) -> None:
        """Make a new, empty file; durable with `sync_names`."""

    def remove_empty(self, name: str) -> None:
        """Remove a file that holds nothing; durable with `sync_names`."""

    def sync_names(self) -> None:
        """Make created and removed names durable. Never retried."""

    def keep_aside(self, name: str, data: bytes) -> None:
        """Store bytes durably beside the journal, under this name."""


class ShelfLock(Protocol):
    """One process at a time writes down what happens on the shelf. Not reentrant."""

    def __enter__(self) -> None:
        """Wait for the lock, or raise RefusedError after a stated time."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let the next one in."""


class CatalogueStore(Catalogue, Protocol):
    """The catalogue with its write side, which only the ledger uses."""

    def head(self) -> tuple[int, str] | None:
        """Return sequence and digest of the last journal entry it contains."""

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up in one durable transaction that carries the last one's number.

        `before_commit` is called when all is worked out and nothing is durable yet; the ledger
        writes the journal there, so that no event gets into it that cannot be added up. What
        it raises undoes the transaction.
        """


class Ledger(Catalogue, Protocol):
    """Journal and catalogue as one: written down first, in this order (I5)."""

    def record(self, event: Event) -> Entry:
        """Make an event durable in the journal, then in the catalogue; return its entry.

        Raises ClockError (I4) before anything is written, RecordFailedError when a disk fails.
        """

    def open(self) -> None:
        """Bring journal and catalogue together; also again, after a record could not be written.

        Raises RecordFailedError while a disk fails, JournalError or CatalogueError when the two
        cannot be brought together.
        """

    def clock_doubt(self) -> str:
        """Return why the clock cannot be believed (I4); empty when it can. Writes nothing."""
