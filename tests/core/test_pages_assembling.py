"""One reading from many pages: which source is taken, and what is said of the rest."""

from __future__ import annotations

from dataclasses import replace

import pytest

from refreshd.health_cards import (
    NUMBER_MAX,
    Measure,
    OwnWarning,
    OwnWord,
    PageName,
    Part,
    RawPages,
    Route,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Vital,
)
from refreshd.pages import assemble, vital
from tests import pages_made
from tests.pages_made import Health, Row, Test

BAD = b"\1" + bytes(511)


def without(raw: RawPages, *names: PageName) -> RawPages:
    """Return answers in which some pages are missing."""
    return replace(raw, pages={n: page for n, page in raw.pages.items() if n not in names})


STATISTICS = tuple(name for name in PageName if name.name.startswith("ATA_STATISTICS"))


def test_a_disk_that_tells_everything_is_told_in_one_language() -> None:
    """Standardised pages come first; attributes fill what only they have."""
    reading = assemble(pages_made.ata_drive())

    assert reading.says is OwnWord.PASSING
    assert reading.measures == {
        Measure.POWER_ON_HOURS: 17_521,
        Measure.POWER_CYCLES: 120,
        Measure.HEAD_FLYING_HOURS: 16_000,
        Measure.HEAD_LOADS: 900,
        Measure.MOVED_SECTORS: 64,
        Measure.WAITING_SECTORS: 16,
        Measure.BAD_SECTORS: 1,
        Measure.READ_RECOVERIES: 5,
        Measure.START_FAILURES: 0,
        Measure.REPORTED_ERRORS: 3,
        Measure.RESETS: 11,
        Measure.PATH_ERRORS: 0,
        Measure.CELSIUS: 37,
        Measure.CELSIUS_HIGHEST: 58,
        Measure.CELSIUS_LOWEST: 12,
        Measure.CELSIUS_LIMIT: 60,
        Measure.MINUTES_TOO_HOT: 0,
        Measure.MINUTES_TOO_COLD: 0,
        Measure.ROTATIONS_PER_MINUTE: 7200,
    }
    assert (reading.unreported, reading.warnings, reading.silence) == ({}, (), "")
    assert reading.sources[Measure.MOVED_SECTORS] is PageName.ATA_STATISTICS_03
    assert reading.sources[Measure.BAD_SECTORS] is PageName.ATA_SMART_DATA


def test_a_scsi_disk_is_told_in_the_same_language() -> None:
    """Error counters, temperature, starts, and its own word."""
    reading = assemble(pages_made.scsi_drive())

    assert reading.says is OwnWord.PASSING
    assert reading.measures == {
        Measure.UNCORRECTED_WRITES: 1,
        Measure.UNCORRECTED_READS: 2,
        Measure.CORRECTED_BY_REREADING: 9,
        Measure.UNCORRECTED_VERIFIES: 0,
        Measure.CELSIUS: 31,
        Measure.CELSIUS_LIMIT: 60,
        Measure.SPINDLE_STARTS: 77,
        Measure.HEAD_LOADS: 512,
        Measure.ROTATIONS_PER_MINUTE: 7200,
    }
    assert [test.outcome for test in reading.self_tests] == [SelfTestOutcome.PASSED]


def test_an_nvme_drive_is_told_in_the_same_language() -> None:
    """Its health log, its limit and its self-tests."""
    reading = assemble(pages_made.nvme_drive())

    assert (reading.says, reading.measures[Measure.CELSIUS]) == (OwnWord.PASSING, 35)
    assert reading.measures[Measure.CELSIUS_LIMIT] == 70
    assert [test.kind for test in reading.self_tests] == [SelfTestKind.EXTENDED]
    assert reading.unreported == {}


# --- which source


def test_attributes_speak_where_the_drive_has_no_statistics() -> None:
    """Then they are all there is, as far as their meaning is settled."""
    reading = assemble(without(pages_made.ata_drive(), *STATISTICS))

    assert reading.measures[Measure.MOVED_SECTORS] == 8
    assert reading.measures[Measure.POWER_ON_HOURS] == 17_520
    assert reading.sources[Measure.MOVED_SECTORS] is PageName.ATA_SMART_DATA


