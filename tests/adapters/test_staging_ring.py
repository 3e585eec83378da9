"""The staging ring: really allocated, durable, and never where it could not save anything."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.staging_file import (
    BLOCK_BYTES,
    RingFile,
    discard_ring,
    ring_bytes,
    staging_objection,
)
from refreshd.errors import InvariantBrokenError, StagingFailedError, StagingRefusedError
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.quantities import KIB, MIB
from tests import loops

SIZE = 4 * MIB


def filled(byte: bytes, length: int = 64 * KIB) -> memoryview:
    """Return aligned memory full of one byte."""
    buffer = aligned_buffer(length)
    buffer[:] = byte * length
    return buffer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Give the place of a ring whose folder is not there yet."""
    return tmp_path / "state" / "staging" / "K07.ring"


def test_what_was_staged_comes_back(path: Path) -> None:
    """Written, flushed, read."""
    ring, back = RingFile.open(path, SIZE), aligned_buffer(64 * KIB)
    ring.write(MIB, filled(b"s"))
    ring.flush()
    ring.read(MIB, back)
    ring.close()

    assert bytes(back) == b"s" * 64 * KIB
    assert (ring.size_bytes, ring.block_bytes) == (SIZE, BLOCK_BYTES)


def test_the_room_is_really_there_before_the_pass(path: Path) -> None:
    """A sparse ring would run out of room in the middle of a rewrite."""
    RingFile.open(path, SIZE).close()

    assert path.stat().st_blocks * 512 >= SIZE
    assert ring_bytes(path) == SIZE


def test_the_ring_and_its_folder_are_for_their_owner_alone(path: Path) -> None:
    """It holds pieces of other people's drives."""
    ring = RingFile.open(path, SIZE)
    kept = Path(ring.keep_aside("K07-4096", filled(b"k")))
    ring.close()

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert stat.S_IMODE(kept.parent.stat().st_mode) == 0o700


def test_an_existing_ring_keeps_what_it_holds(path: Path) -> None:
    """I6: recovery reads the copies that a killed pass left."""
    ring = RingFile.open(path, SIZE)
    ring.write(0, filled(b"r"))
    ring.flush()
    ring.close()
    again, back = RingFile.open(path, SIZE), aligned_buffer(64 * KIB)
    again.read(0, back)
    again.close()

    assert bytes(back) == b"r" * 64 * KIB


def test_a_ring_of_another_size_is_never_remade_by_itself(path: Path) -> None:
    """I1: it may hold the only good copy of an interrupted rewrite."""
    RingFile.open(path, SIZE).close()

    with pytest.raises(StagingRefusedError, match="only good copy"):
        RingFile.open(path, SIZE * 2)
    assert ring_bytes(path) == SIZE
    discard_ring(path)
    assert ring_bytes(path) is None
    RingFile.open(path, SIZE * 2).close()


def test_a_ring_serves_one_pass_at_a_time(path: Path) -> None:
    """Two passes would overwrite each other's copies."""
    ring = RingFile.open(path, SIZE)
    with pytest.raises(StagingRefusedError, match="another pass"):
        RingFile.open(path, SIZE)
    ring.close()


def test_a_transfer_outside_of_the_ring_stops_the_program(path: Path) -> None:
    """A wrong offset is a fault of ours."""
    ring = RingFile.open(path, SIZE)

    for start, length in ((SIZE, BLOCK_BYTES), (100, BLOCK_BYTES), (0, 100), (-BLOCK_BYTES, 4096)):
        with pytest.raises(InvariantBrokenError):
            ring.write(start, aligned_buffer(length))
    ring.close()


def test_kept_bytes_are_whole_and_replace_nothing(path: Path) -> None:
    """What was kept before stays: it may be all that is left of something."""
    ring = RingFile.open(path, SIZE)
    first = Path(ring.keep_aside("K07-4096", memoryview(b"first")))
    second = Path(ring.keep_aside("K07-4096", filled(b"2")))
    ring.close()

    assert first.read_bytes() == b"first"
    assert second.read_bytes() == b"2" * 64 * KIB
    assert sorted(found.name for found in first.parent.iterdir()) == ["K07-4096", "K07-4096-2"]


def test_kept_bytes_have_a_plain_name(path: Path) -> None:
    """A name from outside must not lead out of the folder."""
    ring = RingFile.open(path, SIZE)

    for name in ("", "..", "a/b", "/etc/x"):
        with pytest.raises(InvariantBrokenError):
            ring.keep_aside(name, memoryview(b"x"))
    ring.close()


TRACED = """
import sys
from pathlib import Path
from refreshd.adapters.staging_file import RingFile
ring = RingFile.open(Path(sys.argv[1]), 65536)
ring.keep_aside("kept", memoryview(b"x" * 5000))
"""


def test_kept_bytes_are_durable_before_their_name_and_the_name_before_the_answer(
    path: Path,
) -> None:
    """I1: write, fsync of the file, rename, fsync of the folder, in this order."""
    events: list[str] = []
    program = (
        "import os, sys\n"
        "real_fsync, real_rename = os.fsync, os.rename\n"
        "def fsync(fd):\n"
        "    print('fsync', os.readlink(f'/proc/self/fd/{fd}'), flush=True)\n"
        "    return real_fsync(fd)\n"
        "def rename(a, b, **more):\n"
        "    print('rename', b, flush=True)\n"
        "    return real_rename(a, b, **more)\n"
        "os.fsync, os.rename = fsync, rename\n" + TRACED
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], check=True, capture_output=True, text=True
    )
    events = [line for line in done.stdout.splitlines() if "kept" in line]

    folder = path.parent / "kept"
    assert events[-3:] == [
        f"fsync {folder / '.kept.part'}",
        f"rename {folder / 'kept'}",
        f"fsync {folder}",
    ]


