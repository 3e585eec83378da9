"""Disks come and go: what udev and the kernel say, and what is made of it."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from refreshd.adapters.arrival import Arrivals, Comings, Disk, disk_of, seat_of
from refreshd.ports import Seat
from tests import loops

DEADLINE_S = 20.0

USB_DISK = {
    "ACTION": "add", "DEVNAME": "/dev/sdb", "DEVTYPE": "disk", "MAJOR": "8", "MINOR": "16",
    "SUBSYSTEM": "block", "DISKSEQ": "31", "ID_BUS": "ata", "ID_PART_TABLE_TYPE": "gpt",
    "ID_USB_DRIVER": "usb-storage", "USEC_INITIALIZED": "5187400",
}  # fmt: skip
"""As udev of Debian 12 says it of a USB drive whose bridge passes commands (storage-notes, 7)."""


def changed(**properties: str) -> Mapping[str, str]:
    """Return the recorded event with other properties."""
    return USB_DISK | properties


@pytest.mark.parametrize(
    ("properties", "node"),
    [
        (USB_DISK, "/dev/sdb"),
        (changed(ACTION="change", DISK_MEDIA_CHANGE="1"), "/dev/sdb"),
        (changed(ACTION="remove"), "/dev/sdb"),
        (changed(DEVNAME="/dev/nvme0n1", MAJOR="259", MINOR="0"), "/dev/nvme0n1"),
        (changed(DEVNAME="/dev/mmcblk0", MAJOR="179", MINOR="0"), "/dev/mmcblk0"),
        (changed(DEVNAME="/dev/sdb1", DEVTYPE="partition", MINOR="17"), None),
        (changed(DEVNAME="/dev/sr0", MAJOR="11", MINOR="0"), None),
        (changed(DEVNAME="/dev/dm-0", MAJOR="253", MINOR="0"), None),
        (changed(DEVNAME="/dev/md127", MAJOR="9", MINOR="127"), None),
        (changed(DEVNAME="/dev/zram0", MAJOR="252", MINOR="0"), None),
        (changed(DEVNAME="/dev/loop0", MAJOR="7", MINOR="0"), None),
        (changed(SUBSYSTEM="bdi"), None),
        (changed(DEVNAME=""), None),
        (changed(MAJOR="eight"), None),
    ],
)
def test_whole_disks_alone_are_drives(properties: Mapping[str, str], node: str | None) -> None:
    """Source of the names: Linux Documentation/admin-guide/devices.txt."""
    found = disk_of(properties, with_loops=False)

    assert (found.node if found else None) == node
    if found is not None:
        major, minor = properties["MAJOR"], properties["MINOR"]
        assert found.device == os.makedev(int(major), int(minor))


def test_loop_devices_are_drives_only_where_that_is_asked_for() -> None:
    """They are files of this server, and somebody else's."""
    event = changed(DEVNAME="/dev/loop0", MAJOR="7", MINOR="0")

    assert disk_of(event, with_loops=True) == Disk("/dev/loop0", os.makedev(7, 0))


@dataclass
class Told:
    """What is there now, as a test says, and what was told of it."""

    there: dict[Disk, Seat] = field(default_factory=dict)
    told: list[tuple[str, Seat]] = field(default_factory=list)

    def comings(self) -> Comings:
        """Return one that looks here."""
        return Comings(
            self.there.get,
            lambda seat: self.told.append(("arrived", seat)),
            lambda seat: self.told.append(("left", seat)),
        )


SDB = Disk("/dev/sdb", os.makedev(8, 16))
OTHER = Disk("/dev/sdc", os.makedev(8, 32))


def test_a_disk_arrives_once_and_leaves_once() -> None:
    """However often an event comes, and however late."""
    world = Told()
    comings = world.comings()
    comings.begin_with(iter([SDB]))
    world.there[SDB] = seat = Seat("/dev/sdb", 31)
    for _ in range(3):
        comings.look(SDB)
    del world.there[SDB]
    for _ in range(3):
        comings.look(SDB)

    assert world.told == [("arrived", seat), ("left", seat)]


def test_the_same_node_with_a_new_sequence_is_another_stay() -> None:
    """The event of the unplugging may have been lost: the one has left before the other comes."""
    first, second = Seat("/dev/sdb", 31), Seat("/dev/sdb", 32)
    world = Told({SDB: first})
    comings = world.comings()

    assert comings.begin_with(iter([SDB])) == (first,)
    world.there[SDB] = second
    comings.look(SDB)
    assert world.told == [("left", first), ("arrived", second)]


def test_lost_events_are_made_up_for() -> None:
    """After a flood of events everything is looked at, what was known and what is there."""
    gone, come = Seat("/dev/sdb", 31), Seat("/dev/sdc", 32)
    world = Told({SDB: gone})
    comings = world.comings()
    comings.begin_with(iter([SDB]))
    del world.there[SDB]
    world.there[OTHER] = come
    comings.look_at_all(iter([OTHER]))

    assert world.told == [("left", gone), ("arrived", come)]


def test_a_reader_without_a_card_is_no_disk() -> None:
    """A device that is not there, or has no size, has no stay."""
    assert seat_of(Disk("/dev/sdzz", os.makedev(8, 65520))) is None


@pytest.mark.root
def test_a_loop_device_comes_and_goes_by_the_kernels_own_events(tmp_path: Path) -> None:
    """Attaching gives it a size and a new sequence number, and detaching takes the size away."""
    image = loops.noise_file(tmp_path / "drive.img", 65536)

    async def watch() -> list[tuple[str, Seat]]:
        told: asyncio.Queue[tuple[str, Seat]] = asyncio.Queue()
        arrivals = Arrivals(
            lambda seat: told.put_nowait(("arrived", seat)),
            lambda seat: told.put_nowait(("left", seat)),
            tmp_path,
        )
        before = arrivals.begin()
        heard = []
        for _ in range(2):
            with loops.attached(image) as node:
                heard.append(await asyncio.wait_for(told.get(), DEADLINE_S))
            heard.append(await asyncio.wait_for(told.get(), DEADLINE_S))
        arrivals.close()
        assert node not in {seat.node for seat in before}
        return heard

    heard = asyncio.run(watch())

    assert [what for what, _ in heard] == ["arrived", "left"] * 2
    first, first_left, second, second_left = (seat for _, seat in heard)
    assert (first, second) == (first_left, second_left)
    assert first.disk_sequence is not None
    assert second.disk_sequence is not None
    assert first.disk_sequence < second.disk_sequence


@pytest.mark.root
def test_loop_devices_of_others_are_left_alone(tmp_path: Path) -> None:
    """Only those over files of the folder that was named are drives."""
    mine, others = tmp_path / "mine", tmp_path / "others"
    for folder in (mine, others):
        folder.mkdir()
    with (
        loops.attached(loops.noise_file(mine / "a.img", 65536)) as wanted,
        loops.attached(loops.noise_file(others / "b.img", 65536)) as unwanted,
    ):

        async def present() -> set[str]:
            arrivals = Arrivals(lambda _: None, lambda _: None, mine)
            found = {seat.node for seat in arrivals.begin()}
            arrivals.close()
            return found

        found = asyncio.run(present())

    assert wanted in found
    assert unwanted not in found
