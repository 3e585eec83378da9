"""An image file as a medium: holes, odd sizes, what is refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from refreshd.adapters.image import ImageFile
from refreshd.cards import Presence
from refreshd.errors import (
    DriveGoneError,
    InvariantBrokenError,
    MediumInUseError,
    MistakenDriveError,
    RefusedError,
    UsageError,
    WriteFailedError,
)
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.quantities import KIB, MIB, Span
from tests import loops


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Give an image: 1 MiB of noise, 1 MiB of hole, 1 MiB of noise, 1 MiB of hole."""
    path = tmp_path / "drive.img"
    noise = loops.noise_file(tmp_path / "noise", MIB).read_bytes()
    with path.open("wb") as image:
        image.write(noise)
        image.seek(2 * MIB)
        image.write(noise)
        image.truncate(4 * MIB)
    return path


def test_holes_are_told_from_data_and_clipped_to_what_was_asked(file: Path) -> None:
    """A hole holds nothing that could fade."""
    image = ImageFile.open(file)

    assert image.data_spans(Span(0, 4 * MIB)) == (Span(0, MIB), Span(2 * MIB, MIB))
    assert image.data_spans(Span(MIB // 2, 2 * MIB)) == (
        Span(MIB // 2, MIB // 2),
        Span(2 * MIB, MIB // 2),
    )
    assert image.data_spans(Span(MIB + 4096, 8192)) == ()
    assert image.data_spans(Span(3 * MIB + 4096, 8192)) == ()
    image.close()


def test_holes_read_as_zeros(file: Path) -> None:
    """They are digested as zeros."""
    image, buffer = ImageFile.open(file), aligned_buffer(2 * MIB)
    buffer[:] = b"x" * len(buffer)
    image.read(MIB, buffer)
    image.close()

    assert bytes(buffer[:MIB]) == bytes(MIB)
    assert any(buffer[MIB:])


def test_a_hole_is_never_written(file: Path) -> None:
    """An image must not grow by being refreshed, nor a hole that was punched meanwhile."""
    blocks = file.stat().st_blocks
    image = ImageFile.open(file)
    image.allow_writing()

    for start in (MIB, MIB - 4096):
        with pytest.raises(WriteFailedError, match="a hole in the image"):
            image.write(start, aligned_buffer(8192))
    image.close()
    assert file.stat().st_blocks == blocks


@pytest.mark.parametrize("length", [0, 1, 511, 513, 4 * MIB + 7])
def test_a_size_of_broken_sectors_is_refused_in_clear_words(length: int, tmp_path: Path) -> None:
    """Most often a copy that was cut short."""
    file = tmp_path / "odd.img"
    file.write_bytes(bytes(length))

    with pytest.raises(UsageError, match=f"{length} bytes is no whole number of 512-byte sectors"):
        ImageFile.open(file)


def test_an_odd_number_of_sectors_is_read_and_written_to_its_end(tmp_path: Path) -> None:
    """Not every drive is a multiple of 4096 bytes."""
    file = loops.noise_file(tmp_path / "drive.img", 64 * KIB + 512)
    content = file.read_bytes()
    image, buffer = ImageFile.open(file), aligned_buffer(64 * KIB + 512)
    image.allow_writing()
    image.read(0, buffer)
    image.write(0, buffer)
    image.flush()
    physical = image.geometry.physical_bytes
    image.close()

    assert physical == 512
    assert bytes(buffer) == content == file.read_bytes()


def test_an_image_proves_no_stay(file: Path) -> None:
    """I2: anybody may edit a file in between, so staged bytes are not put back on its word."""
    image = ImageFile.open(file)
    found = image.presence()
    image.close()

    assert found == Presence(None, None)
    assert not found.is_same_stay(found)


def test_a_file_system_in_an_image_is_its_identity(tmp_path: Path) -> None:
    """Nothing else names it; where the file lies is no identity."""
    file = tmp_path / "fs.img"
    with file.open("wb") as made:
        made.truncate(8 * MIB)
    loops.run("mkfs.ext4", "-q", "-F", "-U", "12345678-0000-0000-0000-00000000abcd", file)
    image = ImageFile.open(file)
    evidence = image.evidence()
    image.close()

    assert evidence.signatures == ("ext4:12345678-0000-0000-0000-00000000abcd",)
    assert (evidence.wwn, evidence.serial, evidence.is_rotational) == (None, None, None)


def test_an_image_that_was_exchanged_is_not_written_to(file: Path) -> None:
    """The proof compares what lies at the path with what is open."""
    image = ImageFile.open(file)
    other = file.with_name("other.img")
    other.write_bytes(bytes(4 * MIB))
    other.rename(file)

    for prove in (image.prove_identity, image.allow_writing):
        with pytest.raises(MistakenDriveError, match="another file lies there"):
            prove()
    image.close()


def test_an_image_that_changed_its_size_is_not_written_to(file: Path) -> None:
    """Another size is another drive."""
    image = ImageFile.open(file)
    os.truncate(file, 2 * MIB)

    with pytest.raises(
        MistakenDriveError, match="4194304 bytes when it was opened and has 2097152"
    ):
        image.allow_writing()
    image.close()


def test_an_image_that_was_removed_is_gone(file: Path) -> None:
    """Like a drive that was pulled out."""
    image = ImageFile.open(file)
    file.unlink()

    with pytest.raises(DriveGoneError, match="no longer there"):
        image.prove_identity()
    image.close()


def test_a_second_opener_is_refused(file: Path) -> None:
    """One pass at a time, and the first keeps it."""
    image = ImageFile.open(file)
    with pytest.raises(MediumInUseError, match="holds a lock"):
        ImageFile.open(file)
    image.close()

    ImageFile.open(file).close()


def test_what_is_no_image_is_refused_in_clear_words(tmp_path: Path) -> None:
    """Wrong words on the command line."""
    os.mkfifo(tmp_path / "pipe")

    with pytest.raises(UsageError, match="no such file"):
        ImageFile.open(tmp_path / "nothing.img")
    with pytest.raises(UsageError, match="not a regular file"):
        ImageFile.open(tmp_path)
    with pytest.raises(UsageError, match="not a regular file"):
        ImageFile.open(tmp_path / "pipe")


def test_a_transfer_outside_of_the_image_stops_the_program(file: Path) -> None:
    """A wrong offset is a fault of ours, and must never reach the medium."""
    image = ImageFile.open(file)
    image.allow_writing()

    for start, length in ((4 * MIB, 4096), (4 * MIB - 4096, 8192), (100, 4096), (0, 100)):
        with pytest.raises(InvariantBrokenError):
            image.read(start, aligned_buffer(length))
        with pytest.raises(InvariantBrokenError):
            image.write(start, aligned_buffer(length))
    image.close()


@pytest.mark.root
def test_an_image_on_a_read_only_file_system_is_refused_at_the_rewrite_stage(
    tmp_path: Path,
) -> None:
    """It can be checked, and not be refreshed."""
    with loops.mounted("none", tmp_path / "mnt", "-t", "tmpfs") as point:
        file = loops.noise_file(point / "drive.img", MIB)
        loops.run("mount", "-o", "remount,ro", point)
        image = ImageFile.open(file)
        image.read(0, aligned_buffer(4096))
        with pytest.raises(RefusedError, match="read-only"):
            image.allow_writing()
        image.close()


@pytest.mark.root
def test_an_image_without_direct_io_is_still_read_from_below_the_cache(tmp_path: Path) -> None:
    """I3: an odd image on 4096-byte blocks goes through the page cache, which is emptied."""
    disk = tmp_path / "disk.img"
    with disk.open("wb") as made:
        made.truncate(16 * MIB)
    with loops.attached(disk, sector=4096) as node:
        loops.run("mkfs.ext4", "-q", "-F", node)
        with loops.mounted(node, tmp_path / "mnt") as point:
            file = loops.noise_file(point / "drive.img", 64 * KIB + 512)
            content = file.read_bytes()
            image, buffer = ImageFile.open(file), aligned_buffer(64 * KIB + 512)
            image.allow_writing()
            image.read(0, buffer)
            image.write(0, buffer)
            image.flush()
            assert image.geometry.logical_bytes == 512
            assert bytes(buffer) == content == file.read_bytes()
            image.close()


@pytest.mark.root
@pytest.mark.parametrize("length", [64 * KIB, 64 * KIB + 512])
def test_a_reading_comes_from_below_the_page_cache(length: int, tmp_path: Path) -> None:
    """I3: with direct I/O, and without it where the size does not allow it.

    The bytes are changed on the disk below the file system, whose cached pages stay as they were.
    """
    disk = tmp_path / "disk.img"
    with disk.open("wb") as made:
        made.truncate(16 * MIB)
    with loops.attached(disk, sector=4096) as node:
        loops.run("mkfs.ext4", "-q", "-F", node)
        with loops.mounted(node, tmp_path / "mnt") as point:
            file = loops.noise_file(point / "drive.img", length)
            content = file.read_bytes()
            loops.run("sync", "-f", file)
            image, buffer = ImageFile.open(file), aligned_buffer(length)
            image.allow_writing()
            buffer[:] = content
            image.write(0, buffer)
            image.flush()
            assert file.read_bytes() == content  # Now it is in the page cache.
            loops.run("sync", "-f", file)
            place = disk.read_bytes().index(content[: 4 * KIB])
            with disk.open("r+b") as behind:
                behind.seek(place)
                behind.write(b"decayed")
            image.read(0, buffer)
            image.close()

    assert bytes(buffer[:7]) == b"decayed"
    assert bytes(buffer[7:]) == content[7:]


@pytest.mark.root
def test_an_image_that_shares_blocks_with_a_copy_is_no_place_to_rewrite(tmp_path: Path) -> None:
    """A reflinked copy on xfs: the rewrite would go to a new place."""
    disk = tmp_path / "xfs.img"
    with disk.open("wb") as made:
        made.truncate(320 * MIB)
    loops.run("mkfs.xfs", "-q", "-m", "reflink=1", disk)
    with loops.attached(disk) as node, loops.mounted(node, tmp_path / "mnt") as point:
        file = loops.noise_file(point / "drive.img", MIB)
        image = ImageFile.open(file)
        alone = image.rewrite_objection()
        loops.run("cp", "--reflink=always", file, point / "copy.img")
        shared = image.rewrite_objection()
        image.close()

    assert alone is None
    assert "shared with a snapshot or a reflinked copy" in (shared or "")


def test_an_image_on_an_ordinary_file_system_may_be_rewritten(file: Path) -> None:
    """The guard can say yes."""
    image = ImageFile.open(file)
    objection = image.rewrite_objection()
    image.close()

    assert objection is None
