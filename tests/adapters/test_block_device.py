"""A whole disk, on real loop devices: content unharmed, errors named, identity proved again."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.block import BlockDevice, rewrite_objection
from refreshd.adapters.evidence import read_medium, whole_disks
from refreshd.drive import LOOP_MODEL
from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    InvariantBrokenError,
    MistakenDriveError,
    RefusedError,
    UnreadableError,
    UsageError,
    WriteFailedError,
)
from refreshd.kernel import ioctls
from refreshd.kernel.block_tree import Node, all_disks
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.quantities import KIB, MIB, Geometry, MediumKind
from tests import loops

pytestmark = pytest.mark.root

MAKERS = {
    "ext4": ((16, 512), ("mkfs.ext4", "-q", "-F"), ("e2fsck", "-f", "-n")),
    "ext4 on 4096": ((16, 4096), ("mkfs.ext4", "-q", "-F"), ("e2fsck", "-f", "-n")),
    "xfs": ((320, 512), ("mkfs.xfs", "-q", "-f"), ("xfs_repair", "-n")),
    "xfs on 4096": ((320, 4096), ("mkfs.xfs", "-q", "-f"), ("xfs_repair", "-n")),
}


def tree_digest(folder: Path) -> str:
    """Return one digest over names and contents of all files."""
    found = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        found.update(bytes(path.relative_to(folder)))
        found.update(path.read_bytes() if path.is_file() else b"")
    return found.hexdigest()


def rewrite_all(medium: BlockDevice) -> None:
    """Read every byte and write it again where it was."""
    buffer, done = aligned_buffer(4 * MIB), 0
    medium.allow_writing()
    while done < medium.geometry.size_bytes:
        part = buffer[: min(len(buffer), medium.geometry.size_bytes - done)]
        medium.read(done, part)
        medium.write(done, part)
        done += len(part)
    medium.flush()
    medium.forbid_writing()


@pytest.mark.parametrize("kind", MAKERS)
def test_a_file_system_survives_the_rewrite_of_every_byte(kind: str, tmp_path: Path) -> None:
    """Priority 1: bytes, mount and check are the same before and after."""
    (mib, sector), maker, checker = MAKERS[kind]
    file = tmp_path / "drive.img"
    with file.open("wb") as made:
        made.truncate(mib * MIB)
    with loops.attached(file, sector=sector) as node:
        loops.run(*maker, node)
        with loops.mounted(node, tmp_path / "mnt") as point:
            for n in range(20):
                loops.noise_file(point / f"letter-{n}", 40 * KIB + n, seed=n)
            before = tree_digest(point)
        bytes_before = hashlib.sha256(file.read_bytes()).hexdigest()

        medium = BlockDevice.open(node)
        assert medium.geometry.logical_bytes == sector
        rewrite_all(medium)
        medium.close()

        assert hashlib.sha256(file.read_bytes()).hexdigest() == bytes_before
        loops.run(*checker, node)
        with loops.mounted(node, tmp_path / "mnt", "-o", "ro") as point:
            assert tree_digest(point) == before


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Give an image file of 8 MiB."""
    return loops.noise_file(tmp_path / "drive.img", 8 * MIB)


@pytest.fixture
def medium(file: Path) -> Iterator[BlockDevice]:
    """Give a loop device over the image, open."""
    with loops.attached(file) as node:
        opened = BlockDevice.open(node)
        yield opened
        opened.close()


def test_no_handle_that_can_write_exists_before_the_rewrite_stage(medium: BlockDevice) -> None:
    """I9, asked of the kernel: the handles of this process on the disk are read-only, direct."""
    before = list(_flags_of_handles_on(medium.place))
    medium.allow_writing()
    during = list(_flags_of_handles_on(medium.place))
    medium.forbid_writing()
    after = list(_flags_of_handles_on(medium.place))

    assert [flags & os.O_ACCMODE for flags in before] == [os.O_RDONLY]
    assert sorted(flags & os.O_ACCMODE for flags in during) == [os.O_RDONLY, os.O_RDWR]
    assert after == before
    assert all(flags & os.O_DIRECT and flags & os.O_CLOEXEC for flags in before + during)


def _flags_of_handles_on(place: str) -> Iterator[int]:
    """Yield the flags of every handle that this process has on a device."""
    for fd in Path("/proc/self/fd").iterdir():
        try:
            is_it = str(fd.readlink()) == place
            text = Path(f"/proc/self/fdinfo/{fd.name}").read_text(encoding="ascii")
        except FileNotFoundError:
            continue  # The handle of this very listing.
        if is_it:
            yield int(text.split("flags:")[1].split()[0], 8)


