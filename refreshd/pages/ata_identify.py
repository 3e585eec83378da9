"""IDENTIFY DEVICE: who an ATA drive is and what it can be asked.

Source: ACS, IDENTIFY DEVICE data, as in Linux include/linux/ata.h; bits of words 84, 106, 206
and 217 from memory. Words are little-endian; of text, the first character of a word is its high
byte.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from refreshd.pages.commands import SECTOR_BYTES
from refreshd.pages.identity import DriveIdentity, rotation_of
from refreshd.pages.octets import BadPageError, exactly, printable

_SIGNATURE = 0xA5
_COMPACT_FLASH = 0x848A
"""What memory cards have in word 0. Source: CFA specification, from memory."""

_LBA28_MAX = 0x0FFFFFFF
_NAA_REGISTERED = "5"


@dataclass(frozen=True, slots=True)
class AtaIdentity:
    """What an ATA drive says it is. None: the words that would say it are marked as not valid."""

    drive: DriveIdentity
    sectors: int
    logical_bytes: int
    physical_bytes: int
    has_smart: bool | None
    is_smart_on: bool | None
    has_self_test: bool | None
    has_sct: bool


def identify(sector: bytes) -> AtaIdentity:
    """
    Return what an IDENTIFY DEVICE sector says.

    Raises:
        BadPageError: It is no whole sector, its integrity word does not fit, or it is not of an
            ATA disk.

    """
    words = struct.unpack("<256H", _whole(sector))
    sectors = _sectors(words)
    logical, physical = _sector_bytes(words)
    name = "".join(f"{word:04x}" for word in words[108:112])
    drive = DriveIdentity(
        wwn=f"naa.{name}" if name.startswith(_NAA_REGISTERED) else None,
        model=_text(words[27:47]) or None,
        serial=_text(words[10:20]) or None,
        firmware=_text(words[23:27]) or None,
        size_bytes=sectors * logical or None,
        rotation=rotation_of(words[217]),
    )
    return AtaIdentity(
        drive=drive,
        sectors=sectors,
        logical_bytes=logical,
        physical_bytes=physical,
        has_smart=_bit(words, 82, 0, marked_by=83),
        is_smart_on=_bit(words, 85, 0, marked_by=87),
        has_self_test=_bit(words, 84, 1, marked_by=84),
        has_sct=bool(words[206] & 1) and words[206] != 0xFFFF,  # noqa: PLR2004 - not reported.
    )


def _whole(sector: bytes) -> bytes:
    """Return a sector whose integrity word fits; drives older than it have 0000h there."""
    exactly(sector, SECTOR_BYTES)
    if sector[510:] == bytes(2):
        if not printable(sector[54:94]):
            raise BadPageError("it has neither an integrity word nor a model")
    else:
        if sector[510] != _SIGNATURE:
            raise BadPageError(f"its integrity word has {sector[510]:02X}h where A5h belongs")
        if sum(sector) % 256:
            raise BadPageError("its checksum is wrong")
    kind = int.from_bytes(sector[:2], "little")
    if kind >> 15 and kind != _COMPACT_FLASH:
        raise BadPageError(f"it is not of an ATA disk: its first word is {kind:04X}h")
    return sector


def _is_marked_valid(word: int) -> bool:
    """Say whether bits 15:14 of a word are 01b, which marks it and its neighbours as valid."""
    return word & 0xC000 == 0x4000  # noqa: PLR2004 - the two bits.


def _bit(words: tuple[int, ...], word: int, bit: int, *, marked_by: int) -> bool | None:
    """Return one bit; None where the word that vouches for it does not."""
    return bool(words[word] >> bit & 1) if _is_marked_valid(words[marked_by]) else None


def _sectors(words: tuple[int, ...]) -> int:
    """Return how many logical sectors there are; 0 where it does not say."""
    if _bit(words, 83, 10, marked_by=83):
        return sum(word << 16 * at for at, word in enumerate(words[100:104]))
    return min(words[60] | words[61] << 16, _LBA28_MAX)


def _sector_bytes(words: tuple[int, ...]) -> tuple[int, int]:
    """Return the sizes of a logical and a physical sector, in bytes."""
    if not _is_marked_valid(words[106]):
        return SECTOR_BYTES, SECTOR_BYTES
    logical = SECTOR_BYTES
    if words[106] >> 12 & 1:
        logical = 2 * (words[117] | words[118] << 16)
    exponent = words[106] & 0xF if words[106] >> 13 & 1 else 0
    return logical, logical << exponent


def _text(words: tuple[int, ...]) -> str:
    """Return the text in some words: the first character is the high byte."""
    return printable(b"".join(word.to_bytes(2, "big") for word in words))
