"""What a bad drive does in the long writing and reading is found, located and explained."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from refreshd.errors import DriveHungError, OverheatedError
from refreshd.health_cards import HeatLimits, Measure, SelfTestKind, SelfTestOutcome, Verdict
from refreshd.passes.proving.rates import RateMeter, judged
from refreshd.passes.proving.work import FAULTS_MOST
from refreshd.ports import ProvingWish
from refreshd.proving_cards import Certificate, ProvingStep, RatePlace
from refreshd.quantities import KIB, MIB, Outcome, Span
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import Failure, Op
from tests.fakes.proving_room import NewDrive, ProvingRoom, TestingExaminer, outcome_of, said

BLOCK = 4 * KIB
PLACE = 3 * MIB
SECTOR = PLACE // BLOCK


def _at(step: ProvingStep, harm: Callable[[ProvingRoom], None], share: float = 0) -> Certificate:
    room = ProvingRoom(cache=0)
    room.at_step(step, share, lambda: harm(room))
    return room.prove()


def _flip(room: ProvingRoom) -> None:
    room.disk.medium[PLACE + 100] ^= 0x41


def _zero(room: ProvingRoom) -> None:
    room.disk.medium[PLACE : PLACE + BLOCK] = bytes(BLOCK)


def _bad(room: ProvingRoom) -> None:
    room.disk.bad.add(PLACE // 512)


FAULTS: dict[str, tuple[ProvingStep, Callable[[ProvingRoom], None], str]] = {
    "dropped write": (
        ProvingStep.WRITE,
        lambda room: room.disk.dropped.add(SECTOR),
        f"From byte {PLACE} on, 8 sectors of 512 bytes: a marker of the capacity check still",
    ),
    "misdirected write": (
        ProvingStep.WRITE,
        lambda room: room.disk.misdirected.update({SECTOR: 5}),
        f"From byte {5 * BLOCK} on, 8 sectors of 512 bytes: what was written to byte {PLACE}",
    ),
    "stuck sector": (
        ProvingStep.WRITE,
        lambda room: room.disk.stored_wrongly.update({SECTOR: 99}),
        f"From byte {PLACE} on, 1 sector of 512 bytes: 1 bit flipped",
    ),
    "flipped bits": (
        ProvingStep.READ,
        _flip,
        f"From byte {PLACE} on, 1 sector of 512 bytes: 2 bits flipped",
    ),
    "zeros": (
        ProvingStep.READ,
        _zero,
        f"From byte {PLACE} on, 8 sectors of 512 bytes: one and the same byte stands here",
    ),
    "unreadable sector": (
        ProvingStep.READ,
        _bad,
        f"From byte {PLACE} on, 512 bytes cannot be read",
    ),
}


@pytest.mark.parametrize("kind", FAULTS)
def test_a_single_bad_place_fails_the_drive_and_is_located(kind: str) -> None:
    """Each kind of fault is found by the full reading, to the sector, and put into words."""
    step, harm, tells = FAULTS[kind]

    certificate = _at(step, harm)

    assert certificate.outcome is Outcome.FAIL
    assert tells in said(certificate, ProvingStep.READ)


def test_a_failed_drive_is_spared_what_cannot_save_it() -> None:
    """After a failed reading no hours of self-test follow, only the question how it is."""
    certificate = _at(ProvingStep.READ, _bad)

    steps = [one.step for one in certificate.results]
    assert ProvingStep.EXTENDED_TEST not in steps
    assert steps[-1] is ProvingStep.HEALTH_AFTER


def test_a_block_that_takes_no_writing_is_located() -> None:
    """A write that fails for good is narrowed down to the blocks that do not take it."""
    room = ProvingRoom()
    whole_write = room.disk.write

    def write(start: int, data: memoryview) -> None:
        if start <= PLACE < start + len(data):
            room.disk.failure = Failure(1, frozenset({Op.WRITE}))
            room.disk._counted = 0
        whole_write(start, data)

    room.at_step(ProvingStep.WRITE, 0, lambda: setattr(room.disk, "write", write))
    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL
    assert f"From byte {PLACE} on, {BLOCK} bytes take no writing" in said(
        certificate, ProvingStep.WRITE
    )


def test_a_write_that_went_at_a_second_try_is_told_and_fails_nobody() -> None:
    """A hiccup of the path is worth a warning."""
    certificate = _at(ProvingStep.WRITE, lambda room: _fail_once(room, Op.WRITE))

    assert certificate.outcome is Outcome.WARNING
    assert "went at a second try" in said(certificate, ProvingStep.WRITE)


def _fail_once(room: ProvingRoom, op: Op) -> None:
    room.disk._counted = 0
    room.disk.failure = Failure(3, frozenset({op}))


def test_a_failed_flush_fails_the_drive() -> None:
    """After a failed flush nothing is known of what was written, and it is never asked again."""
    certificate = _at(ProvingStep.WRITE, _fail_flush)

    assert certificate.outcome is Outcome.FAIL
    assert "on flush" in said(certificate, ProvingStep.WRITE)


def _fail_flush(room: ProvingRoom) -> None:
    room.disk._counted = 0
    room.disk.failure = Failure(1, frozenset({Op.FLUSH}))


def test_a_reading_that_flips_once_puts_the_path_in_doubt() -> None:
    """P4: what matches at the second reading is no fault of the medium, but proves nothing."""
    certificate = _at(ProvingStep.READ, lambda room: room.disk.flipped_once.add(SECTOR))

    assert certificate.outcome is Outcome.FAIL
    assert "differed once and matched once" in said(certificate, ProvingStep.READ)
    assert "flipped in what was written" not in said(certificate, ProvingStep.READ)


def test_a_drive_that_is_bad_throughout_is_not_read_to_its_end() -> None:
    """The step ends when so much is wrong that the rest tells nothing new."""

    def ruin(room: ProvingRoom) -> None:
        room.disk.medium[MIB:] = bytes(len(room.disk.medium) - MIB)

    certificate = _at(ProvingStep.READ, ruin)

    assert "ended before the end" in said(certificate, ProvingStep.READ)
    faults = [s for one in certificate.results for s in one.sentences if "stands here" in s]
    assert FAULTS_MOST <= len(faults) < 2 * FAULTS_MOST


def test_a_drive_that_says_before_that_it_fails_is_not_written_to() -> None:
    """A drive that says "failing" is returned, not tried."""
    room = ProvingRoom()
    room.examiner = TestingExaminer(clock=room.clock, is_failing=True)

    certificate = room.prove()

    assert (certificate.outcome, certificate.verdict) == (Outcome.FAIL, Verdict.DO_NOT_WRITE)
    assert room.disk.log == []


def test_a_drive_that_begins_to_fail_in_the_middle_is_written_to_no_more() -> None:
    """Asked while it works, it says so: the proving ends there with a certificate."""
    room = ProvingRoom()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner = examiner
    writes: list[int] = []

    def fail() -> None:
        examiner.is_failing = True
        room.clock.sleep(60)  # so that it is time to ask again
        writes.append(len(room.disk.log))

    room.at_step(ProvingStep.WRITE, 0.5, fail)
    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL
    assert "said that it is failing" in said(certificate, ProvingStep.WRITE)
    late = [one for one in room.disk.log[writes[0] :] if one[0] is Op.WRITE]
    assert late == []


def test_counters_that_grew_while_it_was_proved_are_told() -> None:
    """What matters is the change: sectors that wait to be moved after a proving are no luck."""
    room = ProvingRoom()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner = examiner
    grown = {Measure.WAITING_SECTORS: 3}
    room.at_step(ProvingStep.READ, 0, lambda: examiner.measures.update(grown))

    certificate = room.prove()

    assert certificate.outcome is not Outcome.SUCCESS
    assert "3" in said(certificate, ProvingStep.HEALTH_AFTER)
    assert certificate.verdict.severity >= Verdict.WATCH.severity


def test_a_silent_drive_is_not_said_to_be_well() -> None:
    """A bridge that passes no question on leaves health and self-tests unknown, and says so."""
    room = ProvingRoom()
    room.examiner = TestingExaminer(clock=room.clock, silence="the dock passes nothing on")

    certificate = room.prove()

    assert certificate.verdict is Verdict.NOT_KNOWN
    assert certificate.outcome is Outcome.WARNING
    assert "not the same as being well" in said(certificate, ProvingStep.HEALTH_BEFORE)


# ── heat ──


def test_a_hot_drive_rests_and_goes_on() -> None:
    """The proving rests at the policy's limit and goes on when the drive has cooled."""
    room = ProvingRoom()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner = examiner
    began: list[float] = []

    def heat() -> None:
        began.append(room.clock.elapsed_s())
        room.clock.sleep(60)
        examiner.celsius = lambda: 51.0 if room.clock.elapsed_s() < began[0] + 600 else 44.0

    room.at_step(ProvingStep.WRITE, 0.5, heat)
    examiner.celsius = lambda: 43.0
    certificate = room.prove()

    assert certificate.outcome is Outcome.SUCCESS
    assert [one.highest_celsius for one in certificate.heat_pauses] == [51]


