"""A mounted folder as a medium without bytes: identity and inventory of a drive somebody mounted.

Names and contents on it are not trusted (I8): no link is followed, no device opened, no other
mount entered; names are bytes.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Self

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.errors import RefusedError, UsageError
from refreshd.fixity import Digester
from refreshd.kernel import ioctls
from refreshd.kernel.backing import marks_on, nodes_under
from refreshd.kernel.direct_io import aligned_buffer
from refreshd.kernel.mounts import mount_of
from refreshd.quantities import MIB, SECTOR_BYTES_MIN, Digest

_PIECE_BYTES = 4 * MIB
_DEPTH_MAX = 250
"""Folders within folders; each level holds a handle open, and a hostile drive has no bottom."""

_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_FILE_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC


class ItemKind(StrEnum):
    """What one name in a folder is."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    OTHER = "other"  # device, socket, pipe
    MOUNT = "mount"  # another file system begins here; not entered
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Item:
    """One name on the drive. `path` is relative to the folder; `digest` is of regular files."""

    path: bytes
    kind: ItemKind
    size_bytes: int = 0
    mtime_ns: int = 0
    digest: Digest | None = None
    note: str = ""

    @property
    def line(self) -> bytes:
        """One line of the listing: kind, size, time, digest, name with odd bytes as ``%xx``."""
        digest = self.digest.hex() if self.digest else "-"
        name = "".join(chr(b) if 0x20 < b < 0x7F and b != 0x25 else f"%{b:02x}" for b in self.path)  # noqa: PLR2004 - printable ASCII but the percent sign.
        return f"{self.kind}\t{self.size_bytes}\t{self.mtime_ns}\t{digest}\t{name}\n".encode()


@dataclass(frozen=True, slots=True)
class InventorySummary:
    """What an inventory adds up to; the fields of `events.InventoryTaken`."""

    files: int
    file_bytes: int
    other_items: int
    unreadable_items: int
    listing_sha256: str


class MountedFolder:
    """`ports.Medium` on a folder: no bytes to number, so no chunk passes."""

    def __init__(self, path: str, fd: int) -> None:
        """Take over an open folder; use `open`."""
        self._path = path
        self._fd = fd

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a folder.

        Raises:
            UsageError: There is no such folder.
            RefusedError: It may not be read.

        """
        place = os.path.realpath(path)
        try:
            return cls(place, os.open(place, _FOLDER_FLAGS))
        except (FileNotFoundError, NotADirectoryError) as err:
            raise UsageError(f"{place}: no such folder") from err
        except PermissionError as err:
            raise RefusedError(f"{place}: may not be read; check its owner and mode") from err

    @property
    def place(self) -> str:
        """The path of the folder."""
        return self._path

    @property
    def is_mount_point(self) -> bool:
        """Say whether this is the top of a mounted file system, as that of a drive is."""
        return Path(self._path).is_mount()

    def evidence(self) -> Evidence:
        """Return the UUID of the file system, from the disk or else from udev, and its size."""
        mount = mount_of(self._path)
        nodes = nodes_under(mount) if mount else frozenset()
        sizes = [node.size_bytes for node in nodes]
        held = os.fstatvfs(self._fd)
        size = sum(sizes) or held.f_blocks * held.f_frsize
        marks = {mark for node in nodes for mark in marks_on(node)}
        kind = {"fuseblk": "ntfs", "msdos": "vfat"}.get(mount.kind, mount.kind) if mount else ""
        marks = marks or {f"{kind}:{name}" for name in _uuids({node.device for node in nodes})}
        sector = SECTOR_BYTES_MIN
        return Evidence(Carrier.FOLDER, size, sector, sector, signatures=tuple(sorted(marks)))

    def presence(self) -> Presence:
        """Return no proof of a stay: a mounted file system is written to at any moment."""
        return Presence()

    def close(self) -> None:
        """Let go of the folder; a second call does nothing."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def inventory(self) -> Iterator[Item]:
        """Yield every name below the folder, folders before what is in them, sorted by bytes."""
        own_mount = ioctls.mount_id(self._fd)
        device = os.fstat(self._fd).st_dev
        yield from _walk(os.open(".", _FOLDER_FLAGS, dir_fd=self._fd), b"", (own_mount, device))