def test_reads_do_not_come_from_the_page_cache(medium: BlockDevice, file: Path) -> None:
    """I3: another program's cached pages of the disk do not answer for the disk."""
    cached = os.open(medium.place, os.O_RDONLY)
    old = os.pread(cached, 4096, MIB)
    with file.open("r+b") as behind:
        behind.seek(MIB)
        behind.write(b"n" * 4096)
    still_cached = os.pread(cached, 4096, MIB)
    buffer = aligned_buffer(4096)
    medium.read(MIB, buffer)
    os.close(cached)

    assert still_cached == old  # The page cache would have given the old bytes.
    assert bytes(buffer) == b"n" * 4096


def test_an_unreadable_range_is_named_and_its_neighbours_are_read(
    medium: BlockDevice, file: Path
) -> None:
    """A real EIO of the block layer: the file behind the loop device ends too early."""
    os.truncate(file, 4 * MIB)
    buffer = aligned_buffer(MIB)

    with pytest.raises(UnreadableError, match="reading 1048576 bytes at byte 5242880") as caught:
        medium.read(5 * MIB, buffer)
    with pytest.raises(UnreadableError):
        medium.read(4 * MIB - 512 * KIB, buffer)
    medium.read(3 * MIB, buffer)

    assert caught.value.span.start == 5 * MIB
    assert caught.value.place == medium.place
    medium.prove_identity()  # The drive is still there: EIO alone is no unplugging.


def test_a_write_that_finds_no_room_below_is_a_failed_write(tmp_path: Path) -> None:
    """A thin or full backing refuses: the error of the kernel becomes ours."""
    small = tmp_path / "small.img"
    with small.open("wb") as made:
        made.truncate(4 * MIB)
    loops.run("mkfs.ext4", "-q", "-F", "-O", "^has_journal", small)
    with loops.attached(small) as lower, loops.mounted(lower, tmp_path / "mnt") as point:
        thin = point / "thin.img"
        with thin.open("wb") as made:
            made.truncate(32 * MIB)
        with loops.attached(thin) as node:
            medium = BlockDevice.open(node)
            medium.allow_writing()
            with pytest.raises((WriteFailedError, FlushFailedError)):
                _write_and_flush(medium, 16 * MIB)
            medium.close()


def _write_and_flush(medium: BlockDevice, length: int) -> None:
    """Write zeros to the start of a medium and flush."""
    medium.write(0, aligned_buffer(length))
    medium.flush()


def test_a_disk_that_changed_its_size_is_not_written_to(tmp_path: Path) -> None:
    """The proof is made on the open handle, right before the first write."""
    file = loops.noise_file(tmp_path / "drive.img", 8 * MIB)
    with loops.attached(file) as node:
        medium = BlockDevice.open(node)
        os.truncate(file, 4 * MIB)
        loops.run("losetup", "--set-capacity", node)

        with pytest.raises(MistakenDriveError, match=r"8388608 bytes.*4194304 bytes"):
            medium.allow_writing()
        assert len(list(_flags_of_handles_on(node))) == 1
        medium.close()


def test_another_disk_on_the_same_node_is_not_written_to(tmp_path: Path) -> None:
    """A node is a place, not a drive: the disk sequence number tells them apart."""
    first = loops.noise_file(tmp_path / "first.img", 8 * MIB, seed=1)
    second = loops.noise_file(tmp_path / "second.img", 8 * MIB, seed=2)
    with loops.attached(first, "--read-only") as node:
        medium = BlockDevice.open(node)
        before = medium.presence()
        _exchange(node, second)

        with pytest.raises(MistakenDriveError, match="disk sequence"):
            medium.prove_identity()
        medium.close()
        later = BlockDevice.open(node)
        assert not later.presence().is_same_stay(before)
        later.close()


def _exchange(node: str, file: Path) -> None:
    """Put another file behind a loop device. Source: loop(4), LOOP_CHANGE_FD 4C06h."""
    import fcntl  # noqa: PLC0415 - this one trick only.

    control, new = os.open(node, os.O_RDONLY), os.open(file, os.O_RDONLY)
    try:
        fcntl.ioctl(control, 0x4C06, new)
    finally:
        os.close(control)
        os.close(new)


