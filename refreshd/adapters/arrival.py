"""Which disks are plugged in, and which come and go: the only module that knows pyudev.

1. An event says only that something about a disk changed; what is there now is looked up in
   sysfs. So a lost event, or one that comes late or twice, tells nothing wrong.
2. A disk is there when it has a size: an empty card reader is none.
3. The same node with another disk sequence number is another stay: the one has left, the other
   has arrived, in this order.
4. Partitions are no disks, nor is what `NO_DRIVES` names.

Where udevd runs, its events are taken, since it has made links and looked at the disk by then;
elsewhere, as in a container, those of the kernel. Source: libudev(3), udev_monitor.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pyudev

from refreshd.kernel.block_tree import NO_DRIVES, Node
from refreshd.ports import Seat
from refreshd.quantities import MIB

LOG = logging.getLogger("refreshd.arrival")

UDEVD = Path("/run/udev/control")
"""Is there while udevd runs. Source: systemd, udev-ctrl."""

_BUFFER_BYTES = 8 * MIB
"""An enclosure with dozens of disks that is switched on sends thousands of events at once."""

_LOOP = "loop"


@dataclass(frozen=True, slots=True)
class Disk:
    """A whole disk that an event was about: its node and its device number."""

    node: str
    device: int


def disk_of(properties: Mapping[str, str], *, with_loops: bool) -> Disk | None:
    """
    Return the whole disk that an event is about; None for what is none.

    Args:
        properties: What udev or the kernel says of the event.
        with_loops: Take loop devices for disks, too.

    """
    if properties.get("SUBSYSTEM") != "block" or properties.get("DEVTYPE") != "disk":
        return None
    node = properties.get("DEVNAME", "")
    major, minor = properties.get("MAJOR", ""), properties.get("MINOR", "")
    if not node.startswith("/dev/") or not (major.isdecimal() and minor.isdecimal()):
        return None
    name = node.removeprefix("/dev/")
    if name.startswith(NO_DRIVES) and not (with_loops and name.startswith(_LOOP)):
        return None
    return Disk(node, os.makedev(int(major), int(minor)))


def seat_of(disk: Disk, loops_of: Path | None = None) -> Seat | None:
    """
    Return the stay of a disk, as sysfs has it now; None: it is not there, or has no medium.

    Of loop devices only those count whose file lies in the folder `loops_of`.
    """
    node = Node(disk.device)
    if not node.exists or node.size_bytes == 0 or node.says("hidden") == "1":
        return None
    if disk.node.startswith(f"/dev/{_LOOP}") and not _is_below(node.backing_file, loops_of):
        return None
    return Seat(disk.node, node.sequence)


def _is_below(file: str | None, folder: Path | None) -> bool:
    return file is not None and folder is not None and Path(file).is_relative_to(folder)


class Comings:
    """Compares what is there with what was there. Knows neither pyudev nor a loop."""

    def __init__(
        self,
        seat_of: Callable[[Disk], Seat | None],
        arrived: Callable[[Seat], None],
        left: Callable[[Seat], None],
    ) -> None:
        self._seat_of = seat_of
        self._arrived = arrived
        self._left = left
        self._known: dict[Disk, Seat] = {}

    def begin_with(self, disks: Iterator[Disk]) -> tuple[Seat, ...]:
        """Take note of what is there at the beginning, and return it."""
        found = {disk: self._seat_of(disk) for disk in disks}
        self._known = {disk: seat for disk, seat in found.items() if seat is not None}
        return tuple(sorted(self._known.values(), key=lambda seat: seat.node))

    def look(self, disk: Disk) -> None:
        """Look at one disk about which there was an event."""
        before, now = self._known.get(disk), self._seat_of(disk)
        if before == now:
            return
        if before is not None:
            del self._known[disk]
            self._left(before)
        if now is not None:
            self._known[disk] = now
            self._arrived(now)

    def look_at_all(self, disks: Iterator[Disk]) -> None:
        """Look at everything, since events may have been lost."""
        for disk in dict.fromkeys((*self._known, *disks)):
            self.look(disk)


class Arrivals:
    """
    Tells the loop of the service which disks come and go.

    Args:
        arrived: Told of a disk that was plugged in.
        left: Told of one that is gone.
        loops_of: Take loop devices for disks, too, if their files lie in this folder.

    """

    def __init__(
        self,
        arrived: Callable[[Seat], None],
        left: Callable[[Seat], None],
        loops_of: Path | None = None,
    ) -> None:
        self._with_loops = loops_of is not None
        self._comings = Comings(partial(seat_of, loops_of=loops_of), arrived, left)
        self._context = pyudev.Context()
        self._monitor: pyudev.Monitor | None = None

    def begin(self) -> tuple[Seat, ...]:
        """Listen from now on, in the loop that runs; return what is plugged in."""
        source = "udev" if UDEVD.exists() else "kernel"
        monitor = pyudev.Monitor.from_netlink(self._context, source)
        monitor.filter_by("block")
        try:
            monitor.set_receive_buffer_size(_BUFFER_BYTES)
        except OSError:
            LOG.debug("the buffer for events stays as small as it is")  # Needs CAP_NET_ADMIN.
        monitor.start()
        self._monitor = monitor
        asyncio.get_running_loop().add_reader(monitor.fileno(), self._read)
        return self._comings.begin_with(self._disks())

    def close(self) -> None:
        """Listen no more."""
        if self._monitor is not None:
            asyncio.get_running_loop().remove_reader(self._monitor.fileno())
            self._monitor = None

    def _read(self) -> None:
        """Take the events that wait."""
        monitor = self._monitor
        try:
            while monitor is not None and (device := monitor.poll(timeout=0)) is not None:
                disk = disk_of(dict(device.properties), with_loops=self._with_loops)
                if disk is not None:
                    self._comings.look(disk)
        except OSError as err:
            LOG.warning("events of disks were lost (%s); all disks are looked at", err)
            self._comings.look_at_all(self._disks())

    def _disks(self) -> Iterator[Disk]:
        for device in self._context.list_devices(subsystem="block", DEVTYPE="disk"):
            disk = disk_of(dict(device.properties), with_loops=self._with_loops)
            if disk is not None:
                yield disk