def summarise(items: Iterator[Item]) -> InventorySummary:
    """Add an inventory up; the listing's digest is that of its lines in the order of the walk."""
    listing = hashlib.sha256()
    files = file_bytes = other = unreadable = 0
    for item in items:
        listing.update(item.line)
        if item.kind is ItemKind.FILE:
            files += 1
            file_bytes += item.size_bytes
        elif item.kind is ItemKind.UNREADABLE:
            unreadable += 1
        else:
            other += 1
    return InventorySummary(files, file_bytes, other, unreadable, listing.hexdigest())


def _uuids(devices: set[int]) -> Iterator[str]:
    """Yield file-system UUIDs that udev knows of these devices; needs no privileges."""
    folder = Path("/dev/disk/by-uuid")
    if not folder.is_dir():
        return  # A system without udev, such as a container.
    for link in folder.iterdir():
        try:
            if link.stat().st_rdev in devices:
                yield link.name
        except OSError:
            continue  # The link leads nowhere: the device was pulled out a moment ago.


def _walk(fd: int, above: bytes, home: tuple[int | None, int]) -> Iterator[Item]:
    """Yield the items of an open folder, which is closed at the end, and of those below it."""
    try:
        try:
            names = sorted(os.fsencode(name) for name in os.listdir(fd))
        except OSError as err:
            yield Item(above or b".", ItemKind.UNREADABLE, note=_name(err))
            return
        for name in names:
            yield from _item(fd, name, above + b"/" + name if above else name, home)
    finally:
        os.close(fd)


def _item(folder: int, name: bytes, path: bytes, home: tuple[int | None, int]) -> Iterator[Item]:
    """Yield one name of a folder, and what lies below it."""
    try:
        found = os.stat(name, dir_fd=folder, follow_symlinks=False)
        is_home = (ioctls.mount_id_at(folder, name), found.st_dev) == home
        if stat.S_ISDIR(found.st_mode) and not is_home:
            yield Item(path, ItemKind.MOUNT)
        elif stat.S_ISDIR(found.st_mode) and path.count(b"/") >= _DEPTH_MAX:
            yield Item(path, ItemKind.UNREADABLE, note=f"more than {_DEPTH_MAX} folders deep")
        elif stat.S_ISDIR(found.st_mode):
            below = os.open(name, _FOLDER_FLAGS, dir_fd=folder)
            yield Item(path, ItemKind.FOLDER, mtime_ns=found.st_mtime_ns)
            yield from _walk(below, path, home)
        elif stat.S_ISREG(found.st_mode) and is_home:
            yield _file(folder, name, path)
        else:
            kind = ItemKind.LINK if stat.S_ISLNK(found.st_mode) else ItemKind.OTHER
            yield Item(path, kind, found.st_size, found.st_mtime_ns)
    except OSError as err:
        yield Item(path, ItemKind.UNREADABLE, note=_name(err))


def _file(folder: int, name: bytes, path: bytes) -> Item:
    """Return a regular file with its digest. OSError if it cannot be read."""
    fd = _open_file(folder, name)
    try:
        before = os.fstat(fd)
        if not stat.S_ISREG(before.st_mode):  # Swapped for something else since it was listed.
            return Item(path, ItemKind.OTHER)
        digest, read_bytes = _digest(fd)
        after = os.fstat(fd)
    finally:
        os.close(fd)
    if (after.st_mtime_ns, after.st_size) != (before.st_mtime_ns, read_bytes):
        return Item(path, ItemKind.UNREADABLE, note="changed while it was read")
    return Item(path, ItemKind.FILE, read_bytes, before.st_mtime_ns, digest)


def _open_file(folder: int, name: bytes) -> int:
    """Open a file without touching its access time where that is permitted (owner or root)."""
    try:
        return os.open(name, _FILE_FLAGS | os.O_NOATIME, dir_fd=folder)
    except PermissionError:
        return os.open(name, _FILE_FLAGS, dir_fd=folder)


def _digest(fd: int) -> tuple[Digest, int]:
    """Return the digest and the length of an open file."""
    digester, done = Digester(), 0
    buffer = aligned_buffer(_PIECE_BYTES)
    while count := os.preadv(fd, [buffer], done):
        digester.add(buffer[:count])
        done += count
    return digester.digest(), done


def _name(err: OSError) -> str:
    """Return the name of an errno."""
    return errno.errorcode.get(err.errno or 0, str(err.errno))
