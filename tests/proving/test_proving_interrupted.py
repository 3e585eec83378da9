"""Killed, unplugged, without power at any step: the proving goes on, and claims no more (I6)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random

import pytest

from refreshd.errors import DriveGoneError, PassStoppedError, RecordFailedError, RefusedError
from refreshd.events import ProvingBegun, ProvingCheckpoint, ProvingGivenUp
from refreshd.health_cards import RawPages, SelfTest, SelfTestKind, SelfTestOutcome, Vital
from refreshd.passes.proving.beginning import unfinished_of
from refreshd.passes.proving.work import (
    NOT_SURELY_HERE,
    STOPPED_BY_HAND,
    checkpoint_chunks,
    is_stopped_by_hand,
)
from refreshd.ports import ProvingWish
from refreshd.proving_cards import ProvingStep, StepResult
from refreshd.quantities import KIB, MIB, ChunkGrid, Outcome
from refreshd.simulated.disk import Op, PowerCutError, random_fates
from refreshd.simulated.ledger import RecordFailure
from tests.fakes.proving_room import (
    ProvingRoom,
    TestingExaminer,
    outcome_of,
    said,
)
from tests.fakes.room import QuietAttendant

EXT4 = ("ext4:7e3a1b52-3c1d-4f58-9a58-0c2f6b1e9d01",)
SMALL = 2 * MIB
WORKING_STEPS = (ProvingStep.WRITE, ProvingStep.READ)


def small_room() -> ProvingRoom:
    """Return a room with a small drive that has as many checkpoints as a large one."""
    room = ProvingRoom(SMALL, lag=256 * KIB)
    room.checkpoint_bytes = 256 * KIB
    return room


def cut(room: ProvingRoom, seed: int) -> None:
    """Let the power fail, and come again."""
    room.disk.lose_power(random_fates(Random(seed)))
    room.line.cut_at_step, room.line.steps = None, 0
    room.drive.boot_id += "+"
    room.drive.replug()
    assert isinstance(room.examiner, TestingExaminer)
    room.examiner.under_way = None  # a drive without power tests nothing


def tiny_room() -> ProvingRoom:
    """Return a room with a drive so small that every step of a proving can be cut."""
    room = ProvingRoom(768 * KIB, chunk=16 * KIB, lag=64 * KIB)
    room.checkpoint_bytes = 96 * KIB
    return room


def steps_of_a_whole_run() -> int:
    """Return the steps of I/O and record of a proving that nothing disturbs."""
    room = tiny_room()
    room.prove()
    return room.line.steps


@pytest.mark.cuts
@pytest.mark.parametrize("first", range(1, 9))
def test_a_power_cut_at_any_step_costs_no_certificate(first: int) -> None:
    """I6, P2: a sound drive passes afterwards: what was not flushed is written again."""
    whole = steps_of_a_whole_run()
    for at_step in range(first, whole, 8):
        room = tiny_room()
        room.line.cut_at_step = at_step
        with pytest.raises(PowerCutError):
            room.prove()
        cut(room, at_step)

        certificate = room.prove()

        assert certificate.outcome is Outcome.SUCCESS, f"cut at {at_step}: {certificate.results}"


@pytest.mark.cuts
def test_power_cuts_one_after_the_other_cost_no_certificate() -> None:
    """I6: also when the next cut falls while it is taken up again."""
    whole = steps_of_a_whole_run()
    for seed in range(40):
        random, room = Random(seed), tiny_room()
        for _ in range(4):
            room.line.cut_at_step = random.randrange(1, whole)
            try:
                certificate = room.prove()
                break
            except PowerCutError:
                cut(room, seed)
        else:
            certificate = room.prove()

        assert certificate.outcome is Outcome.SUCCESS, f"seed {seed}: {certificate.results}"


def records(room: ProvingRoom) -> list[ProvingCheckpoint]:
    """Return the checkpoints in the journal."""
    return [one.event for one in room.ledger.entries if isinstance(one.event, ProvingCheckpoint)]


def test_killed_behind_every_checkpoint_it_goes_on_from_there() -> None:
    """Each checkpoint is a place to go on from: nothing before it is written again."""
    undisturbed = small_room()
    undisturbed.prove()
    for nth in range(1, len(undisturbed.ledger.entries)):
        room = small_room()
        room.ledger.failure = RecordFailure(nth + 1, is_forever=True)
        with pytest.raises(RecordFailedError):
            room.prove()
        room.ledger.failure = None
        done = records(room)[-1] if records(room) else None
        before = len(room.disk.log)

        certificate = room.prove()

        assert certificate.outcome is Outcome.SUCCESS, f"record {nth}: {certificate.results}"
        if done is not None and done.step is ProvingStep.WRITE:
            again = [start for op, start, _ in room.disk.log[before:] if op is Op.WRITE]
            assert min(again, default=done.next_byte) >= done.next_byte, f"record {nth}"


def test_a_checkpoint_in_the_writing_comes_after_a_flush() -> None:
    """P2: between the last write that a checkpoint covers and the checkpoint lies a flush."""
    room = small_room()
    seen: list[tuple[int, bool]] = []
    record = room.ledger.record

    def watched(event: object) -> object:
        if isinstance(event, ProvingCheckpoint) and event.step is ProvingStep.WRITE:
            seen.append((event.next_byte, not room.disk.unflushed()))
        return record(event)  # type: ignore[arg-type]

    room.ledger.record = watched  # type: ignore[assignment, method-assign]
    room.prove()

    assert len(seen) > 5
    assert all(is_flushed for _, is_flushed in seen)


@pytest.mark.parametrize("step", WORKING_STEPS)
def test_a_drive_that_is_pulled_out_goes_on_when_it_is_back(step: ProvingStep) -> None:
    """Gone in mid-way and back: the error is no fault, and the certificate tells of the stay."""
    room = small_room()
    room.at_step(step, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    assert room.ledger.unfinished_provings()[0].step is step
    room.drive.replug()

    certificate = room.prove()

    assert certificate.outcome is Outcome.SUCCESS
    assert NOT_SURELY_HERE in said(certificate, step)
    assert certificate.id == "P1"


@pytest.mark.parametrize("step", [ProvingStep.CAPACITY, *WORKING_STEPS])
def test_a_stop_is_heard_and_the_proving_goes_on(step: ProvingStep) -> None:
    """Ctrl-C stops at a checkpoint; the same stay is no reason for a doubt."""
    room = small_room()
    room.at_step(step, 0.3, lambda: setattr(room.attendant, "stop_after", 0))
    with pytest.raises(PassStoppedError):
        room.prove()
    room.attendant = QuietAttendant()

    certificate = room.prove()

    assert certificate.outcome is Outcome.SUCCESS
    assert NOT_SURELY_HERE not in said(certificate, step)
    assert any("taken up again" in one for one in room.attendant.sentences)


def test_a_fault_found_before_a_cut_is_not_forgotten_after_it() -> None:
    """P6: a drive that failed once cannot pass by being unplugged in time."""
    room = small_room()
    room.at_step(ProvingStep.READ, 0, lambda: flip(room))
    room.at_step(ProvingStep.READ, 0.8, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    flip(room)  # flipped back, so that only the record knows of it
    room.attendant = QuietAttendant()
    room.drive.replug()

    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL
    assert "1 bit flipped" in said(certificate, ProvingStep.READ)


def flip(room: ProvingRoom) -> None:
    """Tip one bit over."""
    room.disk.medium[300 * KIB] ^= 1


# ── what somebody may have done to it meanwhile ──


def interrupted_in(step: ProvingStep, room: ProvingRoom) -> None:
    """Let the drive be pulled out in the middle of a step."""
    room.at_step(step, 0.6, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.attendant = QuietAttendant()
    room.drive.replug()


@pytest.mark.parametrize("step", WORKING_STEPS)
@pytest.mark.parametrize("signatures", [EXT4, ()])
def test_a_drive_that_was_filled_elsewhere_is_not_written_on(
    step: ProvingStep, signatures: tuple[str, ...]
) -> None:
    """P1: somebody made a file system on it meanwhile: the proving is given up, not the data."""
    room = small_room()
    interrupted_in(step, room)
    room.disk.medium[: MIB // 2] = Random(9).randbytes(MIB // 2)
    room.drive.signatures = signatures
    before = room.disk.content()

    certificate = room.prove()

    assert room.disk.content() == before
    assert certificate.id == "P2"
    assert not certificate.plan.is_writing
    given_up = [one.event for one in room.ledger.entries if isinstance(one.event, ProvingGivenUp)]
    assert [one.proving_id for one in given_up] == ["P1"]


def test_data_put_behind_what_was_written_is_not_written_over() -> None:
    """P1: also where the pattern at the beginning still stands."""
    room = small_room()
    interrupted_in(ProvingStep.WRITE, room)
    start = SMALL - MIB // 2
    room.disk.medium[start:] = Random(9).randbytes(MIB // 2)
    before = room.disk.content()

    room.prove()

    assert room.disk.content() == before


def test_what_may_have_changed_elsewhere_is_no_defect() -> None:
    """P5: foreign bytes on a drive that was elsewhere are told, and do not fail it."""
    room = small_room()
    interrupted_in(ProvingStep.READ, room)
    place = SMALL - 3 * KIB  # in the part that was not read yet, and in no place looked at
    room.disk.medium[place : place + 512] = Random(3).randbytes(512)
    room.drive.signatures = ()

    certificate = room.prove(ProvingWish())

    told = said(certificate, ProvingStep.READ)
    assert certificate.id == "P2" or "may have been written elsewhere" in told


def test_flipped_bits_are_a_defect_wherever_the_drive_was() -> None:
    """P5: no machine flips single bits: that is the drive."""
    room = small_room()
    interrupted_in(ProvingStep.READ, room)
    room.disk.medium[SMALL - 3 * KIB] ^= 4

    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL


def test_the_permission_to_erase_ends_with_the_content_that_it_was_given_for() -> None:
    """P1: what was said twice of the old file system does not hold for another one."""
    room = small_room()
    room.drive.signatures = EXT4
    wish = ProvingWish(is_erasing=True, erase_drive="SIM0001")
    room.at_step(ProvingStep.CAPACITY, 0, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove(wish)
    room.attendant = QuietAttendant()
    room.drive.replug()
    room.drive.signatures = ("xfs:0d2f8f60-77aa-4a0b-bb43-25c6f5d0c7a1",)
    before = len(room.disk.log)

    certificate = room.prove()

    assert certificate.id == "P2"
    assert [one for one in room.disk.log[before:] if one[0] is Op.WRITE] == []


# ── which proving is it? ──


def test_another_drive_does_not_take_up_a_proving() -> None:
    """A proving goes on only with its own drive, by the names that it gave itself."""
    room = small_room()
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.drive.replug()
    room.disk.medium[:] = bytes(SMALL)
    room.drive.serial = "SIM0002"

    assert room.prove(seed="e" * 32).id == "P2"
    assert [one.id for one in room.ledger.unfinished_provings()] == ["P1"]


@pytest.mark.parametrize(("first", "then"), [("DOCK-1", "DOCK-2"), ("", ""), ("DOCK-1", "")])
@pytest.mark.parametrize("own", [[False], [True]], ids=["bridge's", "its own"])
def test_a_drive_without_names_is_known_by_the_pattern_on_it(
    first: str, then: str, own: list[bool]
) -> None:
    """The seed stands in every sector, so that no dock that hides names can part the two."""
    room = small_room()
    room.drive.has_own_names = bool(own[0] and not first)
    room.drive.serial = first
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.attendant = QuietAttendant()
    room.drive.replug()
    room.drive.serial = then

    certificate = room.prove(seed="e" * 32)

    assert certificate.id == "P1"
    assert certificate.plan.seed != "e" * 32


def test_a_dock_that_gives_every_drive_one_name_does_not_mix_them_up() -> None:
    """Two drives in one dock have the same names, and neither goes on with the other's proving."""
    room = small_room()
    room.drive.has_own_names = False
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.attendant = QuietAttendant()
    room.drive.replug()
    room.disk.medium[:] = bytes(SMALL)  # another one, as new

    assert room.prove(seed="e" * 32).id == "P2"


