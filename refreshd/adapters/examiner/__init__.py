"""Asks a real disk about itself: in ATA commands, SCSI commands or NVMe commands, or not at all."""

from __future__ import annotations

from refreshd.adapters.examiner.disk import Disk
from refreshd.adapters.examiner.nvme import NvmeExaminer, RealRootSide
from refreshd.adapters.examiner.scsi_disk import ScsiExaminer
from refreshd.adapters.examiner.silent import SilentExaminer
from refreshd.ports import Examiner

DISK_TYPE = "0"
"""What sysfs gives as the type of a SCSI disk. Source: SPC, peripheral device type 00h."""

_SILENT = {
    "loop": "an image file has no health of its own",
    "vd": "a virtual disk has no health of its own",
    "xvd": "a virtual disk has no health of its own",
    "mmcblk": "a memory card answers no health commands",
    "sr": "an optical drive is asked nothing: it takes the same commands for others",
}
"""How names of the kernel begin, and why there is nobody to ask.

Source: Linux Documentation/admin-guide/devices.txt.
"""


def examiner_of(place: str, disk_sequence: int | None) -> Examiner:
    """
    Return whoever asks the disk at a node, in the stay with this disk sequence number.

    Nothing is sent to the disk yet. Raises DriveGoneError where there is no such node.
    """
    disk = Disk(place, disk_sequence)
    node = disk.node
    return how_asked(disk, node.name, node.says("device/type"))


def how_asked(disk: Disk, name: str, scsi_type: str | None) -> Examiner:
    """Return whoever asks a disk with this name of the kernel's and this type in sysfs."""
    if name.startswith("nvme"):
        return NvmeExaminer(disk, RealRootSide(disk.place, disk.disk_sequence))
    if scsi_type == DISK_TYPE:
        return ScsiExaminer(disk)
    for prefix, why in _SILENT.items():
        if name.startswith(prefix):
            return SilentExaminer(why)
    return SilentExaminer(f"{name} is no drive that could be asked")


__all__ = ["SilentExaminer", "examiner_of", "how_asked"]
