"""The N-th operation fails, for every N, once and for ever, in every pass and in recovery.

After each: nothing was written in doubt of the drive's identity, nothing is lost, nothing is
dated that is not held, the report names the cause; and without the fault the next run ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from random import Random

import pytest

from refreshd.errors import (
    DriveError,
    DriveGoneError,
    FlushFailedError,
    MistakenDriveError,
    NotHeldError,
    RecordFailedError,
    StagingFailedError,
    WriteFailedError,
)
from refreshd.events import HoldLifted
from refreshd.passes.bench import PassReport
from refreshd.quantities import Span
from refreshd.simulated.disk import Failure, Kind, Op, SimulatedDisk, random_fates
from refreshd.simulated.ledger import RecordFailure
from tests.fakes.broken_ports import WatchedDrive, watched
from tests.fakes.cuts import fork, power_on, run_until_cut, unrecoverable
from tests.fakes.room import K07, Plan, Room
from tests.fakes.trials import base_room, ended, false_dates, harsh_fates, is_held, wrong_bytes

PLAN = Plan(chunks=12, lag=2048)
NTH_MAX = 400
RUNS_MAX = 3


@dataclass(frozen=True)
class Fault:
    """What fails, on which disk, and what the report must say when that ends the pass."""

    name: str
    ops: frozenset[Op]
    kind: Kind
    errors: tuple[type[DriveError], ...]
    word: str
    on_staging: bool = False


def _drive(name: str, op: Op, *errors: type[DriveError]) -> Fault:
    return Fault(name, frozenset({op}), Kind.IO_ERROR, errors, "input/output error")


def _staging(name: str, op: Op, kind: Kind) -> Fault:
    return Fault(name, frozenset({op}), kind, (StagingFailedError,), kind, on_staging=True)


GONE = Fault("drive gone", frozenset(Op), Kind.GONE, (DriveGoneError,), "gone")
FAULTS = [
    _drive("drive read", Op.READ, NotHeldError),
    _drive("drive write", Op.WRITE, WriteFailedError),
    _drive("drive flush", Op.FLUSH, FlushFailedError),
    GONE,
    _staging("staging read", Op.READ, Kind.IO_ERROR),
    _staging("staging write", Op.WRITE, Kind.IO_ERROR),
    _staging("staging full", Op.WRITE, Kind.NO_SPACE),
    _staging("staging flush", Op.FLUSH, Kind.IO_ERROR),
]

ONCE_OR_FOREVER = pytest.mark.parametrize("is_forever", [False, True], ids=["once", "for-ever"])
EACH_FAULT = pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)


def _plant(room: Room, fault: Fault, nth: int, *, is_forever: bool) -> SimulatedDisk:
    disk = room.staging_disk if fault.on_staging else room.disk
    disk.random = Random(nth)
    disk.failure = Failure(nth, fault.ops, fault.kind, is_forever)
    return disk


def _lift(room: Room, nth: int) -> None:
    """Take the fault away; a drive that was gone lost its cache, and comes back in another stay."""
    for disk in (room.disk, room.staging_disk):
        disk.failure = None
    room.ledger.failure = None
    if room.disk.is_gone:
        room.disk.lose_power(random_fates(Random(nth)))
        room.drive.replug()
    if room.ledger.drive(K07).hold is not None:
        room.ledger.record(HoldLifted(drive=K07, reason="the cable was changed"))


def _is_kept(room: Room, span: Span) -> bool:
    truth = room.truth[span.start : span.end]
    return any(name.endswith(f"-{span.start}.bin") and data == truth for name, data in _kept(room))


def _kept(room: Room) -> list[tuple[str, bytes]]:
    return list(room.staging.kept.items())


def nothing_is_lost(room: Room, drive: WatchedDrive) -> None:
    """Assert what must hold after every fault."""
    planted, room.staging_disk.failure = room.staging_disk.failure, None  # to look there
    lost = [chunk for chunk in unrecoverable(room) if not _is_kept(room, room.grid.span(chunk))]
    room.staging_disk.failure = planted

    assert lost == []
    assert wrong_bytes(room) is None
    assert false_dates(room) is None
    assert drive.unproved_writes == []
    assert not drive.is_writable


def ends_as_it_was(room: Room) -> None:
    """Assert that the pass ends without the fault, and another heals what was left out.

    Sectors left unreadable without proof that the drive was not elsewhere stay a finding, and
    their bytes are kept aside.
    """
    report = ended(room)
    assert report.stopped_by is None
    again = ended(room)
    assert again.stopped_by is None
    for finding in again.findings:
        for chunk in room.grid.chunks_of(finding.span):
            assert _is_kept(room, room.grid.span(chunk)), (again, chunk)
    if not again.findings:
        assert is_held(room, Span(0, room.plan.size))
        assert room.ledger.oldest_written(K07).on == room.clock.now().date()


def tells_why(report: PassReport, fault: Fault) -> None:
    """Assert that the report names the cause, or says how it was mended."""
    if report.stopped_by is None:
        is_told = bool(report.mended or report.findings or report.notes)
        assert is_told or fault.ops == {Op.READ}
        return
    assert isinstance(report.stopped_by, fault.errors), report.stopped_by
    if not isinstance(report.stopped_by, NotHeldError):
        assert fault.word in str(report.stopped_by)


def for_every_n(
    base: Room, fault: Fault, *, is_forever: bool, act: Callable[[Room], PassReport]
) -> int:
    """Let the N-th operation fail for every N that the run reaches; return how many these are."""
    for nth in range(1, NTH_MAX):
        room = fork(base)
        drive = watched(room)
        disk = _plant(room, fault, nth, is_forever=is_forever)
        report = act(room)
        if disk._counted < nth:
            return nth - 1
        tells_why(report, fault)
        nothing_is_lost(room, drive)
        _lift(room, nth)
        ends_as_it_was(room)
        nothing_is_lost(room, drive)
    raise AssertionError(f"{NTH_MAX} operations are not enough")


@EACH_FAULT
@ONCE_OR_FOREVER
def test_any_operation_of_a_refresh_may_fail(fault: Fault, is_forever: bool) -> None:  # noqa: FBT001
    """I1, I2, I4, I6: every N of reads, writes, flushes; once and for ever."""
    reached = for_every_n(base_room(PLAN), fault, is_forever=is_forever, act=Room.refresh)

    assert reached >= 6


@cache
def half_done(seed: int) -> Room:
    """Return a drive whose pass was cut, with sectors that wait to be put back."""
    for step in range(20 + seed * 15, 400):
        room = fork(base_room(PLAN))
        if run_until_cut(room, step, Room.refresh) is not None:
            break
        power_on(room, harsh_fates(Random(step)), harsh_fates(Random(-step)), new_boot=True)
        if room.disk.bad:
            return room
    raise AssertionError("no cut left an unreadable sector")


@pytest.mark.parametrize("seed", [1, 5])
@EACH_FAULT
@ONCE_OR_FOREVER
def test_any_operation_after_a_power_cut_may_fail(
    fault: Fault,
    is_forever: bool,  # noqa: FBT001
    seed: int,
) -> None:
    """I1, I6: a recovery is interrupted by a fault at any of its operations."""
    reached = for_every_n(half_done(seed), fault, is_forever=is_forever, act=Room.refresh)

    assert reached >= 1


@ONCE_OR_FOREVER
@pytest.mark.parametrize("base", [base_room, lambda plan: half_done(1)], ids=["fresh", "resumed"])
def test_any_record_of_a_refresh_may_fail(
    base: Callable[[Plan], Room],
    is_forever: bool,  # noqa: FBT001
) -> None:
    """I5, I6: what cannot be written down is not acted on, and the next run ends the pass."""
    for nth in range(1, NTH_MAX):
        room = fork(base(PLAN))
        drive = watched(room)
        room.ledger.failure = RecordFailure(nth, is_forever)
        error = _error_of(room)
        if room.ledger.failure.nth > 0:
            break
        assert isinstance(error, RecordFailedError)
        nothing_is_lost(room, drive)
        _lift(room, nth)
        ends_as_it_was(room)

    assert nth > 7


def _error_of(room: Room) -> DriveError | None:
    try:
        error = room.refresh().stopped_by
    except RecordFailedError as err:
        return err
    assert error is None or isinstance(error, DriveError)
    return error


def test_another_drive_at_the_replug_is_never_written_to() -> None:
    """Identity is proved again at every resume, for every moment at which the drive was pulled."""
    for nth in range(1, NTH_MAX):
        room = fork(base_room(PLAN))
        disk = _plant(room, GONE, nth, is_forever=False)
        report = room.refresh()
        if disk._counted < nth:
            break
        assert isinstance(report.stopped_by, DriveGoneError)
        _lift(room, nth)
        room.drive.is_exchanged = True
        room.disk.log.clear()
        mistaken = room.refresh()
        assert isinstance(mistaken.stopped_by, MistakenDriveError)
        assert "another drive" in str(mistaken.stopped_by)
        assert not [one for one in room.disk.log if one[0] is Op.WRITE]
        room.drive.is_exchanged = False
        ends_as_it_was(room)

    assert nth > 50


READS = [fault for fault in FAULTS if fault.name in {"drive read", "drive gone"}]


@pytest.mark.parametrize("fault", READS, ids=lambda fault: fault.name)
@ONCE_OR_FOREVER
def test_any_reading_of_an_accession_may_fail(fault: Fault, is_forever: bool) -> None:  # noqa: FBT001
    """I6: an interrupted accession is taken up again and records what a quiet one records."""
    wanted = base_room(PLAN).ledger.digests(K07, 0, PLAN.chunks)
    for nth in range(1, NTH_MAX):
        room = Room(PLAN)
        disk = _plant(room, fault, nth, is_forever=is_forever)
        report = room.accession()
        if disk._counted < nth:
            break
        tells_why(report, fault)
        _lift(room, nth)
        if not room.ledger.drive(K07).is_taken_in:
            assert room.accession().stopped_by is None
        assert ended(room, Room.fixity).stopped_by is None
        assert room.ledger.findings() == ()
        assert room.ledger.digests(K07, 0, PLAN.chunks) == wanted

    assert nth > PLAN.chunks


@pytest.mark.parametrize("fault", READS, ids=lambda fault: fault.name)
@ONCE_OR_FOREVER
def test_any_reading_of_a_fixity_pass_may_fail(fault: Fault, is_forever: bool) -> None:  # noqa: FBT001
    """I6: a fixity pass that was interrupted ends when it is run again, and writes nothing."""
    for nth in range(1, NTH_MAX):
        room = fork(base_room(PLAN))
        disk = _plant(room, fault, nth, is_forever=is_forever)
        report = room.fixity()
        if disk._counted < nth:
            break
        tells_why(report, fault)
        _lift(room, nth)
        assert ended(room, Room.fixity).stopped_by is None
        assert ended(room, Room.fixity).findings == ()
        assert room.drive.times_writable == []

    assert nth > PLAN.chunks


@pytest.mark.parametrize("act", [Room.accession, Room.fixity], ids=["accession", "fixity"])
@ONCE_OR_FOREVER
def test_any_record_of_a_reading_pass_may_fail(
    act: Callable[[Room], PassReport],
    is_forever: bool,  # noqa: FBT001
) -> None:
    """I5: accession and fixity end at a record that fails, and go on when there is room again."""
    for nth in range(1, NTH_MAX):
        room = fork(base_room(PLAN)) if act is Room.fixity else Room(PLAN)
        room.disk.bad.add(7)
        room.ledger.failure = RecordFailure(nth, is_forever)
        try:
            error = act(room).stopped_by
        except RecordFailedError as err:
            error = err
        if room.ledger.failure.nth > 0:
            break
        assert isinstance(error, RecordFailedError)
        _lift_record(room)
        if not (room.ledger.drives() and room.ledger.drive(K07).is_taken_in):
            assert room.accession().stopped_by is None
        assert ended(room, Room.fixity).stopped_by is None
        assert [one.span for one in room.ledger.findings()] == [Span(3584, 512)]

    assert nth > 3


def _lift_record(room: Room) -> None:
    room.ledger.failure = None
