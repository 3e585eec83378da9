"""Pages of SCSI drives, one decoder at a time: what is read, and what is refused."""

from __future__ import annotations

import pytest

from refreshd.health_cards import (
    Measure,
    OwnWarning,
    OwnWord,
    PageName,
    Part,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
)
from refreshd.pages import BadPageError, scsi_identity, scsi_logs
from refreshd.pages.sense import percent_done, sense_of
from tests import pages_made

NO_SECTOR = (1 << 64) - 1

# --- walking a log page


def test_parameters_are_walked_by_their_own_lengths() -> None:
    """Header: page, subpage, length; parameter: code, control, length, value. Source: SPC."""
    page = pages_made.log_page(0x03, {0x0006: b"\0\0\0\2", 0x8000: b"", 0x0001: b"\7"})

    expected = {6: b"\0\0\0\2", 0x8000: b"", 1: b"\7"}
    assert scsi_logs.parameters(page, 0x03) == expected
    assert scsi_logs.parameters(page + b"room that was asked for", 0x03) == expected


WHOLE = pages_made.log_page(0x03, {6: b"\0\0\0\2", 1: b"\0\0\0\7"})
BROKEN_LOGS = {
    "nothing": b"",
    "half a header": WHOLE[:3],
    "another page": b"\x02" + WHOLE[1:],
    "a subpage": b"\x43\x01" + WHOLE[2:],
    "cut short": WHOLE[:-1],
    "cut between two parameters": WHOLE[:12],
    "a parameter past the end": WHOLE[:7] + b"\x0d" + WHOLE[8:],
    "half a parameter": pages_made.log_page(0x03, {6: b"\0\0\0\2"})[:2] + b"\0\x0a" + WHOLE[4:14],
    "twice the same": pages_made.log_page(0x03, [(6, b"\1"), (6, b"\2")]),
}


@pytest.mark.parametrize("page", BROKEN_LOGS.values(), ids=BROKEN_LOGS)
def test_a_log_page_that_does_not_add_up_gives_nothing(page: bytes) -> None:
    """A walk that goes on past a wrong length reads values where there are none."""
    with pytest.raises(BadPageError):
        scsi_logs.parameters(page, 0x03)


def test_the_list_of_pages_must_ascend() -> None:
    """Page 00h. Source: SPC."""
    assert scsi_logs.pages_offered(pages_made.log_list(0x00, 0x0D, 0x2F)) == {0, 0x0D, 0x2F}
    for codes in ((0x0D, 0x00), (0x0D, 0x0D), (0x00, 0x4D)):
        with pytest.raises(BadPageError, match="out of order"):
            scsi_logs.pages_offered(pages_made.log_list(*codes))


# --- counters, temperature


@pytest.mark.parametrize(
    ("name", "code", "measure"),
    [
        (PageName.SCSI_LOG_02, 6, Measure.UNCORRECTED_WRITES),
        (PageName.SCSI_LOG_03, 6, Measure.UNCORRECTED_READS),
        (PageName.SCSI_LOG_03, 1, Measure.CORRECTED_BY_REREADING),
        (PageName.SCSI_LOG_05, 6, Measure.UNCORRECTED_VERIFIES),
        (PageName.SCSI_LOG_0E, 4, Measure.SPINDLE_STARTS),
        (PageName.SCSI_LOG_0E, 6, Measure.HEAD_LOADS),
    ],
)
def test_each_counter_is_read_by_its_code(name: PageName, code: int, measure: Measure) -> None:
    """0Eh as drive manuals print it; 02h, 03h and 05h from memory of SPC."""
    page = pages_made.log_page(scsi_logs.number_of(name), {code: bytes((0, 0, 1, 2)), 0x99: b"x"})

    assert scsi_logs.counters(page, name) == ({measure: 258}, {})


@pytest.mark.parametrize("value", [b"", bytes(9), b"\xff" * 4])
def test_what_is_no_count_is_refused(value: bytes) -> None:
    """All bits set stand for no value at all."""
    page = pages_made.log_page(0x02, {6: value})

    values, refused = scsi_logs.counters(page, PageName.SCSI_LOG_02)
    assert (values, set(refused)) == ({}, {Measure.UNCORRECTED_WRITES})


