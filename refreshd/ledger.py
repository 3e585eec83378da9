"""
Journal and catalogue as one: written down first, in this order (I5).

A record goes this way, all of it under the lock of the shelf:

1. look at both heads again, and bring them together (`_settle`);
2. believe the clock, or write nothing (I4);
3. let the catalogue work the event out in a transaction, so that an event that cannot be
   added up is refused while nothing is written;
4. make it durable in the journal;
5. let the catalogue commit, with number and digest of the record.

What `_settle` meets, and its answer:

    journal   catalogue          what it was                      answer
    empty     empty              a new shelf                      record JournalOpened
    n         n, same digest     all is well                      nothing
    n + 1     n                  cut between steps 4 and 5        apply the record again
    n + more  n                  the catalogue is an old copy     apply all, record it
    n         n, other digest    the journal was changed          JournalDamagedError
    n         n + any            the journal was truncated        JournalTruncatedError
    empty     n                  the journal is gone              CatalogueAheadError

When step 5 fails the journal is ahead: the ledger is latched, and takes no record until it is
opened again, which applies what is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta

from refreshd import __version__
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
from refreshd.chain import next_entry
from refreshd.errors import (
    CatalogueAheadError,
    ClockError,
    JournalDamagedError,
    JournalTruncatedError,
    RecordFailedError,
    require,
)
from refreshd.events import (
    CatalogueBroughtUp,
    ClockAttested,
    DigestsRecorded,
    Entry,
    Event,
    JournalOpened,
    TornLineKept,
)
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.ports import CatalogueStore, Clock, JournalStore, ShelfLock
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import MIB, DriveNumber, FindingId, PassKind, ProvingId, SlipNumber

CLOCK_BEHIND_MAX = timedelta(seconds=5)
"""A clock may step back so far, as time servers make it do, and still be believed."""

_BATCH_ENTRIES = 500
_BATCH_DIGEST_BYTES = 16 * MIB


class ShelfLedger:
    """`ports.Ledger`. Reading needs nothing; recording needs `open` first."""

    def __init__(
        self,
        journal: JournalStore,
        catalogue: CatalogueStore,
        clock: Clock,
        lock: ShelfLock,
        clock_leap_max: timedelta,
    ) -> None:
        self._journal = journal
        self._catalogue = catalogue
        self._clock = clock
        self._lock = lock
        self._clock_leap_max = clock_leap_max
        self._latched = "the ledger is not open for writing"
        self._is_open = False
        self.hear: Callable[[Entry], None] | None = None
        """Told of each entry that was recorded here, when it is durable. Must not raise."""

    def open(self) -> None:
        """
        Bring journal and catalogue together, so that events can be recorded.

        Raises:
            JournalTruncatedError, CatalogueAheadError: The catalogue holds more (I5).
            JournalDamagedError: The journal is damaged, or not the one of this catalogue.
            RecordFailedError: A disk failed; nothing is lost, open again.
        """
        with self._lock:
            self._latched = ""
            self._settle()
            self._is_open = True

    def record(self, event: Event) -> Entry:
        """
        Make an event durable in the journal, then in the catalogue; return its entry.

        Raises:
            ClockError: The clock cannot be believed (I4); nothing was written.
            RecordFailedError: A disk failed.
            JournalError: Somebody changed the journal meanwhile.
        """
        require(self._is_open, "the ledger was opened before anything is recorded")
        with self._lock:
            self._settle()
            last = self._journal.head()
            doubt = self._clock_doubt(last)
            if doubt and not isinstance(event, ClockAttested):
                raise ClockError(doubt)
            entry = self._write(last, self._clock.now(), event)
        if self.hear is not None:
            self.hear(entry)
        return entry

    def attest(self, said_by: str) -> Entry:
        """Write down that a person looked at the clock and says that it is right (I4)."""
        return self.record(ClockAttested(said_by=said_by))

    def clock_doubt(self) -> str:
        """Return why the clock cannot be believed; empty when it can. Writes nothing."""
        return self._clock_doubt(self._journal.head())

    def check(self) -> None:
        """Raise what `open` would raise about the two heads. Writes nothing, takes no lock."""
        self._compare(self._catalogue.head(), self._journal.head())

    def records_behind(self) -> int:
        """Return how many records the catalogue lacks: with 2 or more it is an old copy.

        The journal is asked first, so that a pass that goes on meanwhile makes nothing look old.
        """
        last, held = self._journal.head(), self._catalogue.head()
        reached = 0 if held is None else held[0]
        return 0 if last is None else max(0, last.sequence - reached)

    # The two stores

    def _settle(self) -> None:
        if self._latched:
            raise RecordFailedError(self._latched)
        held = self._catalogue.head()
        contained = 0 if held is None else held[0]
        torn = self._journal.mend(contained)
        last = self._journal.head()
        self._compare(held, last)
        if last is not None and last.sequence > contained:
            self._bring_up(held, last)
        if last is None:
            self._note(JournalOpened(program=f"refreshd {__version__}"))
        if torn is not None:
            self._note(torn)
        if last is not None and last.sequence > contained + 1:
            self._note(CatalogueBroughtUp(from_sequence=contained, to_sequence=last.sequence))

    def _compare(self, held: tuple[int, str] | None, last: Entry | None) -> None:
        """Refuse what cannot be brought together."""
        if held is None:
            return
        sequence, digest = held
        if last is None:
            raise CatalogueAheadError(
                f"the catalogue contains {sequence} records, but the journal is empty; "
                "restore the journal from an export, or name the right state directory"
            )
        if last.sequence < sequence:
            raise JournalTruncatedError(
                f"the journal ends with record {last.sequence}, but the catalogue contains "
                f"record {sequence}: records {last.sequence + 1} to {sequence} are missing at "
                "the end of the journal; restore them from an export"
            )
        if last.sequence == sequence and last.digest != digest:
            raise _changed(sequence, digest, last.digest)

    def _bring_up(self, held: tuple[int, str] | None, last: Entry) -> None:
        """Apply what the catalogue lacks. Its own head must stand in the journal as it knows it."""
        sequence, digest = held or (0, "")
        entries = self._journal.entries(after=max(0, sequence - 1))
        if sequence > 0:
            known = next(entries, last)
            if (known.sequence, known.digest) != (sequence, digest):
                raise _changed(sequence, digest, known.digest)
        reached = sequence
        for batch in _batches(entries):
            self._catalogue.apply(batch)
            reached = batch[-1].sequence
        if reached < last.sequence:
            raise JournalDamagedError(
                f"the journal could be read to record {reached} only, its last is record "
                f"{last.sequence}; `refreshd journal verify` says what is wrong"
            )

    def _write(self, last: Entry | None, at: datetime, event: Event) -> Entry:
        entry = next_entry(last, at.astimezone(UTC), event)

        def write_down() -> None:
            self._journal.append(entry)
            # From here to the end of `apply` the journal is ahead, whatever happens.
            self._latched = (
                f"record {entry.sequence} is in the journal, but the catalogue did not take it; "
                "make room on the disk, then run again: it is applied then"
            )

        self._catalogue.apply((entry,), write_down)
        self._latched = ""
        return entry

    def _note(self, event: JournalOpened | TornLineKept | CatalogueBroughtUp) -> None:
        """Write down what was found at the start.

        While the clock cannot be believed the note has the time of the record before it: that
        is older than the truth, never newer (I4), and it lets nobody off looking at the clock.
        """
        last = self._journal.head()
        is_doubtful = last is not None and self._clock_doubt(last)
        at = last.at if last is not None and is_doubtful else self._clock.now()
        self._write(last, at, event)

    def _clock_doubt(self, last: Entry | None) -> str:
        return doubt_of(last, self._clock.now(), self._clock_leap_max)

    # What is known of the shelf

    def drives(self) -> tuple[DriveCard, ...]:
        """Return all drives in care, by number."""
        return self._catalogue.drives()

    def drive(self, number: DriveNumber) -> DriveCard:
        """Return one card, withdrawn or not, or raise UnknownDriveError."""
        return self._catalogue.drive(number)

    def digests(self, number: DriveNumber, first: int, count: int) -> bytes:
        """Return recorded digests, packed."""
        return self._catalogue.digests(number, first, count)

    def recorded_chunks(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        return self._catalogue.recorded_chunks(number)

    def written_days(self, number: DriveNumber, first: int, count: int) -> Sequence[int]:
        """Return the day of the last proved rewrite of each chunk."""
        return self._catalogue.written_days(number, first, count)

    def findings(self, number: DriveNumber | None = None) -> tuple[Finding, ...]:
        """Return open findings, of one drive or of all."""
        return self._catalogue.findings(number)

    def finding(self, number: DriveNumber, finding: FindingId) -> Finding:
        """Return one finding in any state, or raise UsageError."""
        return self._catalogue.finding(number, finding)

    def unfinished_pass(self, number: DriveNumber, kind: PassKind) -> PassState | None:
        """Return the pass of this kind that was begun and has not ended."""
        return self._catalogue.unfinished_pass(number, kind)

    def next_finding_id(self) -> FindingId:
        """Return an id that no finding has had yet."""
        return self._catalogue.next_finding_id()

    def passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over this drive that have ended, oldest first."""
        return self._catalogue.passes(number)

    def oldest_written(self, number: DriveNumber) -> LastRewrite:
        """Return the drive's last-rewrite date, and the chunks held back from it (I4)."""
        return self._catalogue.oldest_written(number)

    def shelf_rows(self) -> tuple[ShelfRow, ...]:
        """Return what planning needs of every drive in care, by number."""
        return self._catalogue.shelf_rows()

    def slips(self, number: DriveNumber | None = None) -> tuple[Slip, ...]:
        """Return the open slips of one drive or of all, by number."""
        return self._catalogue.slips(number)

    def slip(self, slip: SlipNumber) -> Slip:
        """Return one slip in any state, or raise UsageError."""
        return self._catalogue.slip(slip)

    def next_slip_number(self) -> SlipNumber:
        """Return a number that no slip has had yet."""
        return self._catalogue.next_slip_number()

    def deliveries(self) -> frozenset[Delivery]:
        """Return what was handed to which channel, of the slips that are open."""
        return self._catalogue.deliveries()

    def stays(self) -> tuple[Stay, ...]:
        """Return the drives in care that are plugged in as far as the record knows."""
        return self._catalogue.stays()

    def is_reported(self, stranger: Evidence) -> bool:
        """Say whether this drive was reported as a stranger before."""
        return self._catalogue.is_reported(stranger)

    def pause(self) -> Pause | None:
        """Return who asked that no pass runs; None: passes may run."""
        return self._catalogue.pause()

    def policy_taken(self) -> str | None:
        """Return the digest of the policy that the service took last; None: it took none yet."""
        return self._catalogue.policy_taken()

    def health(self, number: DriveNumber) -> tuple[HealthEntry, ...]:
        """Return the health readings of a drive, oldest first."""
        return self._catalogue.health(number)

    def watches(self, number: DriveNumber) -> tuple[PassWatch, ...]:
        """Return temperature and rate across the passes of a drive, oldest first."""
        return self._catalogue.watches(number)

    def unfinished_provings(self) -> tuple[Proving, ...]:
        """Return the provings that were begun and have neither ended nor been given up."""
        return self._catalogue.unfinished_provings()

    def certificates(self, names: Evidence | None = None) -> tuple[Certificate, ...]:
        """Return the certificates of all drives, or of one by its own names, oldest first."""
        return self._catalogue.certificates(names)

    def next_proving_id(self) -> ProvingId:
        """Return an id that no proving has had yet."""
        return self._catalogue.next_proving_id()


