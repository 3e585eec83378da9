"""What a file or folder lies on, and whether that is a place to rewrite in place.

Source of the magic numbers: Linux include/uapi/linux/magic.h; ZFS and bcachefs from their own
headers (from memory).
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

from refreshd import signatures
from refreshd.kernel import ioctls
from refreshd.kernel.block_tree import Node, closure
from refreshd.kernel.mounts import Mount, device_of_node, mount_of

_COPY_ON_WRITE = {
    0x2FC12FC1: "ZFS",
    0xCA451A4E: "bcachefs",
    0xF2F52010: "F2FS (log-structured)",
    0x3434: "NILFS (log-structured)",
    0x73717368: "SquashFS",
}
_BTRFS = 0x9123683E

_MEMORY_KINDS = frozenset({"tmpfs", "ramfs", "hugetlbfs", "devtmpfs"})
_NETWORK_KINDS = frozenset(
    {
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "ncpfs",
        "9p",
        "ceph",
        "afs",
        "kafs",
        "coda",
        "lustre",
        "glusterfs",
        "beegfs",
        "orangefs",
        "pvfs2",
        "gpfs",
        "virtiofs",
        "davfs",
        "prl_fs",
        "vboxsf",
    }
)
_NETWORK_DEVICES = ("nbd", "rbd", "drbd", "zvol")
_MEMORY_DEVICES = ("zram", "ram")


def rewrite_objection(fd: int) -> str | None:
    """Say why rewriting an open file in place would not rewrite its bits; None if it would.

    On copy-on-write storage the old place stays as it was and the new bytes go elsewhere.
    """
    magic = ioctls.file_system_magic(fd)
    if magic in _COPY_ON_WRITE:
        return f"it lies on {_COPY_ON_WRITE[magic]}, which writes to new places"
    attributes = ioctls.file_attributes(fd)
    if attributes & ioctls.FS_COMPR_FL:
        return "its file system compresses it, so a rewrite goes to a new place"
    if magic == _BTRFS and not attributes & ioctls.FS_NOCOW_FL:
        return "it lies on btrfs without the no-copy-on-write attribute (chattr +C)"
    if _has_shared_extents(fd):
        return "parts of it are shared with a snapshot or a reflinked copy"
    return None


def _has_shared_extents(fd: int) -> bool:
    """Say whether a rewrite of the file would be sent elsewhere for some of its extents."""
    elsewhere = ioctls.FIEMAP_EXTENT_SHARED | ioctls.FIEMAP_EXTENT_ENCODED
    try:
        return any(extent.flags & elsewhere for extent in ioctls.file_extents(fd))
    except OSError as err:
        if err.errno in {errno.EOPNOTSUPP, errno.ENOTTY, errno.EINVAL, errno.ENOSYS}:
            return False  # A file system that cannot share extents has no map of them either.
        raise


@dataclass(frozen=True, slots=True)
class Foundation:
    """Everything that a folder stands on, through partitions, loop devices and mappings."""

    nodes: frozenset[Node]
    kinds: tuple[str, ...]  # of the file systems, the folder's own first
    files: frozenset[tuple[int, int]]  # device and inode of the files behind loop devices

    @property
    def memory_kind(self) -> str | None:
        """What keeps it in memory only, if anything does."""
        return self._first(_MEMORY_KINDS, _MEMORY_DEVICES)

    @property
    def network_kind(self) -> str | None:
        """What puts it on another machine, or in a program's hands, if anything does."""
        fuse = [kind for kind in self.kinds if kind == "fuse" or kind.startswith("fuse.")]
        return self._first(_NETWORK_KINDS, _NETWORK_DEVICES) or next(iter(fuse), None)

    def _first(self, kinds: frozenset[str], devices: tuple[str, ...]) -> str | None:
        """Return the first file system or device of the given sorts."""
        found = [kind for kind in self.kinds if kind in kinds]
        found += [node.name for node in self.nodes if node.name.startswith(devices)]
        return next(iter(found), None)


def foundation(path: str) -> Foundation:
    """Return what an existing folder or file stands on."""
    return _Descent().of_path(path)


def can_be_seen(path: str) -> bool:
    """Say whether there is something at a path that this process may look at.

    `Path.exists` raises where a folder above is closed to us, as it is to a service that is not
    root and meets somebody's attached image.
    """
    try:
        Path(path).stat()
    except (OSError, ValueError):
        return False
    return True


class _Descent:
    """Walks down from a folder or device to the disks, through every layer, each once."""

    def __init__(self) -> None:
        self._nodes: set[Node] = set()
        self._kinds: list[str] = []
        self._files: set[tuple[int, int]] = set()
        self._seen: set[str] = set()

    def of_path(self, path: str) -> Foundation:
        """Walk down from a folder or file."""
        self._path(path)
        return self._found()

    def of_node(self, node: Node) -> Foundation:
        """Walk down from a block device."""
        self._down(node)
        return self._found()

    def _found(self) -> Foundation:
        """Return what the walk met."""
        return Foundation(frozenset(self._nodes), tuple(self._kinds), frozenset(self._files))

    def _path(self, path: str) -> None:
        """Go on at the file system that a path lies on."""
        if path in self._seen or not can_be_seen(path):
            return  # Outside of what this process can see, or walked already.
        self._seen.add(path)
        mount = mount_of(path)
        if mount is None:
            return
        self._kinds.append(mount.kind)
        for option in mount.options.split(","):
            if mount.kind == "overlay" and option.startswith("upperdir="):
                self._path(option.removeprefix("upperdir="))
        for node in nodes_under(mount):
            self._down(node)

    def _down(self, node: Node) -> None:
        """Go on at a block device: its disk, what it is mapped to, the file behind it."""
        for below in closure([node], lambda each: (each.disk, *each.slaves)):
            if below not in self._nodes:
                self._nodes.add(below)
                self._behind(below)

    def _behind(self, node: Node) -> None:
        """Go on at the file (or the device) behind a loop device."""
        file = node.backing_file
        if file is None:
            return
        device = device_of_node(file)
        if device is not None:
            self._down(Node(device))
            return
        try:
            found = Path(file).stat()
        except OSError:
            return  # Deleted, or in another namespace; the claim on the disk covers it.
        self._files.add((found.st_dev, found.st_ino))
        self._path(file)


def nodes_under(mount: Mount) -> frozenset[Node]:
    """Return the block devices that a mounted file system lies on, as far as can be told.

    btrfs gives its mounts a device number that is no device; its members are in sysfs.
    """
    numbers = {mount.device, device_of_node(mount.source)}
    nodes = {Node(number) for number in numbers if number}
    real = {node for node in nodes if node.exists}
    for folder in Path("/sys/fs/btrfs").glob("*/devices"):
        members = {_member(link) for link in folder.iterdir()}
        if members & real:
            real |= {node for node in members if node}
    return frozenset(real)


def marks_on(node: Node) -> tuple[str, ...]:
    """Return the signatures on a device, looked at without a claim; none if it may not be read.

    Good enough to tell what is there; whoever works on the disk claims it and looks again.
    """
    try:
        with Path(f"/dev/{node.name}").open("rb", buffering=0) as device:
            fd, length = device.fileno(), node.size_bytes
            return signatures.probe(lambda start, count: os.pread(fd, count, start), length, 512)
    except OSError:
        return ()


def _member(link: Path) -> Node | None:
    """Return the device that a link under /sys/fs/btrfs means."""
    number = device_of_node(f"/dev/{link.name}")
    return Node(number) if number is not None else None
