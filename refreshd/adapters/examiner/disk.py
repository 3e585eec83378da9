"""One disk as it is asked about itself: what the kernel says of it, and a handle for one question.

D1  A handle lives for one question. The disk is opened for reading, without a claim: a pass that
    holds it claimed is not disturbed, and nothing is kept open over an unplugging.
D2  Over each handle the disk sequence number is compared first: another disk at the same node is
    never asked in the place of the one that is meant.
D3  A disk that the kernel has put to sleep is not opened: opening would wake it.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import NoReturn

from refreshd.errors import DriveGoneError
from refreshd.kernel import direct_io, ioctls, nvme, sg_io
from refreshd.kernel.block_tree import Node

_HWMON = ("device/hwmon/hwmon*", "device/hwmon*", "device/nvme*/hwmon*")
"""Where a disk's own sensor is: SCSI disks, NVMe drives, NVMe drives of several controllers.

Source: Linux drivers/hwmon/drivetemp.c and drivers/nvme/host/hwmon.c.
"""

_VIRTUAL = ("virtio", "vmbus")
"""Buses of virtual machines, as their names in sysfs begin. Source: Linux drivers/virtio, hv."""

_SENSOR, _MILLI = "temp1_input", 1000
_CELSIUS = range(-40, 126)
"""What a sensor of a drive can say and mean it (common practice, no source)."""


class Disk:
    """`Reach` to a disk by its node and the stay in which it is meant."""

    def __init__(self, place: str, disk_sequence: int | None) -> None:
        """Look at nothing yet."""
        self.place = place
        self.disk_sequence = disk_sequence

    @property
    def node(self) -> Node:
        """The block device behind the node now; DriveGoneError where there is none."""
        try:
            return Node(Path(self.place).stat().st_rdev)
        except OSError as err:
            raise self._gone(direct_io.error_name(err)) from err

    @property
    def is_on_usb(self) -> bool:
        """Whether a bridge stands in front of it."""
        return self.node.is_on_usb

    @property
    def size_bytes(self) -> int:
        """How large the kernel takes it to be; 0: not known."""
        return self.node.size_bytes

    @property
    def is_virtual(self) -> bool:
        """Whether it is offered by the host of a virtual machine."""
        return any(part.startswith(_VIRTUAL) for part in self.node.sysfs.resolve().parts)

    def is_suspended(self) -> bool:
        """Say whether the kernel itself has put it to sleep, which it says without asking it."""
        return self.node.says("device/power/runtime_status") == "suspended"

    def hwmon_celsius(self) -> int | None:
        """Return what the kernel says of its temperature; None: nothing."""
        return celsius_below(self.node.sysfs.resolve())

    @contextmanager
    def scsi(self) -> Iterator[sg_io.Send]:
        """Open it for questions in SCSI commands. Raises DriveGoneError, here and within."""
        with self._opened() as fd:
            if fd is None:
                yield _not_permitted
                return

            def send(cdb: bytes, data_bytes: int, timeout_ms: int) -> sg_io.Sent:
                sent = sg_io.send(fd, cdb, data_bytes, timeout_ms)
                if sent.is_gone or (sent.host_status and not self._is_there(fd)):
                    raise self._gone(sent.words)
                return sent

            yield send

    @contextmanager
    def nvme(self) -> Iterator[nvme.Order]:
        """Open it for NVMe admin commands. Raises DriveGoneError, here and within."""
        with self._opened() as fd:
            yield _not_permitted if fd is None else partial(nvme.send, fd)

    @contextmanager
    def _opened(self) -> Iterator[int | None]:
        """Open it for one question (D1); None where this process may not."""
        try:
            fd: int | None = os.open(
                self.place, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW
            )
        except OSError as err:
            if err.errno in direct_io.GONE | {errno.ENOENT}:
                raise self._gone(direct_io.error_name(err)) from err
            if err.errno in sg_io.NO_RIGHT:
                fd = None
            else:
                raise
        if fd is None:
            yield None
            return
        try:
            self._prove(fd)
            yield fd
        except OSError as err:
            if err.errno in direct_io.GONE or not self._is_there(fd):
                raise self._gone(direct_io.error_name(err)) from err
            raise
        finally:
            os.close(fd)

    def _prove(self, fd: int) -> None:
        """Raise DriveGoneError unless this handle leads to the disk that is meant (D2)."""
        now = ioctls.disk_sequence(fd)
        if self.disk_sequence is not None and now is not None and now != self.disk_sequence:
            raise self._gone("another disk stands there by now")

    def _is_there(self, fd: int) -> bool:
        return Node(os.fstat(fd).st_rdev).is_alive

    def _gone(self, why: str) -> DriveGoneError:
        return DriveGoneError(f"{self.place}: the drive is gone ({why}); plug it in again")


def _not_permitted(*_: object) -> NoReturn:
    """Answer as the kernel does where this process may not send commands."""
    raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def celsius_below(folder: Path) -> int | None:
    """Return what the sensor says that hangs on a disk, by the disk's folder in sysfs."""
    for pattern in _HWMON:
        for sensor in sorted(folder.glob(f"{pattern}/{_SENSOR}")):
            said = _celsius(sensor)
            if said is not None:
                return said
    return None


def _celsius(sensor: Path) -> int | None:
    """Return whole degrees from a sensor that counts thousandths; None where it says nothing."""
    try:
        said = int(sensor.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None  # The drive did not answer, or was pulled out meanwhile.
    celsius = round(said / _MILLI)
    return celsius if celsius in _CELSIUS else None
