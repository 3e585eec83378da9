"""Send one SCSI command to a disk and say how it ended: the ioctl SG_IO.

Whatever is asked of a SATA, USB or SAS disk goes this way, and nothing else does. Source: Linux
include/scsi/sg.h, struct sg_io_hdr; SPC, sense data (both formats); SAM, status codes; Linux
include/scsi/scsi_status.h, host bytes.
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import struct
from collections.abc import Callable
from dataclasses import dataclass

SG_IO = 0x2285
_NO_DATA, _FROM_DEVICE = -1, -3
_SENSE_BYTES = 96
"""As much as the kernel keeps. Source: Linux include/scsi/scsi_cmnd.h, SCSI_SENSE_BUFFERSIZE."""

TRIES = 3

NO_RIGHT = frozenset({errno.EPERM, errno.EACCES})
"""May not send this command without CAP_SYS_RAWIO. Source: Linux drivers/scsi/scsi_ioctl.c."""

NOBODY = frozenset({errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS})
"""No SCSI device at all: a loop device, a virtual disk, an NVMe disk."""

_HEADER = struct.Struct("@iiBBHIPPPIIiPBBBBHHiII0P")
"""struct sg_io_hdr, 88 bytes where pointers have 8: 0 interface, 1 direction, 2 command length,
3 room for sense, 5 data length, 6 data, 7 command, 8 sense, 9 timeout in ms; then the answer."""

_STATUS, _SENSE_LENGTH, _HOST_STATUS, _RESIDUE = 13, 16, 17, 19
_GOOD, _CHECK_CONDITION, _BUSY = 0x00, 0x02, 0x08
_UNIT_ATTENTION = 0x06
_DESCRIPTOR = frozenset({0x72, 0x73})
_NO_CONNECT, _BAD_TARGET, _TIME_OUT = 0x01, 0x04, 0x03


@dataclass(frozen=True, slots=True)
class Sent:
    """How a command ended that reached the disk, or its host adapter.

    `data` is what came, which may be less than was asked for. `sense` is all of the sense data.
    """

    data: bytes = b""
    status: int = _GOOD
    sense: bytes = b""
    host_status: int = 0

    @property
    def is_good(self) -> bool:
        """Whether it was carried out."""
        return self.status == _GOOD and self.host_status == 0

    @property
    def has_sense(self) -> bool:
        """Whether it ended with sense data, which may be good news as well as bad."""
        return self.status == _CHECK_CONDITION and self.host_status == 0 and bool(self.sense)

    @property
    def is_gone(self) -> bool:
        """Whether there was no disk any more that could have taken it."""
        return self.host_status in {_NO_CONNECT, _BAD_TARGET}

    @property
    def is_timed_out(self) -> bool:
        """Whether no answer came in time."""
        return self.host_status == _TIME_OUT

    @property
    def is_later(self) -> bool:
        """Whether it was put off: the disk is busy, or tells first that it was reset."""
        return self.status == _BUSY or self.key == _UNIT_ATTENTION

    @property
    def key(self) -> int | None:
        """
        The sense key; None where there is none.

        Read with less ado than in `pages.sense`: what it decides is only whether to ask again,
        and with which words to say that there was no answer.
        """
        at = 1 if self._is_descriptor else 2
        return self.sense[at] & 0x0F if self.has_sense and len(self.sense) > at else None

    @property
    def _is_descriptor(self) -> bool:
        return self.sense[:1] != b"" and self.sense[0] & 0x7F in _DESCRIPTOR

    @property
    def words(self) -> str:
        """Say why it was not carried out."""
        if self.is_timed_out:
            return "no answer in time"
        if self.host_status:
            return f"the way to the drive failed (host status {self.host_status:02X}h)"
        if self.status == _BUSY:
            return "busy"
        if self.status != _CHECK_CONDITION:
            return f"refused with status {self.status:02X}h"
        if self.key is None:
            return "refused without saying why"
        at = 2 if self._is_descriptor else 12
        figures = f"sense {self.key:X}/{self.sense[at : at + 2].hex('/').upper()}"
        return f"{_KEY_WORDS.get(self.key, 'refused')} ({figures})"


_KEY_WORDS = {
    0x2: "the drive is not ready",
    0x3: "a place on the medium cannot be read",
    0x4: "the drive reports a fault of its own",
    0x5: "the command is not known there",
    0x6: "the drive was reset again and again",
    0xB: "the drive gave the command up",
}
"""Source: SPC, sense keys."""


Send = Callable[[bytes, int, int], Sent]
"""Sends a command: its bytes, room for so many bytes of data, a time limit in ms."""


def send(fd: int, cdb: bytes, data_bytes: int, timeout_ms: int) -> Sent:
    """
    Send one command and wait for its end.

    Args:
        fd: The disk, open for reading.
        cdb: The command, as the standards have it.
        data_bytes: How much may come back; 0 where no data moves.
        timeout_ms: After this long the kernel gives up, and may reset the drive.

    Raises:
        OSError: `NO_RIGHT`, `NOBODY`, or an error of a disk that is gone.

    """
    data = ctypes.create_string_buffer(data_bytes or 1)
    sense = ctypes.create_string_buffer(_SENSE_BYTES)
    command = ctypes.create_string_buffer(cdb, len(cdb))
    direction = _FROM_DEVICE if data_bytes else _NO_DATA
    sizes = (ord("S"), direction, len(cdb), _SENSE_BYTES, 0, data_bytes)
    data_at = ctypes.addressof(data) if data_bytes else 0
    places = (data_at, ctypes.addressof(command), ctypes.addressof(sense))
    header = bytearray(_HEADER.pack(*sizes, *places, timeout_ms, *(0,) * 12))
    fcntl.ioctl(fd, SG_IO, header, True)  # noqa: FBT003 - the answer is put in place.
    answer = _HEADER.unpack(header)
    # A bridge may claim to have left over more than there was.
    came = min(max(data_bytes - answer[_RESIDUE], 0), data_bytes)
    return Sent(
        data=data.raw[:came],
        status=answer[_STATUS],
        sense=sense.raw[: answer[_SENSE_LENGTH]],
        host_status=answer[_HOST_STATUS],
    )


def asked(send_one: Send, cdb: bytes, data_bytes: int, timeout_ms: int) -> Sent:
    """Send a command, and again where it was put off, a few times. Raises as `send`."""
    sent = send_one(cdb, data_bytes, timeout_ms)
    for _ in range(TRIES - 1):
        if not sent.is_later:
            break
        sent = send_one(cdb, data_bytes, timeout_ms)
    return sent
