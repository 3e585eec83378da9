"""What the steps of a pass share in one visit: what was read, what that means, what is told."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from refreshd.cards import DriveCard, PassState, Presence
from refreshd.errors import PathDoubtedError, RefreshdError, require
from refreshd.events import (
    DigestsRecorded,
    FixityChecked,
    HealthRead,
    PassEnded,
    PathDoubted,
    RangeMended,
)
from refreshd.passes.bench import Bench, Mended, PassOptions, PassReport
from refreshd.passes.findings import FindingBook
from refreshd.passes.health_gate import WHAT_TO_DO, hold_failing
from refreshd.passes.metered import MeteredMedium
from refreshd.passes.reading import ChunkReader, Elsewhere, Reading
from refreshd.passes.watch import Watch
from refreshd.quantities import (
    DIGEST_BYTES,
    NO_DIGEST,
    Digest,
    DriveNumber,
    Outcome,
    PassId,
    Span,
)

EARLY_CHUNKS = 1000
EARLY_DIFFERING = 10
"""More than one in a hundred of the first thousand chunks differing is no decay: it is a dock
that re-maps or encrypts, an edited or reformatted drive, or the wrong one."""

EARLY_LEAST = 3
"""One or two chunks are damage, whatever share of a small drive they are."""

ANOTHER_CONTENT = (
    "so much differs from the record that this is no decay: another dock that re-maps or "
    "encrypts, an edited or reformatted drive, or the wrong drive"
)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A chunk whose first reading differed from its record, and its second reading, if made."""

    chunk: int
    recorded: Digest
    first: Digest
    second: Reading | None = None


@dataclass
class Counts:
    """Chunks by what became of them, and bytes left alone, in this visit."""

    matched: int = 0
    differing: int = 0
    unreadable: int = 0
    bytes_checked: int = 0
    bytes_skipped: int = 0


