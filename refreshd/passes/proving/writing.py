"""Write the pattern over the whole drive, flushed at every checkpoint (P2)."""

from __future__ import annotations

from dataclasses import dataclass, field

from refreshd.errors import WriteFailedError
from refreshd.passes.metered import NOT_TRIED
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.passes.proving.work import FAULTS_MOST, Work, checkpoint_chunks, faults_of
from refreshd.proving_cards import ProvingStep, StepResult
from refreshd.quantities import KIB, Outcome, Span
from refreshd.words import measured_words, rate_words, size_words

PIECE_BYTES = 64 * KIB


@dataclass
class _Writer:
    """Writes chunk by chunk from the last checkpoint on."""

    work: Work
    pattern: Pattern
    faults: list[str] = field(default_factory=list)  # since the last checkpoint
    doubts: list[str] = field(default_factory=list)  # likewise: no fault, but worth knowing
    known: int = 0  # faults that are written down

    def write(self, chunk: int) -> int:
        """Make a chunk of the pattern and write it."""
        span = self.work.grid.span(chunk)
        data = self.work.bench.lanes.scratch(span.length, "pattern")
        self.pattern.fill(data, span.start)
        self.work.metered.write(span.start, data)
        return chunk

    @property
    def is_too_much(self) -> bool:
        """Say whether so much went wrong that the rest tells nothing new."""
        return self.known + len(self.faults) + len(self.doubts) >= FAULTS_MOST

    def write_again(self, chunk: int, err: WriteFailedError) -> None:
        """Write a chunk once more, down to the blocks that do not take it."""
        span = self.work.grid.span(chunk)
        bad = self._failing(span, span.length)
        if bad and span.length > PIECE_BYTES:
            bad = [piece for part in bad for piece in self._failing(part, PIECE_BYTES)]
        block = self.work.metered.geometry.physical_bytes
        bad = [piece for part in bad for piece in self._failing(part, block)]
        if bad:
            self.faults.append(
                f"From byte {bad[0].start} on, {sum(one.length for one in bad)} bytes take no "
                f"writing: {err.cause}."
            )
        elif err.cause != NOT_TRIED:
            self.doubts.append(
                f"Writing at byte {span.start} failed ({err.cause}) and went at a second try."
            )

    def _failing(self, part: Span, size: int) -> list[Span]:
        failing = []
        for start in range(part.start, part.end, size):
            piece = Span(start, min(size, part.end - start))
            data = self.work.bench.lanes.scratch(piece.length, "again")
            self.pattern.fill(data, piece.start)
            try:
                self._one(piece, data)
            except WriteFailedError:
                failing.append(piece)
        return failing

    def _one(self, piece: Span, data: memoryview) -> None:
        lanes, metered = self.work.bench.lanes, self.work.metered
        lanes.aside(metered.open_for_writing)()  # proves who answers, after every failure
        lanes.aside(lambda: metered.write(piece.start, data))()

    def checkpoint(self, done: int) -> None:
        """Flush, then write down that everything before chunk `done` is on the drive."""
        self.work.bench.lanes.aside(self.work.metered.flush)()
        results = [
            StepResult(ProvingStep.WRITE, outcome, tuple(said))
            for outcome, said in ((Outcome.FAIL, self.faults), (Outcome.WARNING, self.doubts))
            if said
        ]
        next_byte = self.work.grid.run(0, done).length
        self.work.checkpoint(ProvingStep.WRITE, next_byte, results=results)
        self.known += len(self.faults)
        self.faults.clear()
        self.doubts.clear()


def write_all(work: Work) -> StepResult:
    """Write the pattern from the last checkpoint to the end of the drive."""
    proving, grid = work.proving, work.grid
    writer = _Writer(work, work.pattern(Use.FILL), known=faults_of(proving, ProvingStep.WRITE))
    first = proving.next_byte // grid.chunk_bytes
    began_s, at, due = (
        work.bench.clock.elapsed_s(),
        first,
        checkpoint_chunks(grid, work.checkpoint_bytes),
    )
    work.bench.lanes.aside(work.metered.open_for_writing)()
    while at < grid.count and not writer.is_too_much:
        try:
            for chunk in work.bench.lanes.each(writer.write, range(at, grid.count)):
                at = chunk + 1
                _after(work, writer, at, due)
        except WriteFailedError as err:
            writer.write_again(at, err)
            at += 1
    writer.checkpoint(at)
    work.bench.lanes.aside(work.metered.close_for_writing)()
    seconds = work.bench.clock.elapsed_s() - began_s
    return _told(work, writer, first, at, seconds)


def _after(work: Work, writer: _Writer, done: int, due: int) -> None:
    grid = work.grid
    work.moved(grid.run(0, done).length, "writing the pattern")
    is_stopping = work.wants_stop() and done < grid.count
    if (done % due == 0 and done < grid.count) or is_stopping:
        writer.checkpoint(done)
    if is_stopping:
        raise work.stopped()


def _told(work: Work, writer: _Writer, first: int, end: int, seconds: float) -> StepResult:
    grid = work.grid
    if writer.is_too_much:
        said = "Writing was ended before the end of the drive, since so much went wrong."
        return StepResult(ProvingStep.WRITE, Outcome.FAIL, (said,))
    size = size_words(grid.size_bytes)
    if first >= end:
        said = f"All of it, {size}, was written and flushed."
    else:
        length = grid.run(first, end).length
        run = "" if first == 0 else f", the last {size_words(length)} in this run"
        rate = "" if seconds <= 0 else f", at {rate_words(length / seconds)} in the mean"
        took = measured_words(seconds)
        said = f"All of it, {size}, was written and flushed{run}{rate} ({took})."
    outcome = Outcome.FAIL if writer.known else Outcome.SUCCESS
    return StepResult(ProvingStep.WRITE, outcome, (said,))
