"""Worked sectors and answers, byte for byte.

They were computed from the cited layouts by code of its own, not captured from a drive; their
checksums and digests were written down beside them.
"""

from __future__ import annotations

from hashlib import sha256

from refreshd.health_cards import OwnWord, Part, SelfTestKind, SelfTestOutcome
from refreshd.pages import ata_identify, ata_smart, ata_statistics, ata_status, attributes
from refreshd.pages.ata_status import Power
from refreshd.pages.identity import DriveIdentity
from tests import pages_made


def test_the_worked_identify_sector_is_read_word_for_word() -> None:
    """Layout: ACS as in Linux include/linux/ata.h. Digest and byte 511 = E9h written down."""
    sector = pages_made.Identify().sector()

    assert sector[511] == 0xE9
    assert (
        sha256(sector).hexdigest()
        == "051893f894140cc8444036f117b43682e5879a5d1f4194e985a36bda2a3914aa"
    )
    assert sector[20:40] == b"DRT-SE1T325476 8    "
    assert sector[54:94].rstrip() == b"ERRFSEDHT SE TOMED L61BT"
    found = ata_identify.identify(sector)
    assert found.drive == DriveIdentity(
        wwn="naa.5000c500a1b2c3d4",
        model="REFRESHD TEST MODEL 16TB",
        serial="RD-TEST12345678",
        firmware="01.01A01",
        size_bytes=16_000_900_661_248,  # SFF-8447, 16 TB
        rotation=7200,
    )
    assert (found.sectors, found.logical_bytes, found.physical_bytes) == (31_251_759_104, 512, 4096)
    assert (found.has_smart, found.is_smart_on, found.has_self_test, found.has_sct) == (
        True,
        True,
        True,
        True,
    )


def test_the_worked_smart_sector_is_read_row_for_row() -> None:
    """Layout: drive manuals that print it. Digest and byte 511 = 34h written down."""
    page = pages_made.worked_smart_data()

    assert page[511] == 0x34
    assert (
        sha256(page).hexdigest()
        == "d8331a8588fe8a6dff55901cf0c4be4fe816923d4760b0938ae51ca8b7fd3310"
    )
    assert page[38:50].hex() == "c20200a6a624001200340000"
    data = ata_smart.smart_data(page)
    raws = {number: int.from_bytes(row.raw, "little") for number, row in data.attributes.items()}
    del raws[194]  # packed
    assert raws == {1: 0, 5: 8, 9: 17520, 197: 2, 198: 1, 199: 0}
    assert {number for number, row in data.attributes.items() if row.is_pre_failure} == {1, 5}
    assert attributes.celsius(data) == 36
    assert data.minutes == {SelfTestKind.SHORT: 2, SelfTestKind.EXTENDED: 1883}
    assert ata_smart.outcome(data.test_status) is SelfTestOutcome.FAILED
    assert ata_smart.failed_part(data.test_status) is Part.COATING


def test_the_answer_about_failing_is_read_out_of_descriptor_sense_data() -> None:
    """Source: ACS, SMART RETURN STATUS; SAT, as in Linux drivers/ata/libata-scsi.c; computed."""
    assert len(pages_made.HEALTHY) == 22
    assert (pages_made.HEALTHY[17], pages_made.HEALTHY[19]) == (0x4F, 0xC2)
    assert ata_status.smart_status(pages_made.HEALTHY) is OwnWord.PASSING
    assert ata_status.smart_status(pages_made.FAILING) is OwnWord.FAILING


def test_the_answer_about_failing_is_read_out_of_fixed_sense_data() -> None:
    """Source: SAT: error, status, device, count in bytes 3 to 6, LBA in 9 to 11."""
    healthy, failing = pages_made.fixed_sense(), pages_made.fixed_sense(0xF4, 0x2C)

    assert ata_status.smart_status(healthy) is OwnWord.PASSING
    assert ata_status.smart_status(failing) is OwnWord.FAILING


def test_the_power_mode_is_read_out_of_the_count() -> None:
    """Source: ACS, CHECK POWER MODE: 00h standby, 80h idle, FFh active or idle (from memory)."""
    asked = {0x00: Power.ASLEEP, 0x80: Power.AWAKE, 0xFF: Power.AWAKE, 0x55: Power.NOT_SAID}

    for count, expected in asked.items():
        assert ata_status.ata_power(pages_made.power_sense(count)) is expected
        assert ata_status.ata_power(pages_made.fixed_sense(0, 0, count=count)) is expected


def test_a_bridge_that_fills_in_zeros_does_not_say_that_a_drive_sleeps() -> None:
    """A drive that is ready says so in its status; zeros all over are nobody's answer."""
    assert ata_status.ata_power(pages_made.power_sense(0, status=0)) is Power.NOT_SAID


def test_the_list_of_statistics_is_read_as_manuals_print_it() -> None:
    """Page 00h: header 00 revision 0001h, byte 8 = count, then the page numbers ascending."""
    page = bytes.fromhex("010000000000000006000103040506").ljust(512, b"\0")

    assert ata_statistics.pages_offered(page) == {0, 1, 3, 4, 5, 6}
