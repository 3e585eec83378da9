"""
Does the drive hold as much as it claims? Asked with markers, before the long writing.

A drive that claims too much does one of two things past its end: it wraps round, so that a
write lands on what was written before, or it drops what is written. Both show:

1. a marker is written to every spread place, in ascending order;
2. then a run of neighbouring markers to the end of the drive, at least as long as the distance
   of two spread places: wherever it lands in truth, it covers one of them;
3. by then more went over the drive than its cache holds, and the spread markers are read;
4. then, past the cache again, the run at the end.

A marker says where it was meant to go. Of a drive that wraps round, the place that answers with
what was written so many bytes further on tells how much it holds, to the byte; of one that
drops writes, the first place that does not hold tells it to the nearest spread place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from refreshd.durations import counted
from refreshd.errors import UnreadableError, WriteFailedError
from refreshd.passes.proving.explaining import Holds, Misread, misread
from refreshd.passes.proving.pattern import Pattern, Use
from refreshd.passes.proving.places import end_region, spread_places
from refreshd.passes.proving.work import Work
from refreshd.proving_cards import ProvingStep, StepResult
from refreshd.quantities import KIB, MIB, Outcome, Span
from refreshd.words import size_words

PIECE_BYTES = MIB
READ_ONLY_BYTES = 64 * KIB


@dataclass(frozen=True, slots=True)
class _Answer:
    """What a place gave back. `is_unreadable`: nothing."""

    place: Span
    misread: tuple[Misread, ...] = ()
    is_unreadable: bool = False

    @property
    def is_held(self) -> bool:
        return not self.misread and not self.is_unreadable


def check_capacity(work: Work) -> StepResult:
    """Write markers, read them back, and say how much the drive holds."""
    geometry, pattern = work.metered.geometry, work.pattern(Use.MARKER)
    run = end_region(geometry, work.metered.lag_bytes)
    places = [one for one in spread_places(geometry) if run is None or not one.overlaps(run)]
    pieces = [] if run is None else list(_pieces(run))
    work.metered.open_for_writing()
    try:
        failed = _write(work, pattern, [*places, *pieces])
        if failed is None:
            work.bench.lanes.aside(work.metered.flush)()
    finally:
        work.metered.close_for_writing()
    if failed is not None:
        return _refused(work, failed)
    answers = _read_back(work, pattern, places)
    mark = work.metered.traffic
    busy = work.grid.chunks_of(run) if run is not None else ()
    work.elsewhere().outlast(mark, busy)
    answers += _read_back(work, pattern, pieces)
    # A second reading, past every cache by now: what matches then is a doubt about the path.
    wrong = [one for one in answers if not one.is_held]
    again = _read_back(work, pattern, [one.place for one in wrong])
    lost = [one for one in again if not one.is_held]
    if lost:
        return StepResult(ProvingStep.CAPACITY, Outcome.FAIL, tuple(_missing(work, lost, answers)))
    return _held(work, len(answers), len(wrong))


def _pieces(run: Span) -> Iterator[Span]:
    for at in range(run.start, run.end, PIECE_BYTES):
        yield Span(at, min(PIECE_BYTES, run.end - at))


def _write(work: Work, pattern: Pattern, places: Sequence[Span]) -> WriteFailedError | None:
    """Write markers in order; return the first write that failed."""

    def write_one(place: Span) -> Span:
        data = work.bench.lanes.scratch(place.length, "marker")
        pattern.fill(data, place.start)
        work.metered.write(place.start, data)
        return place

    try:
        for place in work.bench.lanes.each(write_one, places):
            _heed(work, place, "writing markers")
    except WriteFailedError as err:
        return err
    return None


def _read_back(work: Work, pattern: Pattern, places: Sequence[Span]) -> list[_Answer]:
    def read_one(place: Span) -> _Answer:
        into = work.bench.lanes.scratch(place.length, "marker")
        try:
            work.metered.read(place.start, into)
        except UnreadableError:
            return _Answer(place, is_unreadable=True)
        return _Answer(place, misread(place.start, into, pattern))

    work.bench.lanes.aside(work.metered.drop_cache)()
    answers = []
    for answer in work.bench.lanes.each(read_one, places):
        answers.append(answer)
        _heed(work, answer.place, "reading markers")
    return answers


def _heed(work: Work, place: Span, doing: str) -> None:
    work.moved(place.end, doing)
    if work.wants_stop():
        raise work.stopped()


def _refused(work: Work, err: WriteFailedError) -> StepResult:
    size = work.metered.geometry.size_bytes
    why = f"A marker could not be written: {err}."
    claims = f"It claims {size_words(size)} ({size} bytes)."
    return StepResult(ProvingStep.CAPACITY, Outcome.FAIL, (why, claims))


def _held(work: Work, markers: int, wrong: int) -> StepResult:
    size = work.metered.geometry.size_bytes
    how = "from the first byte to the last were written and read back, and each stands in its place"
    said = [f"It claims {size_words(size)} ({size} bytes); {counted(markers, 'marker')} {how}."]
    if wrong:
        said.append(
            f"{counted(wrong, 'marker')} differed at the first reading and matched at the second: "
            "look at cable, dock and memory."
        )
    return StepResult(
        ProvingStep.CAPACITY, Outcome.WARNING if wrong else Outcome.SUCCESS, tuple(said)
    )


def _missing(work: Work, lost: Sequence[_Answer], all_of: Sequence[_Answer]) -> Iterator[str]:
    """Say what the markers tell about how much the drive holds."""
    size = work.metered.geometry.size_bytes
    wrapped = [
        one
        for answer in lost
        for one in answer.misread
        if one.holds is Holds.OTHER_PLACE and one.distance > 0
    ]
    if wrapped:
        nearest = min(wrapped, key=lambda one: one.distance)
        yield (
            f"Byte {nearest.span.start} answers with what was written to byte "
            f"{nearest.span.start + nearest.distance}: it wraps round, and holds "
            f"{size_words(nearest.distance)} ({nearest.distance} bytes) of the "
            f"{size_words(size)} that it claims."
        )
        return
    first = min(answer.place.start for answer in lost)
    behind = [one for one in all_of if one.place.start >= first]
    if all(not one.is_held for one in behind) and first > 0:
        before = max((one.place.end for one in all_of if one.is_held), default=0)
        yield (
            f"Nothing that was written from byte {first} on is kept, while all before is: it holds "
            f"about {size_words(before)} (between {before} and {first} bytes) of the "
            f"{size_words(size)} that it claims."
        )
        return
    unreadable = sum(one.is_unreadable for one in lost)
    yield (
        f"{len(lost)} of {counted(len(all_of), 'marker')} are not kept, the first at byte {first}; "
        f"{unreadable} of them cannot be read."
    )


def look_at_capacity(work: Work) -> StepResult:
    """Check the capacity by reading only, which can find a lie but not exclude one."""
    size, sector = work.metered.geometry.size_bytes, work.metered.geometry.logical_bytes
    length = min(READ_ONLY_BYTES, size // 2) // sector * sector
    beginning = _bytes(work, Span(0, length))
    last = _bytes(work, Span((size - 1) // sector * sector, sector))
    limit = (
        "Whether it holds as much as it claims was checked by reading only, which cannot exclude "
        "that it does not."
    )
    if last is None:
        said = f"Its last sector, at byte {size - sector}, cannot be read."
        return StepResult(ProvingStep.CAPACITY, Outcome.FAIL, (said, limit))
    # Bytes that repeat all over the drive, zeros above all, say nothing.
    is_telling = beginning is not None and beginning != _bytes(work, Span(length, length))
    power = MIB
    while is_telling and power + length <= size:
        if _bytes(work, Span(power, length)) == beginning:
            said = (
                f"What stands at its beginning stands at byte {power} again, {length} bytes of it: "
                f"it wraps round, and holds no more than {size_words(power)} ({power} bytes) of "
                f"the {size_words(size)} that it claims."
            )
            return StepResult(ProvingStep.CAPACITY, Outcome.FAIL, (said,))
        power *= 2
    return StepResult(ProvingStep.CAPACITY, Outcome.WARNING, (limit,))


def _bytes(work: Work, span: Span) -> bytes | None:
    into = work.bench.lanes.scratch(span.length, "marker")
    try:
        work.bench.lanes.aside(lambda: work.metered.read(span.start, into))()
    except UnreadableError:
        return None
    return bytes(into)
