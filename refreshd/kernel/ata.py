"""Ask a drive who it is, past the bridge it sits behind, and give it orders without data.

The kernel does not ask USB drives for their identity pages, and bridges give a serial of their
own; most bridges pass this one command through. Source: SAT, ATA PASS-THROUGH (16) and (12);
ACS, IDENTIFY DEVICE.
"""

from __future__ import annotations

from functools import partial

from refreshd.kernel import sg_io
from refreshd.pages import commands

_TIMEOUT_MS = 10_000


def identify_sector(fd: int) -> bytes | None:
    """
    Return the 512 bytes in which an ATA drive says who it is; None if it does not answer.

    The command transfers no data of the drive and moves no head; a drive or bridge that does
    not know it refuses it. Only for disks (SCSI peripheral type 0), see `commands.short_form`.
    OSError where the disk is gone.
    """
    identify = commands.identify_device()
    for command in (identify, commands.short_form(identify)):
        sent = _asked(fd, command, commands.SECTOR_BYTES, _TIMEOUT_MS)
        if sent is None:
            return None
        if sent.is_good and len(sent.data) == commands.SECTOR_BYTES and any(sent.data):
            return sent.data
    return None


def order(fd: int, cdb: bytes, timeout_ms: int) -> bool:
    """
    Give a disk a command that moves no data; say whether it carried it out.

    False: it is no SCSI disk, this process may not send commands, or the disk or its bridge
    refuses this one. OSError where the disk is gone.
    """
    sent = _asked(fd, cdb, 0, timeout_ms)
    return sent is not None and sent.is_good


def _asked(fd: int, cdb: bytes, data_bytes: int, timeout_ms: int) -> sg_io.Sent | None:
    """Send a command; None: there is nobody who takes commands, or not from us."""
    try:
        return sg_io.asked(partial(sg_io.send, fd), cdb, data_bytes, timeout_ms)
    except OSError as err:
        if err.errno in sg_io.NOBODY | sg_io.NO_RIGHT:
            return None
        raise