def test_anew_gives_up_what_was_begun() -> None:
    """--anew begins at the beginning, and the record says what became of the other one."""
    room = small_room()
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.attendant = QuietAttendant()
    room.drive.replug()

    certificate = room.prove(ProvingWish(is_anew=True), seed="e" * 32)

    assert certificate.id == "P2"
    assert room.ledger.unfinished_provings() == ()


def test_a_proving_that_writes_is_not_taken_up_by_who_wants_it_read_only() -> None:
    """--read-only never ends in a drive that is written over."""
    room = small_room()
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.drive.replug()

    with pytest.raises(RefusedError, match="--anew"):
        room.prove(ProvingWish(is_reading_only=True))


# ── the extended self-test ──


@pytest.mark.parametrize("starts", [1, 2], ids=["power all along", "lost power"])
def test_an_extended_test_is_waited_for_again_or_begun_anew(starts: int) -> None:
    """It goes on in the drive while nobody looks; after a loss of power it is started again."""
    room = small_room()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner = examiner
    room.at_step(ProvingStep.EXTENDED_TEST, 0.3, lambda: setattr(room.attendant, "stop_after", 0))
    with pytest.raises(PassStoppedError):
        room.prove()
    room.attendant = QuietAttendant()
    if starts > 1:
        examiner.under_way = None

    certificate = room.prove()

    assert outcome_of(certificate, ProvingStep.EXTENDED_TEST) is Outcome.SUCCESS
    assert examiner.started.count(SelfTestKind.EXTENDED) == starts


