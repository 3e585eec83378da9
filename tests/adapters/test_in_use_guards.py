"""What is in use is not touched: tried on real mounts, swap and attached images."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.block import BlockDevice
from refreshd.adapters.image import ImageFile
from refreshd.adapters.in_use import _above, member_note, reason_in_use, what_of
from refreshd.errors import MediumInUseError, RefusedError
from refreshd.kernel.block_tree import Node, all_disks, closure
from refreshd.kernel.mounts import own_mounts, parse_mountinfo
from refreshd.kernel.openers import Writer
from refreshd.quantities import MIB
from tests import loops

pytestmark = pytest.mark.root


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Give an image file of 16 MiB."""
    return loops.noise_file(tmp_path / "drive.img", 16 * MIB)


@pytest.fixture
def node(file: Path) -> Iterator[str]:
    """Give a loop device over the image."""
    with loops.attached(file) as attached:
        yield attached


def test_a_disk_that_nobody_uses_may_be_worked_on(node: str) -> None:
    """The guard can say yes; a loop device named as the medium is no reason by itself."""
    assert reason_in_use(node) is None
    BlockDevice.open(node).close()


def test_a_mounted_disk_is_refused_and_the_mount_point_is_named(node: str, tmp_path: Path) -> None:
    """The archivist is told what to unmount; the kernel refuses the claim as well."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    with loops.mounted(node, tmp_path / "a b") as point:
        assert str(point) in (reason_in_use(node) or "")
        with pytest.raises(MediumInUseError, match="something else has claimed it"):
            BlockDevice.open(node)

    assert reason_in_use(node) is None


def test_a_disk_we_hold_cannot_be_mounted(node: str, tmp_path: Path) -> None:
    """The claim (O_EXCL) lasts for the whole visit, not only for the opening."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    (tmp_path / "mnt").mkdir()
    held = BlockDevice.open(node)

    refused = subprocess.run(
        ["mount", node, tmp_path / "mnt"], check=False, capture_output=True, text=True
    )
    held.close()

    assert refused.returncode != 0
    assert "already mounted or" in refused.stderr or "busy" in refused.stderr


@pytest.fixture
def parted(file: Path) -> Iterator[tuple[str, str]]:
    """Give a disk with one partition: both nodes. Some kernels do not read tables themselves."""
    loops.run("parted", "--script", file, "mklabel", "gpt", "mkpart", "one", "1MiB", "15MiB")
    with loops.attached(file) as node:
        loops.run("partx", "--update", node)
        yield node, f"{node}p1"
        loops.run("partx", "--delete", node)


def test_a_mounted_partition_keeps_its_whole_disk_in_use(
    parted: tuple[str, str], tmp_path: Path
) -> None:
    """The disk is one thing: a mount of a part is a mount of it."""
    disk, part = parted
    loops.run("mkfs.ext4", "-q", "-F", part)

    with loops.mounted(part, tmp_path / "mnt") as point:
        assert str(point) in (reason_in_use(disk) or "")
        with pytest.raises(MediumInUseError):
            BlockDevice.open(disk)
    assert reason_in_use(disk) is None


def test_a_partition_is_refused_and_its_disk_is_named(parted: tuple[str, str]) -> None:
    """Whole disks are in care; the sentence says which one to name."""
    disk, part = parted

    assert f"name the whole disk, {disk}:" in (reason_in_use(part) or "")
    with pytest.raises(RefusedError, match=f"name the whole disk, {disk}:"):
        BlockDevice.open(part)


def test_links_to_a_disk_are_followed(node: str, tmp_path: Path) -> None:
    """People name disks by /dev/disk/by-id."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    link = tmp_path / "by-id"
    link.symlink_to(node)
    with loops.mounted(node, tmp_path / "mnt") as point:
        assert str(point) in (reason_in_use(link) or "")


def test_a_disk_that_is_swapped_to_is_refused(node: str) -> None:
    """Rewriting it would write old pages over new ones."""
    loops.run("mkswap", node)
    loops.run("swapon", node)
    try:
        assert "swaps to" in (reason_in_use(node) or "")
        with pytest.raises(MediumInUseError):
            BlockDevice.open(node)
    finally:
        loops.run("swapoff", node)


def test_an_image_that_is_swapped_to_is_refused(tmp_path: Path) -> None:
    """A swap file is an image file to the eye."""
    file = loops.noise_file(tmp_path / "swap.img", 16 * MIB)
    file.chmod(0o600)
    loops.run("mkswap", file)
    loops.run("swapon", file)
    try:
        assert "swaps to it" in (reason_in_use(file) or "")
    finally:
        loops.run("swapoff", file)


def test_an_attached_image_is_refused_and_the_loop_device_is_named(file: Path, node: str) -> None:
    """Another program may write to it at any moment."""
    assert node in (reason_in_use(file) or "")


def test_a_disk_under_a_loop_device_that_is_mounted_is_refused(node: str, tmp_path: Path) -> None:
    """A read-only loop device over a disk is how partitions of a claimed disk are looked at."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    with (
        loops.attached(Path(node)) as upper,
        loops.mounted(upper, tmp_path / "mnt") as point,
    ):
        assert str(point) in (reason_in_use(node) or "")


