"""Every decoder of pages by name, and what must hold of whatever they are given (the oracle).

Shared by the tests that draw pages and by the fuzzer that looks for them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass

from refreshd.health_cards import (
    NUMBER_MAX,
    HealthReading,
    Measure,
    OwnWord,
    PageName,
    RawPages,
    Route,
)
from refreshd.pages import (
    BadPageError,
    assemble,
    ata_identify,
    ata_sct,
    ata_self_tests,
    ata_smart,
    ata_statistics,
    ata_status,
    nvme,
    octets,
    scsi_identity,
    scsi_logs,
)

Decode = Callable[[bytes], object]

ALL: dict[str, Decode] = {
    "identify": ata_identify.identify,
    "smart data": ata_smart.smart_data,
    "thresholds": ata_smart.thresholds,
    "summed": octets.summed,
    "smart status": ata_status.smart_status,
    "ata power": ata_status.ata_power,
    "scsi power": ata_status.scsi_power,
    "self-test log": ata_self_tests.self_test_log,
    "extended self-test log": ata_self_tests.extended_self_test_log,
    "statistics list": ata_statistics.pages_offered,
    **{name.value: ata_statistics.decoder(name) for name in ata_statistics.FIELDS},
    "sct": ata_sct.celsius,
    "inquiry": scsi_identity.inquiry,
    "unit serial": scsi_identity.unit_serial,
    "world-wide name": scsi_identity.world_wide_name,
    "ata information": scsi_identity.ata_behind,
    "rotation": scsi_identity.rotation,
    "log list": scsi_logs.pages_offered,
    **{name.value: scsi_logs.counter_decoder(name) for name in scsi_logs.COUNTERS},
    "temperatures": scsi_logs.temperatures,
    "scsi self-tests": scsi_logs.self_tests,
    "exceptions": scsi_logs.exceptions,
    "nvme health": nvme.health,
    "nvme identify": nvme.identify,
    "nvme limit": nvme.celsius_limit,
    "nvme self-tests": nvme.self_tests,
}

SUMMED: dict[PageName, Decode] = {
    PageName.ATA_SMART_DATA: ata_smart.smart_data,
    PageName.ATA_THRESHOLDS: ata_smart.thresholds,
    PageName.ATA_SELF_TEST_LOG: ata_self_tests.self_test_log,
    PageName.ATA_EXTENDED_SELF_TEST_LOG: ata_self_tests.extended_self_test_log,
    PageName.ATA_ERROR_LOG: octets.summed,
}
"""Decoders of pages whose 512 bytes must add up to 0 modulo 256."""

SECTORS = frozenset(
    {*SUMMED, PageName.ATA_IDENTIFY, PageName.ATA_SCT_STATUS}
    | {name for name in PageName if name.name.startswith("ATA_STATISTICS")}
)
"""Pages of 512 bytes, neither more nor less."""

CELSIUS = (
    Measure.CELSIUS,
    Measure.CELSIUS_HIGHEST,
    Measure.CELSIUS_LOWEST,
    Measure.CELSIUS_LIMIT,
)


class BrokenPromiseError(AssertionError):
    """A decoder gave what it should not have. Never caught: a test or the fuzzer fails by it."""


def promise(fact: object, what: str) -> None:
    """Raise BrokenPromiseError unless the fact holds."""
    if not fact:
        raise BrokenPromiseError(what)


def tried(decode: Decode, page: bytes) -> None:
    """Decode a page; what it must not do is to fall over, or to say what could steer a terminal."""
    try:
        found = decode(page)
    except BadPageError as err:
        promise(str(err).isprintable(), f"a reason that steers a terminal: {err!r}")
        return
    if decode in SUMMED.values():
        promise(len(page) == 512 and sum(page) % 256 == 0, f"{decode} took a broken page")
    _check_texts(found)


def _check_texts(found: object) -> None:
    """Look at every text in what was found."""
    if isinstance(found, str):
        promise(found.isprintable(), f"a text that steers a terminal: {found!r}")
    elif is_dataclass(found) and not isinstance(found, type):
        for one in fields(found):
            _check_texts(getattr(found, one.name))


def check(raw: RawPages, reading: HealthReading) -> None:
    """Say that a reading holds together with the answers that it was made from."""
    for measure, value in reading.measures.items():
        _check_number(measure, value)
        promise(measure.value not in reading.unreported, f"{measure} is both there and missing")
    for measure, name in reading.sources.items():
        promise(measure in reading.measures, f"{measure} has a source and no value")
        promise(name in raw.pages, f"{measure} is from {name}, which did not come")
        promise(name.value not in reading.unreported, f"{measure} is from {name}, which is broken")
    for name, page in raw.pages.items():
        _check_page(name, page, raw, reading)
    for test in reading.self_tests:
        for number in (test.at_power_on_hours, test.first_bad_sector):
            promise(number is None or 0 <= number <= NUMBER_MAX, f"{number} in a self-test")
    promise(all(text.isprintable() for text in reading.warnings), "a warning that steers")
    promise(all(text.isprintable() for text in reading.unreported.values()), "a reason that steers")
    if raw.route is Route.SILENT:
        promise(reading.silence and reading.says is OwnWord.NOT_SAID, "silence that speaks")


def _check_number(measure: Measure, value: int) -> None:
    """Say that a number can be what it is called."""
    if measure in CELSIUS:
        promise(-60 <= value <= 150, f"{measure} is {value}")
    else:
        promise(0 <= value <= NUMBER_MAX, f"{measure} is {value}")


def _check_page(name: PageName, page: bytes, raw: RawPages, reading: HealthReading) -> None:
    """Say that a page that is broken gave no number, and is told where it was looked at."""
    is_sector = len(page) == 512
    is_broken = (name in SUMMED and sum(page) % 256 != 0) or (name in SECTORS and not is_sector)
    if is_broken and raw.route is Route.ATA:
        promise(name.value in reading.unreported, f"{name} is broken, and nothing is said of it")
        promise(name not in reading.sources.values(), f"{name} is broken, and gave a number")


def look_at(raw: RawPages) -> None:
    """Make a reading of any answers, and check it."""
    check(raw, assemble(raw))
