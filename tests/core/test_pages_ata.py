"""Pages of ATA drives, one decoder at a time: what is read, and what is refused."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from refreshd.health_cards import Measure, PageName, Part, SelfTest, SelfTestKind, SelfTestOutcome
from refreshd.pages import (
    BadPageError,
    ata_identify,
    ata_sct,
    ata_self_tests,
    ata_smart,
    ata_statistics,
    ata_status,
    attributes,
    octets,
)
from refreshd.pages.ata_status import Power
from tests import pages_made
from tests.pages_made import Identify, Row, Test

SUMMED: dict[str, tuple[Callable[[bytes], object], bytes]] = {
    "identify": (ata_identify.identify, Identify().sector()),
    "smart data": (ata_smart.smart_data, pages_made.worked_smart_data()),
    "thresholds": (ata_smart.thresholds, pages_made.thresholds({5: 10})),
    "self-test log": (ata_self_tests.self_test_log, pages_made.self_test_log([Test()])),
    "extended self-test log": (
        ata_self_tests.extended_self_test_log,
        pages_made.extended_self_test_log([Test(hours=1)]),
    ),
    "error log": (octets.summed, pages_made.with_sum(bytearray(b"\1" + bytes(511)))),
}
"""Every page that carries a checksum, with its decoder."""

HEADED: dict[str, tuple[Callable[[bytes], object], bytes]] = {
    "statistics 00h": (ata_statistics.pages_offered, pages_made.statistics_list(0, 1)),
    "statistics 03h": (
        ata_statistics.decoder(PageName.ATA_STATISTICS_03),
        pages_made.statistics(3, {32: 5}),
    ),
    "sct status": (ata_sct.celsius, pages_made.sct_status(30)),
}
"""Every page that carries none, with its decoder."""

ALL = SUMMED | HEADED


@pytest.mark.parametrize(("decode", "page"), SUMMED.values(), ids=SUMMED)
def test_a_page_with_one_bit_wrong_anywhere_gives_nothing(
    decode: Callable[[bytes], object], page: bytes
) -> None:
    """A checksum of eight bits finds every change of a single bit."""
    decode(page)
    for at in range(512 * 8):
        broken = bytearray(page)
        broken[at // 8] ^= 1 << at % 8

        with pytest.raises(BadPageError):
            decode(bytes(broken))


@pytest.mark.parametrize(("decode", "page"), ALL.values(), ids=ALL)
def test_a_page_of_another_size_gives_nothing(
    decode: Callable[[bytes], object], page: bytes
) -> None:
    """What is cut short may have lost the numbers, and zeros in their place would be praise."""
    for size in (0, 1, 2, 200, 510, 511):
        with pytest.raises(BadPageError, match="cut short"):
            decode(page[:size])
    with pytest.raises(BadPageError, match="where the page has 512"):
        decode(page + b"\0")


@pytest.mark.parametrize(("decode", "page"), ALL.values(), ids=ALL)
@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_an_empty_sector_gives_nothing(
    decode: Callable[[bytes], object], page: bytes, byte: int
) -> None:
    """512 zeros add up to 0: the checksum alone would let them pass for a drive without faults."""
    with pytest.raises(BadPageError, match="nothing but"):
        decode(bytes([byte]) * 512)


# --- IDENTIFY DEVICE


def test_an_older_drive_without_integrity_word_is_read_too() -> None:
    """Word 255 was reserved once, and is 0000h there; anything else must fit."""
    raw = bytearray(Identify().sector())
    raw[510:] = bytes(2)

    assert ata_identify.identify(bytes(raw)).drive.serial == "RD-TEST12345678"
    nameless = bytearray(raw)
    nameless[54:94] = bytes(40)
    with pytest.raises(BadPageError, match="neither an integrity word nor a model"):
        ata_identify.identify(bytes(nameless))
    raw[510:] = b"\x5a\x00"
    with pytest.raises(BadPageError, match="integrity word"):
        ata_identify.identify(bytes(raw))


def test_words_that_are_not_marked_valid_say_nothing() -> None:
    """Bits 15:14 = 01b vouch for their neighbours; without them, nothing is known of SMART."""
    sector = Identify(words={83: 0x0400, 84: 0x0003, 87: 0xC003}).sector()

    found = ata_identify.identify(sector)
    assert (found.has_smart, found.is_smart_on, found.has_self_test) == (None, None, None)


@pytest.mark.parametrize(
    ("words", "logical", "physical"),
    [
        ({106: 0x6003}, 512, 4096),
        ({106: 0x4000}, 512, 512),
        ({106: 0x0003}, 512, 512),
        ({106: 0x5000, 117: 2048}, 4096, 4096),
        ({106: 0x7001, 117: 256}, 512, 1024),
    ],
)
def test_sector_sizes_are_read_where_their_word_is_valid(
    words: dict[int, int], logical: int, physical: int
) -> None:
    """Source: ACS, IDENTIFY words 106, 117 and 118 (bits from memory)."""
    found = ata_identify.identify(Identify(words=words).sector())

    assert (found.logical_bytes, found.physical_bytes) == (logical, physical)


def test_a_small_drive_tells_its_size_in_the_older_words() -> None:
    """Words 60 and 61 count at most 0FFFFFFFh sectors. Source: ACS, as in Linux ata.h."""
    words = {83: 0x4000, 60: 0x1234, 61: 0x0001, 100: 9, 101: 0, 102: 0, 103: 0}

    assert ata_identify.identify(Identify(words=words).sector()).sectors == 0x11234


@pytest.mark.parametrize(
    ("code", "expected"), [(1, 1), (0, None), (5400, 5400), (0x0400, None), (0xFFFF, None)]
)
def test_only_codes_that_are_a_speed_are_one(code: int, expected: int | None) -> None:
    """0001h does not turn; 0401h to FFFEh are turns a minute; the rest says nothing."""
    found = ata_identify.identify(Identify(rotation=code).sector()).drive

    assert found.rotation == expected
    assert found.is_flash == (code == 1)


def test_an_optical_drive_is_no_disk() -> None:
    """Word 0 bit 15; a memory card has 848Ah there."""
    with pytest.raises(BadPageError, match="not of an ATA disk: its first word is 85C0h"):
        ata_identify.identify(Identify(words={0: 0x85C0}).sector())
    assert ata_identify.identify(Identify(words={0: 0x848A}).sector()).sectors


def test_a_name_that_is_not_registered_is_no_name_of_the_world() -> None:
    """NAA 5 alone is given out world-wide; others are made up locally."""
    assert ata_identify.identify(Identify(wwn=0x3000000000000001).sector()).drive.wwn is None


# --- SMART


def test_an_attribute_that_stands_twice_counts_for_neither() -> None:
    """Nobody could say which of the two is meant."""
    data = ata_smart.smart_data(pages_made.smart_data([Row(5, 1), Row(9, 2), Row(5, 9)]))

    assert (set(data.attributes), set(data.doubled)) == ({9}, {5})
    with pytest.raises(BadPageError, match="two rows"):
        attributes.count(data, attributes.SETTLED[0])


@pytest.mark.parametrize(
    ("polling", "minutes"),
    [((2, 200, 999), 200), ((2, 0xFF, 1883), 1883), ((2, 0xFF, 0), None), ((2, 0, 5), None),
     ((2, 0xFF, 0xFFFF), None)],
)  # fmt: skip
def test_the_length_of_an_extended_test_moves_to_a_word_where_a_byte_is_too_small(
    polling: tuple[int, int, int], minutes: int | None
) -> None:
    """Byte 373 = FFh: bytes 375 and 376 say it. Source: ACS, from memory."""
    data = ata_smart.smart_data(pages_made.smart_data(polling=polling))

    assert data.minutes.get(SelfTestKind.EXTENDED) == minutes


@pytest.mark.parametrize(
    ("nibble", "ended", "part"),
    [
        (0x0, SelfTestOutcome.PASSED, None),
        (0x1, SelfTestOutcome.STOPPED, None),
        (0x2, SelfTestOutcome.STOPPED, None),
        (0x3, SelfTestOutcome.FAILED, None),
        (0x4, SelfTestOutcome.FAILED, None),
        (0x5, SelfTestOutcome.FAILED, Part.ELECTRONICS),
        (0x6, SelfTestOutcome.FAILED, Part.MOTOR),
        (0x7, SelfTestOutcome.FAILED, Part.COATING),
        (0x8, SelfTestOutcome.FAILED, None),
        (0x9, SelfTestOutcome.NOT_KNOWN, None),
        (0xE, SelfTestOutcome.NOT_KNOWN, None),
        (0xF, SelfTestOutcome.UNDER_WAY, None),
    ],
)
def test_each_status_of_a_self_test_is_told(
    nibble: int, ended: SelfTestOutcome, part: Part | None
) -> None:
    """Source: drive manuals, self-test execution status; 8 from memory of ACS."""
    assert ata_smart.outcome(nibble << 4) is ended
    assert ata_smart.failed_part(nibble << 4) is part


def test_what_is_left_of_a_test_is_told_only_while_it_runs() -> None:
    """Low four bits, 0 to 9, in tens of percent."""
    assert ata_smart.percent_left(0xF5) == 50
    assert ata_smart.percent_left(0x75) is None
    assert ata_smart.percent_left(0xFA) is None


def test_thresholds_with_special_values_are_told_apart() -> None:
    """00h always passes, FFh always fails, FEh is no threshold. Source: drive manuals."""
    page = pages_made.thresholds([(1, 0), (5, 0xFF), (9, 0xFE), (10, 97), (7, 3), (7, 4)])

    assert ata_smart.thresholds(page) == {1: 0, 5: 0xFF, 10: 97}


@pytest.mark.parametrize(
    ("flags", "value", "limit", "fallen"),
    [
        (1, 10, 10, (5,)),
        (1, 11, 10, ()),
        (1, 1, 10, (5,)),
        (1, 0, 10, ()),
        (1, 254, 0xFD, ()),
        (1, 100, 0, ()),
        (1, 100, 0xFF, (5,)),
        (1, 0, 0xFF, (5,)),
        (0, 1, 10, ()),
    ],
)
def test_only_a_pre_failure_attribute_at_its_threshold_counts_as_failing(
    flags: int, value: int, limit: int, fallen: tuple[int, ...]
) -> None:
    """Values are 1 to FDh; an attribute without the pre-failure bit only advises."""
    data = ata_smart.smart_data(pages_made.smart_data([Row(5, 0, flags=flags, value=value)]))

    assert ata_smart.fallen(data, {5: limit}) == fallen


# --- self-test logs

PASSED = Test(number=1, status=0x00, hours=10)
FAILED = Test(number=2, status=0x70, hours=20, lba=4711)
STOPPED = Test(number=0x82, status=0x10, hours=30)


def test_the_log_is_told_from_the_newest_on() -> None:
    """Index 1 to 21, counted from 1; 0 for an empty log. Source: drive manuals."""
    tests = ata_self_tests.self_test_log(pages_made.self_test_log([PASSED, FAILED, STOPPED]))

    assert tests == (
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.STOPPED, 30),
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.FAILED, 20, 4711, Part.COATING),
        SelfTest(SelfTestKind.SHORT, SelfTestOutcome.PASSED, 10),
    )
    assert ata_self_tests.self_test_log(pages_made.self_test_log([])) == ()


def test_a_full_log_goes_around() -> None:
    """The row after the newest is the oldest."""
    rows = [Test(hours=hours) for hours in range(100, 121)]
    rows[:3] = [Test(hours=hours) for hours in (121, 122, 123)]

    tests = ata_self_tests.self_test_log(pages_made.self_test_log(rows, index=3))
    assert [test.at_power_on_hours for test in tests] == list(range(123, 102, -1))


def test_an_index_that_names_no_row_gives_nothing() -> None:
    """Any row could be the newest, and a test that failed be taken for an old one."""
    with pytest.raises(BadPageError, match="number 22 of 21"):
        ata_self_tests.self_test_log(pages_made.self_test_log([PASSED], index=22))
    page = pages_made.extended_self_test_log([PASSED], index=20)
    with pytest.raises(BadPageError, match="number 20 of 19"):
        ata_self_tests.extended_self_test_log(page)


def _hours(rows: list[Test], index: int) -> list[int | None]:
    page = pages_made.extended_self_test_log(rows, index=index)
    return [test.at_power_on_hours for test in ata_self_tests.extended_self_test_log(page)]


def test_the_extended_log_is_read_by_either_rule_of_its_index() -> None:
    """Texts say 0 to 18, drives 1 to 19 with 0 for none: the row that is newer tells which."""
    three = [Test(hours=hours) for hours in (10, 20, 30)]
    full = [Test(hours=hours) for hours in (*range(119, 124), *range(105, 119))]

    assert _hours(three, 3) == [30, 20, 10]  # counted from 1
    assert _hours(three, 2) == [30, 20, 10]  # counted from 0
    assert _hours(three[:1], 0) == [10]  # likewise, its first test
    assert _hours([Test(hours=0)], 0) == [0]  # likewise, in its first hour
    assert _hours([], 0) == []
    assert _hours(full, 5) == list(range(123, 104, -1))  # counted from 1, gone around
    assert _hours(full, 4) == list(range(123, 104, -1))  # counted from 0, gone around
    assert _hours([Test(hours=hours) for hours in range(1, 20)], 19)[0] == 19


def test_the_extended_log_has_room_for_the_sectors_of_a_large_drive() -> None:
    """48 bits, 5 bytes into the row. Source: drive manuals."""
    row = Test(number=2, status=0x71, hours=5, lba=31_251_759_103)

    tests = ata_self_tests.extended_self_test_log(pages_made.extended_self_test_log([row]))
    assert tests[0].first_bad_sector == 31_251_759_103


@pytest.mark.parametrize("lba", [0, 0xFFFFFFFF])
def test_a_test_that_failed_elsewhere_names_no_sector(lba: int) -> None:
    """What stands in the field then is no address."""
    rows = [Test(status=0x70, lba=lba), Test(status=0x60, lba=99)]

    tests = ata_self_tests.self_test_log(pages_made.self_test_log(rows))
    assert [test.first_bad_sector for test in tests] == [None, None]


def test_the_status_byte_alone_tells_a_test_under_way_or_failed() -> None:
    """0 is "passed, or never run": it tells neither."""
    assert ata_self_tests.under_way(0xF3) == SelfTest(
        SelfTestKind.OTHER, SelfTestOutcome.UNDER_WAY, percent_left=30
    )
    assert ata_self_tests.last_failed(0x70) == SelfTest(
        SelfTestKind.OTHER, SelfTestOutcome.FAILED, failed_part=Part.COATING
    )
    assert ata_self_tests.under_way(0x70) is None
    assert ata_self_tests.last_failed(0x00) is None


# --- device statistics


def test_every_statistic_stands_where_the_standard_has_it() -> None:
    """Offsets from memory of ACS; written out by hand beside the table."""
    where = {
        PageName.ATA_STATISTICS_01: {8: Measure.POWER_CYCLES, 16: Measure.POWER_ON_HOURS},
        PageName.ATA_STATISTICS_03: {
            16: Measure.HEAD_FLYING_HOURS,
            24: Measure.HEAD_LOADS,
            32: Measure.MOVED_SECTORS,
            40: Measure.READ_RECOVERIES,
            48: Measure.START_FAILURES,
            56: Measure.WAITING_SECTORS,
        },
        PageName.ATA_STATISTICS_04: {8: Measure.REPORTED_ERRORS, 16: Measure.RESETS},
        PageName.ATA_STATISTICS_05: {
            8: Measure.CELSIUS,
            32: Measure.CELSIUS_HIGHEST,
            40: Measure.CELSIUS_LOWEST,
            80: Measure.MINUTES_TOO_HOT,
            88: Measure.CELSIUS_LIMIT,
            96: Measure.MINUTES_TOO_COLD,
        },
        PageName.ATA_STATISTICS_07: {8: Measure.ENDURANCE_USED},
    }
    for name, fields in where.items():
        page = pages_made.statistics(ata_statistics.number_of(name), {at: at for at in fields})

        found = ata_statistics.statistics(page, name)
        assert dict(found.values) == {measure: at for at, measure in fields.items()}
        assert found.refused == {}


def test_a_statistic_that_is_not_marked_valid_gives_no_number() -> None:
    """Bit 63 supported, bit 62 valid, bit 61 on a scale of its own (from memory of ACS)."""
    decode = ata_statistics.decoder(PageName.ATA_STATISTICS_04)

    assert decode(pages_made.statistics(4, {8: pages_made.NOT_VALID})).values == {}
    refused = decode(pages_made.statistics(4, {8: pages_made.NOT_VALID})).refused
    assert refused == {Measure.REPORTED_ERRORS: "the drive marks it as not valid"}
    scaled = decode(pages_made.statistics(4, {8: 5}, normalised=True))
    assert (scaled.values, "scale" in scaled.refused[Measure.REPORTED_ERRORS]) == ({}, True)
    beyond = decode(pages_made.statistics(4, {8: 1 << 40 | 5}))
    assert (beyond.values, "beyond" in beyond.refused[Measure.REPORTED_ERRORS]) == ({}, True)


def test_a_share_is_normalised_by_its_nature() -> None:
    """Page 07h gives a percentage, which drives mark as normalised."""
    page = pages_made.statistics(7, {8: 103}, normalised=True)

    found = ata_statistics.statistics(page, PageName.ATA_STATISTICS_07)
    assert found.values == {Measure.ENDURANCE_USED: 103}


def test_temperatures_below_zero_are_signed_bytes() -> None:
    """A drive out of a cold store may be below 0 °C."""
    page = pages_made.statistics(5, {8: 0xFB, 40: 0x80})

    found = ata_statistics.statistics(page, PageName.ATA_STATISTICS_05)
    assert found.values == {Measure.CELSIUS: -5, Measure.CELSIUS_LOWEST: -128}


@pytest.mark.parametrize(("at", "byte"), [(0, 2), (1, 1), (2, 5)])
def test_a_page_with_another_header_gives_nothing(at: int, byte: int) -> None:
    """A bridge that drops the page number gives page 00h for every page."""
    raw = bytearray(pages_made.statistics(3, {32: 5}))
    raw[at] = byte

    with pytest.raises(BadPageError, match="its header names page"):
        ata_statistics.statistics(bytes(raw), PageName.ATA_STATISTICS_03)


@pytest.mark.parametrize("listed", [(1, 1), (3, 1), ()])
def test_a_list_of_pages_that_does_not_ascend_is_none(listed: tuple[int, ...]) -> None:
    """Page 00h lists them ascending. Source: drive manuals."""
    with pytest.raises(BadPageError, match="out of order"):
        ata_statistics.pages_offered(pages_made.statistics_list(*listed))


# --- SCT, power, sense data


def test_the_temperature_of_sct_is_a_signed_byte_with_one_value_for_none() -> None:
    """Byte 200, 80h not valid, versions 2 and 3. Source: Linux drivers/hwmon/drivetemp.c."""
    assert ata_sct.celsius(pages_made.sct_status(41, version=2)) == 41
    assert ata_sct.celsius(pages_made.sct_status(-4)) == -4
    assert ata_sct.celsius(pages_made.sct_status(-128)) is None
    with pytest.raises(BadPageError, match="its version is 4"):
        ata_sct.celsius(pages_made.sct_status(41, version=4))


REFUSED_SENSE = {
    "nothing": b"",
    "zeros": bytes(22),
    "cut short": pages_made.HEALTHY[:18],
    "cut shorter": pages_made.HEALTHY[:7],
    "cut shortest": pages_made.HEALTHY[:1],
    "earlier command": b"\x73" + pages_made.HEALTHY[1:],
    "aborted": pages_made.HEALTHY[:1] + b"\x0b" + pages_made.HEALTHY[2:],
    "error bit": pages_made.HEALTHY[:-1] + b"\x51",
    "fault bit": pages_made.HEALTHY[:-1] + b"\x70",
    "beyond its length": pages_made.HEALTHY[:7] + b"\x00" + pages_made.HEALTHY[8:],
    "zero registers": pages_made.HEALTHY[:10] + bytes(12),
    "half an answer": pages_made.HEALTHY[:19] + b"\x2c\x00\x50",
    "no descriptor": bytes.fromhex("7201001d00000000"),
    "descriptor past the end": bytes.fromhex("7201001d0000000209ff"),
    "fixed without registers": pages_made.fixed_sense()[:13] + bytes(5),
    "fixed, cut short": pages_made.fixed_sense()[:12],
    "fixed, neither": pages_made.fixed_sense(0x00, 0x00),
}


@pytest.mark.parametrize("sense", REFUSED_SENSE.values(), ids=REFUSED_SENSE)
def test_what_is_not_one_of_the_two_answers_is_none(sense: bytes) -> None:
    """Whoever takes silence for "passing" rewrites a drive that is dying."""
    with pytest.raises(BadPageError):
        ata_status.smart_status(sense)


@pytest.mark.parametrize(
    ("sense", "expected"),
    [
        ("7202040200000000", Power.ASLEEP),
        ("7202040100000000", Power.NOT_SAID),
        ("72005e0200000000", Power.ASLEEP),
        ("72005e0400000000", Power.ASLEEP),
        ("72005e0a00000000", Power.ASLEEP),
        ("72005e0300000000", Power.AWAKE),
        ("72005e0100000000", Power.AWAKE),
        ("7200000000000000", Power.AWAKE),
        ("7205200000000000", Power.NOT_SAID),
        ("", Power.NOT_SAID),
    ],
)
def test_a_stopped_scsi_drive_is_asleep(sense: str, expected: Power) -> None:
    """ASC/ASCQ 04h/02h and 5Eh. Source: SPC, from memory."""
    assert ata_status.scsi_power(bytes.fromhex(sense)) is expected


# --- attributes with a settled meaning


def _one(number: int, raw: int | bytes) -> ata_smart.SmartData:
    return ata_smart.smart_data(pages_made.smart_data([Row(number, raw)]))


@pytest.mark.parametrize(
    ("number", "raw"),
    [
        (5, 65_536),  # two counters of 16 bits side by side
        (9, 300_000),  # minutes: 34 years
        (9, bytes((0x70, 0x44, 0, 0, 0x1C, 0))),  # a fraction in the high bytes
        (10, 65_536),
        (197, 1 << 32),
    ],
)
def test_a_number_that_cannot_be_a_count_is_packed_or_scaled(number: int, raw: int | bytes) -> None:
    """A wrong number would be worse than none. Bounds: own choice."""
    settled = next(one for one in attributes.SETTLED if one.number == number)

    with pytest.raises(BadPageError, match=f"attribute {number} says"):
        attributes.count(_one(number, raw), settled)


@pytest.mark.parametrize(
    ("number", "raw", "expected"),
    [
        (194, bytes((36, 0, 18, 0, 52, 0)), 36),
        (190, bytes((30, 0, 18, 31, 0, 0)), 30),
        (231, 30, None),
    ],
)
def test_the_temperature_is_the_first_byte_of_194_or_190(
    number: int, raw: int | bytes, expected: int | None
) -> None:
    """Source: Linux drivers/hwmon/drivetemp.c; what is packed behind it differs."""
    assert attributes.celsius(_one(number, raw)) == expected


@pytest.mark.parametrize("raw", [0, 101, 360, bytes((0xFF, 0xFF, 0, 0, 0, 0))])
def test_what_is_no_temperature_is_not_taken_for_one(raw: int | bytes) -> None:
    """0 is a drive without a sensor; some count tenths."""
    with pytest.raises(BadPageError, match="no temperature"):
        attributes.celsius(_one(194, raw))


def test_attribute_194_comes_before_190() -> None:
    """190 is the air on some drives. Source: Linux drivers/hwmon/drivetemp.c."""
    data = ata_smart.smart_data(pages_made.smart_data([Row(190, 25), Row(194, 33)]))

    assert attributes.celsius(data) == 33
