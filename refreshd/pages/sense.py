"""Sense data: why a command was not carried out, and the registers of an ATA command in it. Pure.

Source: SPC, sense data in fixed (70h, 71h) and descriptor format (72h, 73h); SAT, ATA Status
Return descriptor (09h) and its fixed form; Linux drivers/ata/libata-scsi.c makes both.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

_FIXED, _DESCRIPTOR = frozenset({0x70, 0x71}), frozenset({0x72, 0x73})
_FIXED_BYTES_MIN, _DESCRIPTOR_BYTES_MIN = 14, 8
_ATA_DESCRIPTOR, _ATA_DESCRIPTOR_BYTES = 0x09, 14
_PROGRESS_DESCRIPTOR, _PROGRESS_DESCRIPTOR_BYTES = 0x02, 8
_PASS_THROUGH_INFORMATION = (0x00, 0x1D)
"""Additional code "ATA pass through information available". Source: SAT; Linux libata-scsi.c."""

_WHOLE = 65536
"""What a progress indication counts to. Source: SPC, progress indication."""


class Key(IntEnum):
    """The sense keys that are told apart here. Source: SPC, sense key."""

    NO_SENSE = 0x0
    RECOVERED = 0x1
    NOT_READY = 0x2
    MEDIUM_ERROR = 0x3
    HARDWARE_ERROR = 0x4
    ILLEGAL_REQUEST = 0x5
    UNIT_ATTENTION = 0x6
    ABORTED = 0xB


_KEY_WORDS = {
    Key.NOT_READY: "the drive is not ready",
    Key.MEDIUM_ERROR: "a place on the medium cannot be read",
    Key.HARDWARE_ERROR: "the drive reports a fault of its own",
    Key.ILLEGAL_REQUEST: "the drive or its bridge does not know the command",
    Key.UNIT_ATTENTION: "the drive was reset again and again",
    Key.ABORTED: "the drive gave the command up",
}


@dataclass(frozen=True, slots=True)
class Sense:
    """What sense data says: its key, the additional code and its qualifier."""

    key: int
    code: int
    qualifier: int

    @property
    def words(self) -> str:
        """Say what it means, with the figures of the standard."""
        figures = f"{self.key:X}/{self.code:02X}/{self.qualifier:02X}"
        known = next((words for key, words in _KEY_WORDS.items() if key == self.key), "")
        return f"{known} (sense {figures})" if known else f"refused (sense {figures})"


@dataclass(frozen=True, slots=True)
class Registers:
    """The registers of a drive after an ATA command; the low byte of each that has two."""

    status: int
    error: int
    count: int
    lba_low: int
    lba_mid: int
    lba_high: int


def sense_of(raw: bytes) -> Sense | None:
    """Return what sense data says; None where it is cut short or in no format that is known."""
    form = raw[0] & 0x7F if raw else 0
    if form in _FIXED and len(raw) >= _FIXED_BYTES_MIN:
        return Sense(raw[2] & 0x0F, raw[12], raw[13])
    if form in _DESCRIPTOR and len(raw) >= _DESCRIPTOR_BYTES_MIN:
        return Sense(raw[1] & 0x0F, raw[2], raw[3])
    return None


def registers_of(raw: bytes) -> Registers | None:
    """
    Return the registers in the sense data of an ATA command; None where it holds none.

    A descriptor says by itself that it holds them. In the fixed format the same bytes mean other
    things, unless the additional code says that they are registers.
    """
    said = sense_of(raw)
    if said is None:
        return None
    found = _descriptor(raw, _ATA_DESCRIPTOR, _ATA_DESCRIPTOR_BYTES)
    if found is not None:
        return Registers(
            status=found[13],
            error=found[3],
            count=found[5],
            lba_low=found[7],
            lba_mid=found[9],
            lba_high=found[11],
        )
    is_fixed = raw[0] & 0x7F in _FIXED
    if not is_fixed or (said.code, said.qualifier) != _PASS_THROUGH_INFORMATION:
        return None
    return Registers(
        status=raw[4], error=raw[3], count=raw[6], lba_low=raw[9], lba_mid=raw[10], lba_high=raw[11]
    )


def percent_done(raw: bytes) -> int | None:
    """Return how far a drive is with what it does, 0 to 100; None where it does not say."""
    if sense_of(raw) is None:
        return None
    found = _descriptor(raw, _PROGRESS_DESCRIPTOR, _PROGRESS_DESCRIPTOR_BYTES)
    if found is not None:
        field = found[4:7]
    elif raw[0] & 0x7F in _FIXED and len(raw) >= 18:  # noqa: PLR2004 - ends after the field.
        field = raw[15:18]
    else:
        return None
    if not field[0] & 0x80:  # The field is valid.
        return None
    return int.from_bytes(field[1:3], "big") * 100 // _WHOLE


def _descriptor(raw: bytes, kind: int, least_bytes: int) -> bytes | None:
    """Return the first whole descriptor of a kind in sense data of the descriptor format."""
    if raw[0] & 0x7F not in _DESCRIPTOR:
        return None
    end = min(len(raw), 8 + raw[7])
    at = 8
    while at + 2 <= end:
        length = 2 + raw[at + 1]
        whole = raw[at : min(at + length, end)]
        if raw[at] == kind:
            return whole if len(whole) >= least_bytes else None
        at += length
    return None