@pytest.mark.parametrize(
    "page",
    [b"", BAD, pages_made.statistics(4, {32: 64}), pages_made.statistics(3, {32: "not valid"})],
    ids=["cut short", "garbage", "another page", "not valid"],
)
def test_a_statistic_that_fails_for_once_is_not_replaced_by_an_attribute(page: bytes) -> None:
    """8 from one page beside 64 from another would look like a change of the drive."""
    reading = assemble(pages_made.ata_drive(ATA_STATISTICS_03=page))

    assert Measure.MOVED_SECTORS not in reading.measures
    assert Measure.MOVED_SECTORS.value in reading.unreported


def test_a_broken_page_of_statistics_shows_by_itself_that_the_drive_counts_by_it() -> None:
    """Even where the list of pages did not come."""
    raw = without(pages_made.ata_drive(ATA_STATISTICS_03=BAD), PageName.ATA_STATISTICS_00)

    assert Measure.MOVED_SECTORS not in assemble(raw).measures


def test_a_listed_page_that_did_not_come_is_not_replaced_either() -> None:
    """The drive counts by it; this time it was refused."""
    raw = without(pages_made.ata_drive(), PageName.ATA_STATISTICS_03)
    raw = replace(raw, refusals={PageName.ATA_STATISTICS_03: "no answer in time"})

    reading = assemble(raw)
    why = "ata device statistics 03h: no answer in time"
    assert reading.unreported[Measure.MOVED_SECTORS.value] == why
    assert reading.unreported[PageName.ATA_STATISTICS_03.value] == "no answer in time"


def test_zeros_for_a_page_that_a_drive_does_not_list_leave_the_attribute_standing() -> None:
    """A drive answers zeros for a page that it does not have. Source: drive manuals."""
    raw = pages_made.ata_drive(
        ATA_STATISTICS_00=pages_made.statistics_list(0, 1), ATA_STATISTICS_03=bytes(512)
    )

    assert assemble(raw).measures[Measure.MOVED_SECTORS] == 8


def test_the_temperature_comes_from_the_best_source_that_has_one() -> None:
    """SCT measures now; the statistic may be older; the attribute is the vendor's; the kernel."""
    raw = replace(pages_made.ata_drive(ATA_STATISTICS_05=BAD), hwmon_celsius=29)
    attribute = without(raw, PageName.ATA_SCT_STATUS)
    kernel = without(attribute, PageName.ATA_SMART_DATA)
    statistic = without(pages_made.ata_drive(), PageName.ATA_SCT_STATUS)

    found = [assemble(one).measures[Measure.CELSIUS] for one in (raw, statistic, attribute, kernel)]
    assert found == [37, 35, 36, 29]
    assert Measure.CELSIUS not in assemble(kernel).sources


def test_a_temperature_that_sct_marks_as_not_valid_is_sought_elsewhere() -> None:
    """80h is -128 °C read naively."""
    raw = pages_made.ata_drive(ATA_SCT_STATUS=pages_made.sct_status(-128))

    assert assemble(raw).measures[Measure.CELSIUS] == 35


def test_blocks_of_flash_are_not_taken_for_sectors() -> None:
    """On a drive that does not turn, 5 counts what its vendor likes; hours are hours."""
    identify = pages_made.Identify(rotation=1).sector()
    raw = without(pages_made.ata_drive(ATA_IDENTIFY=identify), *STATISTICS)

    reading = assemble(raw)
    assert Measure.MOVED_SECTORS not in reading.measures
    assert reading.measures[Measure.POWER_ON_HOURS] == 17_520
    assert reading.measures[Measure.ROTATIONS_PER_MINUTE] == 1


def test_hours_that_a_self_test_contradicts_are_taken_back() -> None:
    """Attribute 9 is hours on most drives only; a test at 17000 hours cannot be in the future."""
    data = pages_made.smart_data([Row(9, 290)])
    raw = without(pages_made.ata_drive(ATA_SMART_DATA=data), *STATISTICS)

    reading = assemble(raw)
    assert Measure.POWER_ON_HOURS not in reading.measures
    assert "a self-test ran at 17000" in reading.unreported[Measure.POWER_ON_HOURS.value]


