"""What the pages of an ATA drive say together.

Where several give the same, the better one is taken, see each function. The summary error log is
kept as it came: it counts each command that failed, also those that no drive need know, so a
count that grows says nothing of the drive.
"""

from __future__ import annotations

from dataclasses import replace

from refreshd.health_cards import Measure, OwnWord, PageName, SelfTest, SelfTestOutcome
from refreshd.pages import (
    ata_sct,
    ata_self_tests,
    ata_smart,
    ata_statistics,
    attributes,
    scsi_identity,
)
from refreshd.pages.ata_identify import AtaIdentity, identify
from refreshd.pages.ata_smart import SmartData
from refreshd.pages.ata_status import smart_status
from refreshd.pages.gathering import Gathering
from refreshd.pages.octets import BadPageError, summed
from refreshd.pages.telling import Told

EXPECTED = (
    Measure.POWER_ON_HOURS,
    Measure.MOVED_SECTORS,
    Measure.WAITING_SECTORS,
    Measure.CELSIUS,
)

_HOURS_WRAP = 1 << 16
_HOURS_SLACK = 1
"""A test that ends within the hour may be written down with the next one."""


def told_by_ata(notes: Gathering) -> Told:
    """Return what an ATA drive says."""
    identity = _identity(notes)
    data = notes.decoded(PageName.ATA_SMART_DATA, ata_smart.smart_data)
    notes.decoded(PageName.ATA_ERROR_LOG, summed)
    _temperature(notes, data)
    _statistics(notes)
    _attributes(notes, data, identity)
    tests = _self_tests(notes, data)
    _check_hours(notes, tests)
    says, warnings = _own_word(notes, data)
    return Told(says, tuple(_dated(notes, test) for test in tests), warnings)


def _identity(notes: Gathering) -> AtaIdentity | None:
    """Read who it is, directly or as a translator passes it on."""
    found = notes.decoded(PageName.ATA_IDENTIFY, identify)
    behind = notes.decoded(PageName.SCSI_VPD_89, scsi_identity.ata_behind)
    source = PageName.ATA_IDENTIFY if found else PageName.SCSI_VPD_89
    identity = found or behind
    if identity is None:
        return None
    notes.sectors = identity.sectors
    notes.take_rotation(identity.drive.rotation, source)
    if PageName.ATA_SMART_DATA not in notes.raw.pages:
        if identity.has_smart is False:
            notes.spoil(PageName.ATA_SMART_DATA, "the drive says that it has none")
        elif identity.is_smart_on is False:
            notes.spoil(PageName.ATA_SMART_DATA, "it is switched off in the drive")
    return identity


def _temperature(notes: Gathering, data: SmartData | None) -> None:
    """
    Take the temperature from SCT, else device statistics, else attribute 194 or 190.

    The first two are settled by a standard. SCT is the measurement itself; the statistic may be
    some minutes old. What an attribute means is the vendor's business.
    """
    if PageName.ATA_SCT_STATUS in notes.raw.pages:
        _take_sct(notes)
    page_05 = ata_statistics.decoder(PageName.ATA_STATISTICS_05)
    found = notes.decoded(PageName.ATA_STATISTICS_05, page_05)
    if found and Measure.CELSIUS in found.values:
        notes.take(Measure.CELSIUS, found.values[Measure.CELSIUS], PageName.ATA_STATISTICS_05)
    if data and Measure.CELSIUS not in notes.values:
        try:
            celsius = attributes.celsius(data)
        except BadPageError as err:
            notes.refuse(Measure.CELSIUS, str(err), PageName.ATA_SMART_DATA)
        else:
            if celsius is not None:
                notes.take(Measure.CELSIUS, celsius, PageName.ATA_SMART_DATA)


def _take_sct(notes: Gathering) -> None:
    try:
        celsius = ata_sct.celsius(notes.raw.pages[PageName.ATA_SCT_STATUS])
    except BadPageError as err:
        notes.spoil(PageName.ATA_SCT_STATUS, str(err))
        return
    if celsius is None:
        why = "the drive marks it as not valid"
        notes.refuse(Measure.CELSIUS, why, PageName.ATA_SCT_STATUS)
    else:
        notes.take(Measure.CELSIUS, celsius, PageName.ATA_SCT_STATUS)


