"""The last steps of a visit on a disk: flush, stop, power off.

1. Nobody but us uses the disk: it is claimed, and udev kept away, until its power is off.
2. A failed flush is never asked again: what was not written is lost, and only a new pass finds
   out what. The disk is not stopped then, so that nobody takes it for done.
3. The disk is opened for reading alone: udev looks at a disk again when a writer lets go of it,
   and would wake it.
4. What a disk does not take is said, and is no failure.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    MediumInUseError,
    MediumLockedError,
    MistakenDriveError,
    RefreshdError,
    RefusedError,
)
from refreshd.kernel import direct_io, ioctls, spin_down
from refreshd.kernel.block_tree import Node
from refreshd.kernel.file_locks import try_lock
from refreshd.ports import Seat

PowerOff = Callable[[str, int | None], str]
"""Cuts the power of the disk at a node with a disk sequence number, and returns in words how.

Raises RefreshdError.
"""

DISK_TYPE = "0"
"""What sysfs gives as the type of a SCSI disk. Source: SPC, peripheral device type 00h."""


@dataclass(frozen=True, slots=True)
class Letting:
    """What was done to let a disk go, in words. `is_powered_off`: the kernel has it no more."""

    how: str
    is_powered_off: bool = False


def release(seat: Seat, power_off: PowerOff | None) -> Letting:
    """
    Flush, stop and power off a disk.

    Args:
        seat: Where it is, and which disk is meant.
        power_off: How its power is cut; None: it cannot be cut from here.

    Raises:
        DriveGoneError, MistakenDriveError: It is not there any more.
        MediumInUseError: Something else has claimed it.
        FlushFailedError: Something may not have reached it.

    """
    with _claimed(seat) as fd:
        _flush(seat.node, fd)
        stopped = _stopped(fd, spin_down.stop_for_good)
    done = f"flushed, {stopped}"
    if power_off is None or stopped == _NOTHING_TO_STOP:
        return Letting(done)
    try:
        return Letting(f"{done}, {power_off(seat.node, seat.disk_sequence)}", is_powered_off=True)
    except RefreshdError as err:
        return Letting(f"{done}, not powered off ({err})")


def rest(seat: Seat) -> str:
    """Flush a disk and let it stop turning until it is read again. Raises as `release`."""
    with _claimed(seat) as fd:
        _flush(seat.node, fd)
        return f"{seat.node}: flushed, {_stopped(fd, spin_down.stop_for_now)}."


_NOTHING_TO_STOP = "nothing to spin down"


def _stopped(fd: int, stop: Callable[[int], bool]) -> str:
    """Stop a disk if it is one that can be stopped; return what came of it, in words."""
    node = Node(os.fstat(fd).st_rdev)
    if node.says("device/type") != DISK_TYPE:
        return _NOTHING_TO_STOP
    try:
        if stop(fd):
            return "spun down"
    except OSError as err:
        if err.errno not in direct_io.GONE | direct_io.UNREADABLE:
            raise
    return "not spun down, since neither the disk nor its bridge takes the order"


@contextmanager
def _claimed(seat: Seat) -> Iterator[int]:
    """Open and claim the disk at a seat, for reading alone."""
    fd = _open(seat.node)
    try:
        _lock(seat.node, fd)
        sequence = ioctls.disk_sequence(fd)
        if ioctls.device_size_bytes(fd) == 0:
            raise DriveGoneError(f"{seat.node}: it has no size: no medium in it, or it is gone")
        if sequence != seat.disk_sequence:
            raise MistakenDriveError(
                f"{seat.node}: another disk was plugged in meanwhile (disk sequence {sequence}, "
                f"not {seat.disk_sequence}); it was left alone"
            )
        yield fd
    finally:
        os.close(fd)


def _open(place: str) -> int:
    try:
        return os.open(place, os.O_RDONLY | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError as err:
        if err.errno == errno.EBUSY:
            raise MediumInUseError(
                f"{place}: something else has claimed it (a mount, swap, md, LVM); end that, then "
                "it can be flushed and stopped"
            ) from err
        if err.errno in direct_io.GONE | {errno.ENOENT, errno.EIO}:
            raise DriveGoneError(f"{place}: the drive is gone") from err
        if err.errno in {errno.EACCES, errno.EPERM}:
            cause = direct_io.error_name(err)
            raise RefusedError(f"{place}: may not be opened ({cause})") from err
        raise


def _lock(place: str, fd: int) -> None:
    """Keep udev away; it respects a lock on the node."""
    if not try_lock(fd):
        raise MediumLockedError(f"{place}: another process holds a lock on this disk")


def _flush(place: str, fd: int) -> None:
    """Make all that was ever written to a disk durable. Never asked again."""
    try:
        os.fsync(fd)
    except OSError as err:
        if err.errno in direct_io.GONE or not Node(os.fstat(fd).st_rdev).is_alive:
            raise DriveGoneError(f"{place}: the drive is gone") from err
        raise FlushFailedError(
            f"{place}: {direct_io.error_name(err)} on flush; what was written to it last may not "
            "have reached it. Do not unplug it; run a fixity pass"
        ) from err