@pytest.mark.parametrize(
    ("values", "measure"),
    [
        ({16: 30 * 8766 + 1}, Measure.POWER_ON_HOURS),
        ({8: 0xFFFFFFFF, 16: 0xFFFFFFFF}, Measure.POWER_ON_HOURS),
    ],
)
def test_hours_beyond_the_life_of_any_drive_are_not_reported(
    values: dict[int, int], measure: Measure
) -> None:
    """A page can be valid in form and still be nonsense."""
    reading = assemble(pages_made.ata_drive(ATA_STATISTICS_01=pages_made.statistics(1, values)))

    assert measure not in reading.measures
    assert "not possible" in reading.unreported[measure.value]


def test_a_drive_has_no_more_bad_sectors_than_sectors() -> None:
    """Two numbers packed into one show up so."""
    identify = pages_made.Identify(sectors=1000).sector()
    raw = pages_made.ata_drive(
        ATA_IDENTIFY=identify, ATA_SMART_DATA=pages_made.smart_data([Row(198, 1001)])
    )

    reading = assemble(raw)
    assert "and the drive has 1000" in reading.unreported[Measure.BAD_SECTORS.value]


def test_an_nvme_counter_beyond_all_counting_is_not_reported() -> None:
    """128 bits of garbage; the journal holds numbers up to 2**53 - 1."""
    page = Health(errors=NUMBER_MAX + 1, hours=NUMBER_MAX, spare=101).page()

    reading = assemble(pages_made.nvme_drive(NVME_HEALTH=page))
    gone = {Measure.MEDIA_ERRORS, Measure.POWER_ON_HOURS, Measure.SPARE_LEFT}
    assert not gone & reading.measures.keys()
    assert {measure.value for measure in gone} <= reading.unreported.keys()


# --- its own word


def test_a_bridge_that_swallows_the_answer_leaves_the_word_unsaid() -> None:
    """Silence is not "passing", whatever the thresholds say."""
    reading = assemble(pages_made.ata_drive(ATA_STATUS=bytes(32)))

    assert reading.says is OwnWord.NOT_SAID
    assert PageName.ATA_STATUS.value in reading.unreported


def test_an_attribute_at_its_threshold_is_the_same_answer_as_failing() -> None:
    """The drive compares the same two numbers for SMART RETURN STATUS. Source: ACS."""
    rows = [Row(5, 8, flags=1, value=10)]
    data = pages_made.smart_data(rows)

    unsaid = assemble(pages_made.ata_drive(ATA_STATUS=bytes(32), ATA_SMART_DATA=data))
    assert unsaid.says is OwnWord.FAILING
    assert "attribute 5" in unsaid.warnings[0]
    said = assemble(pages_made.ata_drive(ATA_SMART_DATA=data))
    assert (said.says, len(said.warnings)) == (OwnWord.PASSING, 1)


def test_a_drive_that_says_that_it_fails_is_believed() -> None:
    """In each of the three languages."""
    scsi = pages_made.log_page(0x2F, {0: b"\x5d\x00\x1f"})
    drives = (
        pages_made.ata_drive(ATA_STATUS=pages_made.FAILING),
        pages_made.scsi_drive(SCSI_LOG_2F=scsi),
        pages_made.nvme_drive(NVME_HEALTH=Health(warning=0b100).page()),
    )

    assert [assemble(drive).says for drive in drives] == [OwnWord.FAILING] * 3
    assert assemble(drives[2]).warnings == (OwnWarning.UNRELIABLE,)


# --- self-tests


def test_the_extended_log_comes_before_the_older_one() -> None:
    """The older one has no room for the sectors of a large drive."""
    raw = pages_made.ata_drive(
        ATA_SELF_TEST_LOG=pages_made.self_test_log([Test(status=0x70, hours=5, lba=7)]),
        ATA_EXTENDED_SELF_TEST_LOG=pages_made.extended_self_test_log(
            [Test(status=0x70, hours=5, lba=1 << 33)]
        ),
    )

    assert [test.first_bad_sector for test in assemble(raw).self_tests] == [1 << 33]
    older = without(raw, PageName.ATA_EXTENDED_SELF_TEST_LOG)
    assert [test.first_bad_sector for test in assemble(older).self_tests] == [7]


