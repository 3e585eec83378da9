"""SMART READ DATA and SMART READ THRESHOLDS.

Source: drive manuals that print the layout (attributes, bytes 362 to 374, checksum); which
status is which, bytes 367 bits 5 and 6, 375 and 376 from memory of ACS.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from refreshd.health_cards import Part, SelfTestKind, SelfTestOutcome
from refreshd.pages.octets import little, summed

_ROWS, _ROW_BYTES, _ROWS_AT = 30, 12, 2
_WORD_FOLLOWS, _NOT_SAID_WORD = 0xFF, 0xFFFF
_ALWAYS_FAILING, _HIGHEST = 0xFF, 0xFD


@dataclass(frozen=True, slots=True)
class Attribute:
    """One row. What a number means is the vendor's business, save for a few, see `attributes`."""

    number: int
    is_pre_failure: bool
    value: int
    worst: int
    raw: bytes  # six, the lowest first


@dataclass(frozen=True, slots=True)
class SmartData:
    """What SMART READ DATA says. `doubled` are numbers that stand in two rows: neither counts."""

    attributes: Mapping[int, Attribute]
    doubled: frozenset[int]
    test_status: int
    minutes: Mapping[SelfTestKind, int]


def smart_data(page: bytes) -> SmartData:
    """
    Return the attributes and what is said of self-tests.

    Raises:
        BadPageError: It is no whole sector, or its checksum is wrong.

    """
    rows = [_attribute(row) for row in _rows(summed(page))]
    times = Counter(row.number for row in rows)
    return SmartData(
        attributes={row.number: row for row in rows if times[row.number] == 1},
        doubled=frozenset(number for number, count in times.items() if count > 1),
        test_status=page[363],
        minutes=_minutes(page),
    )


def _rows(page: bytes) -> list[bytes]:
    """Return the rows that are in use; a number of 0 marks an empty one."""
    starts = range(_ROWS_AT, _ROWS_AT + _ROWS * _ROW_BYTES, _ROW_BYTES)
    return [page[at : at + _ROW_BYTES] for at in starts if page[at]]


def _attribute(row: bytes) -> Attribute:
    return Attribute(row[0], bool(row[1] & 1), row[3], row[4], row[5:11])


def _minutes(page: bytes) -> dict[SelfTestKind, int]:
    """Return how long each self-test takes; those of which nothing is said are left out."""
    extended = page[373]
    if extended == _WORD_FOLLOWS:
        word = little(page, 375, 2)
        extended = 0 if word == _NOT_SAID_WORD else word
    said = {SelfTestKind.SHORT: page[372], SelfTestKind.EXTENDED: extended}
    return {kind: minutes for kind, minutes in said.items() if minutes}


def thresholds(page: bytes) -> dict[int, int]:
    """
    Return below which value each attribute counts as failing, both ends included.

    0 never does. FFh always does, and is returned as such. FEh is no threshold, and left out,
    as is a number that stands in two rows.

    Raises:
        BadPageError: It is no whole sector, or its checksum is wrong.

    """
    rows = _rows(summed(page))
    times = Counter(row[0] for row in rows)
    return {
        row[0]: row[1]
        for row in rows
        if times[row[0]] == 1 and (row[1] <= _HIGHEST or row[1] == _ALWAYS_FAILING)
    }


def fallen(data: SmartData, limits: Mapping[int, int]) -> tuple[int, ...]:
    """Return the attributes by which the drive itself says that it is about to fail."""
    return tuple(
        number
        for number, row in data.attributes.items()
        if row.is_pre_failure and _has_fallen(row.value, limits.get(number, 0))
    )


def _has_fallen(value: int, limit: int) -> bool:
    """Say whether a value is at its limit or below; 0, FEh and FFh are no values."""
    return limit == _ALWAYS_FAILING or 1 <= value <= min(limit, _HIGHEST)


_OUTCOMES = {
    0x0: SelfTestOutcome.PASSED,
    0x1: SelfTestOutcome.STOPPED,
    0x2: SelfTestOutcome.STOPPED,
    **dict.fromkeys(range(0x3, 0x9), SelfTestOutcome.FAILED),
    0xF: SelfTestOutcome.UNDER_WAY,
}
READ_FAILED = 0x7
_PARTS = {0x5: Part.ELECTRONICS, 0x6: Part.MOTOR, READ_FAILED: Part.COATING}
_TENTHS_MAX = 9


def outcome(status: int) -> SelfTestOutcome:
    """Return how a self-test ended, from the high four bits of its status byte."""
    return _OUTCOMES.get(status >> 4, SelfTestOutcome.NOT_KNOWN)


def failed_part(status: int) -> Part | None:
    """Return which part a self-test found broken, where its status names one."""
    return _PARTS.get(status >> 4)


def percent_left(status: int) -> int | None:
    """Return how much of a self-test under way is left, from the low four bits: tens of %."""
    is_said = outcome(status) is SelfTestOutcome.UNDER_WAY and status & 0xF <= _TENTHS_MAX
    return (status & 0xF) * 10 if is_said else None
