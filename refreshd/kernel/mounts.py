"""What is mounted and what is swapped to, as the kernel tells it.

Source: proc_pid_mountinfo(5), proc_swaps(5).
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

from refreshd.kernel import ioctls

_OCTAL = re.compile(rb"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One mount: where, what kind, from what, and the device number of its file system."""

    mount_id: int
    device: int
    point: str
    kind: str
    source: str
    options: str  # of the file system, such as an overlay's upperdir


def _plain(field: bytes) -> str:
    r"""Undo the octal escapes of the kernel's tables (``\040`` is a space)."""
    return os.fsdecode(_OCTAL.sub(lambda found: bytes([int(found[1], 8) & 0xFF]), field))


def parse_mountinfo(text: bytes) -> tuple[Mount, ...]:
    """Return the mounts in a mountinfo table; a line that is no mount is left out."""
    found: list[Mount] = []
    for line in text.splitlines():
        left, _, right = line.partition(b" - ")
        fields, tail = left.split(b" "), right.split(b" ")
        if len(fields) < 6 or len(tail) < 3:  # noqa: PLR2004 - columns of the table.
            continue
        major, _, minor = fields[2].partition(b":")
        device = os.makedev(int(major), int(minor))
        kind, source, options = _plain(tail[0]), _plain(tail[1]), _plain(tail[2])
        found.append(Mount(int(fields[0]), device, _plain(fields[4]), kind, source, options))
    return tuple(found)


def visible_mounts() -> tuple[Mount, ...]:
    """Return the mounts of our own namespace, and of the first process's where we may look."""
    found: dict[tuple[int, str], Mount] = {}
    for table in ("/proc/1/mountinfo", "/proc/self/mountinfo"):
        try:
            mounts = parse_mountinfo(Path(table).read_bytes())
        except (PermissionError, FileNotFoundError):
            continue  # Not ours to see; the claim on the disk (O_EXCL) covers what we cannot.
        found.update({(mount.mount_id, mount.point): mount for mount in mounts})
    return tuple(found.values())


def own_mounts() -> tuple[Mount, ...]:
    """Return the mounts of our own namespace."""
    return parse_mountinfo(Path("/proc/self/mountinfo").read_bytes())


def mount_of(path: str) -> Mount | None:
    """Return the mount that an existing file or folder lies on."""
    mounts = own_mounts()
    fd = os.open(path, os.O_PATH | os.O_CLOEXEC)
    try:
        wanted, device = ioctls.mount_id(fd), os.fstat(fd).st_dev
    finally:
        os.close(fd)
    by_id = [mount for mount in mounts if mount.mount_id == wanted]
    by_device = [mount for mount in mounts if mount.device == device]
    return next(iter(by_id or by_device), None)


def swap_paths() -> tuple[str, ...]:
    """Return the devices and files that are swapped to."""
    try:
        lines = Path("/proc/swaps").read_bytes().splitlines()[1:]
    except FileNotFoundError:
        return ()  # A kernel without swap.
    return tuple(_plain(line.split()[0]) for line in lines if line.split())


def device_of_node(path: str) -> int | None:
    """Return the device number of a block device node; None if the path is none, or is gone."""
    try:
        found = Path(path).stat()
    except (OSError, ValueError):
        return None
    return found.st_rdev if stat.S_ISBLK(found.st_mode) else None