def test_a_test_under_way_stands_first_and_once() -> None:
    """Some drives write its row beforehand."""
    raw = pages_made.ata_drive(
        ATA_SMART_DATA=pages_made.smart_data([Row(9, 17_520)], test_status=0xF4),
        ATA_EXTENDED_SELF_TEST_LOG=pages_made.extended_self_test_log(
            [Test(hours=100), Test(status=0xF4, hours=101)]
        ),
    )

    assert [(test.outcome, test.percent_left) for test in assemble(raw).self_tests] == [
        (SelfTestOutcome.UNDER_WAY, 40),
        (SelfTestOutcome.PASSED, None),
    ]


def test_without_a_log_the_status_byte_tells_that_the_last_test_failed() -> None:
    """Of which kind it was, nobody knows."""
    raw = without(
        pages_made.ata_drive(ATA_SMART_DATA=pages_made.worked_smart_data()),
        PageName.ATA_SELF_TEST_LOG,
        PageName.ATA_EXTENDED_SELF_TEST_LOG,
    )

    assert assemble(raw).self_tests == (
        SelfTest(SelfTestKind.OTHER, SelfTestOutcome.FAILED, failed_part=Part.COATING),
    )


def test_a_date_of_16_bits_is_left_out_once_hours_have_gone_past_it() -> None:
    """65536 hours are seven and a half years; after that the field starts again."""
    statistics = pages_made.statistics(1, {16: 65_536})

    tests = assemble(pages_made.ata_drive(ATA_STATISTICS_01=statistics)).self_tests
    assert [test.at_power_on_hours for test in tests] == [None]


def test_a_bad_sector_past_the_end_of_the_drive_is_left_out() -> None:
    """It would send somebody looking for a file that cannot be there."""
    row = Test(status=0x70, lba=31_251_759_104)
    log = pages_made.extended_self_test_log([row])

    (test,) = assemble(pages_made.ata_drive(ATA_EXTENDED_SELF_TEST_LOG=log)).self_tests
    assert (test.outcome, test.first_bad_sector) == (SelfTestOutcome.FAILED, None)


# --- what is missing


def test_each_broken_page_is_told_with_its_reason() -> None:
    """I8: what cannot be trusted is said, and is no number."""
    for name in pages_made.ata_drive().pages:
        reading = assemble(pages_made.ata_drive(**{name.name: BAD}))

        assert reading.unreported[name.value], name


@pytest.mark.parametrize("drive", [pages_made.scsi_drive(), pages_made.nvme_drive()])
def test_each_page_that_is_cut_short_is_told_in_every_language(drive: RawPages) -> None:
    """What would have stood on it is missing, and said to be."""
    whole = assemble(drive)
    for name, page in drive.pages.items():
        reading = assemble(replace(drive, pages={**drive.pages, name: page[:3]}))
        lost = {one for one, source in whole.sources.items() if source is name}

        assert "cut short" in reading.unreported[name.value]
        assert not lost - {Measure.CELSIUS} & reading.measures.keys()


def test_what_a_broken_page_would_have_counted_is_told_measure_by_measure() -> None:
    """Whoever looks for a measure finds why it is missing."""
    drives = (
        (without(pages_made.ata_drive(ATA_SMART_DATA=BAD), *STATISTICS), Measure.MOVED_SECTORS),
        (pages_made.scsi_drive(SCSI_LOG_02=b""), Measure.UNCORRECTED_WRITES),
        (pages_made.nvme_drive(NVME_HEALTH=b""), Measure.MEDIA_ERRORS),
    )

    for raw, measure in drives:
        reading = assemble(raw)
        assert measure not in reading.measures
        assert reading.unreported[measure.value].split(": ")[0] in {*PageName}


def test_an_attribute_that_cannot_be_what_it_should_is_told() -> None:
    """It stays in the page as it came."""
    data = pages_made.smart_data([Row(5, 1 << 40), Row(194, 360)])
    raw = without(pages_made.ata_drive(ATA_SMART_DATA=data), *STATISTICS, PageName.ATA_SCT_STATUS)

    unreported = assemble(raw).unreported
    assert "attribute 5" in unreported[Measure.MOVED_SECTORS.value]
    assert "attribute 194" in unreported[Measure.CELSIUS.value]