def test_a_write_protected_disk_is_refused_at_the_rewrite_stage(tmp_path: Path) -> None:
    """It can be checked, and not be refreshed."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file, "--read-only") as node:
        medium = BlockDevice.open(node)
        medium.read(0, aligned_buffer(4096))

        assert "write-protected" in (medium.rewrite_objection() or "")
        with pytest.raises(RefusedError, match="is write-protected"):
            medium.allow_writing()
        medium.close()


def test_a_disk_of_large_blocks_is_never_written_in_parts_of_them(medium: BlockDevice) -> None:
    """No loop device has 512-byte sectors on 4096-byte blocks, so the geometry is put in."""
    medium._geometry = Geometry(8 * MIB, 512, 4096)
    medium.allow_writing()

    for start, length in ((0, 512), (512, 4096), (4096, 4096 + 512)):
        with pytest.raises(InvariantBrokenError, match="not whole physical blocks"):
            medium.write(start, aligned_buffer(length))
    medium.write(8 * MIB - 4096, aligned_buffer(4096))


def test_a_stay_is_known_by_boot_and_sequence(file: Path) -> None:
    """Opening again in one stay is the same stay; attaching again is another one."""
    with loops.attached(file) as node:
        first = BlockDevice.open(node)
        one = first.presence()
        first.close()
        second = BlockDevice.open(node)
        two = second.presence()
        second.close()
    with loops.attached(file) as node:
        third = BlockDevice.open(node)
        three = third.presence()
        third.close()

    assert one.is_same_stay(two)
    assert not one.is_same_stay(three)


def test_a_loop_device_says_that_it_is_one(medium: BlockDevice) -> None:
    """A file behind a node must not pass for the drive that it was copied from."""
    evidence = medium.evidence()

    assert (evidence.model, evidence.serial, evidence.wwn) == (LOOP_MODEL, None, None)
    assert medium.rewrite_objection() is None


def test_what_is_no_disk_is_refused_in_clear_words(tmp_path: Path) -> None:
    """Wrong words on the command line."""
    with pytest.raises(UsageError, match="no such device"):
        BlockDevice.open(tmp_path / "nothing")
    with pytest.raises(UsageError, match="not a block device"):
        BlockDevice.open(tmp_path)
    with pytest.raises(UsageError, match="no such file or device"):
        read_medium(tmp_path / "nothing")


def test_a_loop_device_without_a_file_holds_no_medium() -> None:
    """An empty card reader looks like this."""
    with loops.choosing():
        node = loops.run("losetup", "--find")

        with pytest.raises(DriveGoneError, match="no medium"):
            BlockDevice.open(node)


def test_memory_is_no_place_to_rewrite() -> None:
    """Compressed memory is a block device to the kernel."""
    zram = Path("/sys/block/zram0/dev")
    if not zram.exists():
        pytest.skip("this kernel has no compressed memory device")
    major, minor = zram.read_text(encoding="ascii").split(":")

    assert "memory" in (rewrite_objection(Node(os.makedev(int(major), int(minor)))) or "")


@pytest.mark.parametrize(("attributes", "answer"), [("+C", None), ("-C", "no-copy-on-write")])
def test_an_image_on_btrfs_is_rewritten_only_without_copy_on_write(
    attributes: str, answer: str | None, tmp_path: Path
) -> None:
    """New bytes would go to a new place and the old ones would go on fading."""
    loops.need("mkfs.btrfs")
    if "btrfs" not in Path("/proc/filesystems").read_text(encoding="ascii"):
        pytest.skip("this kernel has no btrfs")
    disk = tmp_path / "btrfs.img"
    with disk.open("wb") as made:
        made.truncate(128 * MIB)
    loops.run("mkfs.btrfs", "-q", disk)
    with loops.attached(disk) as lower, loops.mounted(lower, tmp_path / "mnt") as point:
        image = point / "drive.img"
        image.touch()
        loops.run("chattr", attributes, image)
        loops.noise_file(image, MIB)
        with loops.attached(image) as node:
            medium = BlockDevice.open(node)
            objection = medium.rewrite_objection()
            medium.close()

    assert (answer in (objection or "")) if answer else objection is None


def test_left_out_media_are_read_from_the_device(medium: BlockDevice, file: Path) -> None:
    """A medium that does not say what it is counts as a hard disk, and says why."""
    for place in (medium.place, file):
        found = read_medium(place)
        assert found.kind is MediumKind.HARD_DISK
        assert "Say --medium" in found.reason


def test_disks_that_are_plugged_in_are_listed_without_loop_devices(medium: BlockDevice) -> None:
    """Where a drive is looked for when nobody names the place."""
    found = whole_disks()

    assert medium.place not in found
    assert all(not name.startswith("/dev/loop") for name in found)
    assert set(found) <= {f"/dev/{disk.name}" for disk in all_disks()}


def test_the_numbers_of_the_ioctls_are_those_of_the_tools(medium: BlockDevice) -> None:
    """Second opinion: blockdev of util-linux."""
    fd = os.open(medium.place, os.O_RDONLY)
    try:
        ours = (
            ioctls.device_size_bytes(fd),
            ioctls.logical_sector_bytes(fd),
            ioctls.physical_sector_bytes(fd),
        )
    finally:
        os.close(fd)

    words = ("blockdev", "--getsize64", "--getss", "--getpbsz", medium.place)
    assert ours == tuple(int(line) for line in loops.run(*words).split())