def test_a_drive_that_gets_hotter_at_rest_is_given_up_for_now() -> None:
    """It is no fault that fails the drive: the same command goes on when it has cooled."""
    room = ProvingRoom()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner, room.heat = examiner, HeatLimits()

    def heat() -> None:
        room.clock.sleep(60)
        examiner.celsius = lambda: 57.0

    room.at_step(ProvingStep.WRITE, 0.5, heat)
    examiner.celsius = lambda: 44.0
    with pytest.raises(OverheatedError):
        room.prove()
    examiner.celsius = lambda: 40.0

    assert room.prove().outcome is Outcome.SUCCESS


# ── self-tests ──


@pytest.mark.parametrize(
    ("kind", "step"),
    [
        (SelfTestKind.SHORT, ProvingStep.SHORT_TEST),
        (SelfTestKind.EXTENDED, ProvingStep.EXTENDED_TEST),
    ],
)
def test_a_drive_that_fails_its_own_test_fails(kind: SelfTestKind, step: ProvingStep) -> None:
    """What the drive finds itself counts, with the sector that it names."""
    room = ProvingRoom()
    room.examiner = TestingExaminer(clock=room.clock, ends={kind: SelfTestOutcome.FAILED})

    certificate = room.prove()

    assert outcome_of(certificate, step) is Outcome.FAIL
    assert certificate.outcome is Outcome.FAIL
    assert "bad sector is number 4711" in said(certificate, step)