def test_the_temperature_beside_its_word_stands_in_for_the_temperature_page() -> None:
    """SCSI page 2Fh has one, too; without that page the word is not said."""
    raw = pages_made.scsi_drive(SCSI_LOG_0D=b"")
    neither = without(raw, PageName.SCSI_LOG_2F)

    assert assemble(raw).measures[Measure.CELSIUS] == 31
    assert assemble(raw).sources[Measure.CELSIUS] is PageName.SCSI_LOG_2F
    assert assemble(neither).says is OwnWord.NOT_SAID
    assert Measure.CELSIUS not in assemble(neither).measures


def test_pages_that_were_refused_are_told_as_they_were_refused() -> None:
    """The reason is the drive's or the bridge's, and stands as it came."""
    raw = RawPages(Route.ATA, {}, {PageName.ATA_SMART_DATA: "the bridge does not know it"})

    assert assemble(raw).unreported[PageName.ATA_SMART_DATA.value] == "the bridge does not know it"


@pytest.mark.parametrize(
    ("words", "why"),
    [({82: 0x20}, "the drive says that it has none"), ({85: 0x20}, "it is switched off")],
)
def test_a_drive_whose_smart_is_off_is_told_so(words: dict[int, int], why: str) -> None:
    """Words 82 and 85, bit 0. Source: ACS, as in Linux ata.h."""
    raw = pages_made.ata_drive(ATA_IDENTIFY=pages_made.Identify(words=words).sector())
    raw = without(raw, PageName.ATA_SMART_DATA)

    assert why in assemble(raw).unreported[PageName.ATA_SMART_DATA.value]


def test_what_one_would_look_for_and_nobody_has_is_told() -> None:
    """A gap that is not named looks like a zero."""
    raw = RawPages(Route.ATA, {PageName.ATA_STATUS: pages_made.HEALTHY})

    unreported = assemble(raw).unreported
    assert unreported[Measure.MOVED_SECTORS.value] == "no page that came has it"


def test_a_silent_drive_is_silent_and_not_healthy() -> None:
    """A bridge that passes nothing through says nothing of the drive behind it."""
    silent = assemble(RawPages(Route.SILENT, silence="the bridge knows no ATA command"))

    assert (silent.says, silent.silence) == (OwnWord.NOT_SAID, "the bridge knows no ATA command")
    assert assemble(RawPages(Route.SILENT)).silence
    hwmon = assemble(RawPages(Route.SILENT, hwmon_celsius=31))
    assert (hwmon.measures, bool(hwmon.silence)) == ({Measure.CELSIUS: 31}, True)


def test_a_drive_that_says_who_it_is_and_no_more_is_silent_too() -> None:
    """Names and a temperature are nothing about its health."""
    raw = RawPages(Route.ATA, {PageName.ATA_IDENTIFY: pages_made.Identify().sector()})

    assert "nothing that it says is about its health" in assemble(raw).silence


def test_a_kernel_that_gives_nonsense_is_not_believed_either() -> None:
    """Milli-degrees where degrees belong."""
    raw = RawPages(Route.ATA, hwmon_celsius=37_000)

    assert "kernel" in assemble(raw).unreported[Measure.CELSIUS.value]


def test_a_translator_may_pass_on_who_the_drive_is() -> None:
    """VPD page 89h stands in for IDENTIFY DEVICE, for ATA and for SCSI questions."""
    behind = pages_made.ata_information(pages_made.Identify(rotation=5400).sector())
    raw = without(pages_made.ata_drive(SCSI_VPD_89=behind), PageName.ATA_IDENTIFY)
    scsi = without(pages_made.scsi_drive(SCSI_VPD_89=behind), PageName.SCSI_VPD_B1)

    for reading in (assemble(raw), assemble(scsi)):
        assert reading.measures[Measure.ROTATIONS_PER_MINUTE] == 5400
        assert reading.sources[Measure.ROTATIONS_PER_MINUTE] is PageName.SCSI_VPD_89


def test_the_few_pages_that_are_asked_for_during_work_are_enough_for_a_vital_sign() -> None:
    """Temperature and its own word, from two commands."""
    pages = {
        PageName.ATA_SCT_STATUS: pages_made.sct_status(51),
        PageName.ATA_STATUS: pages_made.FAILING,
    }

    assert vital(RawPages(Route.ATA, pages)) == Vital(51, OwnWord.FAILING)
    assert vital(RawPages(Route.ATA)) == Vital(None, OwnWord.NOT_SAID)
