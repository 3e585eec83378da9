"""LOG SENSE pages of SCSI drives.

Source: drive manuals for the page header, parameters, and pages 0Dh, 0Eh and 2Fh; pages 02h,
03h, 05h and 10h, and ASC 5Dh and 0Bh on page 2Fh, from memory of SPC. Numbers are big-endian.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

from refreshd.health_cards import (
    NUMBER_MAX,
    Measure,
    OwnWarning,
    OwnWord,
    PageName,
    Part,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)
from refreshd.pages.octets import BadPageError, big

_HEADER, _PARAMETER_HEADER, _COUNTER_BYTES_MAX = 4, 4, 8
_WITH_SUBPAGE = 0x40


def parameters(page: bytes, code: int) -> dict[int, bytes]:
    """
    Return the values on a log page, by the codes of its parameters.

    Raises:
        BadPageError: It is cut short, another page, a parameter runs past its end, or a code
            stands there twice.

    """
    body = _body(page, code)
    found: dict[int, bytes] = {}
    at = 0
    while at < len(body):
        value_at = at + _PARAMETER_HEADER
        after = value_at + body[at + 3] if value_at <= len(body) else len(body) + 1
        if after > len(body):
            raise BadPageError(f"a parameter at byte {_HEADER + at} runs past its end")
        number = big(body, at, 2)
        if number in found:
            raise BadPageError(f"parameter {number:04X}h stands there twice")
        found[number] = body[value_at:after]
        at = after
    return found


def pages_offered(page: bytes) -> frozenset[int]:
    """
    Return which log pages the drive has, from page 00h.

    Raises:
        BadPageError: It is cut short, another page, or its list does not ascend.

    """
    listed = list(_body(page, 0))
    if listed != sorted(set(listed)) or any(code & 0xC0 for code in listed):
        raise BadPageError("its list of pages is out of order")
    return frozenset(listed)


def _body(page: bytes, code: int) -> bytes:
    """Return a log page without its header and without what stands behind its end."""
    if len(page) < _HEADER:
        raise BadPageError(f"the page is cut short: {len(page)} of {_HEADER} bytes came")
    if page[0] & 0x3F != code or page[0] & _WITH_SUBPAGE or page[1]:
        raise BadPageError(
            f"its header names page {page[0] & 0x3F:02X}h/{page[1]:02X}h, and not {code:02X}h"
        )
    end = _HEADER + big(page, 2, 2)
    if end > len(page):
        raise BadPageError(f"the page is cut short: {len(page)} of {end} bytes came")
    return page[_HEADER:end]


# ── counters ──

COUNTERS: Mapping[PageName, tuple[tuple[int, Measure], ...]] = MappingProxyType(
    {
        PageName.SCSI_LOG_02: ((6, Measure.UNCORRECTED_WRITES),),
        PageName.SCSI_LOG_03: (
            (1, Measure.CORRECTED_BY_REREADING),
            (6, Measure.UNCORRECTED_READS),
        ),
        PageName.SCSI_LOG_05: ((6, Measure.UNCORRECTED_VERIFIES),),
        PageName.SCSI_LOG_0E: ((4, Measure.SPINDLE_STARTS), (6, Measure.HEAD_LOADS)),
    }
)
"""Which parameter counts what, by page."""


def counters(page: bytes, name: PageName) -> tuple[dict[Measure, int], dict[Measure, str]]:
    """
    Return what a page of counters says, and why it does not say the rest.

    Raises:
        BadPageError: As `parameters`.

    """
    found = parameters(page, number_of(name))
    values: dict[Measure, int] = {}
    refused: dict[Measure, str] = {}
    for code, measure in COUNTERS[name]:
        value = found.get(code)
        if value is None:
            continue
        if not 1 <= len(value) <= _COUNTER_BYTES_MAX or value == b"\xff" * len(value):
            refused[measure] = f"parameter {code:04X}h holds no count ({value.hex() or 'empty'})"
        else:
            values[measure] = int.from_bytes(value, "big")
    return values, refused


def counter_decoder(
    name: PageName,
) -> Callable[[bytes], tuple[dict[Measure, int], dict[Measure, str]]]:
    """Return what decodes one page of counters."""
    return partial(counters, name=name)


def number_of(name: PageName) -> int:
    """Return the number of a SCSI log page."""
    return int(name.value.split()[-1].rstrip("h"), 16)


# ── temperature ──

_NO_READING = 0xFF


def temperatures(page: bytes) -> tuple[dict[Measure, int], dict[Measure, str]]:
    """
    Return what page 0Dh says of heat: now, and up to where the drive may run, in whole °C.

    0 is what it says at 0 °C and below, and what bridges say that do not know.

    Raises:
        BadPageError: As `parameters`.

    """
    found = parameters(page, 0x0D)
    values: dict[Measure, int] = {}
    refused: dict[Measure, str] = {}
    for code, measure in ((0, Measure.CELSIUS), (1, Measure.CELSIUS_LIMIT)):
        value = found.get(code)
        if value is None:
            continue
        if len(value) != 2 or value[1] in {0, _NO_READING}:  # noqa: PLR2004 - reserved, °C.
            refused[measure] = f"parameter {code:04X}h holds no temperature ({value.hex()})"
        else:
            values[measure] = value[1]
    return values, refused


# ── what the drive says of itself ──

_NOTHING, _FAILURE_AHEAD, _WARNING = 0x00, 0x5D, 0x0B
_WARNINGS = {
    0x01: OwnWarning.TEMPERATURE,
    0x02: "the power of its enclosure is degraded",
    0x03: "its self-test in the background failed",
    0x04: "its scan in the background found a sector that it could not read before the host did",
    0x05: "its scan in the background found a sector that it cannot read",
}
"""By ASCQ. Source: SPC, from memory."""


@dataclass(frozen=True, slots=True)
class Exceptions:
    """What page 2Fh says: whether it fails, of what else it warns, and its temperature."""

    says: OwnWord
    warning: str = ""
    celsius: int | None = None


def exceptions(page: bytes) -> Exceptions:
    """
    Return what a drive says of itself on page 2Fh, informational exceptions.

    Raises:
        BadPageError: As `parameters`, or the parameter is not there or too short.

    """
    value = parameters(page, 0x2F).get(0, b"")
    if len(value) < 3:  # noqa: PLR2004 - ASC, ASCQ, temperature; some drives end there.
        raise BadPageError("it holds no word on informational exceptions")
    asc, ascq, degrees = value[:3]
    celsius = None if degrees in {0, _NO_READING} else degrees
    if asc == _NOTHING and ascq == 0:
        return Exceptions(OwnWord.PASSING, celsius=celsius)
    if asc == _FAILURE_AHEAD:
        return Exceptions(OwnWord.FAILING, "", celsius)
    known = _WARNINGS.get(ascq, "") if asc == _WARNING else ""
    warning = known or f"it reports a condition of its own ({asc:02X}h/{ascq:02X}h)"
    return Exceptions(OwnWord.NOT_SAID, warning, celsius)


# ── self-tests ──

_TEST_BYTES, _TESTS = 16, range(1, 21)
_KINDS = {
    0b001: SelfTestKind.SHORT,
    0b010: SelfTestKind.EXTENDED,
    0b101: SelfTestKind.SHORT,
    0b110: SelfTestKind.EXTENDED,
}
"""In the background, and in the foreground."""
_OUTCOMES = {
    0x0: SelfTestOutcome.PASSED,
    0x1: SelfTestOutcome.STOPPED,
    0x2: SelfTestOutcome.STOPPED,
    **dict.fromkeys(range(0x3, 0x8), SelfTestOutcome.FAILED),
    0xF: SelfTestOutcome.UNDER_WAY,
}
_PARTS = {0x3: Part.COATING, 0x4: Part.ELECTRONICS}
"""By sense key: medium error, hardware error."""


def self_tests(page: bytes) -> tuple[SelfTest, ...]:
    """
    Return the tests on page 10h, the newest first, as the drive lists them.

    Raises:
        BadPageError: As `parameters`, or a test is not of the size that all have.

    """
    found = parameters(page, 0x10)
    told = []
    for code in _TESTS:
        value = found.get(code, bytes(_TEST_BYTES))
        if len(value) != _TEST_BYTES:
            raise BadPageError(f"parameter {code:04X}h has {len(value)} of {_TEST_BYTES} bytes")
        if any(value):
            told.append(_self_test(value))
    return tuple(told)


def _self_test(value: bytes) -> SelfTest:
    ended = _OUTCOMES.get(value[0] & 0xF, SelfTestOutcome.NOT_KNOWN)
    address = big(value, 4, 8)
    has_failed = ended is SelfTestOutcome.FAILED
    return SelfTest(
        kind=_KINDS.get(value[0] >> 5, SelfTestKind.OTHER),
        outcome=ended,
        at_power_on_hours=big(value, 2, 2),
        first_bad_sector=address if has_failed and address <= NUMBER_MAX else None,
        failed_part=_PARTS.get(value[12] & 0xF) if has_failed else None,
    )
