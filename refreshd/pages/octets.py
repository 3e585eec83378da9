"""Bytes of a page, taken strictly: what is cut short or does not add up gives no number. Pure."""

from __future__ import annotations

from refreshd.pages.commands import SECTOR_BYTES


class BadPageError(ValueError):
    """A page that cannot be trusted; the message says why. Answer: report no number from it."""


def exactly(page: bytes, size: int) -> bytes:
    """
    Return a page that has the size of its kind and is no empty sector.

    Raises:
        BadPageError: It is cut short, too long, or nothing but one value over and over, which
            is what a drive or a bridge answers that does not know the question.

    """
    if len(page) < size:
        raise BadPageError(f"the page is cut short: {len(page)} of {size} bytes came")
    if len(page) > size:
        raise BadPageError(f"{len(page)} bytes came where the page has {size}")
    if page in {bytes(size), b"\xff" * size}:
        raise BadPageError(f"the page is nothing but bytes of {page[0]:02X}h")
    return page


def summed(page: bytes) -> bytes:
    """
    Return a sector whose last byte makes the sum of all of them 0 modulo 256.

    Raises:
        BadPageError: It does not, or `exactly` refuses it.

    Source: ACS, SMART READ DATA, thresholds and SMART logs, byte 511.
    """
    if sum(exactly(page, SECTOR_BYTES)) % 256:
        raise BadPageError("its checksum is wrong")
    return page


def little(page: bytes, at: int, size: int) -> int:
    """Return a number whose first byte is its lowest."""
    return int.from_bytes(page[at : at + size], "little")


def big(page: bytes, at: int, size: int) -> int:
    """Return a number whose first byte is its highest."""
    return int.from_bytes(page[at : at + size], "big")


def signed_byte(value: int) -> int:
    """Return what a byte says that may be negative (two's complement)."""
    return value - 256 if value > 127 else value  # noqa: PLR2004 - the sign bit.


def printable(raw: bytes) -> str:
    """Return device text that can harm no terminal or log: printable ASCII, single spaces (I8)."""
    kept = bytes(byte if 0x20 <= byte < 0x7F else 0x20 for byte in raw)  # noqa: PLR2004 - ASCII.
    return " ".join(kept.decode("ascii").split())
