"""A drive that turned failing in mid-life is never written to again; what only reads goes on."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import pytest

from refreshd.adapters.thread_lanes import ThreadLanes
from refreshd.errors import (
    DriveFailingError,
    DriveGoneError,
    DriveHeldError,
    RecordFailedError,
)
from refreshd.events import DriveHeld, HealthRead, HoldLifted, PassBegun
from refreshd.health_cards import HeatLimits, Measure, Moment, Verdict
from refreshd.passes.bench import PassReport
from refreshd.passes.heat import begun
from refreshd.passes.metered import MeteredMedium, Pacer
from refreshd.passes.refresh import run_refresh
from refreshd.passes.watch import Watch
from refreshd.quantities import Outcome, PassKind, Span
from refreshd.simulated.disk import Failure, Op, random_fates
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.simulated.ledger import RecordFailure
from tests.fakes.cuts import power_on, run_until_cut, steps_of
from tests.fakes.room import K07, Plan, Room
from tests.fakes.trials import base_room, harsh_fates, is_held
from tests.fakes.warm import WarmRoom, warm_room

PLAN = Plan(chunks=16, lag=2048)


@dataclass
class Witness:
    """Sees what was written to a drive after it had said that it is failing."""

    warm: WarmRoom
    has_said: bool = False
    late: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.warm.examiner.heard_failing = self._heard
        written_before = self.warm.drive.write
        allowed_before = self.warm.drive.allow_writing

        def write(start: int, data: memoryview) -> None:
            if self.has_said:
                self.late.append(start)
            written_before(start, data)

        def allow_writing() -> None:
            if self.has_said:
                self.late.append(-1)
            allowed_before()

        self.warm.drive.write = write  # type: ignore[method-assign]
        self.warm.drive.allow_writing = allow_writing  # type: ignore[method-assign]

    def _heard(self) -> None:
        self.has_said = True


def failing_at(question: int | None, plan: Plan = PLAN) -> tuple[WarmRoom, Witness]:
    """Return a room whose drive says that it fails with so-many-th question of the next pass.

    Each transfer takes so long that the drive is asked before every single one.
    """
    warm = warm_room(plan)
    warm.examiner.celsius = lambda: 30.0
    warm.examiner.fails_at_question = question
    return warm, Witness(warm)


def questions_of(warm: WarmRoom) -> int:
    """Return how often a drive is asked in an undisturbed refresh."""
    report = warm.room.refresh()
    assert report.stopped_by is None
    return warm.examiner.questions


def of_kind(warm: WarmRoom, kind: type) -> list[object]:
    """Return the events of one kind in the record."""
    return [one.event for one in warm.room.ledger.entries if isinstance(one.event, kind)]


def holds(warm: WarmRoom) -> list[object]:
    """Return how often the drive was put on hold."""
    return of_kind(warm, DriveHeld)


def refreshed(room: Room) -> PassReport | DriveHeldError:
    """Refresh, or return the refusal."""
    try:
        return room.refresh()
    except DriveHeldError as err:
        return err


def test_at_every_single_question_nothing_is_written_after_it_said_so() -> None:
    """Whenever in a refresh it begins to fail: no write, no opening for writing, and a hold."""
    questions = questions_of(failing_at(None)[0])
    assert questions > 50

    for question in range(1, questions + 1):
        warm, witness = failing_at(question)
        report = refreshed(warm.room)

        assert witness.has_said
        assert witness.late == [], f"written after question {question}"
        assert len(holds(warm)) == 1, question
        card = warm.room.ledger.drive(K07)
        assert card.hold is not None
        assert is_held(warm.room, Span(0, PLAN.size))
        moments = [one.moment for one in of_kind(warm, HealthRead) if isinstance(one, HealthRead)]
        if question == 1:
            assert isinstance(report, DriveHeldError)
            assert of_kind(warm, PassBegun)[1:] == []  # that of the accession alone
            assert moments == [Moment.BEFORE]
        elif question == questions:
            assert isinstance(report, PassReport)
            assert report.stopped_by is None
            assert moments == [Moment.BEFORE, Moment.AFTER]
        else:
            assert isinstance(report, PassReport)
            assert isinstance(report.stopped_by, DriveFailingError)
            assert moments == [Moment.BEFORE, Moment.DURING]
            kinds = [one.event.kind for one in warm.room.ledger.entries]
            assert kinds.count("pass-interrupted") == 1
            assert kinds.index("drive-held") < kinds.index("pass-interrupted")


def cut_at(step: int) -> tuple[WarmRoom, Witness]:
    """Return a room whose refresh was cut at a step, with half of what was unflushed damaged."""
    warm, witness = failing_at(None)
    assert run_until_cut(warm.room, step, Room.refresh) is None
    random = Random(step)
    power_on(warm.room, harsh_fates(random), random_fates(random), new_boot=False)
    return warm, witness


def test_nothing_is_written_in_the_recovery_of_an_interrupted_pass() -> None:
    """What a cut left in doubt stays in staging when the drive fails as it is looked at."""
    mended = said = 0
    for step in range(5, steps_of(base_room(PLAN), Room.refresh), 6):
        sound, _ = cut_at(step)
        mended += len(sound.room.refresh().mended)
        for question in range(1, 40, 4):
            warm, witness = cut_at(step)
            warm.examiner.fails_at_question = warm.examiner.questions + question
            refreshed(warm.room)

            said += witness.has_said
            assert witness.late == [], f"cut at step {step}, failing at question {question}"
            assert witness.has_said is (warm.room.ledger.drive(K07).hold is not None)
    assert mended > 5, "the recoveries of sound drives do write"
    assert said > 100


@pytest.mark.parametrize("op", [Op.WRITE, Op.FLUSH])
def test_nothing_is_mended_once_it_said_so(op: Op) -> None:
    """A failed write or flush is not made good on a drive that says meanwhile that it fails."""
    undisturbed = questions_of(failing_at(None)[0])
    for question in range(2, undisturbed, 3):
        for nth in (1, 2, 5):
            warm, witness = failing_at(question)
            warm.room.disk.failure = Failure(nth, frozenset({op}))
            refreshed(warm.room)
            assert witness.late == []


def test_nothing_is_written_by_any_lane_after_it_said_so() -> None:
    """With threads, too: a write waits for the answer to a question that is out (W2)."""
    for question in range(3, 60, 7):
        warm, witness = failing_at(question, Plan(chunks=24, lag=2048, segment_chunks=8))
        lanes = ThreadLanes(20)
        warm.room.lanes = lanes
        report = refreshed(warm.room)
        lanes.close()
        assert isinstance(report, PassReport)
        assert witness.late == []
        assert isinstance(report.stopped_by, DriveFailingError), question


def test_the_door_is_shut_for_every_way_to_write() -> None:
    """A write, and the opening that goes before a flush of leftovers, are refused one by one."""
    room = Room()
    # What only reads goes on, so that nothing but the door itself can refuse here.
    watch = Watch(room.bench(), begun(HeatLimits(), None, is_silent=False), is_rewriting=False)
    metered = MeteredMedium(room.drive, Pacer(room.clock, room.lanes, None), watch, 0)
    metered.open_for_writing()
    watch.is_failing = True
    data = memoryview(bytearray(512))

    with pytest.raises(DriveFailingError, match="nothing more is written"):
        metered.write(0, data)
    with pytest.raises(DriveFailingError, match="nothing more is written"):
        metered.open_for_writing()
    assert not [op for op, _, _ in room.disk.log if op is Op.WRITE]


def test_it_stays_on_hold_until_somebody_lifts_it_and_is_held_again_while_it_says_so() -> None:
    """The hold needs no further question; lifting it does not make a failing drive writable."""
    warm, witness = failing_at(20)
    refreshed(warm.room)
    questions = warm.examiner.questions

    with pytest.raises(DriveHeldError, match="is on hold"):
        warm.room.refresh()
    assert warm.examiner.questions == questions

    warm.room.ledger.record(HoldLifted(drive=K07, reason="another cable"))
    with pytest.raises(DriveHeldError, match="is not rewritten"):
        warm.room.refresh()
    assert warm.room.ledger.drive(K07).hold is not None
    assert witness.late == []

    warm.examiner.fails_at_question, warm.examiner.is_failing = None, False
    warm.room.ledger.record(HoldLifted(drive=K07, reason="the board was exchanged"))
    witness.has_said = False
    report = refreshed(warm.room)
    assert isinstance(report, (PassReport, DriveHeldError))  # as the series is judged


def test_a_hold_for_waiting_sectors_that_somebody_lifted_stays_lifted_until_more_wait() -> None:
    """A sector that waits is mended by writing: what was looked at does not forbid it for ever."""
    room = warm_room(PLAN, 1_000_000)
    room.examiner.measures[Measure.WAITING_SECTORS] = 0
    room.room.fixity()
    room.examiner.measures[Measure.WAITING_SECTORS] = 2
    with pytest.raises(DriveHeldError, match="is not rewritten"):
        room.room.refresh()
    room.room.clock.sleep(86400)
    room.room.ledger.record(HoldLifted(drive=K07, reason="its sibling was checked"))
    room.room.clock.sleep(86400)

    assert room.room.refresh().outcome is not Outcome.FAIL

    room.examiner.measures[Measure.WAITING_SECTORS] = 3
    with pytest.raises(DriveHeldError, match="is not rewritten"):
        room.room.refresh()


def test_the_refusal_says_why_and_what_to_do() -> None:
    """Whoever wanted to refresh it reads what is left to do with it."""
    warm, _ = failing_at(1)

    with pytest.raises(DriveHeldError) as refusal:
        warm.room.refresh()

    said = str(refusal.value)
    assert said.startswith("K07 is not rewritten: ")
    assert "failing" in said
    assert "copy its content to another drive, and replace it" in said
    assert "Nothing was written" in said
    assert warm.drive.read_at_s == []
    assert warm.room.ledger.unfinished_pass(K07, PassKind.REFRESH) is None


@pytest.mark.parametrize("question", [1, 2, 9])
def test_a_fixity_pass_goes_on_over_a_failing_drive_and_says_so(question: int) -> None:
    """Reading is what such a drive is still good for: to its end, said once, then on hold."""
    warm, witness = failing_at(question)

    report = warm.room.fixity()

    assert report.stopped_by is None
    assert report.bytes_read >= PLAN.size
    assert witness.late == []
    assert len(holds(warm)) == 1
    said = [one for one in warm.room.attendant.sentences if "K07 says that it is failing" in one]
    assert len(said) == (0 if question == 1 else 1)  # the verdict before the pass says it
    with pytest.raises(DriveHeldError):
        warm.room.refresh()


def test_an_accession_goes_on_over_a_failing_drive() -> None:
    """What is recorded of it is what its copy will be compared with."""
    room = Room(PLAN)
    room.examiner = SimulatedExaminer(is_failing=True)

    report = room.accession()

    assert report.stopped_by is None
    assert room.ledger.recorded_chunks(K07) == room.grid.count
    assert room.ledger.drive(K07).hold is not None


def test_the_hold_is_written_down_ahead_of_the_reading() -> None:
    """A cut between the two leaves a drive on hold, not one that is free to be written to."""
    warm, _ = failing_at(1)
    warm.room.ledger.failure = RecordFailure(2, is_forever=True)

    with pytest.raises(RecordFailedError):
        warm.room.refresh()

    assert warm.room.ledger.drive(K07).hold is not None
    assert of_kind(warm, HealthRead) == []


@pytest.mark.parametrize("kind", ["refresh", "fixity"])
def test_what_the_pass_changed_is_in_its_notes(kind: str) -> None:
    """Counters that rose between the two readings are told with the report."""
    warm, _ = failing_at(None)

    def grow() -> None:
        warm.examiner.measures[Measure.MOVED_SECTORS] = 3

    warm.drive.before = grow
    report = warm.room.refresh() if kind == "refresh" else warm.room.fixity()

    before, after = (one for one in of_kind(warm, HealthRead) if isinstance(one, HealthRead))
    assert (before.moment, after.moment) == (Moment.BEFORE, Moment.AFTER)
    assert before.pass_id == after.pass_id == report.pass_id
    assert any("3 sectors" in note and "during the pass" in note for note in report.notes)
    assert report.stopped_by is None
    assert after.pages  # kept as they came
    assert after.outcome is not Outcome.SUCCESS


def test_a_drive_that_fails_at_the_last_question_keeps_its_result_and_is_held() -> None:
    """The pass is over and stands; the hold is for the next one."""
    warm, _ = failing_at(None)
    last = questions_of(warm)
    warm, _ = failing_at(last)

    report = refreshed(warm.room)

    assert isinstance(report, PassReport)
    assert (report.stopped_by, report.outcome) == (None, Outcome.SUCCESS)
    assert any("K07 is on hold" in note for note in report.notes)
    (_, after) = of_kind(warm, HealthRead)
    assert isinstance(after, HealthRead)
    assert after.verdict is Verdict.DO_NOT_WRITE


def test_a_result_is_not_lost_with_a_drive_that_is_gone_after_the_pass() -> None:
    """Whoever pulls a drive in the second after its pass still has the report."""
    warm, _ = failing_at(None)

    class Leaving(SimulatedExaminer):
        reads = 0

        def read(self):  # type: ignore[no-untyped-def]  # noqa: ANN202
            self.reads += 1
            if self.reads > 1:
                raise DriveGoneError("simulated drive is gone")
            return super().read()

    warm.room.examiner = Leaving()
    report = warm.room.refresh()

    assert report.stopped_by is None
    assert report.bytes_written == PLAN.size
    assert any("could not be written down" in note and "gone" in note for note in report.notes)
    assert warm.room.ledger.unfinished_pass(K07, PassKind.REFRESH) is None


@pytest.mark.parametrize("kind", ["refresh", "fixity"])
def test_a_drive_that_says_so_and_then_nothing_more_is_on_hold(kind: str) -> None:
    """The hold waits for no further answer, and stands before the pass goes on."""
    warm, witness = failing_at(None)

    class LastWord(SimulatedExaminer):
        def read(self):  # type: ignore[no-untyped-def]  # noqa: ANN202
            if self.is_failing:
                raise DriveGoneError("simulated drive is gone")
            return super().read()

    warm.room.examiner = LastWord(fails_at_question=9)
    report = warm.room.refresh() if kind == "refresh" else warm.room.fixity()

    assert warm.room.ledger.drive(K07).hold == "it says of itself that it is failing"
    assert (report.stopped_by is None) is (kind == "fixity")
    assert witness.late == []


def test_a_drive_that_is_gone_in_mid_pass_interrupts_it() -> None:
    """A question that nobody answers ends the run as a read that fails does."""
    warm, _ = failing_at(None)
    warm.drive.before = lambda: setattr(warm.examiner, "is_gone", warm.drive.busy_s > 200)

    report = warm.room.refresh()

    assert isinstance(report.stopped_by, DriveGoneError)
    assert warm.room.ledger.unfinished_pass(K07, PassKind.REFRESH) is not None


def test_a_silent_drive_is_said_to_be_silent_once_and_refreshed() -> None:
    """A bridge that passes nothing through is no reason to let the content fade."""
    warm, _ = failing_at(None)
    warm.examiner.silence = "the bridge passes no commands through"

    report = warm.room.refresh()

    assert report.stopped_by is None
    assert report.outcome is Outcome.SUCCESS
    said = [one for one in warm.room.attendant.sentences if "nothing of its health" in one]
    assert len(said) == 1
    assert said[0].endswith("the same as being well: the bridge passes no commands through.")
    assert warm.examiner.vitals == 0
    (reading,) = of_kind(warm, HealthRead)
    assert isinstance(reading, HealthRead)
    assert reading.verdict is Verdict.NOT_KNOWN


def test_a_refresh_is_not_kept_from_a_drive_that_is_only_to_be_watched() -> None:
    """A few moved sectors that stood still are told, and forbid nothing."""
    warm, _ = failing_at(None)
    warm.examiner.measures[Measure.PATH_ERRORS] = 4

    report = run_refresh(warm.room.bench(), K07, warm.room.options())

    assert report.stopped_by is None
    assert warm.room.ledger.drive(K07).hold is None