def doubt_of(last: Entry | None, now: datetime, leap_max: timedelta) -> str:
    """Return why a clock that says `now` after that record cannot be believed (I4); else empty."""
    if last is None:
        return ""
    seen = f"the clock says {_said(now)}, but record {last.sequence} is of {_said(last.at)}"
    answer = "set the clock, or attest that it is right"
    if now < last.at - CLOCK_BEHIND_MAX:
        return f"{seen}: the clock is behind; {answer}"
    if now > last.at + leap_max:
        return f"{seen}: the clock is more than {leap_max.days} days ahead; {answer}"
    return ""


def _batches(entries: Iterator[Entry]) -> Iterator[list[Entry]]:
    """Yield entries in batches that bound both the transaction and the memory."""
    batch: list[Entry] = []
    size_bytes = 0
    for entry in entries:
        batch.append(entry)
        if isinstance(entry.event, DigestsRecorded):
            size_bytes += len(entry.event.digests)
        if len(batch) == _BATCH_ENTRIES or size_bytes > _BATCH_DIGEST_BYTES:
            yield batch
            batch, size_bytes = [], 0
    if batch:
        yield batch


def _changed(sequence: int, held: str, found: str) -> JournalDamagedError:
    return JournalDamagedError(
        f"record {sequence} of the journal is not the one that the catalogue contains (digest "
        f"{found[:16]}..., not {held[:16]}...): the journal was changed, or belongs to another "
        "catalogue; `refreshd journal verify` says more"
    )


def _said(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
