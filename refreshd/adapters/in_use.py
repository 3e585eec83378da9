"""Is a medium in use? A reason in a sentence, or None.

The kernel's claim (O_EXCL) is the lock; this looks first so that the archivist is told what
to do, and sees what a claim does not: a plain writer, an image that is attached, ZFS.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path

from refreshd import signatures
from refreshd.errors import RefusedError
from refreshd.kernel import root_side
from refreshd.kernel.backing import can_be_seen, foundation, marks_on, nodes_under
from refreshd.kernel.block_tree import Node, closure, loop_devices
from refreshd.kernel.mounts import Mount, device_of_node, swap_paths, visible_mounts
from refreshd.kernel.openers import Writer, writers

OUR_NAME = "refreshd"
"""Name of a process that is our own command."""


def reason_in_use(path: str | Path) -> str | None:
    """
    Say why no pass may work on the medium at `path`; None if nothing speaks against it.

    Links such as /dev/disk/by-id/… are resolved. A path that leads nowhere is no reason: the
    adapter that opens it says so better.
    """
    place = os.path.realpath(path)
    try:
        found = Path(place).stat()
    except OSError:
        return None
    if stat.S_ISBLK(found.st_mode):
        return _reason_for_disk(place, Node(found.st_rdev))
    if stat.S_ISREG(found.st_mode):
        return _reason_for_image(place, found)
    return None


def member_note(marks: tuple[str, ...], place: str) -> str | None:
    """
    Say that a drive is a member of a set (md, LVM, ZFS) that is not assembled here now.

    No refusal: its blocks may be read and rewritten as they are, and the claim on the disk
    keeps the set from being assembled meanwhile.
    """
    members = signatures.member_of(marks)
    if not members:
        return None
    return (
        f"{place} belongs to a set of drives ({', '.join(members)}) that is not assembled now; "
        "leave the set alone until the pass has ended"
    )


def writers_of(place: str, but: Collection[int] = ()) -> Iterator[Writer]:
    """Yield the processes that hold a disk, or what stands on it, open for writing.

    Our own and those in `but` are left out. Without root only those of the same user are seen.
    """
    number = device_of_node(place)
    family = frozenset[Node]() if number is None else closure([Node(number)], _above)
    found = writers({each.device for each in family})
    return (writer for writer in found if writer.pid not in but)


def unseen_note(place: str) -> str | None:
    """
    Say that a program which writes to this disk beside us would not be seen; None if it would.

    Only root sees what the processes of other users hold open. Where the service is not root and
    its root side does not answer, the claim still keeps mounts and other claims away.
    """
    if os.geteuid() == 0 or device_of_node(place) is None:
        return None
    try:
        root_side.ask_writers(place)
    except RefusedError as err:
        return f"{place}: whether another user's program writes to it cannot be seen: {err}"
    return None


# ── disks ──


def _reason_for_disk(place: str, node: Node) -> str | None:
    """Say why a block device is in use."""
    if node.is_partition:
        return (
            f"{place} is a partition; name the whole disk, /dev/{node.disk.name}: it is cared for "
            "as one"
        )
    family = closure([node], _above)
    return next(_reasons(place, node, family), None)


def _above(node: Node) -> Iterable[Node]:
    """Return what stands on a device: its partitions, mappings, and loop devices over it."""
    yield from node.parts
    yield from node.holders
    for loop, file in loop_devices():
        if device_of_node(file) == node.device or _lies_on(file, node):
            yield loop


def _lies_on(file: str, node: Node) -> bool:
    """Say whether a file behind a loop device lies on a file system of this device."""
    return can_be_seen(file) and node in foundation(file).nodes


def _reasons(place: str, node: Node, family: frozenset[Node]) -> Iterator[str]:
    """Yield every reason, the gravest first."""
    mounts = [mount for mount in visible_mounts() if nodes_under(mount) & family]
    if any(mount.point == "/" for mount in mounts):
        yield f"{place} holds the running system; nothing may work on it"
    for mount in mounts:
        yield f"{place} is in use: {_mounted(mount)}; unmount it first (umount {mount.point})"
    for swap in swap_paths():
        if any(Node(number) in family for number in _swap_devices(swap)):
            yield f"{place} is in use: the system swaps to {swap}; end that first (swapoff {swap})"
    for holder in sorted((each for each in family - {node} if each.slaves), key=lambda n: n.name):
        told = assembled(holder.name, holder.says("dm/name"), holder.says("dm/uuid") or "")
        yield f"{place} is in use: {told}"
    yield from _attached(place, node, family)
    yield from _zfs_imported(place, node)
    for writer in _all_writers(place):
        yield (
            f"{place} is in use: process {writer.pid} ({writer.name}) holds {writer.path} open for "
            f"writing; {what_of(writer)}"
        )


def what_of(writer: Writer) -> str:
    """Say what to do about a process that writes to a disk; one of ours is not to be killed."""
    if writer.name == OUR_NAME:
        return "it works on the drive already: let it end, or stop it where it was begun"
    return "end that first"


def _all_writers(place: str, address: Path = root_side.SOCKET) -> Iterator[Writer]:
    """Yield who can write to a disk; what we may not see ourselves, the root side is asked for."""
    yield from writers_of(place)
    if os.geteuid() == 0:
        return
    try:
        yield from root_side.ask_writers(place, address)
    except RefusedError:
        return  # Said with the pass, see `unseen_note`.


def assembled(name: str, dm_name: str | None, dm_uuid: str) -> str:
    """
    Return what is assembled on a disk as words, and how to stop it.

    Args:
        name: Its name in the kernel, such as ``md0`` or ``dm-3``.
        dm_name: What the device mapper calls it; None if it is not one of its.
        dm_uuid: Begins with the kind of a mapping. Source: Linux
            Documentation/ABI/testing/sysfs-block-dm; the prefixes are those of LVM2 and
            cryptsetup.

    """
    if dm_name is None:
        stop = f"mdadm --stop /dev/{name}" if name.startswith("md") else f"detach /dev/{name}"
        return f"{name} (md or another set of drives) is assembled on it; stop that first ({stop})"
    stop = f"dmsetup remove {dm_name}"
    if dm_uuid.startswith("LVM-"):
        stop = f"lvchange -an /dev/mapper/{dm_name}"
    if dm_uuid.startswith("CRYPT-"):
        stop = f"cryptsetup close {dm_name}"
    return f"{dm_name} ({name}, LVM or another mapping) is open on it; close that first ({stop})"


def _mounted(mount: Mount) -> str:
    """Return a mount as words."""
    return f"{mount.source} ({mount.kind}) is mounted on {mount.point}"


def _swap_devices(path: str) -> Iterator[int]:
    """Yield the device that is swapped to, or that a swap file lies on."""
    number = device_of_node(path)
    if number is not None:
        yield number
        return
    try:
        yield Path(path).stat().st_dev
    except OSError:
        return  # Deleted while in use; its mount is a reason of its own.


def _attached(place: str, node: Node, family: frozenset[Node]) -> Iterator[str]:
    """Yield the loop devices that stand on the disk, mounted or not."""
    for loop, file in loop_devices():
        if loop in family and loop != node:
            yield (
                f"{place} is in use: {file} is attached to /dev/{loop.name}; detach it first "
                f"(losetup -d /dev/{loop.name})"
            )


def _zfs_imported(place: str, node: Node) -> Iterator[str]:
    """Yield a reason if a ZFS pool is imported and the disk looks like a member of one.

    ZFS leaves no holder in sysfs; a label is looked for in the usual first label of the disk
    and its partitions, which needs no claim.
    """
    if not any(Path("/proc/spl/kstat/zfs").glob("*/state")):
        return
    for part in (node, *node.parts):
        if any(mark.startswith("zfs:") for mark in marks_on(part)):
            yield f"{place} is in use: it carries a ZFS label and a pool is imported; export it"
            return


# ── image files ──


def _reason_for_image(place: str, found: os.stat_result) -> str | None:
    """Say why an image file is in use."""
    for loop, file in loop_devices():
        if _is_same_file(file, found):
            return (
                f"{place} is in use: it is attached to /dev/{loop.name}; detach it first "
                f"(losetup -d /dev/{loop.name}), or name the loop device"
            )
    for swap in swap_paths():
        if _is_same_file(swap, found):
            return f"{place} is in use: the system swaps to it; end that first (swapoff {place})"
    return None


def _is_same_file(path: str, found: os.stat_result) -> bool:
    """Say whether a path leads to the same file; one that leads nowhere does not."""
    try:
        return os.path.samestat(Path(path).stat(), found)
    except OSError:
        return False