def test_an_extended_test_of_long_ago_is_not_taken_for_this_one() -> None:
    """A result that is older than the proving proves nothing of it."""
    room = small_room()
    examiner = TestingExaminer(clock=room.clock)
    room.examiner = examiner
    room.at_step(ProvingStep.EXTENDED_TEST, 0.3, lambda: setattr(room.attendant, "stop_after", 0))
    with pytest.raises(PassStoppedError):
        room.prove()
    room.attendant = QuietAttendant()
    examiner.under_way = None
    examiner.last = SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.PASSED, at_power_on_hours=3)

    room.prove()

    assert examiner.started.count(SelfTestKind.EXTENDED) == 2


def test_the_record_of_a_large_proving_stays_small() -> None:
    """However large the drive is, a step has a few hundred checkpoints."""
    for size in (10**9, 4 * 10**12, 48 * 10**12):
        grid = ChunkGrid(size, 4 * MIB)
        assert grid.count / checkpoint_chunks(grid) <= 257


def test_a_proving_begins_in_the_record_before_anything_is_written() -> None:
    """I5: the first write to the drive comes after the record that a proving began."""
    room = small_room()
    order: list[str] = []
    record, write = room.ledger.record, room.disk.write

    def recorded(event: object) -> object:
        if isinstance(event, ProvingBegun):
            order.append("begun")
        return record(event)  # type: ignore[arg-type]

    def written(start: int, data: memoryview) -> None:
        order.append("written")
        write(start, data)

    room.ledger.record = recorded  # type: ignore[assignment, method-assign]
    room.disk.write = written  # type: ignore[method-assign]
    room.prove()

    assert order[0] == "begun"
    assert "written" in order