def test_a_failed_short_test_spares_the_drive_the_writing() -> None:
    """The two minutes come before the two days."""
    room = ProvingRoom()
    ends = {SelfTestKind.SHORT: SelfTestOutcome.FAILED}
    room.examiner = TestingExaminer(clock=room.clock, ends=ends)

    assert ProvingStep.WRITE not in [one.step for one in room.prove().results]


def test_a_test_that_is_stopped_again_and_again_is_told() -> None:
    """A reset stops it: that says nothing of the drive, and it is not started for ever."""
    room = ProvingRoom()
    ends = {SelfTestKind.EXTENDED: SelfTestOutcome.STOPPED}
    examiner = TestingExaminer(clock=room.clock, ends=ends)
    room.examiner = examiner

    certificate = room.prove()

    assert outcome_of(certificate, ProvingStep.EXTENDED_TEST) is Outcome.WARNING
    assert examiner.started.count(SelfTestKind.EXTENDED) == 3


def test_nothing_is_asked_of_a_drive_that_tests_itself_but_how_far_it_is() -> None:
    """While the drive tests itself there is no reading and no writing."""
    room = ProvingRoom()
    steps: list[int] = []
    room.at_step(ProvingStep.EXTENDED_TEST, 0.1, lambda: steps.append(room.disk.line.steps))
    room.prove()

    assert steps
    assert room.disk.line.steps - steps[0] <= 6  # records alone: each is two steps


def test_the_extended_test_may_be_left_out_and_is_then_not_claimed() -> None:
    """It takes as long again as the reading; who leaves it out has no result of it."""
    room = ProvingRoom()

    certificate = room.prove(ProvingWish(leaves_out_extended_test=True))

    assert certificate.plan.self_tests == (SelfTestKind.SHORT,)
    assert ProvingStep.EXTENDED_TEST not in [one.step for one in certificate.results]


# ── rates ──


