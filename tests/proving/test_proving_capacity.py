"""A drive that claims more than it holds is caught before the long writing."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest

from refreshd.fixity import digest
from refreshd.passes.proving.places import end_region, place_bytes, spread_places, step_bytes
from refreshd.passes.proving.repeats import Repeats
from refreshd.ports import ProvingWish
from refreshd.proving_cards import ProvingStep
from refreshd.quantities import GIB, KIB, MIB, ChunkGrid, Geometry, Outcome
from refreshd.simulated.disk import Failure, Op
from tests.fakes.proving_room import (
    DroppingDrive,
    NewDrive,
    ProvingRoom,
    WrappingDrive,
    outcome_of,
    said,
)

SIZE = 8 * MIB
BLOCK = 4 * KIB


def _false(kind: type[WrappingDrive | DroppingDrive], real: int, cache: int = 0) -> ProvingRoom:
    room = ProvingRoom(SIZE, kind, cache=cache, lag=2 * MIB)
    assert isinstance(room.drive, WrappingDrive | DroppingDrive)
    room.drive.real_bytes = real
    return room


@pytest.mark.parametrize("seed", range(40))
def test_a_drive_that_wraps_anywhere_is_caught_to_the_byte(seed: int) -> None:
    """Whatever it holds in truth, the markers tell it exactly, and no pattern is written."""
    real = Random(seed).randrange(1, SIZE // BLOCK) * BLOCK
    room = _false(WrappingDrive, real)

    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL, f"seed {seed}: {real} bytes were not noticed"
    assert f"({real} bytes)" in said(certificate, ProvingStep.CAPACITY), f"seed {seed}"
    assert not [one for one in certificate.results if one.step is ProvingStep.WRITE]


@pytest.mark.parametrize("seed", range(40))
def test_a_drive_that_drops_what_it_has_no_room_for_is_caught(seed: int) -> None:
    """Where it drops silently, the markers say between which two of them it ends."""
    real = Random(seed).randrange(1, SIZE // BLOCK) * BLOCK
    room = _false(DroppingDrive, real)

    told = said(room.prove(), ProvingStep.CAPACITY)

    assert "is kept" in told, f"seed {seed}: {real} bytes: {told}"
    between = told.split("(between ")[1].split(" bytes)")[0].split(" and ")
    least, most = (int(text) for text in between)
    assert least <= real <= most, f"seed {seed}: {real} bytes: {told}"
    assert most - least <= step_bytes(room.disk.geometry)


@pytest.mark.parametrize("kind", [WrappingDrive, DroppingDrive])
def test_a_cache_that_answers_for_a_while_hides_nothing(
    kind: type[WrappingDrive | DroppingDrive],
) -> None:
    """I3: the markers are read when the drive's cache has long moved on."""
    room = _false(kind, 5 * MIB, cache=MIB)

    assert room.prove().outcome is Outcome.FAIL


