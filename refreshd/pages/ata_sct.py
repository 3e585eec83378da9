"""SCT status, log E0h: the temperature that the drive measures now.

Source: Linux drivers/hwmon/drivetemp.c (version, bytes 200 to 202, 80h for "not valid").
"""

from __future__ import annotations

from refreshd.pages.commands import SECTOR_BYTES
from refreshd.pages.octets import BadPageError, exactly, little, signed_byte

_VERSIONS = frozenset({2, 3})
_CURRENT_AT, _INVALID = 200, 0x80


def celsius(page: bytes) -> int | None:
    """
    Return the temperature now, in whole °C; None: the drive marks it as not valid.

    Lowest and highest beside it are those since it was switched on, and not used: what is kept
    of a drive is what it ever went through.

    Raises:
        BadPageError: It is no whole sector, or of a version that is not known.

    """
    version = little(exactly(page, SECTOR_BYTES), 0, 2)
    if version not in _VERSIONS:
        raise BadPageError(f"its version is {version}, and not 2 or 3")
    return None if page[_CURRENT_AT] == _INVALID else signed_byte(page[_CURRENT_AT])
