"""A whole disk as a medium: claimed for the visit, read and written below the page cache.

What keeps a mistake from reaching the disk, in the order in which it is met:

- the disk is opened read-only with O_EXCL: the kernel refuses while anything else claims it
  (a mount, swap, md, device mapper), and refuses them as long as we hold it;
- an exclusive lock on the node keeps udev from probing it and a second pass away;
- a handle that can write exists only between `allow_writing` and `forbid_writing` (I9);
- identity is compared on that very handle before the first write.
"""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from refreshd import signatures
from refreshd.cards import Carrier, Evidence, Presence
from refreshd.drive import LOOP_MODEL
from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    MediumInUseError,
    MediumLockedError,
    MistakenDriveError,
    RefusedError,
    UnreadableError,
    UsageError,
    WriteFailedError,
)
from refreshd.kernel import ata, backing, block_tree, direct_io, ioctls
from refreshd.kernel.file_locks import try_lock
from refreshd.kernel.two_handles import TwoHandles
from refreshd.quantities import Geometry, Span


@dataclass(frozen=True, slots=True)
class _Self:
    """What a disk said of itself when it was opened; compared before the first write."""

    device: int
    sequence: int | None
    size_bytes: int
    identity: block_tree.Identity
    has_answered: bool = False  # to the question that goes past its bridge


