"""A path becomes a medium: block device, image file or mounted folder."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Protocol

from refreshd.adapters.block import BlockDevice
from refreshd.adapters.folder import MountedFolder
from refreshd.adapters.image import ImageFile
from refreshd.errors import UsageError
from refreshd.ports import BlockMedium


class WorkableMedium(BlockMedium, Protocol):
    """A medium of numbered bytes that also knows whether a rewrite in place makes sense."""

    def rewrite_objection(self) -> str | None:
        """Say why rewriting here would not rewrite the bits of a drive; None if it would."""


def open_medium(path: str) -> WorkableMedium | MountedFolder:
    """
    Open what a path leads to, for reading.

    Raises:
        UsageError: It leads to nothing that could be a drive.

    Also raises what the three adapters say.

    """
    place = os.path.realpath(path)
    refuse_unwritable_name(place)
    try:
        mode = Path(place).stat().st_mode
    except OSError as err:
        raise UsageError(
            f"{path}: no such file or device; name a whole disk, an image file or a mounted folder"
        ) from err
    if stat.S_ISBLK(mode):
        return BlockDevice.open(place)
    if stat.S_ISREG(mode):
        return ImageFile.open(place)
    if stat.S_ISDIR(mode):
        return MountedFolder.open(place)
    raise UsageError(
        f"{path}: neither a block device, an image file nor a folder; name one of these"
    )


def refuse_unwritable_name(path: str) -> None:
    """Refuse a name that cannot be written in the journal, which is UTF-8 (RFC 8785)."""
    try:
        path.encode("utf-8")
    except UnicodeEncodeError as err:
        shown = path.encode("utf-8", "backslashreplace").decode("ascii", "replace")
        raise UsageError(f"{shown}: this path is not UTF-8; give it another name") from err
    if not path or "\0" in path:
        raise UsageError(
            "a path holds at least one character, and no null; name a disk, image or folder"
        )
