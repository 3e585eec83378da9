"""Where drives may be found, and what sort of medium one is when nobody says it."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from refreshd.errors import RefusedError, UsageError
from refreshd.kernel.block_tree import NO_DRIVES, Node, all_disks
from refreshd.quantities import MediumKind


@dataclass(frozen=True, slots=True)
class MediumReading:
    """What sort of medium this is, and why that was concluded."""

    kind: MediumKind
    reason: str


def whole_disks() -> tuple[str, ...]:
    """Return the nodes of the disks that are plugged in, where a drive in care may be looked for.

    Loop devices and the like are left out; `attached_loops` are looked at only for a drive that
    was taken in as one.
    """
    names = (node.name for node in all_disks())
    return tuple(f"/dev/{name}" for name in sorted(names) if not name.startswith(NO_DRIVES))


def attached_loops() -> tuple[str, ...]:
    """Return the nodes of the loop devices that have a file behind them."""
    return tuple(f"/dev/{node.name}" for node in all_disks() if node.backing_file is not None)


def read_medium(path: str | Path) -> MediumReading:
    """
    Read from the device itself what sort of medium it is.

    Raises:
        UsageError: The path leads to nothing that could be a medium.
        RefusedError: It is a host-managed shingled disk, which takes no writes in place.

    """
    place = os.path.realpath(path)
    try:
        found = Path(place).stat()
    except OSError as err:
        raise UsageError(f"{place}: no such file or device") from err
    if not stat.S_ISBLK(found.st_mode):
        return MediumReading(
            MediumKind.HARD_DISK,
            f"{place} is no device and does not say what it is kept on; taken for a hard disk, "
            "whose rules are the most careful. Say --medium if that is wrong",
        )
    return medium_of(place, Node(found.st_rdev).disk)


def medium_of(place: str, disk: Node) -> MediumReading:
    """Return what sort of medium a block device is, from what the kernel knows of it."""
    zoned, rotational = disk.says("queue/zoned") or "none", disk.says("queue/rotational")
    if zoned == "host-managed":
        raise RefusedError(
            f"{place} is a host-managed shingled disk, which takes no writes in place; it cannot "
            "be refreshed, so it is not taken into care"
        )
    if zoned == "host-aware":
        return MediumReading(MediumKind.SHINGLED_DISK, f"{place} says that it is host-aware")
    if disk.name.startswith("loop"):
        return MediumReading(
            MediumKind.HARD_DISK,
            f"{place} is a loop device over a file and does not say what it is kept on; taken for "
            "a hard disk. Say --medium if that is wrong",
        )
    if rotational == "1":
        return MediumReading(
            MediumKind.HARD_DISK,
            f"{place} says that it rotates; if it is a shingled disk that does not say so, give "
            "--medium shingled-disk",
        )
    if disk.name.startswith("mmcblk"):
        return MediumReading(MediumKind.FLASH, f"{place} is a memory card")
    if disk.says("removable") == "1":
        return MediumReading(MediumKind.FLASH, f"{place} is removable and does not rotate")
    return MediumReading(MediumKind.SSD, f"{place} says that it does not rotate")
