"""Ask a drive who it is, past the bridge it sits behind: ATA IDENTIFY DEVICE by SG_IO.

The kernel does not ask USB drives for their identity pages, and bridges give a serial of their
own; most bridges pass this one command through. Source: SAT, ATA PASS-THROUGH (16); ACS,
IDENTIFY DEVICE; Linux include/scsi/sg.h, struct sg_io_hdr.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import struct

SG_IO = 0x2285
_FROM_DEVICE = -3
_SECTOR_BYTES, _SENSE_BYTES, _TIMEOUT_MS = 512, 32, 10_000

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


def identify_sector(fd: int) -> bytes | None:
    """
    Return the 512 bytes in which an ATA drive says who it is; None if it does not answer.

    The command transfers no data of the drive and moves no head; a drive or bridge that does
    not know it refuses it.
    """
    data = ctypes.create_string_buffer(_SECTOR_BYTES)
    sense = ctypes.create_string_buffer(_SENSE_BYTES)
    command = ctypes.create_string_buffer(_IDENTIFY, len(_IDENTIFY))
    sizes = (ord("S"), _FROM_DEVICE, len(_IDENTIFY), _SENSE_BYTES, 0, _SECTOR_BYTES)
    places = (ctypes.addressof(data), ctypes.addressof(command), ctypes.addressof(sense))
    header = bytearray(_HEADER.pack(*sizes, *places, _TIMEOUT_MS, *(0,) * 12))
    try:
        fcntl.ioctl(fd, SG_IO, header, True)  # noqa: FBT003 - the answer is put in place.
    except OSError as err:
        if err.errno in _REFUSED:
            return None
        raise
    answer = _HEADER.unpack(header)
    is_whole = not any(answer[place] for place in (_STATUS, _HOST_STATUS, _RESIDUE))
    return data.raw if is_whole and any(data.raw) else None
