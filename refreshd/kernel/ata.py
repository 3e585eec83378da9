"""Ask a drive who it is, past the bridge it sits behind: ATA IDENTIFY DEVICE by SG_IO.

The kernel does not ask USB drives for their identity pages, and bridges give a serial of their
own; most bridges pass this one command through. Source: SAT, ATA PASS-THROUGH (16) and (12);
ACS, IDENTIFY DEVICE; SPC, sense data; Linux include/scsi/sg.h, struct sg_io_hdr.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import struct
from dataclasses import dataclass

SG_IO = 0x2285
_NO_DATA, _FROM_DEVICE = -1, -3
_SECTOR_BYTES, _SENSE_BYTES, _TIMEOUT_MS = 512, 32, 10_000
_TRIES = 3

_IDENTIFY_12 = bytes(
    (
        0xA1,  # ATA PASS-THROUGH (12)
        0x08,  # protocol 4: PIO data-in
        0x0E,  # from the device, in blocks, as many as the sector count says
        *(0, 1, 0, 0, 0, 0),  # features, count = 1, address, device
        0xEC,  # IDENTIFY DEVICE
        *(0, 0),
    )
)
"""What some older bridges know alone. To an optical drive the same code means "erase the disc"."""

_IDENTIFY = bytes(
    (
        0x85,  # ATA PASS-THROUGH (16)
        0x08,  # protocol 4: PIO data-in
        0x0E,  # from the device, in blocks, as many as the sector count says
        *(0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0),  # features, count = 1, address, device
        0xEC,  # IDENTIFY DEVICE
        0,
    )
)

_REFUSED = frozenset(
    {errno.ENOTTY, errno.EINVAL, errno.EPERM, errno.EACCES, errno.EOPNOTSUPP, errno.ENOSYS}
)
"""No SCSI device at all (loop, virtio, NVMe), or no right to send it commands (CAP_SYS_RAWIO)."""


_HEADER = struct.Struct("@iiBBHIPPPIIiPBBBBHHiII0P")
"""struct sg_io_hdr, 88 bytes where pointers have 8: 0 interface, 1 direction, 2 command length,
3 room for sense, 5 data length, 6 data, 7 command, 8 sense, 9 timeout in ms; then the answer."""

_STATUS, _HOST_STATUS, _RESIDUE = 13, 17, 19
_BUSY, _CHECK_CONDITION, _UNIT_ATTENTION = 0x08, 0x02, 0x06


def identify_sector(fd: int) -> bytes | None:
    """
    Return the 512 bytes in which an ATA drive says who it is; None if it does not answer.

    The command transfers no data of the drive and moves no head; a drive or bridge that does
    not know it refuses it. Only for disks (SCSI peripheral type 0), see `_IDENTIFY_12`.
    """
    for command in (_IDENTIFY, _IDENTIFY_12):
        for _ in range(_TRIES):
            answer = _ask(fd, command)
            if answer.sector is not None:
                return answer.sector
            if not answer.is_later:
                break
    return None


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came back: the sector, or none and whether it is worth asking again."""

    sector: bytes | None = None
    is_later: bool = False


def _ask(fd: int, cdb: bytes) -> _Answer:
    """Send one command that gives a sector, and wait for its answer."""
    sent = _send(fd, cdb, _SECTOR_BYTES, _TIMEOUT_MS)
    if sent is None:
        return _Answer()
    if sent.is_good and any(sent.data):
        return _Answer(sector=sent.data)
    return _Answer(is_later=sent.is_later)


def order(fd: int, cdb: bytes, timeout_ms: int) -> bool:
    """
    Give a disk a command that moves no data; say whether it carried it out.

    False: it is no SCSI disk, this process may not send commands, or the disk or its bridge
    refuses this one. OSError where the disk is gone.
    """
    for _ in range(_TRIES):
        sent = _send(fd, cdb, 0, timeout_ms)
        if sent is None or not sent.is_later:
            return sent is not None and sent.is_good
    return False


@dataclass(frozen=True, slots=True)
class _Sent:
    """How a command ended that reached the disk."""

    data: bytes
    is_good: bool
    is_later: bool


def _send(fd: int, cdb: bytes, data_bytes: int, timeout_ms: int) -> _Sent | None:
    """Send one command and wait for its end; None: there is nobody who takes commands."""
    data = ctypes.create_string_buffer(data_bytes or 1)
    sense = ctypes.create_string_buffer(_SENSE_BYTES)
    command = ctypes.create_string_buffer(cdb, len(cdb))
    direction = _FROM_DEVICE if data_bytes else _NO_DATA
    sizes = (ord("S"), direction, len(cdb), _SENSE_BYTES, 0, data_bytes)
    data_at = ctypes.addressof(data) if data_bytes else 0
    places = (data_at, ctypes.addressof(command), ctypes.addressof(sense))
    header = bytearray(_HEADER.pack(*sizes, *places, timeout_ms, *(0,) * 12))
    try:
        fcntl.ioctl(fd, SG_IO, header, True)  # noqa: FBT003 - the answer is put in place.
    except OSError as err:
        if err.errno in _REFUSED:
            return None
        raise
    answer = _HEADER.unpack(header)
    is_good = not any(answer[place] for place in (_STATUS, _HOST_STATUS, _RESIDUE))
    return _Sent(data.raw, is_good, _is_later(answer[_STATUS], sense.raw))


def _is_later(status: int, sense: bytes) -> bool:
    """Say whether a drive put the question off: it is busy, or tells first that it was reset.

    Source: SPC, sense data: response code in byte 0, 72h and 73h with the key in byte 1, 70h
    and 71h in byte 2.
    """
    if status == _BUSY:
        return True
    is_descriptor = sense[0] & 0x7F in {0x72, 0x73}
    key = sense[1 if is_descriptor else 2] & 0x0F
    return status == _CHECK_CONDITION and key == _UNIT_ATTENTION