@dataclass
class GoneExaminer(TestingExaminer):
    """Asks a drive whose bridge drops off the bus instead of answering."""

    at: str = "read"
    drops: int = 0

    def read(self) -> RawPages:
        """Ask for all pages."""
        self._drop("read")
        return super().read()

    def vital(self) -> Vital:
        """Ask for the temperature."""
        self._drop("vital")
        return super().vital()

    def _drop(self, question: str) -> None:
        if question == self.at:
            self.drops += 1
            raise DriveGoneError("/dev/sdb: the drive is gone")


TWICE = ProvingWish(is_erasing=True, erase_drive="SIM0001")


def with_content_cut_short_early() -> ProvingRoom:
    """Return a room whose drive fell off as it was asked how it is: nothing is written yet."""
    room = small_room()
    room.drive.signatures = EXT4
    room.disk.medium[: MIB // 2] = Random(9).randbytes(MIB // 2)
    examiner = room.examiner
    room.examiner = GoneExaminer()
    with pytest.raises(DriveGoneError):
        room.prove(TWICE)
    room.examiner = examiner
    return room


def test_content_that_was_elsewhere_is_given_up_twice_again() -> None:
    """P1: the same file system may hold other files by now; a proving of long ago takes none."""
    room = with_content_cut_short_early()
    room.drive.replug()
    before, log = room.disk.content(), len(room.disk.log)

    with pytest.raises(RefusedError, match=r'may have been elsewhere.*--erase-drive "SIM0001"'):
        room.prove()

    assert room.disk.content() == before
    assert [one for one in room.disk.log[log:] if one[0] is Op.WRITE] == []
    assert room.prove(TWICE).id == "P1"


def test_content_that_never_left_is_given_up_once_and_for_all() -> None:
    """S1 of the caretaker: in one stay a proving goes on by itself."""
    room = with_content_cut_short_early()

    assert room.prove().id == "P1"


def test_who_names_another_drive_goes_on_with_no_proving() -> None:
    """P1: a proving under way is no leave to overlook that somebody means another drive."""
    room = with_content_cut_short_early()

    with pytest.raises(RefusedError, match="which is not this drive"):
        room.prove(ProvingWish(is_erasing=True, erase_drive="SIM0002"))


@pytest.mark.parametrize("at", ["read", "vital"])
def test_a_drive_that_goes_away_when_it_is_asked_is_proved_without_being_asked(at: str) -> None:
    """It would never come to its end: each run would be cut short by our own question."""
    room = small_room()
    examiner = GoneExaminer(clock=room.clock, at=at)
    room.examiner = examiner
    for _ in range(2):
        with pytest.raises(DriveGoneError):
            room.prove()
        room.drive.replug()

    certificate = room.prove()

    assert examiner.drops == 2
    assert certificate.outcome is Outcome.WARNING
    told = said(certificate, ProvingStep.HEALTH_AFTER)
    assert "not asked how it is, since it went away each time" in told
    assert "went away at that" in said(certificate, ProvingStep.EXTENDED_TEST)


def test_who_goes_on_by_hand_takes_a_stop_by_hand_back() -> None:
    """S1 of the caretaker: from then on a restart of the service goes on with it again."""
    room = small_room()
    interrupted_in(ProvingStep.WRITE, room)
    (proving,) = room.ledger.unfinished_provings()
    said_so = StepResult(proving.step, Outcome.SUCCESS, (STOPPED_BY_HAND,))
    room.ledger.record(
        ProvingCheckpoint(
            proving_id=proving.id,
            presence=proving.presence,
            step=proving.step,
            next_byte=proving.next_byte,
            results=(said_so,),
        )
    )
    assert is_stopped_by_hand(room.ledger.unfinished_provings()[0])

    room.at_step(ProvingStep.WRITE, 0.9, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()

    (proving,) = room.ledger.unfinished_provings()
    assert not is_stopped_by_hand(proving)
    assert said_so in proving.results


def test_a_file_system_on_what_was_written_ends_the_proving_wherever_its_marks_stand() -> None:
    """P5: what somebody made on it since would else be told as faults of the drive."""
    room = small_room()
    interrupted_in(ProvingStep.READ, room)
    room.drive.signatures = EXT4

    certificate = room.prove()

    assert certificate.id == "P2"
    assert not certificate.plan.is_writing


def test_the_pattern_on_a_drive_of_another_size_is_a_copy() -> None:
    """Without names the seed alone tells: a copy of it on a larger drive is another drive."""
    room = small_room()
    room.drive.has_own_names = False
    room.at_step(ProvingStep.WRITE, 0.5, room.gone)
    with pytest.raises(DriveGoneError):
        room.prove()
    room.drive.replug()
    found = room.found(room.bench())
    provings = room.ledger.unfinished_provings()
    assert unfinished_of(found, provings) == provings[0]

    larger = replace(found.evidence, size_bytes=2 * SMALL)
    assert unfinished_of(replace(found, evidence=larger), provings) is None
