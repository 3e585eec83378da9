"""Empty files that tell the udev rule which drives are in care, by the names that udev gives them.

`systemd/65-refreshd.rules` looks for them when a disk is plugged in, and keeps the desktop from
mounting what it finds. The marks are no record: they are made anew from the catalogue whenever
the service starts or a card changes, and a drive without one is only mounted as any other.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from refreshd.cards import Carrier, Evidence
from refreshd.kernel.owners import make_file, make_folder

_MODE = 0o700
_FILE_MODE = 0o600
_NOT_KEPT = re.compile(r"[^0-9A-Za-z#+\-.:=@_]")
_NAME_MAX = 200
_WORLD_WIDE = "naa."


def marks_of(evidence: Evidence) -> frozenset[str]:
    """
    Return the names of the files that stand for a drive.

    Empty for what is no disk: an image file, a mounted folder. What is on a drive counts only
    where its own names are not known, since a copy of it elsewhere is nobody's business.
    """
    if evidence.carrier is not Carrier.BLOCK:
        return frozenset()
    marks: set[str] = set()
    if evidence.wwn:
        marks.add(f"wwn-{_as_udev_says(evidence.wwn)}")
    if evidence.model and evidence.serial:
        marks.add(f"serial-{_plain(evidence.model)}-{_plain(evidence.serial)}")
    if not evidence.has_own_names:
        marks |= {f"content-{_plain(each.partition(':')[2])}" for each in evidence.signatures}
    return frozenset(mark for mark in marks if len(mark) <= _NAME_MAX)


def keep_marks(folder: Path, drives: Iterable[Evidence]) -> None:
    """
    Make the files of all drives in care, and remove those of others. OSError goes through.

    Call it when the service has started and after each record that changes which drives are in
    care, with what the cards say.
    """
    make_folder(folder, _MODE)
    wanted = {mark for evidence in drives for mark in marks_of(evidence)}
    there = {file.name for file in folder.iterdir()}
    for name in wanted - there:
        with suppress(FileExistsError):
            os.close(make_file(folder / name, os.O_WRONLY, _FILE_MODE))
    for name in there - wanted:
        (folder / name).unlink(missing_ok=True)


def _as_udev_says(wwn: str) -> str:
    """Return a world-wide name as udev writes it. Source: systemd, ata_id and scsi_id; 60-rules."""
    if wwn.startswith(_WORLD_WIDE):
        return _plain("0x" + wwn.removeprefix(_WORLD_WIDE))
    return _plain(wwn)


def _plain(words: str) -> str:
    """Return words as udev writes them: spaces and what could harm a shell become ``_``.

    Nothing that is left could be a path (I8). Source: systemd, udev_replace_whitespace and
    udev_replace_chars: what is no letter, digit or one of ``#+-.:=@_``.
    """
    return _NOT_KEPT.sub("_", "_".join(words.split()))