def test_the_temperature_page_has_the_layout_of_drive_manuals() -> None:
    """Page length 0Ch; byte 9 temperature, byte 15 the highest allowed."""
    page = pages_made.temperatures(31, limit=60)

    assert (page[3], page[9], page[15]) == (0x0C, 31, 60)
    assert scsi_logs.temperatures(page)[0] == {Measure.CELSIUS: 31, Measure.CELSIUS_LIMIT: 60}


@pytest.mark.parametrize("celsius", [0, 0xFF])
def test_no_reading_is_no_temperature(celsius: int) -> None:
    """FFh: no valid reading; 0 stands for 0 °C, for less, and for bridges that do not know."""
    values, refused = scsi_logs.temperatures(pages_made.temperatures(celsius))

    assert values == {Measure.CELSIUS_LIMIT: 60}
    assert set(refused) == {Measure.CELSIUS}


def test_a_temperature_of_another_size_is_none() -> None:
    """The byte at its place could be of anything."""
    page = pages_made.log_page(0x0D, {0: bytes((0, 31, 0)), 1: bytes((60,))})

    assert scsi_logs.temperatures(page)[0] == {}


# --- informational exceptions


@pytest.mark.parametrize(
    ("value", "says", "warning", "celsius"),
    [
        (b"\x00\x00\x1f\x3c", OwnWord.PASSING, "", 31),
        (b"\x5d\x10\x1f", OwnWord.FAILING, "", 31),
        (b"\x0b\x01\xff\x3c", OwnWord.NOT_SAID, OwnWarning.TEMPERATURE, None),
        (b"\x00\x05\x00", OwnWord.NOT_SAID, "it reports a condition of its own (00h/05h)", None),
    ],
)
def test_what_a_drive_says_of_itself_is_an_additional_code(
    value: bytes, says: OwnWord, warning: str, celsius: int | None
) -> None:
    """Page 2Fh, parameter 0: ASC, ASCQ, temperature; 5Dh from memory of SPC."""
    found = scsi_logs.exceptions(pages_made.log_page(0x2F, {0: value}))

    assert (found.says, found.warning, found.celsius) == (says, warning, celsius)


@pytest.mark.parametrize("parameters", [{}, {0: b"\0\0"}, {1: b"\0\0\0\0"}])
def test_a_page_without_that_word_says_nothing(parameters: dict[int, bytes]) -> None:
    """An empty page is not "nothing pending"."""
    with pytest.raises(BadPageError, match="no word"):
        scsi_logs.exceptions(pages_made.log_page(0x2F, parameters))


# --- self-tests


def test_self_tests_are_told_as_they_are_listed() -> None:
    """Twenty parameters of 16 bytes, the newest first (from memory of SPC)."""
    page = pages_made.scsi_self_tests(
        [
            (0b010, 0xF, 0, NO_SECTOR, 0),
            (0b010, 0x7, 812, 4711, 0x3),
            (0b001, 0x5, 811, NO_SECTOR, 0x4),
            (0b110, 0x0, 800, 99, 0),
            (0b101, 0x2, 799, NO_SECTOR, 0),
        ]
    )

    assert len(page) == 404
    assert scsi_logs.self_tests(page) == (
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.UNDER_WAY, 0),
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.FAILED, 812, 4711, Part.COATING),
        SelfTest(SelfTestKind.SHORT, SelfTestOutcome.FAILED, 811, None, Part.ELECTRONICS),
        SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.PASSED, 800),
        SelfTest(SelfTestKind.SHORT, SelfTestOutcome.STOPPED, 799),
    )


def test_a_self_test_of_another_size_gives_nothing() -> None:
    """Its result would be read out of another field."""
    with pytest.raises(BadPageError, match="15 of 16 bytes"):
        scsi_logs.self_tests(pages_made.log_page(0x10, {1: bytes(15)}))


@pytest.mark.parametrize(
    ("sense", "percent"),
    [
        ("72020409000000080206000080800000", 50),
        ("72020409000000080206000000800000", None),  # its field is not valid
        ("72020409000000080206000080", None),  # cut short
        ("7202040900000000", None),
        ("700002000000000a00000000040900804000", 25),
        ("700002000000000a00000000040900004000", None),
        ("700002000000000a00000000040900", None),
        ("00" * 20, None),
    ],
)
def test_how_far_a_drive_is_stands_in_its_sense_data(sense: str, percent: int | None) -> None:
    """Progress counts to 65536, in a field with a validity bit. Source: SPC, from memory."""
    assert percent_done(bytes.fromhex(sense)) == percent


