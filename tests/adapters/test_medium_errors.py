"""What the kernel says when a disk fails, and what becomes of it: real errors, made to order."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from refreshd.adapters.block import BlockDevice
from refreshd.adapters.image import ImageFile
from refreshd.adapters.staging_file import staging_objection
from refreshd.errors import (
    DriveError,
    DriveGoneError,
    FlushFailedError,
    UnreadableError,
    WriteFailedError,
)
from refreshd.kernel.block_tree import Node
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.quantities import KIB, MIB
from tests import loops
from tests.faulty_file import FaultyFile, served

pytestmark = pytest.mark.root

CONTENT = Random(3).randbytes(2 * MIB)
BAD = range(MIB + 4096, MIB + 8192)


@pytest.fixture
def faulty(tmp_path: Path) -> Iterator[FaultyFile]:
    """Give a file that fails on command."""
    if not Path("/dev/fuse").exists():
        pytest.skip("this kernel or container has no /dev/fuse")
    with served(CONTENT, tmp_path / "fuse") as file:
        yield file


@pytest.fixture
def image(faulty: FaultyFile) -> Iterator[ImageFile]:
    """Give the file as an open image."""
    opened = ImageFile.open(faulty.path)
    yield opened
    opened.close()


@pytest.fixture
def disk(faulty: FaultyFile) -> Iterator[BlockDevice]:
    """Give a loop device over the file, open: a real disk for the block layer."""
    with loops.attached(faulty.path, "--direct-io=on") as node:
        opened = BlockDevice.open(node)
        yield opened
        opened.close()


def read(medium: ImageFile | BlockDevice, start: int, length: int) -> bytes:
    """Read through an aligned buffer."""
    buffer = aligned_buffer(length)
    medium.read(start, buffer)
    return bytes(buffer)


@pytest.mark.parametrize(
    ("number", "error"),
    [
        (errno.EIO, UnreadableError),
        (errno.ENODATA, UnreadableError),
        (errno.EREMOTEIO, UnreadableError),
        (errno.EILSEQ, UnreadableError),
        (errno.ETIMEDOUT, UnreadableError),
        (errno.ENODEV, DriveGoneError),
        (errno.ENXIO, DriveGoneError),
        (errno.ENOLINK, DriveError),
        (errno.ENOMEM, DriveError),
    ],
)
def test_each_read_error_is_named(
    number: int, error: type[DriveError], image: ImageFile, faulty: FaultyFile
) -> None:
    """A medium that cannot give its bytes, a drive that is gone, and trouble of the server."""
    faulty.bad[BAD] = number

    with pytest.raises(DriveError, match=errno.errorcode[number]) as caught:
        read(image, MIB, 64 * KIB)
    assert type(caught.value) is error
    assert read(image, 0, MIB) == CONTENT[:MIB]


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS])
def test_each_write_error_is_a_failed_write(
    number: int, image: ImageFile, faulty: FaultyFile
) -> None:
    """What the range holds now is not known; the staged copy is."""
    faulty.bad[BAD] = number
    image.allow_writing()

    with pytest.raises(WriteFailedError, match=errno.errorcode[number]) as caught:
        image.write(MIB, aligned_buffer(64 * KIB))
    assert (caught.value.span.start, caught.value.span.length) == (MIB, 64 * KIB)


def test_an_error_that_nobody_named_goes_through_unchanged(
    image: ImageFile, faulty: FaultyFile
) -> None:
    """It must not pass for a decayed sector."""
    faulty.bad[BAD] = errno.EXDEV

    with pytest.raises(OSError, match="Invalid cross-device link"):
        read(image, MIB, 64 * KIB)


@pytest.fixture
def uncached(faulty: FaultyFile) -> Iterator[ImageFile]:
    """Give the file as an image whose short transfers the kernel does not make up for itself."""
    faulty.is_uncached = True
    opened = ImageFile.open(faulty.path)
    yield opened
    opened.close()


def test_a_short_read_goes_on_where_it_ended(uncached: ImageFile, faulty: FaultyFile) -> None:
    """The rest of the buffer is never taken for bytes of the drive."""
    faulty.short_once = 8 * KIB

    assert read(uncached, 0, 64 * KIB) == CONTENT[: 64 * KIB]
    assert faulty.short_once is None


def test_a_read_that_gives_nothing_is_an_error(uncached: ImageFile, faulty: FaultyFile) -> None:
    """A medium that ends early must not be read as zeros."""
    del faulty.content[MIB:]

    with pytest.raises(UnreadableError, match="ENODATA"):
        read(uncached, MIB - 4096, 64 * KIB)


def test_a_short_write_goes_on_where_it_ended(uncached: ImageFile, faulty: FaultyFile) -> None:
    """No byte of a write is dropped in silence."""
    new = aligned_buffer(64 * KIB)
    new[:] = Random(4).randbytes(64 * KIB)
    uncached.allow_writing()
    faulty.short_once = 8 * KIB
    uncached.write(0, new)
    uncached.flush()

    assert bytes(faulty.content) == bytes(new) + CONTENT[64 * KIB :]
    assert faulty.short_once is None


@pytest.mark.parametrize("name", ["image", "disk"])
def test_a_failed_flush_is_reported_and_asked_once(
    name: str, request: pytest.FixtureRequest, faulty: FaultyFile
) -> None:
    """The kernel forgets the error: a second flush would "succeed" over lost data."""
    medium: ImageFile | BlockDevice = request.getfixturevalue(name)
    medium.allow_writing()
    medium.write(0, aligned_buffer(64 * KIB))
    flushes = faulty.flushes
    faulty.flush_errno, faulty.flush_failures = errno.EIO, 1

    with pytest.raises(FlushFailedError, match="nothing written since the last good flush"):
        medium.flush()
    assert faulty.flushes == flushes + 1
    assert faulty.flush_failures == 0
    medium.close()
    assert faulty.flushes == flushes + 1


@pytest.mark.parametrize("name", ["image", "disk"])
def test_closing_flushes_what_was_written_and_tells_when_that_fails(
    name: str, request: pytest.FixtureRequest, faulty: FaultyFile
) -> None:
    """Letting go of a medium must not lose a failed flush."""
    medium: ImageFile | BlockDevice = request.getfixturevalue(name)
    medium.allow_writing()
    medium.write(0, aligned_buffer(64 * KIB))
    faulty.flush_errno, faulty.flush_failures = errno.EIO, 1

    with pytest.raises(FlushFailedError):
        medium.close()
    medium.close()


def test_a_bad_range_of_a_disk_is_narrowed_by_smaller_reads(
    disk: BlockDevice, faulty: FaultyFile
) -> None:
    """A real medium error of the block layer, sector by sector."""
    faulty.bad[BAD] = errno.EIO

    with pytest.raises(UnreadableError, match="EIO"):
        read(disk, MIB, 64 * KIB)
    assert read(disk, MIB, 4096) == CONTENT[MIB : MIB + 4096]
    assert read(disk, BAD.stop, 4096) == CONTENT[BAD.stop : BAD.stop + 4096]
    for start in range(BAD.start, BAD.stop, 512):
        with pytest.raises(UnreadableError):
            read(disk, start, 512)


def test_an_error_of_a_disk_that_is_no_longer_there_means_that_it_is_gone(
    disk: BlockDevice, faulty: FaultyFile
) -> None:
    """Pulling a plug gives EIO too, and that must not be recorded as decay of the bytes.

    A loop device cannot be pulled while it is held, so its entry in sysfs is looked for under
    a number that no device has.
    """
    faulty.bad[BAD] = errno.EIO
    disk.allow_writing()
    disk._node = Node(os.makedev(7, 99_999))

    with pytest.raises(DriveGoneError, match="plug it in again"):
        read(disk, MIB, 64 * KIB)
    with pytest.raises(DriveGoneError):
        disk.write(MIB, aligned_buffer(64 * KIB))
    faulty.bad.clear()
    disk.write(MIB, aligned_buffer(64 * KIB))
    with pytest.raises(DriveGoneError, match="no error told"):
        disk.flush()  # A real kernel said yes to this one, with the drive in the other hand.
    with pytest.raises(DriveGoneError):
        disk.prove_identity()


def test_a_write_error_of_a_disk_is_a_failed_write(disk: BlockDevice, faulty: FaultyFile) -> None:
    """And the disk itself is still the same one."""
    faulty.bad[BAD] = errno.EIO
    disk.allow_writing()

    with pytest.raises(WriteFailedError, match="EIO"):
        disk.write(MIB, aligned_buffer(64 * KIB))
    disk.prove_identity()


def test_a_program_behind_a_mount_is_no_place_for_staging(
    faulty: FaultyFile, tmp_path: Path
) -> None:
    """Nobody here can vouch for its flush; networks are mounted in this way, too."""
    found = staging_objection(faulty.path.parent, str(tmp_path / "drive.img"))

    assert "another machine or program keeps it" in (found or "")
