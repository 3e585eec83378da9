"""Every protocol through which the core sees the world, on one screen.

Each has one real implementation (several for `Medium`) in `refreshd.adapters`, and one
simulated in `refreshd.simulated`; the same contract tests run on both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from types import TracebackType
from typing import Protocol, TypeVar

from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    LastRewrite,
    PassHistory,
    PassState,
    Pause,
    Presence,
    ShelfRow,
    Slip,
    Stay,
)
from refreshd.events import Entry, Event, TornLineKept
from refreshd.quantities import (
    DriveNumber,
    FindingId,
    Geometry,
    MediumKind,
    PassKind,
    SlipNumber,
    Span,
)

T = TypeVar("T")
R = TypeVar("R")


class Clock(Protocol):
    """Two clocks that must not be mixed: one for the record, one for durations."""

    def now(self) -> datetime:
        """Return the time for the record: aware, UTC."""

    def elapsed_s(self) -> float:
        """Return seconds since some moment; never goes backwards."""

    def sleep(self, seconds: float) -> None:
        """Let time pass."""


class ReadBackMethod(StrEnum):
    """How a read-back is made to come from the medium; written in the journal."""

    LAGGED = "lagged"  # so much else went over the drive that its cache cannot answer
    CACHE_DROPPED = "cache dropped"  # an image file: only the page cache stood between
    UNCERTAIN = "uncertain"  # a medium smaller than the lag


class Medium(Protocol):
    """A drive, however its content reaches us."""

    @property
    def place(self) -> str:
        """Where it is now, for messages: a device node or a path."""

    def evidence(self) -> Evidence:
        """Return what the medium says about itself. Reads, never writes."""

    def presence(self) -> Presence:
        """Return the stay that the drive is in."""

    def close(self) -> None:
        """Let go of the medium: flush what is open, drop the claim."""


class BlockMedium(Medium, Protocol):
    """A medium of numbered bytes. Read-only until `allow_writing` (I9).

    Every call may raise `DriveGoneError`. Offsets and lengths are whole logical sectors.
    """

    @property
    def geometry(self) -> Geometry:
        """Size and sectors, in bytes."""

    @property
    def has_drive_cache(self) -> bool:
        """False where only the page cache stands between us and the bytes (an image file)."""

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`, from below the page cache, or raise UnreadableError."""

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data` at byte `start`, or raise WriteFailedError."""

    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried."""

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts of `span` that are not holes; all of it on a block device."""

    def drop_cache(self) -> None:
        """Drop whatever this machine's memory holds of the medium."""

    def prove_identity(self) -> None:
        """Prove on the open handle that this is still the same drive, or MistakenDriveError."""

    def allow_writing(self) -> None:
        """Prove identity, then make the medium writable. Called at the rewrite stage only."""

    def forbid_writing(self) -> None:
        """Make it read-only again."""


class StagingFile(Protocol):
    """Preallocated room on the server's own disk. Failures raise StagingFailedError."""

    @property
    def size_bytes(self) -> int:
        """Room in bytes."""

    @property
    def block_bytes(self) -> int:
        """Offsets and lengths are multiples of this."""

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from the disk, not from the page cache."""

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data`."""

    def flush(self) -> None:
        """Make all writes durable. Never retried."""

    def keep_aside(self, name: str, data: memoryview) -> str:
        """Store bytes durably outside of the ring; return the path for the record."""


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


class Lanes(Protocol):
    """Does several things at once, or, in a simulation, one after the other in order."""

    @property
    def is_hung(self) -> bool:
        """Say whether a request is still out that will not be waited for any more."""

    def each(self, act: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Act on every item, a bounded number at a time, and yield the results in order.

        An error of `act` is raised where its result would stand, after the acts under way
        have ended.
        """

    def aside(self, act: Callable[[], R]) -> Callable[[], R]:
        """Start `act` beside the caller; the returned call waits for its result."""

    def resting(self) -> AbstractContextManager[None]:
        """Mark a time in which this lane waits on purpose, which is no hang of the drive."""

    def scratch(self, length: int, use: str = "chunk") -> memoryview:
        """Return a buffer of `length` bytes, aligned for direct I/O, owned by this lane.

        The same `use` gets the same buffer again: what must outlast the next reading of a
        chunk needs a use of its own, or it would be written over unseen.
        """


class Attendant(Protocol):
    """Whoever watches a pass: is told how it goes, may ask it to stop."""

    def wants_stop(self) -> bool:
        """Say whether the pass should finish its segment and stop."""

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear how far a pass is."""

    def said(self, sentence: str) -> None:
        """Hear something worth telling the archivist at once."""


@dataclass(frozen=True, slots=True)
class Seat:
    """One stay of one disk at one device node: the node alone may be another disk's tomorrow."""

    node: str  # such as /dev/sdb
    disk_sequence: int | None  # Source: BLKGETDISKSEQ; None: the kernel does not say


@dataclass(frozen=True, slots=True)
class NewCard:
    """What is to stand on the card of a drive that is taken into care."""

    shelfmark: str
    title: str
    medium: MediumKind | None = None  # None: read it from the device
    written_on: date | None = None  # a claim, kept as one
    holding: str | None = None


@dataclass(frozen=True, slots=True)
class VisitOrder:
    """What a worker is to do with a drive at a seat.

    `on` names the node of the seat; None: wherever the drive is. An accession has a `card` and
    names its seat, since nobody can know where a drive is that is not in care yet.
    """

    drive: DriveNumber
    kind: PassKind
    is_closing: bool = False
    asked_by: str = ""  # empty: the plan asks
    on: str | None = None
    card: NewCard | None = None


class Bays(Protocol):
    """The worker processes that reach the drives. No call waits.

    What comes of each is told to the caretaker as a message (see `refreshd.messages`), in the
    end always by one that says that the worker has ended, even where it was killed.
    """

    def identify(self, seat: Seat) -> None:
        """Find out which drive is at a seat, without writing."""

    def visit(self, seat: Seat, order: VisitOrder) -> None:
        """Run a pass."""

    def stop(self, seat: Seat) -> None:
        """Ask the worker at a seat to stop at its next checkpoint."""

    def rest(self, seat: Seat) -> None:
        """Let the disk stop turning. It stays connected; the next visit wakes it."""

    def release(self, seat: Seat) -> None:
        """Flush and stop the disk, so that it may be unplugged."""


class Urgency(StrEnum):
    """Who is to hear of something; the same words as `policy_tables.Gets`."""

    SLIPS = "slips"
    ALARMS = "alarms"
    ESCALATIONS = "escalations"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that people are to be told.

    `stages` names the slips that it is about, each with the stage it is in, so that it is
    written down once which channel took what.
    """

    urgency: Urgency
    subject: str  # one line
    body: str  # plain text
    stages: tuple[tuple[SlipNumber, str], ...] = ()


class NoticeBoard(Protocol):
    """Hands notices to people. No call waits and none fails: what fails is tried again later."""

    def post(self, notice: Notice) -> None:
        """Hand a notice to every channel that gets its kind."""

    def show_slips(self, slips: Sequence[Slip]) -> None:
        """Bring the page with the open slips up to date."""
