"""The watch among lanes that are really threads: who waits for whom, and who is refused."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from threading import Event

import pytest

from refreshd.adapters.thread_lanes import ThreadLanes
from refreshd.errors import DriveFailingError, DriveGoneError, UnreadableError, WriteFailedError
from refreshd.health_cards import HeatLimits, OwnWord, Vital
from refreshd.passes.health_gate import AsideExaminer
from refreshd.passes.heat import BLIND_REST_S, BLIND_WORK_S, begun
from refreshd.passes.metered import NOT_TRIED, MeteredMedium, Pacer
from refreshd.passes.watch import SLICE_S, Watch
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import Failure, Op
from refreshd.simulated.drive import SimulatedDrive
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.simulated.lanes import InlineLanes
from tests.fakes.room import Room

LONGEST_S = 30.0
"""So that a broken test ends."""

SHORT_S = 0.2
"""How long something is given that must not happen."""

PASSING = Vital(36, OwnWord.PASSING)


@dataclass
class HeldExaminer(SimulatedExaminer):
    """Answers what it is told to, once it may."""

    asked: Event = field(default_factory=Event)
    may_answer: Event = field(default_factory=Event)
    answer: Vital = PASSING

    def vital(self) -> Vital:
        """Answer when allowed."""
        self.vitals += 1
        self.asked.set()
        self.may_answer.wait(LONGEST_S)
        return self.answer


@dataclass
class HeldDrive(SimulatedDrive):
    """Writes once it may."""

    writes: Event = field(default_factory=Event)
    may_write: Event = field(default_factory=Event)

    def write(self, start: int, data: memoryview) -> None:
        """Write when allowed."""
        self.writes.set()
        self.may_write.wait(LONGEST_S)
        super().write(start, data)


@dataclass
class HeldClock(SimulatedClock):
    """Lets time pass once it may."""

    sleeps: Event = field(default_factory=Event)
    may_pass: Event = field(default_factory=Event)

    def sleep(self, seconds: float) -> None:
        """Sleep when allowed."""
        self.sleeps.set()
        self.may_pass.wait(LONGEST_S)
        super().sleep(seconds)


class Place:
    """A metered drive that is open for writing, and two lanes that reach it."""

    def __init__(self, threads: ThreadPoolExecutor) -> None:
        self._threads = threads
        self.room = Room()
        self.examiner = HeldExaminer()
        self.drive = HeldDrive(self.room.disk)
        self.clock = HeldClock()
        self.room.drive, self.room.examiner, self.room.clock = (
            self.drive,
            self.examiner,
            self.clock,
        )
        self.watch = Watch(
            self.room.bench(), begun(HeatLimits(), 45, is_silent=False), is_rewriting=False
        )
        pacer = Pacer(self.clock, self.room.lanes, None)
        self.metered = MeteredMedium(self.drive, pacer, self.watch, 0)
        self.metered.open_for_writing()

    def read(self) -> Future[None]:
        """Read in a lane."""
        return self._threads.submit(self.metered.read, 0, memoryview(bytearray(512)))

    def write(self) -> Future[None]:
        """Write in a lane."""
        return self._threads.submit(self.metered.write, 512, memoryview(bytearray(512)))

    def written(self) -> int:
        """Return how many writes reached the disk."""
        return [op for op, _, _ in self.room.disk.log].count(Op.WRITE)

    def let_all(self) -> None:
        """Let everything happen."""
        for event in (self.examiner.may_answer, self.drive.may_write, self.clock.may_pass):
            event.set()


@pytest.fixture
def place() -> Iterator[Place]:
    """Return the place; whatever waits at the end is let go."""
    threads = ThreadPoolExecutor(4)
    one = Place(threads)
    yield one
    one.let_all()
    threads.shutdown(wait=True)


def is_kept_waiting(future: Future[None]) -> bool:
    """Say whether something is still under way after a short while."""
    try:
        future.exception(SHORT_S)
    except TimeoutError:
        return True
    return False


def test_a_write_waits_for_the_answer_and_is_refused_by_it(place: Place) -> None:
    """W2: no write begins between the question and an answer of "failing"."""
    place.drive.may_write.set()
    looking = place.read()
    assert place.examiner.asked.wait(LONGEST_S)
    writing = place.write()
    assert is_kept_waiting(writing)

    place.examiner.answer = Vital(36, OwnWord.FAILING)
    place.examiner.may_answer.set()

    assert isinstance(writing.exception(LONGEST_S), DriveFailingError)
    assert looking.exception(LONGEST_S) is None
    assert place.written() == 0


def test_a_question_waits_for_the_writes_under_way(place: Place) -> None:
    """W2: the answer is about a drive to which nothing is being written."""
    place.examiner.may_answer.set()
    place.watch._next_s = 10.0
    writing = place.write()
    assert place.drive.writes.wait(LONGEST_S)
    place.clock.passed_s += 20
    looking = place.read()
    assert is_kept_waiting(looking)
    assert place.examiner.vitals == 0

    place.drive.may_write.set()

    assert looking.exception(LONGEST_S) is None
    assert writing.exception(LONGEST_S) is None
    assert (place.examiner.vitals, place.written()) == (1, 1)


@pytest.mark.parametrize("kind", ["read", "write"])
def test_every_lane_waits_while_the_drive_cools(place: Place, kind: str) -> None:
    """W3: one lane looks, the others ask nothing of the drive until it goes on."""
    place.drive.may_write.set()
    place.examiner.may_answer.set()
    place.examiner.answer = Vital(51, OwnWord.PASSING)
    looking = place.read()
    assert place.clock.sleeps.wait(LONGEST_S)
    other = place.read() if kind == "read" else place.write()
    assert is_kept_waiting(other)
    assert (place.written(), place.metered.bytes_read) == (0, 0)

    place.examiner.answer = Vital(45, OwnWord.PASSING)
    place.clock.may_pass.set()

    assert (looking.exception(LONGEST_S), other.exception(LONGEST_S)) == (None, None)
    assert place.metered.traffic == 1024


def test_a_drive_that_answers_no_question_any_more_is_asked_for_nothing_by_any_lane() -> None:
    """One lane hears that it is gone while it rests; no other goes on working on a hot drive."""
    room = Room()
    room.examiner = examiner = SimulatedExaminer(is_gone=True)
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=False), is_rewriting=False)
    metered = MeteredMedium(room.drive, Pacer(room.clock, room.lanes, None), watch, 0)

    for is_gone in (True, False):
        examiner.is_gone = is_gone
        with pytest.raises(DriveGoneError):
            metered.read(0, memoryview(bytearray(512)))
    assert metered.bytes_read == 0
    assert examiner.vitals == 0


def test_a_hanging_question_is_named_as_one(place: Place) -> None:
    """Whoever reads that a drive hangs is not sent to look for a bad sector."""
    place.read()
    assert place.examiner.asked.wait(LONGEST_S)

    assert str(place.metered.oldest_request()) == "asking how hot it is"


def test_a_question_from_the_side_lane_waits_for_no_lane() -> None:
    """Whoever asks beside himself, and reads beside himself, is answered, twice wrapped or not."""
    room = Room()
    lanes = ThreadLanes(LONGEST_S / 10)
    room.lanes = lanes
    room.examiner = AsideExaminer(SimulatedExaminer(), lanes)
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=False), is_rewriting=False)
    metered = MeteredMedium(room.drive, Pacer(room.clock, lanes, None), watch, 0)

    lanes.aside(lambda: metered.read(0, memoryview(bytearray(512))))()
    AsideExaminer.of(room.examiner, lanes).read()
    lanes.close()

    assert metered.bytes_read == 512
    assert not lanes.is_hung


def test_every_lane_goes_on_when_a_rest_by_the_clock_is_over() -> None:
    """W3: no question wakes the others there; one that nobody wakes would wait for ever."""
    clock, lanes = HeldClock(), CountingLanes()
    room = Room()
    room.clock, room.lanes, room.examiner = clock, lanes, SimulatedExaminer(silence="a bridge")
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=True), is_rewriting=False)
    metered = MeteredMedium(room.drive, Pacer(clock, lanes, None), watch, 0)
    SimulatedClock.sleep(clock, BLIND_WORK_S + 1)
    with ThreadPoolExecutor(2) as threads:
        looking = threads.submit(metered.read, 0, memoryview(bytearray(512)))
        assert clock.sleeps.wait(LONGEST_S)
        other = threads.submit(metered.read, 0, memoryview(bytearray(512)))
        assert is_kept_waiting(other)
        clock.may_pass.set()
        try:
            assert (looking.exception(LONGEST_S), other.exception(LONGEST_S)) == (None, None)
        finally:
            with watch._turn:
                watch._turn.notify_all()
    assert lanes.rests >= BLIND_REST_S / SLICE_S


@dataclass
class CountingLanes(InlineLanes):
    """Counts the waits that are told to be no hang."""

    rests: int = 0

    def __post_init__(self) -> None:
        super().__init__()

    def resting(self) -> AbstractContextManager[None]:
        """Count."""
        self.rests += 1
        return super().resting()


@pytest.mark.parametrize("op", [Op.READ, Op.WRITE])
def test_nothing_is_written_after_any_failure_before_it_is_proved_who_answers(op: Op) -> None:
    """What answers after an I/O error may be another drive on the same node, for all lanes."""
    room = Room()
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=True), is_rewriting=True)
    metered = MeteredMedium(room.drive, Pacer(room.clock, room.lanes, None), watch, 0)
    metered.open_for_writing()
    data = memoryview(bytearray(4096))
    room.disk.failure = Failure(1, frozenset({op}))
    with pytest.raises((UnreadableError, WriteFailedError)):
        metered.read(0, data) if op is Op.READ else metered.write(0, data)
    proofs, log = room.drive.proofs, len(room.disk.log)

    with pytest.raises(WriteFailedError, match=NOT_TRIED):
        metered.write(4096, data)
    assert len(room.disk.log) == log

    metered.open_for_writing()
    metered.write(4096, data)
    assert room.drive.proofs == proofs + 1