class BlockDevice(TwoHandles):
    """`ports.BlockMedium` on a whole disk."""

    def __init__(self, path: str, fd: int) -> None:
        """Take over an open, claimed disk; use `open`."""
        super().__init__(path, fd)
        self._node = block_tree.Node(os.fstat(fd).st_rdev)
        self._opened = _self_of(fd)
        self._geometry = Geometry(
            self._opened.size_bytes,
            ioctls.logical_sector_bytes(fd),
            max(ioctls.physical_sector_bytes(fd), ioctls.logical_sector_bytes(fd)),
        )

    @classmethod
    def open(cls, path: str | Path) -> Self:
        """Open a whole disk for reading and claim it until `close`.

        Raises:
            UsageError: There is no such node, or it is no block device.
            RefusedError: It is a partition, or may not be opened.
            MediumInUseError: Something else has claimed it.
            DriveGoneError: There is no medium in it, or it does not answer.

        """
        place = os.path.realpath(path)
        _refuse_parts(place)
        fd = _open(place, os.O_RDONLY | os.O_EXCL)
        try:
            _lock(place, fd)
            if ioctls.device_size_bytes(fd) == 0:
                _raise_gone(place, "it has no size: no medium in it, or it is gone")
            return cls(place, fd)
        except BaseException as err:
            os.close(fd)
            if isinstance(err, OSError) and err.errno in direct_io.GONE | direct_io.UNREADABLE:
                raise DriveGoneError(f"{place}: the drive does not say who it is ({err})") from err
            raise

    @property
    def place(self) -> str:
        """The device node, with links resolved."""
        return self._path

    @property
    def has_drive_cache(self) -> bool:
        """A disk has a cache of its own that may answer a read-back."""
        return True

    def evidence(self) -> Evidence:
        """Return what the disk and its content say. Reads, never writes."""
        geometry, said = self._geometry, self._opened.identity
        read = direct_io.bytes_reader(self.read, geometry)
        model = LOOP_MODEL if self._node.backing_file else said.model
        rotational = self._node.says("queue/rotational")
        return Evidence(
            carrier=Carrier.BLOCK,
            size_bytes=geometry.size_bytes,
            logical_bytes=geometry.logical_bytes,
            physical_bytes=geometry.physical_bytes,
            wwn=said.wwn,
            model=model,
            serial=said.serial,
            signatures=signatures.probe(read, geometry.size_bytes, geometry.logical_bytes),
            is_rotational=None if rotational is None else rotational == "1",
            has_own_names=self._opened.has_answered or block_tree.speaks_itself(self._node),
        )

    def presence(self) -> Presence:
        """Return the stay that the drive is in: this boot, this disk sequence number."""
        try:
            boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        except OSError:
            boot = None  # No proof of an uninterrupted stay, which is the careful answer.
        return Presence(boot, self._opened.sequence)

    def rewrite_objection(self) -> str | None:
        """Say why rewriting here would not rewrite the bits of a drive; None if it would."""
        return rewrite_objection(self._node)

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`, from below the page cache, or raise UnreadableError."""
        span = self._checked(start, len(into))
        try:
            with direct_io.reading(self._path, span):
                direct_io.read_fully(self._fd, start, into)
        except UnreadableError as err:
            self._look_whether_gone(err)
            raise

    def write(self, start: int, data: memoryview) -> None:
        """Write all of `data` at byte `start`, or raise WriteFailedError."""
        span = self._checked(start, len(data))
        handle = self._writer_of(span)
        self._is_dirty = True
        try:
            with direct_io.writing(self._path, span):
                direct_io.write_fully(handle, start, data)
        except WriteFailedError as err:
            self._look_whether_gone(err)
            raise

    def flush(self) -> None:
        """Make all writes durable, or raise FlushFailedError. Never retried.

        The kernel reports a failed write-back once and then forgets it: a second flush would
        succeed over lost data.
        """
        if self._write_fd is None:
            return
        self._is_dirty = False
        try:
            os.fsync(self._write_fd)
        except OSError as err:
            if err.errno in direct_io.GONE:
                _raise_gone(self._path, f"{direct_io.error_name(err)} on flush")
            self._look_whether_gone(err)
            raise FlushFailedError(
                f"{self._path}: {direct_io.error_name(err)} on flush; nothing written since the "
                "last good flush is known to be on the drive"
            ) from err
        # The kernel says yes to a flush of a drive that was pulled out and had no cache.
        self._look_whether_gone()

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the whole span: a disk has no holes."""
        return (span,)

    def drop_cache(self) -> None:
        """Drop whatever this machine's memory holds of the disk, left by other programs."""
        if not ioctls.drop_device_cache(self._fd):
            os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)

    def prove_identity(self) -> None:
        """Prove on the open handle that this is still the same drive in the same stay."""
        self._prove(self._fd)

    def _prove(self, fd: int) -> None:
        """Compare what the disk behind a handle says with what it said at the opening."""
        try:
            now = _self_of(fd)
        except OSError as err:
            if err.errno in direct_io.GONE | direct_io.UNREADABLE:
                raise DriveGoneError(f"{self._path}: the drive answers no more") from err
            raise
        if not self._node.is_alive or now.size_bytes == 0:
            _raise_gone(self._path, "it was unplugged, or the kernel took it offline")
        _refuse_other(self._path, self._opened, now)

    def allow_writing(self) -> None:
        """Prove identity, open a second handle that can write, and prove it on that one (I9)."""
        self.prove_identity()
        if self._write_fd is not None:
            return
        fd = _open(self._path, os.O_RDWR)
        try:
            self._prove(fd)
            _refuse_protected(self._path, fd)
        except BaseException:
            os.close(fd)
            raise
        self._write_fd = fd

    def _look_whether_gone(self, err: Exception | None = None) -> None:
        """Raise DriveGoneError if the disk is no longer there: EIO is what unplugging gives too."""
        if not self._node.is_alive or self._node.sequence != self._opened.sequence:
            raise DriveGoneError(
                f"{self._path}: the drive is gone ({err or 'no error told'}); plug it in again, "
                "the pass goes on from its last checkpoint"
            ) from err


def rewrite_objection(node: block_tree.Node) -> str | None:
    """Say why the blocks of a device are no bits that lie still on a drive; None if they are."""
    name = node.name
    if node.says("ro") == "1":
        return f"{name} is write-protected"
    if (node.says("queue/zoned") or "none") == "host-managed":
        return f"{name} is a host-managed shingled disk, which takes no writes in place"
    for prefix, what in _NO_DRIVES.items():
        if name.startswith(prefix):
            return f"{name} is {what}, not a whole drive"
    return _loop_objection(node)


DISK_TYPE = "0"
"""What sysfs gives as the type of a SCSI disk. Source: SPC, peripheral device type 00h."""

_NO_DRIVES = {
    "dm-": "a device-mapper volume (linear, crypt, thin, snapshot)",
    "md": "an md array",
    "zram": "compressed memory",
    "ram": "memory",
    "nbd": "a network block device",
    "rbd": "a network block device",
    "drbd": "a mirrored network device",
    "bcache": "a cached volume",
    "zd": "a ZFS volume",
    "sr": "an optical drive",
}
"""Names that the kernel gives. Source: Linux Documentation/admin-guide/devices.txt; zd from ZFS."""


def _loop_objection(node: block_tree.Node) -> str | None:
    """Object to a loop device whose file would be rewritten elsewhere."""
    file = node.backing_file
    if file is None or not Path(file).is_file():
        return None
    try:
        fd = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
    except PermissionError:
        return f"{node.name} stands on {file}, which may not be looked at"
    try:
        objection = backing.rewrite_objection(fd)
    finally:
        os.close(fd)
    return f"{node.name} stands on {file}: {objection}" if objection else None


def _refuse_parts(place: str) -> None:
    """Refuse what is no whole disk, before it is opened."""
    try:
        found = Path(place).stat()
    except OSError as err:
        raise UsageError(f"{place}: no such device ({direct_io.error_name(err)})") from err
    if not stat.S_ISBLK(found.st_mode):
        raise UsageError(f"{place}: not a block device; name a whole disk such as /dev/sdb")
    node = block_tree.Node(found.st_rdev)
    if node.is_partition:
        raise RefusedError(
            f"{place} is a partition; name the whole disk, /dev/{node.disk.name}: it is cared for "
            "as one"
        )


def _open(place: str, mode: int) -> int:
    """Open a disk for direct I/O, with the refusals of the kernel in our words."""
    flags = mode | os.O_DIRECT | os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        return os.open(place, flags)
    except OSError as err:
        if err.errno == errno.EBUSY:
            raise MediumInUseError(
                f"{place}: the kernel says that something else has claimed it (a mount, swap, md, "
                "LVM, another pass); detach that first"
            ) from err
        if err.errno in direct_io.GONE | {errno.ENOENT}:
            raise DriveGoneError(
                f"{place}: the drive is gone, holds no medium, or was given up by the kernel after "
                "an error; unplug it, and plug it in again"
            ) from err
        if err.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
            raise RefusedError(
                f"{place}: may not be opened ({direct_io.error_name(err)}); run with access to "
                "the device, and look for a write-protect switch"
            ) from err
        raise


def _refuse_protected(place: str, fd: int) -> None:
    """Refuse a disk that takes no writes: the kernel opens it for writing all the same."""
    if ioctls.is_write_protected(fd):
        raise RefusedError(f"{place}: is write-protected; look for a switch on the drive or reader")


def _lock(place: str, fd: int) -> None:
    """Lock the node, which udev respects; the lock goes with the handle."""
    if not try_lock(fd):
        raise MediumLockedError(
            f"{place}: another process holds a lock on this disk; wait for it or end it"
        )


def _self_of(fd: int) -> _Self:
    """Return what the disk behind a handle says of itself now."""
    device = os.fstat(fd).st_rdev
    node = block_tree.Node(device)
    sequence, size_bytes = ioctls.disk_sequence(fd), ioctls.device_size_bytes(fd)
    # An optical drive takes the same question for an order to erase the disc.
    sector = ata.identify_sector(fd) if node.says("device/type") == DISK_TYPE else None
    return _Self(
        device,
        node.sequence if sequence is None else sequence,
        size_bytes,
        block_tree.identity_of(node, sector),
        has_answered=sector is not None and block_tree.is_own_word(sector, size_bytes),
    )


def _refuse_other(place: str, opened: _Self, now: _Self) -> None:
    """Raise unless a disk says the same of itself as at the opening.

    One that said its name and now keeps silent is a drive in trouble, not another drive.
    """
    if now == opened:
        return
    if opened.has_answered and not now.has_answered:
        _raise_gone(place, "it does not say any more who it is")
    raise MistakenDriveError(
        f"{place}: at the opening this was {_told(opened)}; now it is {_told(now)}; nothing more "
        "is written"
    )


def _told(said: _Self) -> str:
    """Return what a disk says of itself as words."""
    identity = said.identity
    return (
        f"world-wide name {identity.wwn or 'none'}, model {identity.model or 'none'}, serial "
        f"{identity.serial or 'none'}, {said.size_bytes} bytes, disk sequence {said.sequence}"
    )


def _raise_gone(place: str, why: str) -> None:
    """Raise DriveGoneError with a reason."""
    raise DriveGoneError(f"{place}: {why}; plug the drive in again")