# ── where it may not be ──


@pytest.fixture
def medium(tmp_path: Path) -> Path:
    """Give an image that is to be refreshed."""
    return loops.noise_file(tmp_path / "drive.img", 16 * MIB)


def test_an_ordinary_folder_is_accepted(tmp_path: Path, medium: Path) -> None:
    """The guard can say yes, also for a folder that is not made yet."""
    assert staging_objection(tmp_path, str(medium)) is None
    assert staging_objection(tmp_path / "not" / "yet", str(medium)) is None


def test_memory_is_refused(medium: Path) -> None:
    """A cut would take the copies with it."""
    if not Path("/dev/shm").is_dir():  # noqa: S108 - the place that is memory everywhere.
        pytest.skip("no memory-backed folder on this machine")

    assert "kept in memory" in (staging_objection("/dev/shm", str(medium)) or "")  # noqa: S108


@pytest.mark.root
def test_memory_under_a_stack_is_refused(tmp_path: Path, medium: Path) -> None:
    """A file system in a file in memory is memory."""
    with loops.mounted("none", tmp_path / "ram", "-t", "tmpfs") as ram:
        inner = loops.noise_file(ram / "inner.img", 4 * MIB)
        loops.run("mkfs.ext4", "-q", "-F", inner)
        with loops.attached(inner) as node, loops.mounted(node, tmp_path / "up") as point:
            assert "kept in memory" in (staging_objection(point / "staging", str(medium)) or "")


@pytest.mark.root
def test_the_drive_itself_is_refused_through_every_layer(tmp_path: Path, medium: Path) -> None:
    """Loop device, partition, and a file system in a file on the drive."""
    loops.run("parted", "--script", medium, "mklabel", "gpt", "mkpart", "one", "1MiB", "15MiB")
    with loops.attached(medium) as node:
        loops.run("partx", "--update", node)
        loops.run("mkfs.ext4", "-q", "-F", f"{node}p1")
        with loops.mounted(f"{node}p1", tmp_path / "lower") as lower:
            inner = loops.noise_file(lower / "inner.img", 4 * MIB)
            loops.run("mkfs.ext4", "-q", "-F", inner)
            with loops.attached(inner) as upper, loops.mounted(upper, tmp_path / "up") as point:
                for drive in (node, str(medium)):
                    for folder in (lower, lower / "staging", point):
                        assert f"lies on {drive} itself" in (staging_objection(folder, drive) or "")
                assert f"lies on {upper} itself" in (staging_objection(point, upper) or "")
                assert staging_objection(lower, upper) is None
                assert staging_objection(tmp_path, node) is None
        loops.run("partx", "--delete", node)


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """Give a folder on a disk of 8 MiB."""
    disk = tmp_path / "small.img"
    with disk.open("wb") as made:
        made.truncate(8 * MIB)
    loops.run("mkfs.ext4", "-q", "-F", "-m", "0", disk)
    with loops.attached(disk) as node, loops.mounted(node, tmp_path / "small") as point:
        yield point


@pytest.mark.root
def test_no_room_is_told_before_anything_is_touched(small: Path) -> None:
    """And no half-made ring is left in the way."""
    with pytest.raises(StagingRefusedError, match=r"ENOSPC.*nothing was touched"):
        RingFile.open(small / "ring", 32 * MIB)

    assert not (small / "ring").exists()
    RingFile.open(small / "ring", MIB).close()


@pytest.mark.root
def test_no_room_to_keep_bytes_is_a_failure_that_leaves_no_half_file(small: Path) -> None:
    """What is in the ring stays there."""
    ring = RingFile.open(small / "ring", MIB)
    ring.write(0, filled(b"r"))
    ring.flush()
    with pytest.raises(StagingFailedError, match="ENOSPC"):
        ring.keep_aside("too-much", memoryview(bytes(16 * MIB)))
    back = aligned_buffer(64 * KIB)
    ring.read(0, back)
    ring.close()

    assert bytes(back) == b"r" * 64 * KIB
    assert list((small / "kept").iterdir()) == []


@pytest.mark.root
def test_staged_bytes_are_read_from_the_disk_and_not_from_memory(tmp_path: Path) -> None:
    """I1: the read-back proves the disk. The bytes below are changed behind the file system."""
    disk = tmp_path / "disk.img"
    with disk.open("wb") as made:
        made.truncate(16 * MIB)
    loops.run("mkfs.ext4", "-q", "-F", disk)
    with loops.attached(disk) as node, loops.mounted(node, tmp_path / "mnt") as point:
        ring = RingFile.open(point / "ring", MIB)
        ring.write(0, filled(b"\xa7"))
        ring.flush()
        cached = os.open(point / "ring", os.O_RDONLY)
        os.pread(cached, 64 * KIB, 0)
        place = disk.read_bytes().index(b"\xa7" * 64 * KIB)
        with disk.open("r+b") as behind:
            behind.seek(place)
            behind.write(b"!")
        back = aligned_buffer(64 * KIB)
        ring.read(0, back)
        still_cached = os.pread(cached, 1, 0)
        os.close(cached)
        ring.close()

    assert still_cached == b"\xa7" or back[0] == ord("!")
    assert back[0] == ord("!")