def test_the_markers_at_the_end_are_read_past_the_cache() -> None:
    """I3: what was written last lies in the drive's cache, and is not believed from there."""
    room = ProvingRoom(SIZE, cache=5 * MIB // 2, lag=5 * MIB)
    room.at_step(ProvingStep.CAPACITY, 0, lambda: room.disk.dropped.add(SIZE // BLOCK - 3))

    assert outcome_of(room.prove(), ProvingStep.CAPACITY) is Outcome.FAIL


def test_an_honest_drive_with_a_cache_passes() -> None:
    """The check accuses nobody falsely."""
    room = ProvingRoom(SIZE, cache=MIB, lag=2 * MIB)

    certificate = room.prove()

    assert outcome_of(certificate, ProvingStep.CAPACITY) is Outcome.SUCCESS
    assert certificate.outcome is Outcome.SUCCESS


def test_a_drive_that_takes_no_writing_past_its_end_fails() -> None:
    """An error on writing a marker ends the proving, and is told."""
    room = ProvingRoom(SIZE)
    room.disk.failure = Failure(20, frozenset({Op.WRITE}), is_forever=True)

    certificate = room.prove()

    assert certificate.outcome is Outcome.FAIL
    assert "could not be written" in said(certificate, ProvingStep.CAPACITY)


def test_a_reading_that_differed_once_is_no_false_capacity() -> None:
    """P4: a marker that matches at the second reading is a doubt about cable and memory."""
    room = ProvingRoom(SIZE)
    room.at_step(ProvingStep.CAPACITY, 0.99, lambda: room.disk.flipped_once.add(3 * MIB // BLOCK))

    certificate = room.prove()

    assert outcome_of(certificate, ProvingStep.CAPACITY) is Outcome.WARNING
    assert "matched at the second" in said(certificate, ProvingStep.CAPACITY)


def test_places_lie_so_close_that_no_wrap_slips_between_them() -> None:
    """The run at the end is at least as long as the distance of two spread markers."""
    for size in (3 * MIB + 512, 64 * MIB, 3 * GIB, 931 * GIB, 20 * 10**12, 48 * 10**12):
        geometry = Geometry(size // 512 * 512, 512, 4096)
        places = spread_places(geometry)
        run = end_region(geometry, 512 * MIB)
        gaps = [later.start - one.start for one, later in pairwise(places)]

        assert run is not None
        assert run.end == geometry.size_bytes
        assert max(gaps) <= step_bytes(geometry) <= run.length
        assert places[0].start == 0
        assert places[-1].end == geometry.size_bytes
        assert len(places) < 2200
        assert all(geometry.is_whole_blocks(one) for one in (*places, run))
        assert place_bytes(geometry) == 4096


def test_reading_alone_finds_a_wrap_at_a_power_of_two() -> None:
    """What stands at the beginning and again at a power of two is a wrap."""
    room = _false(WrappingDrive, 2 * MIB)
    room.disk.medium[: 2 * MIB] = Random(1).randbytes(2 * MIB)

    certificate = room.prove(ProvingWish(is_reading_only=True))

    assert certificate.outcome is Outcome.FAIL
    assert f"no more than 2.1 MB ({2 * MIB} bytes)" in said(certificate, ProvingStep.CAPACITY)


def test_reading_alone_finds_a_wrap_at_whole_chunks() -> None:
    """Chunks that come again in the same order are a wrap, found by the full reading."""
    real = 80 * 64 * KIB
    room = _false(WrappingDrive, real)
    room.disk.medium[:real] = Random(2).randbytes(real)

    certificate = room.prove(ProvingWish(is_reading_only=True))

    assert certificate.outcome is Outcome.FAIL
    assert f"no more than {real} bytes" in said(certificate, ProvingStep.READ)


def test_reading_alone_says_that_it_cannot_exclude_a_lie() -> None:
    """Never claim more than was proved: without writing the capacity stays a claim."""
    room = ProvingRoom(SIZE)

    certificate = room.prove(ProvingWish(is_reading_only=True))

    assert outcome_of(certificate, ProvingStep.CAPACITY) is Outcome.WARNING
    assert "cannot exclude" in said(certificate, ProvingStep.CAPACITY)


def test_zeros_and_content_that_repeats_itself_are_no_wrap() -> None:
    """An empty drive, and one that is full of the same, are accused of nothing."""
    for content in (bytes(4096), Random(3).randbytes(4096)):
        room = ProvingRoom(SIZE)
        room.disk.medium[:] = content * (SIZE // len(content))

        certificate = room.prove(ProvingWish(is_reading_only=True))

        assert certificate.outcome is Outcome.WARNING, said(certificate, ProvingStep.READ)


def test_a_single_chunk_that_comes_again_is_no_wrap() -> None:
    """Copies of a file far behind the first are what drives are for."""
    repeats = Repeats(ChunkGrid(400 * KIB, KIB))
    random = Random(5)
    chunks = [digest(random.randbytes(64)) for _ in range(400)]
    chunks[100:102] = chunks[3:5]
    for chunk, one in enumerate(chunks):
        repeats.add(chunk, one)

        assert repeats.found() is None


def test_nothing_is_written_in_a_proving_that_only_reads() -> None:
    """I9: a drive that is only read is never made writable."""
    room = ProvingRoom(SIZE)

    room.prove(ProvingWish(is_reading_only=True))

    assert room.drive.times_writable == []
    assert isinstance(room.drive, NewDrive)
