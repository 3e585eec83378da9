"""Device Statistics, log 04h: counters whose meaning a standard settles.

Source: drive manuals for page 00h, header and page names; bits 63 to 61 and the offsets of each
statistic from memory of ACS.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

from refreshd.health_cards import Measure, PageName
from refreshd.pages.commands import SECTOR_BYTES
from refreshd.pages.octets import BadPageError, exactly, little, signed_byte

_REVISION = 1
_SUPPORTED, _VALID, _NORMALISED = 63, 62, 61
_BELOW_FLAGS = (1 << 56) - 1
_COUNT_AT, _LIST_AT = 8, 9


@dataclass(frozen=True, slots=True)
class Field:
    """One statistic: where its eight bytes begin, and how many of the low ones are its value."""

    at: int
    measure: Measure
    size: int = 4
    is_signed: bool = False
    is_share: bool = False  # a percentage: the only kind that is normalised by its nature


FIELDS: Mapping[PageName, tuple[Field, ...]] = MappingProxyType(
    {
        PageName.ATA_STATISTICS_01: (
            Field(8, Measure.POWER_CYCLES),
            Field(16, Measure.POWER_ON_HOURS),
        ),
        PageName.ATA_STATISTICS_03: (
            Field(16, Measure.HEAD_FLYING_HOURS),
            Field(24, Measure.HEAD_LOADS),
            Field(32, Measure.MOVED_SECTORS),
            Field(40, Measure.READ_RECOVERIES),
            Field(48, Measure.START_FAILURES),
            Field(56, Measure.WAITING_SECTORS),
        ),
        PageName.ATA_STATISTICS_04: (
            Field(8, Measure.REPORTED_ERRORS),
            Field(16, Measure.RESETS),
        ),
        PageName.ATA_STATISTICS_05: (
            Field(8, Measure.CELSIUS, size=1, is_signed=True),
            Field(32, Measure.CELSIUS_HIGHEST, size=1, is_signed=True),
            Field(40, Measure.CELSIUS_LOWEST, size=1, is_signed=True),
            Field(80, Measure.MINUTES_TOO_HOT),
            Field(88, Measure.CELSIUS_LIMIT, size=1, is_signed=True),
            Field(96, Measure.MINUTES_TOO_COLD),
        ),
        PageName.ATA_STATISTICS_07: (Field(8, Measure.ENDURANCE_USED, size=1, is_share=True),),
    }
)

_NUMBERS = {page: int(page.value.split()[-1].rstrip("h"), 16) for page in FIELDS}


@dataclass(frozen=True, slots=True)
class Statistics:
    """What one page says, and why it does not say the rest. What it does not know is in neither."""

    values: Mapping[Measure, int]
    refused: Mapping[Measure, str]


def statistics(page: bytes, name: PageName) -> Statistics:
    """
    Return what one page of device statistics says.

    Raises:
        BadPageError: It is no whole sector, or its header is not that of this page. A drive
            answers zeros for a page that it does not have.

    """
    _check_header(exactly(page, SECTOR_BYTES), _NUMBERS[name])
    values: dict[Measure, int] = {}
    refused: dict[Measure, str] = {}
    for field in FIELDS[name]:
        word = little(page, field.at, 8)
        if not word >> _SUPPORTED & 1:
            continue
        why = _why_not(word, field)
        if why:
            refused[field.measure] = why
        else:
            values[field.measure] = _value(word, field)
    return Statistics(values, refused)


def decoder(name: PageName) -> Callable[[bytes], Statistics]:
    """Return what decodes one page."""
    return partial(statistics, name=name)


def pages_offered(page: bytes) -> frozenset[int]:
    """
    Return which pages of device statistics the drive has, from page 00h.

    Raises:
        BadPageError: It is no whole sector, its header is not that of page 00h, or its list
            is empty or does not ascend.

    """
    _check_header(exactly(page, SECTOR_BYTES), 0)
    listed = list(page[_LIST_AT : _LIST_AT + page[_COUNT_AT]])
    if not listed or listed != sorted(set(listed)):
        raise BadPageError("its list of pages is empty or out of order")
    return frozenset(listed)


def number_of(name: PageName) -> int:
    """Return the number of a page of device statistics."""
    return _NUMBERS[name]


def _check_header(page: bytes, number: int) -> None:
    """Refuse a page whose first eight bytes do not name it."""
    if little(page, 0, 2) != _REVISION or page[2] != number:
        raise BadPageError(
            f"its header names page {page[2]:02X}h, revision {little(page, 0, 2)}, and not page "
            f"{number:02X}h, revision {_REVISION}"
        )


def _why_not(word: int, field: Field) -> str:
    """Return why a statistic that the drive knows gives no number; empty: it gives one."""
    if not word >> _VALID & 1:
        return "the drive marks it as not valid"
    if word >> _NORMALISED & 1 and not field.is_share:
        return "the drive gives it on a scale of its own"
    if (word & _BELOW_FLAGS) >> 8 * field.size:
        return "bits are set beyond its value"
    return ""


def _value(word: int, field: Field) -> int:
    value = word & (1 << 8 * field.size) - 1
    return signed_byte(value) if field.is_signed else value
