"""A SCSI drive is asked for the pages that it lists, and a bridge or virtual disk is said silent.

The pages are those of `tests.pages_made`, constructed from the layouts of the standards.
"""

from __future__ import annotations

import errno

import pytest

from refreshd.adapters.examiner.scsi_disk import ScsiExaminer
from refreshd.health_cards import (
    OwnWord,
    PageName,
    Route,
    SelfTestKind,
    SelfTestOutcome,
    Vital,
)
from refreshd.kernel.sg_io import Sent
from refreshd.pages import commands
from tests import pages_made
from tests.fakes.asked_disk import SCSI_COMMANDS, WAS_RESET, AskedDisk, scsi_disk
from tests.pages_made import scsi_drive

FULL = scsi_drive()


def test_all_pages_come_as_the_drive_gave_them() -> None:
    """Nothing on the way changes a byte, after both forms of the ATA question were refused."""
    disk = scsi_disk(FULL)
    found = ScsiExaminer(disk).read()

    assert found.route is Route.SCSI
    assert found.pages == FULL.pages
    assert found.refusals == {PageName.SCSI_VPD_89: "the drive does not list it"}
    assert [cdb[0] for cdb in disk.asked[:4]] == [0x85, 0xA1, 0x12, 0x4D]


def test_nothing_is_sent_that_the_drive_does_not_list() -> None:
    """Pages of logs and of vital product data alike."""
    disk = scsi_disk(scsi_drive(SCSI_LOG_00=pages_made.log_list(0x00, 0x0D, 0x2F)))
    del disk.answers[commands.inquiry_vpd(0)]
    found = ScsiExaminer(disk).read()
    sent = [cdb for cdb in disk.asked if cdb[0] in {0x12, 0x4D}]

    assert sent == [
        commands.inquiry(),
        commands.log_sense(0x00),
        commands.inquiry_vpd(0x00),
        commands.log_sense(0x0D),
        commands.log_sense(0x2F),
    ]
    assert found.refusals[PageName.SCSI_LOG_03] == "the drive does not list it"
    assert "the list of pages did not come" in found.refusals[PageName.SCSI_VPD_80]


def test_another_page_in_the_place_of_the_list_lists_nothing() -> None:
    """Some devices give INQUIRY data to whatever page they are asked for."""
    disk = scsi_disk(FULL)
    disk.answers[commands.inquiry_vpd(0)] = Sent(FULL.pages[PageName.SCSI_VPD_80])
    found = ScsiExaminer(disk).read()

    assert "another page came" in found.refusals[PageName.SCSI_VPD_B1]
    assert commands.inquiry_vpd(0xB1) not in disk.asked


def test_a_list_of_pages_that_is_cut_short_lists_nothing() -> None:
    """What else stands in the buffer is no list."""
    disk = scsi_disk(FULL)
    disk.answers[commands.inquiry_vpd(0)] = Sent(bytes((0, 0, 0, 9, 0x80, 0x83)))
    ScsiExaminer(disk).read()

    assert commands.inquiry_vpd(0x80) not in disk.asked


@pytest.mark.parametrize(
    ("is_on_usb", "is_virtual", "reason"),
    [
        (True, False, "the bridge passes no health commands through"),
        (False, True, "a virtual disk that knows no health commands"),
        (False, False, "a disk that knows no health commands"),
    ],
)
@pytest.mark.parametrize(
    "log_list",
    [
        None,
        pages_made.log_list(0x00, 0x0D)[:4] + b"\x0d",
        pages_made.log_list(0x00, 0x08),
        bytes(8),
        b"\x09\x00\x00\x01\x0d",
    ],
)
def test_what_lists_no_log_about_its_health_is_silent(
    log_list: bytes | None, reason: str, *, is_on_usb: bool, is_virtual: bool
) -> None:
    """Silent, not healthy; and why stands in words for whoever reads the card."""
    disk = AskedDisk({commands.inquiry(): Sent(pages_made.inquiry())})
    disk.is_on_usb, disk.is_virtual = is_on_usb, is_virtual
    if log_list is not None:
        disk.answers[commands.log_sense(0)] = Sent(log_list)
    examiner = ScsiExaminer(disk)
    found = examiner.read()
    asked = len(disk.asked)

    assert found.route is Route.SILENT
    assert found.silence.startswith(reason)
    assert examiner.vital() == Vital(None)
    assert len(disk.asked) == asked