def _statistics(notes: Gathering) -> None:
    """
    Take what device statistics say, ahead of any vendor-specific attribute.

    Their meaning is settled by a standard, and a validity bit stands beside each. A page that
    the drive lists, and that did not come whole this time, leaves its measures unreported.
    """
    offered = notes.decoded(PageName.ATA_STATISTICS_00, ata_statistics.pages_offered)
    for name, fields in ata_statistics.FIELDS.items():
        is_listed = offered is not None and ata_statistics.number_of(name) in offered
        page = notes.raw.pages.get(name)
        found = notes.decoded(name, ata_statistics.decoder(name))
        if found is not None:
            notes.take_all(dict(found.values), dict(found.refused), name)
        elif is_listed or (page and any(page)):
            notes.refuse_page(name, [field.measure for field in fields])


def _attributes(notes: Gathering, data: SmartData | None, identity: AtaIdentity | None) -> None:
    """Take from attributes with a settled meaning what device statistics leave open."""
    is_flash = identity is not None and identity.drive.is_flash
    for settled in attributes.SETTLED:
        if not notes.is_open(settled.measure) or (is_flash and settled.is_of_disks_only):
            continue
        if data is None:
            if PageName.ATA_SMART_DATA in notes.raw.pages:
                notes.refuse_page(PageName.ATA_SMART_DATA, [settled.measure])
            continue
        try:
            value = attributes.count(data, settled)
        except BadPageError as err:
            notes.refuse(settled.measure, str(err), PageName.ATA_SMART_DATA)
            continue
        if value is not None:
            notes.take(settled.measure, value, PageName.ATA_SMART_DATA)


def _self_tests(notes: Gathering, data: SmartData | None) -> tuple[SelfTest, ...]:
    """
    Return the self-tests, the one under way first.

    The extended log is taken before the older one, which has no room for the sectors of a large
    drive. What SMART data says of the last test counts only where neither log came.
    """
    extended = notes.decoded(
        PageName.ATA_EXTENDED_SELF_TEST_LOG, ata_self_tests.extended_self_test_log
    )
    older = notes.decoded(PageName.ATA_SELF_TEST_LOG, ata_self_tests.self_test_log)
    running = ata_self_tests.under_way(data.test_status) if data else None
    logged = extended or older
    if logged is None and data is not None:
        failed = ata_self_tests.last_failed(data.test_status)
        logged = (failed,) if failed else ()
    logged = tuple(test for test in logged or () if running is None or not _is_under_way(test))
    return (running, *logged) if running else logged


def _is_under_way(test: SelfTest) -> bool:
    return test.outcome is SelfTestOutcome.UNDER_WAY


def _check_hours(notes: Gathering, tests: tuple[SelfTest, ...]) -> None:
    """Take back power-on hours from attribute 9 that are fewer than a self-test has seen."""
    hours = notes.values.get(Measure.POWER_ON_HOURS)
    seen = max((test.at_power_on_hours or 0 for test in tests), default=0)
    is_vendors = notes.sources.get(Measure.POWER_ON_HOURS) is PageName.ATA_SMART_DATA
    if hours is not None and is_vendors and hours + _HOURS_SLACK < seen:
        why = f"attribute 9 says {hours}, and a self-test ran at {seen} power-on hours"
        notes.withdraw(Measure.POWER_ON_HOURS, why)


def _dated(notes: Gathering, test: SelfTest) -> SelfTest:
    """Leave out what a log cannot say: hours past 65535, and sectors past the drive's end."""
    if notes.values.get(Measure.POWER_ON_HOURS, 0) >= _HOURS_WRAP:
        test = replace(test, at_power_on_hours=None)
    if notes.sectors and (test.first_bad_sector or 0) >= notes.sectors:
        test = replace(test, first_bad_sector=None)
    return test


def _own_word(notes: Gathering, data: SmartData | None) -> tuple[OwnWord, tuple[str, ...]]:
    """
    Return whether it says that it is failing, and what it warns of.

    A bridge may not bring back the registers in which the answer stands. That a pre-failure
    attribute is at its threshold is the same answer, where it is "failing"; that none is does
    not make it "passing".
    """
    says = notes.decoded(PageName.ATA_STATUS, smart_status)
    limits = notes.decoded(PageName.ATA_THRESHOLDS, ata_smart.thresholds)
    fallen = ata_smart.fallen(data, limits) if data and limits else ()
    warnings = tuple(
        f"attribute {number} has come down to the value at which the drive counts as failing"
        for number in fallen
    )
    return says or (OwnWord.FAILING if fallen else OwnWord.NOT_SAID), warnings
