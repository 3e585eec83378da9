"""INQUIRY data and pages of vital product data: who a SCSI drive, or a bridge, says it is.

Source: SPC, standard INQUIRY data, VPD pages 80h and 83h; SBC, page B1h (all from memory); SAT,
page 89h, as in Linux drivers/ata/libata-scsi.c. Numbers are big-endian.
"""

from __future__ import annotations

from refreshd.pages.ata_identify import AtaIdentity, identify
from refreshd.pages.commands import SECTOR_BYTES
from refreshd.pages.identity import DriveIdentity, rotation_of
from refreshd.pages.octets import BadPageError, big, printable

_INQUIRY_LEAST, _INQUIRY_LENGTH_FROM = 36, 5
_NOT_CONNECTED = 0b011
_VPD_HEADER = 4
_UNIT, _NAA, _EUI = 0, 3, 2
_NAA_SIZES, _EUI_SIZES = frozenset({8, 16}), frozenset({8, 12, 16})
_ATA_PAGE_BYTES, _ATA_COMMAND_AT, _ATA_SECTOR_AT, _IDENTIFY_DEVICE = 572, 56, 60, 0xEC


def inquiry(data: bytes) -> DriveIdentity:
    """
    Return the names in standard INQUIRY data; a bridge gives names of its own.

    Raises:
        BadPageError: It is cut short, or nothing is connected.

    """
    if len(data) < _INQUIRY_LEAST or data[4] + _INQUIRY_LENGTH_FROM < _INQUIRY_LEAST:
        raise BadPageError(f"the page is cut short: {len(data)} of {_INQUIRY_LEAST} bytes came")
    if data[0] >> 5 == _NOT_CONNECTED:
        raise BadPageError("it says that no drive is connected")
    model = printable(data[8:16] + b" " + data[16:32])
    return DriveIdentity(model=model or None, firmware=printable(data[32:36]) or None)


def _vpd(page: bytes, code: int, least: int = 0) -> bytes:
    """Return a VPD page without its header and without what stands behind its end."""
    if len(page) < _VPD_HEADER:
        raise BadPageError(f"the page is cut short: {len(page)} of {_VPD_HEADER} bytes came")
    if page[1] != code:
        raise BadPageError(f"its header names page {page[1]:02X}h, and not {code:02X}h")
    end = _VPD_HEADER + big(page, 2, 2)
    if not _VPD_HEADER + least <= end <= len(page):
        raise BadPageError(f"the page is cut short: {len(page)} of {end} bytes came")
    return page[_VPD_HEADER:end]


def unit_serial(page: bytes) -> str | None:
    """
    Return the serial on VPD page 80h; None where it is blank.

    Raises:
        BadPageError: It is cut short, or another page.

    """
    return printable(_vpd(page, 0x80)) or None


def world_wide_name(page: bytes) -> str | None:
    """
    Return the drive's own world-wide name on VPD page 83h, as sysfs writes it; NAA before EUI.

    Names made of vendor, model and serial are left out: bridges make them up.

    Raises:
        BadPageError: It is cut short, another page, or one of its names runs past its end.

    """
    names: dict[str, bytes] = {}
    for kind, name in _designators(_vpd(page, 0x83)):
        if kind == _NAA and len(name) in _NAA_SIZES:
            names.setdefault("naa", name)
        if kind == _EUI and len(name) in _EUI_SIZES:
            names.setdefault("eui", name)
    return next((f"{kind}.{names[kind].hex()}" for kind in ("naa", "eui") if kind in names), None)


def _designators(body: bytes) -> list[tuple[int, bytes]]:
    """Return kind and bytes of each name that is of the unit itself, and not of its port."""
    found, at = [], 0
    while at < len(body):
        after = at + 4 + body[at + 3] if at + 3 < len(body) else len(body) + 1
        if after > len(body):
            raise BadPageError(f"a name at byte {at} of its list runs past its end")
        if body[at + 1] >> 4 & 0b11 == _UNIT:
            found.append((body[at + 1] & 0xF, body[at + 4 : after]))
        at = after
    return found


def rotation(page: bytes) -> int | None:
    """
    Return the nominal rotation from VPD page B1h; None: it says none.

    Raises:
        BadPageError: It is cut short, or another page.

    """
    return rotation_of(big(_vpd(page, 0xB1, least=2), 0, 2))


def ata_behind(page: bytes) -> AtaIdentity:
    """
    Return what the ATA drive behind a translator says of itself, from VPD page 89h.

    Raises:
        BadPageError: It is cut short, another page, not about an ATA disk, or the sector in it
            does not hold up.

    """
    _vpd(page, 0x89, least=_ATA_PAGE_BYTES - _VPD_HEADER)
    if page[_ATA_COMMAND_AT] != _IDENTIFY_DEVICE:
        raise BadPageError(f"it is about command {page[_ATA_COMMAND_AT]:02X}h, and not ECh")
    return identify(page[_ATA_SECTOR_AT : _ATA_SECTOR_AT + SECTOR_BYTES])