def test_a_silent_disk_is_asked_anew_with_the_next_reading() -> None:
    """It may have been starting up when it was asked first."""
    disk = scsi_disk(FULL)
    disk.first = [WAS_RESET] * 12
    examiner = ScsiExaminer(disk)

    assert examiner.read().route is Route.SILENT
    assert examiner.read().route is Route.SCSI


def test_a_silent_disk_may_have_a_sensor_of_the_kernels() -> None:
    """What is known is told, and the silence beside it."""
    disk = AskedDisk(celsius=33)
    examiner = ScsiExaminer(disk)

    assert examiner.read().hwmon_celsius == 33
    assert examiner.vital() == Vital(33)


def test_the_kernel_may_allow_scsi_commands_and_no_others() -> None:
    """Without CAP_SYS_RAWIO the kernel lets LOG SENSE through: a SCSI drive is then not silent."""
    disk = scsi_disk(FULL)
    for form in (commands.identify_device(), commands.short_form(commands.identify_device())):
        disk.answers[form] = PermissionError(errno.EPERM, "not permitted")

    assert ScsiExaminer(disk).read().pages == FULL.pages


def test_what_takes_no_commands_at_all_is_silent() -> None:
    """The kernel says so for whatever is no SCSI disk behind its node."""
    disk = AskedDisk()
    for cdb in (
        commands.identify_device(),
        commands.short_form(commands.identify_device()),
        commands.inquiry(),
        commands.log_sense(0),
    ):
        disk.answers[cdb] = OSError(errno.ENOTTY, "no such ioctl")

    assert "the kernel passes no commands to it" in ScsiExaminer(disk).read().silence


# --- Few commands, for a drive at work.


def test_a_drive_at_work_is_asked_two_pages_at_most() -> None:
    """One of them where the kernel has a sensor."""
    disk = scsi_disk(FULL)
    examiner = ScsiExaminer(disk)
    examiner.vital()
    disk.asked.clear()

    assert examiner.vital() == Vital(31, OwnWord.PASSING)
    assert disk.asked == [commands.log_sense(0x0D), commands.log_sense(0x2F)]
    disk.asked.clear()
    disk.celsius = 40
    assert examiner.vital().says is OwnWord.PASSING
    assert disk.asked == [commands.log_sense(0x2F)]


def test_a_drive_that_expects_to_fail_says_so() -> None:
    """ASC 5Dh on the page of informational exceptions."""
    failing = pages_made.log_page(0x2F, {0: bytes((0x5D, 0x10, 31, 60))})

    assert ScsiExaminer(scsi_disk(scsi_drive(SCSI_LOG_2F=failing))).vital().says is OwnWord.FAILING


# --- Asleep.

STOPPED = Sent(status=0x02, sense=bytes.fromhex("7000020000000000000000000402").ljust(18, b"\0"))
"""Not ready, initializing command required. Source: SPC."""


def low_power(qualifier: int) -> Sent:
    """Return what REQUEST SENSE brings in a power condition. Source: SPC, ASC 5Eh."""
    return Sent(bytes((0x72, 0, 0x5E, qualifier, 0, 0, 0, 0)))


@pytest.mark.parametrize(
    ("sense", "ready", "is_asleep"),
    [
        (low_power(0x02), Sent(), True),
        (low_power(0x04), Sent(), True),
        (low_power(0x0A), Sent(), True),
        (low_power(0x43), Sent(), True),
        (low_power(0x03), Sent(), False),
        (low_power(0x05), Sent(), False),
        (Sent(bytes.fromhex("7200000000000000")), Sent(), False),
        (Sent(bytes.fromhex("7200000000000000")), STOPPED, True),
        (Sent(bytes(18)), STOPPED, True),
        (Sent(bytes(18)), Sent(status=0x18), None),
    ],
)
def test_a_scsi_drive_says_whether_it_stands_still(
    sense: Sent, ready: Sent, *, is_asleep: bool | None
) -> None:
    """By REQUEST SENSE, and by TEST UNIT READY for one that was stopped; neither wakes it."""
    disk = AskedDisk({commands.request_sense(): sense, commands.test_unit_ready(): ready})

    assert ScsiExaminer(disk).is_asleep() is is_asleep
    assert {cdb[0] for cdb in disk.asked} <= {0x85, 0xA1, 0x03, 0x00}


