"""NVMe: health log, self-test log, and who the controller says it is. Numbers little-endian.

Source: NVMe base specification: health log up to power-on hours from the manual of a library
for NVMe access, its later fields, Identify Controller and the self-test log from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from refreshd.health_cards import (
    NUMBER_MAX,
    Measure,
    OwnWarning,
    OwnWord,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)
from refreshd.pages.commands import HEALTH_BYTES, IDENTIFY_BYTES, SELF_TEST_LOG_BYTES
from refreshd.pages.identity import NOT_TURNING, DriveIdentity
from refreshd.pages.octets import exactly, little, printable

ZERO_CELSIUS_IN_KELVIN = 273
"""By whole numbers, as drives count; 0 °C is 273.15 K."""

_COUNTERS = (
    (112, 16, Measure.POWER_CYCLES),
    (128, 16, Measure.POWER_ON_HOURS),
    (144, 16, Measure.UNSAFE_SHUTDOWNS),
    (160, 16, Measure.MEDIA_ERRORS),
    (192, 4, Measure.MINUTES_TOO_HOT),
)
_SHARES = ((3, Measure.SPARE_LEFT), (4, Measure.SPARE_LEAST), (5, Measure.ENDURANCE_USED))

_WARNINGS = dict(enumerate(OwnWarning))
"""By bit of the critical warning."""

_FAILING = frozenset({OwnWarning.SPARE_LOW, OwnWarning.UNRELIABLE, OwnWarning.READ_ONLY})
_PASSING = frozenset({OwnWarning.TEMPERATURE, OwnWarning.MEMORY_REGION})
"""Heat passes, and that memory region holds no blocks of the drive."""


@dataclass(frozen=True, slots=True)
class Health:
    """What the health log says, and why it does not say the rest."""

    says: OwnWord
    warnings: tuple[str, ...]
    values: dict[Measure, int]
    refused: dict[Measure, str]


def health(page: bytes) -> Health:
    """
    Return what the health log says.

    Raises:
        BadPageError: It is not 512 bytes, or nothing but one value over and over. It carries no
            checksum.

    """
    exactly(page, HEALTH_BYTES)
    values = {measure: little(page, at, size) for at, size, measure in _COUNTERS}
    values |= {measure: page[at] for at, measure in _SHARES}
    refused = {}
    kelvin = little(page, 1, 2)
    if kelvin:
        values[Measure.CELSIUS] = kelvin - ZERO_CELSIUS_IN_KELVIN
    else:
        refused[Measure.CELSIUS] = "the drive gives 0 K, which stands for no sensor"
    warned = [_WARNINGS.get(bit) for bit in range(8) if page[0] >> bit & 1]
    spares = (Measure.SPARE_LEFT, Measure.SPARE_LEAST)
    if not any(values[measure] for measure in spares) and OwnWarning.SPARE_LOW not in warned:
        refused |= dict.fromkeys(spares, NO_SPARES_COUNTED)
        values = {measure: value for measure, value in values.items() if measure not in spares}
    warnings = tuple(one or UNKNOWN_WARNING for one in warned)
    return Health(_says(warned), warnings, values, refused)


NO_SPARES_COUNTED = (
    "the drive gives 0 % of spare blocks and none as the least, and does not warn of it: it does "
    "not count them"
)
"""A drive that had used up its spares would warn: bit 0 stands for that. Seen in the drive of a
virtual machine (QEMU 7.2)."""

UNKNOWN_WARNING = "a warning that is not in the standard as it is read here"


def _says(warned: list[OwnWarning | None]) -> OwnWord:
    """Return whether it says that it is failing, from what it warns of."""
    if _FAILING.intersection(warned):
        return OwnWord.FAILING
    return OwnWord.PASSING if _PASSING.issuperset(warned) else OwnWord.NOT_SAID


def identify(page: bytes) -> DriveIdentity:
    """
    Return the names in Identify Controller: serial, model and firmware.

    Raises:
        BadPageError: It is not 4096 bytes, or nothing but one value over and over.

    """
    exactly(page, IDENTIFY_BYTES)
    return DriveIdentity(
        serial=printable(page[4:24]) or None,
        model=printable(page[24:64]) or None,
        firmware=printable(page[64:72]) or None,
        rotation=NOT_TURNING,
    )


def celsius_limit(page: bytes) -> int | None:
    """
    Return above which temperature the drive warns, in whole °C; None: it does not say.

    Raises:
        BadPageError: As `identify`.

    Source: Identify Controller, WCTEMP, bytes 266 and 267, in kelvin (from memory).
    """
    kelvin = little(exactly(page, IDENTIFY_BYTES), 266, 2)
    return kelvin - ZERO_CELSIUS_IN_KELVIN if kelvin else None


# ── self-tests ──

_ENTRIES, _ENTRY_BYTES, _ENTRIES_AT = 20, 28, 4
_NOT_USED = 0xF
_KINDS = {0x1: SelfTestKind.SHORT, 0x2: SelfTestKind.EXTENDED}
_OUTCOMES = {
    0x0: SelfTestOutcome.PASSED,
    **dict.fromkeys((0x1, 0x2, 0x3, 0x4, 0x8, 0x9), SelfTestOutcome.STOPPED),
    **dict.fromkeys((0x5, 0x6, 0x7), SelfTestOutcome.FAILED),
}
_LBA_IS_VALID = 0b10
_ALL_PERCENT = 100


def self_tests(page: bytes) -> tuple[SelfTest, ...]:
    """
    Return the test under way, if one is, and then those that ended, the newest first.

    Raises:
        BadPageError: It is not 564 bytes, or nothing but one value over and over.

    Source: Device Self-test log, 06h (from memory).
    """
    exactly(page, SELF_TEST_LOG_BYTES)
    starts = range(_ENTRIES_AT, _ENTRIES_AT + _ENTRIES * _ENTRY_BYTES, _ENTRY_BYTES)
    entries = [page[at : at + _ENTRY_BYTES] for at in starts]
    ended = [_self_test(one) for one in entries if one[0] & 0xF != _NOT_USED and any(one)]
    return (*_under_way(page), *ended)


def _under_way(page: bytes) -> tuple[SelfTest, ...]:
    """Return the test under way, from the first two bytes of the log."""
    kind, done = page[0] & 0xF, page[1] & 0x7F
    if not kind:
        return ()
    left = _ALL_PERCENT - done if done <= _ALL_PERCENT else None
    return (
        SelfTest(
            _KINDS.get(kind, SelfTestKind.OTHER), SelfTestOutcome.UNDER_WAY, percent_left=left
        ),
    )


def _self_test(entry: bytes) -> SelfTest:
    ended = _OUTCOMES.get(entry[0] & 0xF, SelfTestOutcome.NOT_KNOWN)
    hours, address = little(entry, 4, 8), little(entry, 16, 8)
    has_address = ended is SelfTestOutcome.FAILED and entry[2] & _LBA_IS_VALID
    return SelfTest(
        kind=_KINDS.get(entry[0] >> 4, SelfTestKind.OTHER),
        outcome=ended,
        at_power_on_hours=hours if hours <= NUMBER_MAX else None,
        first_bad_sector=address if has_address and address <= NUMBER_MAX else None,
    )
