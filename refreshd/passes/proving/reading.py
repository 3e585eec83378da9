"""Read the whole drive: compare it with the pattern, or only see that all of it can be read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from refreshd.drive import LOOP_MODEL
from refreshd.durations import counted
from refreshd.errors import require
from refreshd.fixity import digest
from refreshd.passes.proving.explaining import ELSEWHERE, Misread, misread, sentences
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.passes.proving.rates import RateMeter, judged
from refreshd.passes.proving.repeats import Repeats
from refreshd.passes.proving.work import (
    FAULTS_MOST,
    Work,
    checkpoint_chunks,
    faults_of,
    was_elsewhere,
)
from refreshd.passes.reading import ChunkReader
from refreshd.ports import ReadBackMethod
from refreshd.proving_cards import ProvingStep, RatePlace, StepResult
from refreshd.quantities import ChunkGrid, Digest, Outcome, Span, join_spans
from refreshd.words import rate_words, size_words

SLOW_NAMED = 5

UNCERTAIN_WORDS = "but it is so small that its own cache may have answered in its place"
LOOP_WORDS = (
    "but what was written to the file may still have stood in the memory of this server, which "
    "then answered in place of the disk"
)


@dataclass(frozen=True, slots=True)
class _Seen:
    """What reading one chunk gave."""

    chunk: int
    digest: Digest | None
    misread: tuple[Misread, ...] = ()
    unreadable: tuple[Span, ...] = ()
    needed_retry: bool = False


class PatternReader:
    """Reads chunks and compares them with the pattern, in any lane."""

    def __init__(self, work: Work, pattern: Pattern) -> None:
        self._lanes = work.bench.lanes
        self._reader: ChunkReader = work.reader()
        self._grid = work.grid
        self._pattern = pattern

    def read(self, chunk: int) -> _Seen:
        """Read one chunk; a digest tells whether it is right, a second look what is wrong."""
        span = self._grid.span(chunk)
        into = self._lanes.scratch(span.length)
        reading = self._reader.read_into(chunk, into)
        wanted = self._lanes.scratch(span.length, "pattern")
        self._pattern.fill(wanted, span.start)
        if reading.digest is not None and reading.digest == digest(wanted):
            return _Seen(chunk, reading.digest, needed_retry=reading.needed_retry)
        found = misread(span.start, into, self._pattern, reading.unreadable)
        return _Seen(chunk, reading.digest, found, reading.unreadable, reading.needed_retry)


class PlainReader:
    """Reads chunks of which nobody knows what they should hold."""

    def __init__(self, work: Work) -> None:
        self._reader: ChunkReader = work.reader()

    def read(self, chunk: int) -> _Seen:
        """Read one chunk."""
        reading = self._reader.read(chunk)
        return _Seen(
            chunk, reading.digest, (), reading.unreadable, needed_retry=reading.needed_retry
        )


@dataclass
class _Suspects:
    """Chunks that differed once, until they were read again past every cache (P4)."""

    work: Work
    read: Callable[[int], _Seen]
    chunks: list[int] = field(default_factory=list)
    mark: int = 0

    def add(self, chunk: int) -> None:
        self.chunks.append(chunk)
        self.mark = self.work.metered.traffic

    def settle(self) -> list[tuple[_Seen, bool]]:
        """Read them again; with each whether it matched now, which puts the path in doubt."""
        if not self.chunks:
            return []
        self.work.elsewhere().outlast(self.mark, set(self.chunks))
        again = list(self.work.bench.lanes.each(self.read, self.chunks))
        self.chunks.clear()
        return [(seen, not (seen.misread or seen.unreadable)) for seen in again]


@dataclass
class _Findings:
    """What was found since the last checkpoint."""

    faults: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    known: int = 0  # faults that are written down
    known_doubts: int = 0

    def enter(self, seen: _Seen, *, may_be_changed: bool) -> None:
        """Enter what a chunk is found to be in the end."""
        for span in join_spans(seen.unreadable):
            self.faults.append(f"From byte {span.start} on, {span.length} bytes cannot be read.")
        changed = [one for one in seen.misread if may_be_changed and one.holds in ELSEWHERE]
        wrong = [one for one in seen.misread if one not in changed]
        self.faults.extend(sentences(wrong, was_elsewhere=False))
        self.doubts.extend(sentences(changed, was_elsewhere=True))

    @property
    def is_too_much(self) -> bool:
        """Say whether the rest tells nothing new."""
        return max(self.known + len(self.faults), self.known_doubts + len(self.doubts)) >= (
            FAULTS_MOST
        )

    def take(self) -> tuple[StepResult, ...]:
        """Return it as results of the step."""
        found = []
        if self.faults:
            found.append(StepResult(ProvingStep.READ, Outcome.FAIL, tuple(self.faults)))
        if self.doubts:
            found.append(StepResult(ProvingStep.READ, Outcome.WARNING, tuple(self.doubts)))
        self.known += len(self.faults)
        self.known_doubts += len(self.doubts)
        self.faults.clear()
        self.doubts.clear()
        return tuple(found)


class Sweep:
    """Reads from the last checkpoint to the end, and writes down what it finds."""

    def __init__(self, work: Work) -> None:
        proving = work.proving
        self.work = work
        self.grid: ChunkGrid = work.grid
        self.first = proving.next_byte // self.grid.chunk_bytes
        is_comparing = proving.plan.is_writing
        reader = PatternReader(work, work.pattern(Use.FILL)) if is_comparing else PlainReader(work)
        self._read = reader.read
        self._suspects = _Suspects(work, reader.read)
        known = faults_of(proving, ProvingStep.READ)
        self.findings = _Findings(known=known)
        self._may_be_changed = was_elsewhere(proving)
        self._repeats = None if is_comparing else Repeats(self.grid)
        slow = sum(one.is_slow for one in proving.rates)
        size, chunk, start = self.grid.size_bytes, self.grid.chunk_bytes, proving.next_byte
        self._meter = RateMeter(work.bench.clock, size, chunk, start, slow)
        self._rested_s = work.watch.rested_s
        work.metered.hears = self._meter.answered

    def run(self) -> int:
        """Read; return the first chunk that was not read."""
        due, doing = (
            checkpoint_chunks(self.grid, self.work.checkpoint_bytes),
            "reading and comparing",
        )
        if self._repeats is not None:
            doing = "reading"
        at = self.first
        for seen in self.work.bench.lanes.each(self._read, range(at, self.grid.count)):
            at = seen.chunk + 1
            self._weigh(seen)
            done = self.grid.run(0, at).length
            self._measure(done)
            self.work.moved(done, doing)
            is_stopping = self.work.wants_stop() and at < self.grid.count
            if is_stopping or (at % due == 0 and at < self.grid.count):
                self._checkpoint(done)
            if is_stopping:
                raise self.work.stopped()
            if self.findings.is_too_much or len(self._suspects.chunks) >= FAULTS_MOST:
                break
        self._settle()
        self._checkpoint(self.grid.run(0, at).length if at else 0)
        self.work.metered.hears = None
        return at

    def _weigh(self, seen: _Seen) -> None:
        if seen.needed_retry:
            start = self.grid.span(seen.chunk).start
            self.findings.doubts.append(f"The chunk at byte {start} was read at a second try only.")
        if seen.misread:
            self._suspects.add(seen.chunk)
        elif seen.unreadable:
            self.findings.enter(seen, may_be_changed=False)
        if self._repeats is not None and seen.digest is not None:
            self._repeats.add(seen.chunk, seen.digest)
            if sentence := self._repeats.found():
                self.findings.faults.append(sentence)

    def _measure(self, done: int) -> None:
        if self.work.watch.rested_s > self._rested_s:
            self._rested_s = self.work.watch.rested_s
            self._meter.rested()
        self._meter.moved(done)

    def _settle(self) -> None:
        settled = self._suspects.settle()
        if settled:
            self._meter.rested()
        for seen, is_right in settled:
            start = self.grid.span(seen.chunk).start
            if is_right:
                self.findings.faults.append(
                    f"The chunk at byte {start} differed once and matched once: look at cable, "
                    "dock and memory, and prove the drive again."
                )
            self.findings.enter(seen, may_be_changed=self._may_be_changed)

    def _checkpoint(self, done: int) -> None:
        self._settle()
        self.work.checkpoint(
            ProvingStep.READ, done, results=self.findings.take(), rates=self._meter.take()
        )


def read_all(work: Work) -> StepResult:
    """Read the drive from the last checkpoint to its end, and say what that tells."""
    sweep = Sweep(work)
    end = sweep.run()
    proving, size = work.proving, size_words(work.metered.geometry.size_bytes)
    if end < sweep.grid.count:
        said = "Reading was ended before the end of the drive, since so much was wrong."
        return StepResult(ProvingStep.READ, Outcome.FAIL, (said,))
    rates, outcome = _rates_told(judged(proving.rates))
    if not proving.plan.is_writing:
        said = f"All of it, {size}, was read; nothing was written, so nothing could be compared."
        return StepResult(ProvingStep.READ, Outcome.WARNING, (said, *rates))
    how, is_certain = _read_past_caches(work)
    said = f"All of it, {size}, was read and compared, {how}."
    if sweep.findings.known:
        outcome = Outcome.FAIL
    elif not is_certain:
        outcome = Outcome.WARNING
    require(proving.step is ProvingStep.READ, "what was read was written before")
    return StepResult(ProvingStep.READ, outcome, (said, *rates))


def _read_past_caches(work: Work) -> tuple[str, bool]:
    """Say how far the medium itself must have answered, and whether no cache is in doubt."""
    if work.proving.evidence.model == LOOP_MODEL:
        return LOOP_WORDS, False
    match work.metered.readback_method(0):
        case ReadBackMethod.CACHE_DROPPED:
            return "past the memory of this server", True
        case ReadBackMethod.LAGGED:
            lag = size_words(work.metered.lag_bytes)
            return f"each place after {lag} more had gone over the drive, past its cache", True
        case ReadBackMethod.UNCERTAIN:
            return UNCERTAIN_WORDS, False


def _rates_told(rates: tuple[RatePlace, ...]) -> tuple[tuple[str, ...], Outcome]:
    stretches = [one.rate_bytes_per_s for one in rates if not one.is_slow]
    slow = [one for one in rates if one.is_slow]
    said = []
    if stretches:
        said.append(f"It reads {_along(stretches)}.")
    said += [
        f"It is slow from byte {one.start} on for {size_words(one.length)}: "
        f"{rate_words(one.rate_bytes_per_s)}."
        for one in slow[:SLOW_NAMED]
    ]
    if len(slow) > SLOW_NAMED:
        said.append(f"{counted(len(slow) - SLOW_NAMED, 'further slow place')} not named here.")
    return tuple(said), Outcome.WARNING if slow else Outcome.SUCCESS


def _along(stretches: Sequence[int]) -> str:
    """Tell the rate at no more places than it was measured at."""
    first, *others = map(rate_words, stretches)
    if not others:
        return first
    if len(others) == 1:
        return f"{first} at the start and {others[0]} at the end"
    middle = rate_words(stretches[len(stretches) // 2])
    return f"{first} at the start, {middle} in the middle and {others[-1]} at the end"
