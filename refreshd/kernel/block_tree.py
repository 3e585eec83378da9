"""How block devices stand on each other, as sysfs tells it, and what a disk says of itself.

Source: Linux Documentation/ABI/stable/sysfs-block and testing/sysfs-block (holders, slaves,
partition, ro, diskseq, loop/backing_file, dm/uuid), testing/sysfs-block-device (vpd_pg*).
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from refreshd.drive import END_BYTES_MAX
from refreshd.pages import BadPageError, ata_identify, scsi_identity
from refreshd.pages.ata_identify import AtaIdentity
from refreshd.pages.octets import printable

SECTOR = 512
"""Sizes in sysfs count units of 512 bytes whatever the sector is."""

_USB_BUS = re.compile(r"usb\d+")
"""Name of a USB bus in a sysfs path. Source: Linux Documentation/driver-api/usb."""

NO_DRIVES = ("loop", "zram", "ram", "dm-", "md", "nbd", "rbd", "drbd", "sr", "fd", "zd", "bcache")
"""How the names of block devices begin that are no drive one could put on a shelf.

Source: Linux Documentation/admin-guide/devices.txt; zd from ZFS.
"""


@dataclass(frozen=True, slots=True)
class Identity:
    """World-wide name, model and serial of a drive; ``None`` for what it does not say."""

    wwn: str | None = None
    model: str | None = None
    serial: str | None = None


def _text(path: Path) -> str | None:
    """Return what a sysfs file says, stripped; None if it is absent, unreadable or empty."""
    try:
        found = path.read_bytes()
    except OSError:
        return None  # An attribute may be absent, or vanish with its device.
    return printable(found) or None


@dataclass(frozen=True, slots=True)
class Node:
    """One block device, by its device number."""

    device: int

    @property
    def sysfs(self) -> Path:
        """Its folder in sysfs."""
        number = f"{os.major(self.device)}:{os.minor(self.device)}"
        return Path("/sys/dev/block") / number

    @property
    def exists(self) -> bool:
        """Whether the kernel still knows it."""
        return self.sysfs.exists()

    @property
    def name(self) -> str:
        """Its name under /dev, such as ``sda1``; sysfs writes a slash in it as ``!``."""
        return self.sysfs.resolve().name.replace("!", "/")

    @property
    def is_partition(self) -> bool:
        """Whether it is a part of a disk."""
        return (self.sysfs / "partition").exists()

    @property
    def disk(self) -> Node:
        """The whole disk that it is, or is a part of."""
        if not self.is_partition:
            return self
        parent = _device_in(self.sysfs.resolve().parent)
        return self if parent is None else parent

    @property
    def parts(self) -> tuple[Node, ...]:
        """The partitions of a whole disk."""
        folder = self.sysfs.resolve()
        if not folder.is_dir():
            return ()
        found = [_device_in(part) for part in folder.iterdir() if (part / "partition").exists()]
        return tuple(node for node in found if node)

    @property
    def holders(self) -> tuple[Node, ...]:
        """The devices that stand on this one (dm, md)."""
        return _linked(self.sysfs / "holders")

    @property
    def slaves(self) -> tuple[Node, ...]:
        """The devices that this one stands on (dm, md)."""
        return _linked(self.sysfs / "slaves")

    @property
    def backing_file(self) -> str | None:
        """The file behind a loop device."""
        try:
            raw = (self.sysfs / "loop" / "backing_file").read_bytes()
        except OSError:
            return None  # Not a loop device, or detached a moment ago.
        return os.fsdecode(raw.rstrip(b"\n")) or None

    @property
    def sequence(self) -> int | None:
        """Disk sequence number of the whole disk; None before Linux 5.15."""
        said = _text(self.sysfs / "diskseq")
        return int(said) if said and said.isdecimal() else None

    def says(self, attribute: str) -> str | None:
        """Return what a sysfs attribute says, such as ``queue/rotational``."""
        return _text(self.sysfs / attribute)

    def raw(self, attribute: str) -> bytes:
        """Return a binary sysfs attribute; empty if there is none."""
        try:
            return (self.sysfs / attribute).read_bytes()
        except OSError:
            return b""

    @property
    def is_on_usb(self) -> bool:
        """Whether it is reached through USB, and so through a bridge."""
        return is_usb_path(self.sysfs.resolve())

    @property
    def size_bytes(self) -> int:
        """Size as sysfs tells it; 0 when unknown or gone."""
        said = self.says("size")
        return int(said) * SECTOR if said and said.isdecimal() else 0

    @property
    def is_alive(self) -> bool:
        """Whether it is there, has a size, and its SCSI device is not taken offline."""
        state = self.says("device/state")
        return self.exists and self.size_bytes > 0 and state not in {"offline", "deleted"}


def is_usb_path(folder: Path) -> bool:
    """Say whether a folder of sysfs lies below a USB bus."""
    return any(_USB_BUS.fullmatch(part) for part in folder.parts)


def _device_in(folder: Path) -> Node | None:
    """Return the device that a sysfs folder is about."""
    major, _, minor = (_text(folder / "dev") or "").partition(":")
    if not (major.isdecimal() and minor.isdecimal()):
        return None
    return Node(os.makedev(int(major), int(minor)))


def _linked(folder: Path) -> tuple[Node, ...]:
    """Return the devices that a sysfs folder links to."""
    if not folder.is_dir():
        return ()
    found = [_device_in(link) for link in folder.iterdir()]
    return tuple(node for node in found if node)


def all_disks() -> tuple[Node, ...]:
    """Return every whole block device that the kernel knows and that has a size."""
    return tuple(node for node in _linked(Path("/sys/block")) if node.size_bytes)


def loop_devices() -> tuple[tuple[Node, str], ...]:
    """Return every attached loop device with its backing file."""
    found = [(node, node.backing_file) for node in _linked(Path("/sys/block"))]
    return tuple((node, file) for node, file in found if file)


def closure(seeds: Iterable[Node], further: Callable[[Node], Iterable[Node]]) -> frozenset[Node]:
    """Return the seeds and everything that `further` leads to from them."""
    known: set[Node] = set()
    waiting = list(seeds)
    while waiting:
        node = waiting.pop()
        if node not in known:
            known.add(node)
            waiting.extend(further(node))
    return frozenset(known)


def speaks_itself(disk: Node) -> bool:
    """Say whether what sysfs holds is surely the disk's own word.

    A USB bridge may answer with a serial and a world-wide name of its own.
    """
    return not disk.is_on_usb or bool(disk.raw("device/vpd_pg89"))


def spoken_of(disk: Node) -> Identity:
    """Return what is surely the disk's own word without asking it; nothing where it is not."""
    return identity_of(disk) if speaks_itself(disk) else Identity()