def test_a_slow_stretch_stands_out_against_its_neighbours() -> None:
    """The fall from rim to hub is no fault; a stretch far below its neighbours is."""
    length = 10**9
    rates = [RatePlace(n * length, length, 250_000_000 - n * 500_000) for n in range(256)]
    rates[100] = RatePlace(100 * length, length, 60_000_000)

    slow = [one.start // length for one in judged(rates) if one.is_slow]

    assert slow == [100]


def test_a_single_place_that_takes_seconds_is_kept() -> None:
    """A weak sector hides in the mean of a stretch, not in the time of its own request."""
    meter = RateMeter(SimulatedClock(), 100 * MIB, MIB, 0)
    for chunk in range(50):
        meter.answered(Span(chunk * MIB, MIB), 7.0 if chunk == 30 else 0.01)

    (one,) = meter.take()

    assert (one.start, one.is_slow) == (30 * MIB, True)


def test_a_rest_for_heat_is_no_slow_place() -> None:
    """The minutes in which the proving waits are not held against the drive."""
    clock = SimulatedClock()
    meter = RateMeter(clock, 128 * MIB, MIB, 0)
    for done in range(MIB, 129 * MIB, MIB):
        clock.sleep(0.01)
        if done == 40 * MIB:
            clock.sleep(900)
            meter.rested()
        meter.moved(done)

    rates = meter.take()

    assert min(one.rate_bytes_per_s for one in rates) > 90 * MIB
    assert len(rates) == 7  # of eight stretches, the one with the rest left out


@pytest.mark.parametrize("start", [0, 30 * MIB])
def test_no_rate_is_told_of_a_stretch_shorter_than_what_is_read_ahead(start: int) -> None:
    """What was read ahead is through in no time, and would pass for the rate at the end."""
    clock = SimulatedClock()
    meter = RateMeter(clock, 50 * MIB, MIB, start)
    for done in range(start + MIB, 51 * MIB, MIB):
        if done <= 48 * MIB:  # The last two were read ahead.
            clock.sleep(0.1)
        meter.moved(done)

    rates = [(one.start, one.start + one.length) for one in meter.take()]

    whole = [(0, 16 * MIB), (16 * MIB, 32 * MIB), (32 * MIB, 50 * MIB)]
    assert rates == (whole if start == 0 else whole[2:])


@dataclass
class StickyDrive(NewDrive):
    """Its cache holds one sector wrongly, and gives that until enough else was read."""

    wrong: int = 8 * MIB - BLOCK  # the end, behind which nothing else is read by itself
    keeps_bytes: int = MIB
    is_wrong: bool = False
    since: int | None = None  # bytes read since it gave that; None: it did not yet

    def read(self, start: int, into: memoryview) -> None:
        """Read; what lies in the cache comes from there."""
        super().read(start, into)
        if not self.is_wrong:
            return
        if start <= self.wrong < start + len(into):
            if self.since is None or self.since < self.keeps_bytes:
                into[self.wrong - start] ^= 1
                self.since = 0
        elif self.since is not None:
            self.since += len(into)


def test_a_second_reading_is_made_past_every_cache() -> None:
    """P4: a cache that says the same wrong thing twice is no fault of the medium."""
    room = ProvingRoom(drive=StickyDrive, cache=64 * KIB)
    drive = room.drive
    assert isinstance(drive, StickyDrive)
    drive.keeps_bytes = room.lag
    room.at_step(ProvingStep.READ, 0, lambda: setattr(drive, "is_wrong", True))

    certificate = room.prove()

    told = said(certificate, ProvingStep.READ)
    assert "differed once and matched once" in told
    assert "flipped in what was written" not in told


def test_nothing_more_is_asked_of_a_drive_that_hangs() -> None:
    """Closing would flush, and this process would hang with the drive before it could tell."""
    room = ProvingRoom()
    closed: list[str] = []

    def hang() -> None:
        room.drive.forbid_writing = lambda: closed.append("closed")  # type: ignore[method-assign]
        raise DriveHungError("a request has not been answered")

    room.at_step(ProvingStep.WRITE, 0.5, hang)
    with pytest.raises(DriveHungError):
        room.prove()

    assert closed == []
    (proving,) = room.ledger.unfinished_provings()
    assert proving.step is ProvingStep.WRITE
