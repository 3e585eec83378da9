"""Whoever asks the drive behind a medium about itself."""

from __future__ import annotations

import stat
from pathlib import Path

from refreshd.adapters.examiner import examiner_of
from refreshd.kernel.block_tree import Node
from refreshd.kernel.mounts import device_of_node
from refreshd.ports import Examiner, Medium


def examiner_for(medium: Medium) -> Examiner | None:
    """
    Return whoever asks the drive behind an open medium, in the very stay that it was opened in.

    Nothing is asked yet, and the medium's own handle is not used: a pass may go on reading and
    writing over it while questions are asked. None: an image file or a folder, which have no
    health of their own. A block device always has an examiner, if only one that says why it is
    silent.

    Raises:
        DriveGoneError: The disk is gone.

    """
    place = Path(medium.place)
    if place.exists() and not stat.S_ISBLK(place.stat().st_mode):
        return None
    return examiner_of(medium.place, medium.presence().disk_sequence)


def examiner_at(place: str) -> Examiner | None:
    """
    Return whoever asks the disk at a place, which is not opened as a medium.

    Opening it asks the drive for its name, and only whether it stands still can be asked of every
    drive without waking it. None: no block device.

    Raises:
        DriveGoneError: The disk is gone.

    """
    device = device_of_node(place)
    return None if device is None else examiner_of(place, Node(device).disk.sequence)