def test_a_disk_that_holds_the_file_of_a_mounted_loop_device_is_refused(
    node: str, tmp_path: Path
) -> None:
    """A stack: disk, file system, file, loop device, file system."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    with loops.mounted(node, tmp_path / "lower") as lower:
        inner = loops.noise_file(lower / "inner.img", 4 * MIB)
        loops.run("mkfs.ext4", "-q", "-F", inner)
        with (
            loops.attached(inner) as upper,
            loops.mounted(upper, tmp_path / "upper"),
        ):
            assert "in use" in (reason_in_use(node) or "")
            assert str(tmp_path / "upper") in (reason_in_use(upper) or "")
            # What runs on the upper one (the running system, say) runs on the disk.
            assert Node(Path(upper).stat().st_rdev) in closure(
                [Node(Path(node).stat().st_rdev)], _above
            )


def test_the_disk_of_the_running_system_is_refused() -> None:
    """The gravest reason is the one that is told."""
    roots = {mount.device for mount in own_mounts() if mount.point == "/"}
    disks = [disk for disk in all_disks() if {disk.device, *(p.device for p in disk.parts)} & roots]
    if not disks:
        pytest.skip("the root file system of this machine lies on no block device")
    path = f"/dev/{disks[0].name}"
    if not Path(path).exists():
        pytest.skip("this container has no node for the disk it runs on")

    assert "holds the running system" in (reason_in_use(path) or "")


def test_a_mapping_over_a_disk_is_refused(node: str) -> None:
    """Device mapper, and so LVM, holds the disk."""
    loops.need("dmsetup")
    if "device-mapper" not in Path("/proc/devices").read_text(encoding="ascii"):
        pytest.skip("this kernel has no device mapper")
    name = f"refreshd-test-{os.getpid()}"
    loops.run("dmsetup", "create", name, "--table", f"0 16384 linear {node} 0")
    try:
        assert "assembled on it" in (reason_in_use(node) or "")
        with pytest.raises(MediumInUseError):
            BlockDevice.open(node)
    finally:
        loops.run("dmsetup", "remove", name)


def test_a_member_of_a_set_that_is_not_assembled_is_told_of() -> None:
    """It may be refreshed, block by block, but somebody should know."""
    assert member_note(("ext4:x",), "/dev/sdx") is None
    assert "md:1" in (member_note(("ext4:x", "md:1"), "/dev/sdx") or "")


HOLDER = """
import sys
from refreshd.adapters.{module} import {name}
held = {name}.open(sys.argv[1])
print("held", flush=True)
sys.stdin.read()
"""


def _holder(module: str, name: str, path: str | Path) -> subprocess.Popen[str]:
    """Start a process of ours that holds a medium until its input ends."""
    program = HOLDER.format(module=module, name=name)
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline().strip() == "held"
    return process


def test_two_processes_never_hold_one_disk(node: str) -> None:
    """The second is refused, and gets the disk when the first is killed outright."""
    with _holder("block", "BlockDevice", node) as first:
        with pytest.raises(MediumInUseError):
            BlockDevice.open(node)
        first.kill()

    BlockDevice.open(node).close()


def test_two_processes_never_hold_one_image(file: Path) -> None:
    """The lock goes with the process, so no stale lock is ever left."""
    with _holder("image", "ImageFile", file) as first:
        with pytest.raises(MediumInUseError):
            ImageFile.open(file)
        first.kill()

    ImageFile.open(file).close()


def test_a_lock_of_udev_or_another_program_is_respected(node: str) -> None:
    """Whoever probes or partitions a disk by the book holds this lock."""
    other = subprocess.Popen(
        ["flock", "--exclusive", node, "sh", "-c", "echo held; cat"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "held"
        with pytest.raises(MediumInUseError, match="lock"):
            BlockDevice.open(node)
        assert other.stdin is not None
        other.stdin.close()


def test_odd_names_in_the_mount_table_are_understood() -> None:
    """Source of the form: proc_pid_mountinfo(5). Spaces and backslashes are escaped."""
    line = (
        rb"36 35 98:0 /mnt1 /a\040b\134c rw,noatime master:1 - ext3 /dev/x\040y rw,errors=continue"
    )

    (mount,) = parse_mountinfo(b"junk\n\n" + line + b"\n")

    assert (mount.point, mount.source, mount.kind) == ("/a b\\c", "/dev/x y", "ext3")
    assert (os.major(mount.device), os.minor(mount.device)) == (98, 0)
    assert not re.search(r"[^\x20-\x7e]", mount.options)


def test_nobody_is_told_to_end_a_proving_that_is_under_way() -> None:
    """A process of ours that works on the drive is let end; any other writer is to be ended."""
    ours, other = Writer(712, "refreshd", "/dev/sdx"), Writer(713, "copier", "/dev/sdx")

    assert "let it end" in what_of(ours)
    assert what_of(other) == "end that first"