def identity_of(disk: Node, sector: bytes | None = None) -> Identity:
    """Return what a whole disk says of itself, the drive's own words before its bridge's.

    A USB bridge answers with a serial of its own, but most pass on the drive's IDENTIFY data:
    `sector`, where it was asked for, or else VPD page 89h, which the kernel keeps in sysfs for
    drives that are not on USB.
    """
    page = disk.raw("device/vpd_pg89")
    own = identity_from_ata(sector) if sector else _identity_behind(page)
    wwn = disk.says("wwid") or disk.says("device/wwid")
    model = disk.says("device/model") or disk.says("device/name")
    serial = _own_serial(disk.raw("device/vpd_pg80")) or disk.says("device/serial")
    return Identity(
        wwn=own.wwn or _world_wide(wwn),
        model=own.model or model,
        serial=own.serial or serial or disk.says("serial"),
    )


def _world_wide(said: str | None) -> str | None:
    """Keep a name only if it is one of the world: NAA, EUI-64 or NGUID, never vendor text.

    `t10.` names are made of vendor, model and serial, and bridges make them up.
    """
    prefixes = ("naa.", "eui.", "uuid.")
    return said.lower() if said and said.lower().startswith(prefixes) else None


def _own_serial(page: bytes) -> str | None:
    """Return the serial of VPD page 80h; None where there is no such page, or a broken one."""
    try:
        return scsi_identity.unit_serial(page)
    except BadPageError:
        return None


def identity_from_ata(sector: bytes) -> Identity:
    """Return identity from an IDENTIFY DEVICE sector, or nothing if it does not hold up."""
    try:
        return _own_words(ata_identify.identify(sector))
    except BadPageError:
        return Identity()


def is_own_word(sector: bytes, size_bytes: int) -> bool:
    """
    Say whether an IDENTIFY DEVICE sector names the very disk behind a node of this size.

    A bridge may answer with rubbish, and a dock with several bays with the drive in the first
    bay whichever is asked: names out of that are those of no drive, or of another one.
    """
    try:
        said = ata_identify.identify(sector).drive
    except BadPageError:
        return False
    return bool(said.wwn or said.serial) and is_of_size(said.size_bytes, size_bytes)


def is_of_size(said_bytes: int | None, size_bytes: int) -> bool:
    """Say whether a size may be that of a disk; one that is not known (None, 0) may be any."""
    if not said_bytes or not size_bytes:
        return True
    return abs(said_bytes - size_bytes) <= END_BYTES_MAX


def _identity_behind(page: bytes) -> Identity:
    """Return identity from VPD page 89h, or nothing if it does not hold up."""
    try:
        return _own_words(scsi_identity.ata_behind(page))
    except BadPageError:
        return Identity()


def _own_words(said: AtaIdentity) -> Identity:
    return Identity(wwn=said.drive.wwn, model=said.drive.model, serial=said.drive.serial)
