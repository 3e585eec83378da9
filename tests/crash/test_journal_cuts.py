"""Power cuts and failing operations at every step of a series of records."""

from __future__ import annotations

from contextlib import suppress
from random import Random

import pytest

from refreshd.errors import RecordFailedError
from refreshd.events import Entry
from refreshd.simulated.disk import PowerCutError
from refreshd.simulated.journal_directory import SECTOR_BYTES, Faults
from tests.shelves import Shelf, check

RECORDS = 6
SEED = 20310314


def steps() -> int:
    """Return how many operations the series has that a fault can meet."""
    shelf = Shelf()
    shelf.record(RECORDS, [])
    return shelf.faults.calls


STEPS = steps()


def cut_at(step: int, shelf: Shelf, acknowledged: list[Entry]) -> bool:
    """Run the series into a power cut; False when it ended before."""
    shelf.fault(Faults(cut_at=step))
    try:
        shelf.record(RECORDS, acknowledged)
    except PowerCutError:
        return True
    return False


def test_the_series_touches_every_operation() -> None:
    """The series rotates and writes lines longer than a sector, so that tears can fall."""
    shelf = Shelf()
    shelf.record(RECORDS, [])

    assert len(shelf.directory.names()) >= 3
    assert max(map(len, shelf.directory.contents().values())) > SECTOR_BYTES
    assert STEPS > 25


@pytest.mark.cuts
@pytest.mark.parametrize("step", range(1, STEPS + 1))
def test_no_cut_loses_a_record_or_is_called_tampering(step: int) -> None:
    """I5, I6: a cut at every operation, with everything it can leave, torn at every 16 bytes."""
    shelf, acknowledged = Shelf(), list[Entry]()
    assert cut_at(step, shelf, acknowledged)

    held = shelf.catalogue.snapshot()
    outcomes = 0
    for left in shelf.directory.after_every_cut(step=16):
        after = Shelf(left, held, clock=shelf.clock)
        check(after, list(acknowledged))
        outcomes += 1
    assert outcomes >= 1


@pytest.mark.cuts
def test_no_tear_at_any_byte_loses_a_record_or_is_called_tampering() -> None:
    """I5, I6: the cut before the sync of a record, torn at every single byte."""
    shelf, acknowledged = Shelf(), list[Entry]()
    syncs = [step for step in range(1, STEPS + 1) if _is_before_sync(step)]
    assert len(syncs) >= RECORDS
    assert cut_at(syncs[2], shelf, acknowledged)

    held = shelf.catalogue.snapshot()
    outcomes = 0
    for left in shelf.directory.after_every_cut(step=1):
        check(Shelf(left, held, clock=shelf.clock), list(acknowledged))
        outcomes += 1
    assert outcomes > 900


def _is_before_sync(step: int) -> bool:
    shelf = Shelf()
    shelf.fault(Faults(cut_at=step))
    with pytest.raises(PowerCutError) as cut:
        shelf.record(RECORDS, [])
    return "syncing 0" in str(cut.value)


@pytest.mark.cuts
def test_many_cuts_in_a_row_lose_nothing() -> None:
    """I5, I6: random cuts, also in the middle of recovering from the last one."""
    print(f"seed {SEED}")  # noqa: T201 - shown when the test fails, for replay
    rng = Random(SEED)
    cuts = 0
    while cuts < 4000:
        shelf, acknowledged = Shelf(), list[Entry]()
        for _ in range(rng.randrange(1, 5)):
            if cut_at(rng.randrange(1, STEPS + 1), shelf, acknowledged):
                cuts += 1
                shelf.restart(shelf.directory.after_cut(rng))
            else:
                shelf.restart()
        check(shelf, acknowledged)


@pytest.mark.parametrize("cause", ["EIO", "ENOSPC"])
@pytest.mark.parametrize("for_ever", [False, True])
@pytest.mark.parametrize("step", range(1, STEPS + 1))
def test_no_failing_operation_loses_an_acknowledged_record(
    step: int,
    for_ever: bool,  # noqa: FBT001 - two cases
    cause: str,
) -> None:
    """I5, I6: the N-th operation fails, the program goes on as far as it can, is started anew.

    Then it records more, and only then the power goes: what a failed sync lost shows there.
    """
    rng = Random(step)
    shelf, acknowledged = Shelf(), list[Entry]()
    shelf.fault(Faults(fail_at=step, for_ever=for_ever, cause=cause))
    refused = 0
    for _ in range(3):
        try:
            shelf.record(RECORDS // 3, acknowledged)
        except RecordFailedError as err:
            refused += cause in str(err)

    assert refused > 0
    for _ in range(3):
        shelf.restart()
        check(shelf, acknowledged)
        shelf.restart(shelf.directory.after_cut(rng))
        check(shelf, acknowledged)


@pytest.mark.parametrize("step", range(1, 12))
@pytest.mark.parametrize("for_ever", [False, True])
def test_a_failing_operation_while_mending_loses_nothing(
    step: int,
    for_ever: bool,  # noqa: FBT001 - two cases
) -> None:
    """I5, I6: a disk that fails right after a power cut."""
    rng = Random(step)
    for cut in range(1, STEPS + 1):
        shelf, acknowledged = Shelf(), list[Entry]()
        cut_at(cut, shelf, acknowledged)
        shelf.restart(shelf.directory.after_cut(rng))
        shelf.fault(Faults(fail_at=step, for_ever=for_ever))
        with suppress(RecordFailedError):
            shelf.record(1, acknowledged)
        shelf.restart()
        check(shelf, acknowledged)
        shelf.restart(shelf.directory.after_cut(rng))
        check(shelf, acknowledged)