# --- Self-tests.


@pytest.mark.parametrize("kind", [SelfTestKind.SHORT, SelfTestKind.EXTENDED])
def test_a_self_test_is_started_in_the_background(kind: SelfTestKind) -> None:
    """SEND DIAGNOSTIC, and only to a drive that keeps results."""
    disk = scsi_disk(FULL)
    disk.answers[commands.send_diagnostic(kind)] = Sent()
    keeping_none = scsi_disk(scsi_drive(SCSI_LOG_00=pages_made.log_list(0x00, 0x0D)))
    keeping_none.answers[commands.send_diagnostic(kind)] = Sent()

    assert ScsiExaminer(disk).start_self_test(kind) is True
    assert ScsiExaminer(keeping_none).start_self_test(kind) is False
    assert ScsiExaminer(keeping_none).self_test() is None
    assert ScsiExaminer(keeping_none).self_test_minutes(kind) is None
    assert not any(cdb[0] == 0x1D for cdb in keeping_none.asked)


def test_a_refused_or_unknown_self_test_was_not_started() -> None:
    """Whoever waits for its end must not wait for a test that never began."""
    assert ScsiExaminer(scsi_disk(FULL)).start_self_test(SelfTestKind.SHORT) is False
    assert ScsiExaminer(scsi_disk(FULL)).start_self_test(SelfTestKind.OTHER) is False


@pytest.mark.parametrize(
    ("sense", "left"),
    [
        (bytes.fromhex("72020409000000080206000080400000"), 75),
        (bytes.fromhex("700002000000000a00000000040900804000"), 75),
        (bytes.fromhex("700002000000000a00000000040900004000"), None),
        (b"", None),
    ],
)
def test_a_self_test_under_way_says_how_far_it_is(sense: bytes, left: int | None) -> None:
    """Source: SPC, progress indication in sense data: 4000h of 10000h is a quarter done."""
    running = pages_made.scsi_self_tests([(0b010, 0xF, 0, 0, 0)])
    disk = scsi_disk(scsi_drive(SCSI_LOG_10=running))
    disk.answers[commands.request_sense()] = Sent(sense)
    found = ScsiExaminer(disk).self_test()

    assert found is not None
    assert (found.outcome, found.percent_left) == (SelfTestOutcome.UNDER_WAY, left)


def test_the_last_self_test_comes_from_its_page() -> None:
    """Nobody is asked for progress where nothing is under way."""
    disk = scsi_disk(FULL)
    found = ScsiExaminer(disk).self_test()

    assert found is not None
    assert (found.kind, found.outcome) == (SelfTestKind.EXTENDED, SelfTestOutcome.PASSED)
    assert commands.request_sense() not in disk.asked


def test_a_drive_says_how_long_a_self_test_takes() -> None:
    """Minutes at byte 10 of VPD page 86h, where it lists that page."""
    disk = scsi_disk(FULL)
    disk.answers[commands.inquiry_vpd(0)] = Sent(bytes((0, 0, 0, 2, 0x80, 0x86)))
    page = bytearray(pages_made.vpd(0x86, bytes(60)))
    page[10:12] = (425).to_bytes(2, "big")
    disk.answers[commands.inquiry_vpd(0x86)] = Sent(bytes(page))

    assert ScsiExaminer(disk).self_test_minutes(SelfTestKind.EXTENDED) == 425
    assert ScsiExaminer(disk).self_test_minutes(SelfTestKind.SHORT) == 2
    assert ScsiExaminer(scsi_disk(FULL)).self_test_minutes(SelfTestKind.EXTENDED) is None


def test_every_page_that_has_a_name_has_a_command() -> None:
    """A page added to the names is asked for, or this fails."""
    named = {name for name in PageName if name.value.startswith("scsi ")}

    assert named == set(SCSI_COMMANDS)
    assert named == set(ScsiExaminer(scsi_disk(FULL)).read().pages) | {PageName.SCSI_VPD_89}