def test_why_a_command_was_refused_is_said_in_words() -> None:
    """Key, additional code and qualifier stand behind them for whoever looks them up."""
    known, other = sense_of(bytes.fromhex("7205200000000000")), sense_of(b"\x72\x0e" + bytes(6))

    assert known is not None
    assert known.words == "the drive or its bridge does not know the command (sense 5/20/00)"
    assert other is not None
    assert other.words == "refused (sense E/00/00)"


# --- who it is


def test_names_are_read_from_inquiry_and_vital_product_data() -> None:
    """Source: SPC, standard INQUIRY data, pages 80h, 83h; SBC, B1h (from memory)."""
    found = scsi_identity.inquiry(pages_made.inquiry())

    assert (found.model, found.firmware) == ("BRIDGE DOCK", "0100")
    assert scsi_identity.unit_serial(pages_made.vpd(0x80, b"  S-0001 ")) == "S-0001"
    assert scsi_identity.unit_serial(pages_made.vpd(0x80, b"    ")) is None
    assert scsi_identity.rotation(pages_made.vpd(0xB1, b"\x1c\x20" + bytes(58))) == 7200
    assert scsi_identity.rotation(pages_made.vpd(0xB1, b"\x00\x01")) == 1


def test_the_name_of_the_world_is_the_units_own() -> None:
    """A port has names, too; a name of vendor text may be made up by a bridge."""
    text = bytes.fromhex("02010004") + b"VEND"
    port = bytes.fromhex("019300085000c500a1b2c3d5")
    eui = bytes.fromhex("010200080025385b71b00001")
    naa = bytes.fromhex("010300085000c500a1b2c3d4")

    def named(*names: bytes) -> str | None:
        return scsi_identity.world_wide_name(pages_made.vpd(0x83, b"".join(names)))

    assert named(text, port, eui, naa) == "naa.5000c500a1b2c3d4"
    assert named(text, port, eui) == "eui.0025385b71b00001"
    assert named(text, port) is None
    assert named(bytes.fromhex("010300045000c500")) is None
    with pytest.raises(BadPageError, match="runs past its end"):
        named(naa, eui[:-1])


def test_the_ata_drive_behind_a_translator_is_read_whole() -> None:
    """VPD 89h: 36 = 34h, 56 = ECh, 60 to 571 IDENTIFY. Source: Linux libata-scsi.c."""
    page = pages_made.ata_information(pages_made.Identify().sector())

    assert (len(page), page[36], page[56]) == (572, 0x34, 0xEC)
    assert scsi_identity.ata_behind(page).drive.serial == "RD-TEST12345678"


BEHIND = pages_made.ata_information(pages_made.Identify().sector())
BROKEN_VPD = {
    "nothing": b"",
    "cut short": BEHIND[:571],
    "half a header": BEHIND[:3],
    "another page": b"\0\x80" + BEHIND[2:],
    "too short a length": BEHIND[:2] + b"\0\x10" + BEHIND[4:],
    "a packet device": BEHIND[:56] + b"\xa1" + BEHIND[57:],
    "a bit of the sector wrong": BEHIND[:80] + b"Z" + BEHIND[81:],
}


@pytest.mark.parametrize("page", BROKEN_VPD.values(), ids=BROKEN_VPD)
def test_a_page_of_vital_product_data_that_does_not_add_up_gives_nothing(page: bytes) -> None:
    """Half a serial would name another drive."""
    with pytest.raises(BadPageError):
        scsi_identity.ata_behind(page)


def test_a_serial_that_is_cut_short_is_none() -> None:
    """S-000 is another drive than S-0001."""
    with pytest.raises(BadPageError, match="cut short: 9 of 10"):
        scsi_identity.unit_serial(pages_made.vpd(0x80, b"S-0001")[:-1])


def test_inquiry_data_that_is_cut_short_or_of_no_drive_names_nobody() -> None:
    """Qualifier 011b: nothing is connected at this unit."""
    whole = pages_made.inquiry()

    for page in (whole[:35], whole[:4] + b"\x05" + whole[5:], b"\x7f" + whole[1:]):
        with pytest.raises(BadPageError):
            scsi_identity.inquiry(page)
