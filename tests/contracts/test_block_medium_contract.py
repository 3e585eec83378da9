"""What every `ports.BlockMedium` promises, the simulated one and the real ones alike."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.block import BlockDevice
from refreshd.adapters.image import ImageFile
from refreshd.errors import InvariantBrokenError
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.ports import BlockMedium
from refreshd.quantities import KIB, MIB, Geometry, Span
from refreshd.simulated.disk import SimulatedDisk
from refreshd.simulated.drive import SimulatedDrive
from tests import loops

SIZE = 4 * MIB
CONTENT = Random(7).randbytes(SIZE)


@dataclass
class Stand:
    """A medium holding CONTENT, how to open it, and a look at the bytes that are durable."""

    open: Callable[[], BlockMedium]
    durable: Callable[[], bytes]


@contextlib.contextmanager
def _simulated(folder: Path) -> Iterator[Stand]:
    disk = SimulatedDisk(Geometry(SIZE, 512, 4096))
    disk.write(0, memoryview(CONTENT))
    disk.flush()
    yield Stand(lambda: SimulatedDrive(disk), disk.content)


@contextlib.contextmanager
def _image(folder: Path) -> Iterator[Stand]:
    file = folder / "drive.img"
    file.write_bytes(CONTENT)
    yield Stand(lambda: ImageFile.open(file), file.read_bytes)


@contextlib.contextmanager
def _loop_512(folder: Path) -> Iterator[Stand]:
    with _loop(folder, 512) as stand:
        yield stand


@contextlib.contextmanager
def _loop_4096(folder: Path) -> Iterator[Stand]:
    with _loop(folder, 4096) as stand:
        yield stand


@contextlib.contextmanager
def _loop(folder: Path, sector: int) -> Iterator[Stand]:
    file = folder / "drive.img"
    file.write_bytes(CONTENT)
    with loops.attached(file, sector=sector) as node:
        yield Stand(lambda: BlockDevice.open(node), file.read_bytes)


@pytest.fixture(
    params=[
        pytest.param(_simulated, id="simulated"),
        pytest.param(_image, id="image"),
        pytest.param(_loop_512, id="loop-512", marks=pytest.mark.root),
        pytest.param(_loop_4096, id="loop-4096", marks=pytest.mark.root),
    ]
)
def stand(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stand]:
    """Give each medium in turn."""
    with request.param(tmp_path) as made:
        yield made


@pytest.fixture
def medium(stand: Stand) -> Iterator[BlockMedium]:
    """Give each medium in turn, open."""
    opened = stand.open()
    yield opened
    opened.close()


def read(medium: BlockMedium, start: int, length: int) -> bytes:
    """Read through an aligned buffer, as the engine does."""
    buffer = aligned_buffer(length)
    medium.read(start, buffer)
    return bytes(buffer)


def test_a_read_gives_the_bytes_of_the_medium(medium: BlockMedium) -> None:
    """Every byte comes back where it lies, the last sector included."""
    sector = medium.geometry.logical_bytes

    assert read(medium, 0, SIZE) == CONTENT
    assert read(medium, 3 * sector, sector) == CONTENT[3 * sector : 4 * sector]
    assert read(medium, SIZE - sector, sector) == CONTENT[-sector:]


def test_memory_that_is_not_aligned_serves_as_well(medium: BlockMedium) -> None:
    """Whatever buffer is handed in, the right bytes arrive in it."""
    buffer = memoryview(bytearray(8 * KIB + 1))[1:]

    medium.read(4096, buffer)

    assert bytes(buffer) == CONTENT[4096 : 4096 + 8 * KIB]


def test_evidence_agrees_with_the_geometry(medium: BlockMedium) -> None:
    """The card that is made of the evidence has the size and sectors of the medium."""
    assert medium.evidence().geometry == medium.geometry
    assert medium.geometry.size_bytes == SIZE


def test_nothing_is_written_before_writing_is_allowed(medium: BlockMedium, stand: Stand) -> None:
    """I9: a medium is read-only until the rewrite stage."""
    with pytest.raises(InvariantBrokenError):
        medium.write(0, memoryview(bytes(4096)))

    assert stand.durable() == CONTENT


def test_nothing_is_written_after_writing_is_forbidden(medium: BlockMedium, stand: Stand) -> None:
    """I9: the rewrite stage ends."""
    medium.allow_writing()
    medium.forbid_writing()

    with pytest.raises(InvariantBrokenError):
        medium.write(0, memoryview(bytes(4096)))
    assert stand.durable() == CONTENT


def test_a_write_changes_its_own_bytes_and_no_others(medium: BlockMedium, stand: Stand) -> None:
    """What is written and flushed is durable, in its place, with its neighbours untouched."""
    new = Random(8).randbytes(64 * KIB)
    buffer = aligned_buffer(len(new))
    buffer[:] = new

    medium.allow_writing()
    medium.write(128 * KIB, buffer)
    medium.flush()

    expected = CONTENT[: 128 * KIB] + new + CONTENT[192 * KIB :]
    assert read(medium, 0, SIZE) == expected
    assert stand.durable() == expected


def test_the_last_block_takes_a_write(medium: BlockMedium, stand: Stand) -> None:
    """The end of the medium is no special case; unaligned read-only memory serves as well."""
    block = medium.geometry.physical_bytes

    medium.allow_writing()
    medium.write(SIZE - block, memoryview(b"?" + b"z" * block)[1:])
    medium.flush()

    assert stand.durable() == CONTENT[:-block] + b"z" * block


def test_less_than_a_physical_block_is_never_written(medium: BlockMedium, stand: Stand) -> None:
    """A drive reads, changes and writes a whole block: a cut then would hurt the neighbours."""
    medium.allow_writing()

    if medium.geometry.physical_bytes > medium.geometry.logical_bytes:
        with pytest.raises(InvariantBrokenError):
            medium.write(0, memoryview(bytes(medium.geometry.logical_bytes)))
    with pytest.raises(InvariantBrokenError):
        medium.write(0, memoryview(bytes(medium.geometry.logical_bytes - 1)))
    assert stand.durable() == CONTENT


def test_data_spans_of_a_full_medium_are_all_of_it(medium: BlockMedium) -> None:
    """Without holes there is one span, the one asked for."""
    span = Span(64 * KIB, MIB)

    assert medium.data_spans(span) == (span,)


def test_identity_holds_while_nobody_touches_the_medium(medium: BlockMedium) -> None:
    """The renewed proof passes as often as it is asked for."""
    medium.prove_identity()
    medium.allow_writing()
    medium.allow_writing()
    medium.prove_identity()
    medium.drop_cache()

    assert read(medium, 0, 4096) == CONTENT[:4096]


def test_one_presence_lasts_as_long_as_the_medium_is_open(medium: BlockMedium) -> None:
    """Presence tells stays apart, so it does not change within one."""
    assert medium.presence() == medium.presence()


def test_closing_twice_is_harmless(medium: BlockMedium) -> None:
    """The end of a visit may be reached on two ways."""
    medium.close()
    medium.close()


def test_a_closed_medium_can_be_opened_again(stand: Stand) -> None:
    """Closing drops the claim."""
    stand.open().close()
    again = stand.open()

    assert read(again, 0, 4096) == CONTENT[:4096]
    again.close()