@dataclass
class Visit:
    """One run of one pass. Made by `open_visit`; holds what the steps of the pass share."""

    bench: Bench
    options: PassOptions
    card: DriveCard
    state: PassState
    presence: Presence
    watch: Watch
    metered: MeteredMedium
    reader: ChunkReader
    elsewhere: Elsewhere
    book: FindingBook
    began_s: float
    before: HealthRead | None = None  # how the drive was before this run
    counts: Counts = field(default_factory=Counts)
    mended: list[Mended] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def number(self) -> DriveNumber:
        """Accession number of the drive."""
        return self.card.number

    @property
    def pass_id(self) -> PassId:
        """Id of the pass."""
        return self.state.id

    def today(self) -> date:
        """Return the calendar day, UTC."""
        return self.bench.clock.now().date()

    def digests(self, first: int, count: int) -> list[Digest]:
        """Return the recorded digests of neighbouring chunks."""
        packed = self.bench.ledger.digests(self.number, first, count)
        return [
            Digest(packed[at : at + DIGEST_BYTES]) for at in range(0, len(packed), DIGEST_BYTES)
        ]

    def say(self, sentence: str) -> None:
        """Tell the archivist, and keep it for the report."""
        self.notes.append(sentence)
        self.bench.attendant.said(sentence)

    def moved(self, done_bytes: int, doing: str) -> None:
        """Tell how far the pass is, and how warm the drive."""
        self.watch.place = (done_bytes, self.card.grid.size_bytes)
        celsius = self.watch.celsius
        warm = "" if celsius is None else f", {celsius} °C"
        self.bench.attendant.moved(*self.watch.place, f"{doing}{warm}")
        self.hold_if_failing()

    def hold_if_failing(self) -> None:
        """Put a drive on hold, once, that said in this pass that it is failing."""
        if self.watch.is_failing and not self.watch.is_failing_noted:
            hold_failing(self.bench, self.number, self.pass_id)
            self.watch.is_failing_noted = True
            self.say(
                f"{self.number} says that it is failing. It is on hold, nothing is written to it "
                f"any more. {WHAT_TO_DO}."
            )

    def note_reading(self, reading: Reading) -> None:
        """Say when a chunk gave all its bytes only at a second try."""
        if reading.needed_retry:
            start = self.card.grid.span(reading.chunk).start
            self.say(f"The chunk at byte {start} could be read only at a second try.")

    def weigh(self, reading: Reading, recorded: Digest) -> Suspect | None:
        """Enter what the first reading of a chunk says; return it if it must be read again."""
        self.counts.bytes_checked += self.card.grid.span(reading.chunk).length
        if reading.digest is None:
            self.counts.unreadable += 1
            self.book.unreadable(reading.unreadable)
        elif not is_recorded(recorded):
            self._record_late(reading.chunk, reading.digest)
        elif reading.digest == recorded:
            self.counts.matched += 1
            self.book.matched(reading.chunk)
        else:
            return Suspect(reading.chunk, recorded, reading.digest)
        return None

    def _record_late(self, chunk: int, observed: Digest) -> None:
        """Record the digest of a chunk that could not be read when the drive was taken in.

        It is not rewritten on this reading; it must first match in another one.
        """
        self.bench.ledger.record(
            DigestsRecorded(
                drive=self.number, pass_id=self.pass_id, first_chunk=chunk, digests=observed
            )
        )
        self.book.matched(chunk)
        self.say(
            f"The chunk at byte {self.card.grid.span(chunk).start} could be read for the first "
            "time; its digest is recorded now, what it held before is not known."
        )

    def read_again(
        self, suspects: Sequence[Suspect], mark: int, busy: Collection[int] = ()
    ) -> Iterator[Suspect]:
        """Read differing chunks a second time, when the first answer is out of every cache.

        Args:
            suspects: The chunks.
            mark: The traffic when the last of them was read.
            busy: Chunks that wait for their own read-back, and must stay out of the cache.

        Yields:
            Each suspect with its second reading filled in.
        """
        if not suspects:
            return
        self.elsewhere.outlast(mark, {suspect.chunk for suspect in suspects} | set(busy))
        chunks = [suspect.chunk for suspect in suspects]
        readings = self.bench.lanes.each(self.reader.read, chunks)
        for suspect, second in zip(suspects, readings, strict=True):
            yield replace(suspect, second=second)

    def settle(self, suspect: Suspect) -> bool:
        """Enter what two readings of a chunk say; return whether they put the path in doubt.

        Only a chunk that differs twice is a finding. When the second reading matches, the
        bytes on the drive are right and something between it and us is not.
        """
        second = suspect.second
        require(second is not None, "a suspect is settled after its second reading")
        if second is None or second.digest is None:
            self.counts.unreadable += 1
            self.book.unreadable(second.unreadable if second else ())
            return False
        if second.digest == suspect.recorded:
            self.counts.matched += 1
            self.book.matched(suspect.chunk)
            self.doubt_path(suspect.chunk)
            return True
        agree = second.digest == suspect.first
        self.counts.differing += 1
        self.book.mismatch(
            suspect.chunk,
            second.digest if agree else None,
            "" if agree else "two readings, two contents: the drive or its path is unstable",
        )
        return False

    def doubt_path(self, chunk: int) -> None:
        """Write down that two readings of the same bytes differed."""
        span = self.card.grid.span(chunk)
        self.bench.ledger.record(
            PathDoubted(
                drive=self.number,
                pass_id=self.pass_id,
                start_byte=span.start,
                length_bytes=span.length,
            )
        )
        self.say(
            f"The chunk at byte {span.start} differed once and matched once: "
            "look at cable, dock and memory."
        )

    def mend(self, span: Span, how: str) -> None:
        """Write down that a range was written again from its staged copy."""
        self.bench.ledger.record(
            RangeMended(
                drive=self.number,
                pass_id=self.pass_id,
                start_byte=span.start,
                length_bytes=span.length,
                how=how,
            )
        )
        self.mended.append(Mended(span, how))

    def differs_too_much(self, looked_at: int) -> bool:
        """Say whether so much differs that it cannot be decay.

        `looked_at` counts the chunks read in this visit. On a drive of fewer than a thousand
        chunks more than half of them must differ.
        """
        differing = self.counts.differing
        if looked_at > EARLY_CHUNKS:
            return False
        if differing > EARLY_DIFFERING:
            return True
        is_all = looked_at == self.card.grid.count
        return is_all and differing >= EARLY_LEAST and differing * 2 > looked_at

    def report(self, outcome: Outcome, stopped_by: RefreshdError | None = None) -> PassReport:
        """Return what this visit did."""
        return PassReport(
            drive=self.number,
            pass_id=self.pass_id,
            kind=self.state.kind,
            outcome=outcome,
            bytes_read=self.metered.bytes_read,
            bytes_written=self.metered.bytes_written,
            bytes_skipped=self.counts.bytes_skipped,
            seconds=self.bench.clock.elapsed_s() - self.began_s,
            findings=self.book.standing,
            mended=tuple(self.mended),
            notes=tuple(self.notes),
            stopped_by=stopped_by,
        )

    def outcome(self) -> Outcome:
        """Return fail with findings, warning when something was mended or noted, else success."""
        if self.book.standing:
            return Outcome.FAIL
        return Outcome.WARNING if self.mended or self.notes else Outcome.SUCCESS

    def fixity_checked(self, moment: str, method: str) -> None:
        """Write down what was read and compared in this visit."""
        self.bench.ledger.record(
            FixityChecked.model_validate(
                {
                    "drive": self.number,
                    "outcome": self.outcome(),
                    "pass_id": self.pass_id,
                    "moment": moment,
                    "method": method,
                    "bytes_checked": self.counts.bytes_checked,
                    "chunks_matched": self.counts.matched,
                    "chunks_differing": self.counts.differing,
                    "chunks_unreadable": self.counts.unreadable,
                }
            )
        )

    def end(self, *, reached_end: bool, note: str = "") -> PassReport:
        """Write down that the pass is over. All of the drive was read if it reached the end."""
        outcome = self.outcome()
        self.bench.ledger.record(
            PassEnded(
                drive=self.number,
                outcome=outcome,
                pass_id=self.pass_id,
                pass_kind=self.state.kind,
                reached_end=reached_end,
                # The day on which it began: no chunk was read earlier than that (I4).
                checked_on=self.state.begun_at.date() if reached_end else None,
                findings=len(self.book.standing),
                note=note,
            )
        )
        return self.report(outcome)


def path_doubted() -> PathDoubtedError:
    """Return the error that ends a visit in which two readings of the same bytes differed."""
    return PathDoubtedError(
        "the same bytes read twice differed, so the path (memory, cable, bridge) cannot be "
        "trusted; nothing more is written in this visit. Try another cable or dock"
    )


def is_recorded(recorded: Digest) -> bool:
    """Say whether a digest stands in the register at all."""
    return recorded != NO_DIGEST
