"""An ATA drive is asked for what it lists, over good bridges and bad, and nobody is believed.

The pages are those of `tests.pages_made`, constructed from the layouts of the standards; the ways
in which bridges answer are those of USB drives in a virtual machine with Linux 6.1, 2026-11.
"""

from __future__ import annotations

import errno

import pytest

from refreshd.adapters.examiner.scsi_disk import ScsiExaminer
from refreshd.errors import DriveGoneError
from refreshd.health_cards import (
    OwnWord,
    PageName,
    RawPages,
    Route,
    SelfTestKind,
    SelfTestOutcome,
    Vital,
)
from refreshd.kernel.sg_io import Sent
from refreshd.pages import assemble, commands
from refreshd.pages.ata_identify import identify
from tests import pages_made
from tests.fakes.asked_disk import (
    ATA_COMMANDS,
    BUSY,
    NO_ANSWER,
    UNKNOWN_COMMAND,
    WAS_RESET,
    AskedDisk,
    Registers,
    ata_disk,
    log_directory,
    with_registers,
)
from tests.pages_made import FAILING, HEALTHY, Identify, power_sense

LISTS_LOGS = Identify(words={84: 0x4023}).sector()
"""Word 84: error log, self-tests and general-purpose logs."""

EMPTY_LOG = pages_made.with_sum(bytearray((1,)) + bytearray(511))


def whole_drive(**more: bytes) -> RawPages:
    """Return a drive that lists all logs and has all pages."""
    pages = {"ATA_IDENTIFY": LISTS_LOGS, "ATA_ERROR_LOG": EMPTY_LOG, **more}
    return pages_made.ata_drive(**pages)


# --- What is asked, and what is not.


def test_all_pages_come_as_the_drive_gave_them() -> None:
    """Nothing on the way changes a byte; what is missing has a reason."""
    drive = whole_drive()
    found = ScsiExaminer(ata_disk(drive)).read()

    assert found.route is Route.ATA
    assert found.pages == drive.pages
    assert found.refusals == {PageName.ATA_STATISTICS_07: "the drive does not list it"}


def test_nothing_is_sent_that_the_drive_does_not_list() -> None:
    """A command that a drive does not know may be one that it takes for another."""
    sector = Identify(words={84: 0x4000, 206: 0}).sector()
    disk = ata_disk(whole_drive(ATA_IDENTIFY=sector))
    found = ScsiExaminer(disk).read()

    assert disk.asked == [
        ATA_COMMANDS[name]
        for name in (
            PageName.ATA_IDENTIFY,
            PageName.ATA_SMART_DATA,
            PageName.ATA_THRESHOLDS,
            PageName.ATA_STATUS,
        )
    ]
    assert found.refusals[PageName.ATA_SELF_TEST_LOG] == "the drive does not list it"
    assert "no general-purpose logs" in found.refusals[PageName.ATA_STATISTICS_03]


@pytest.mark.parametrize(
    ("directory", "left_out"),
    [
        (log_directory(7), PageName.ATA_STATISTICS_00),
        (log_directory(4), PageName.ATA_EXTENDED_SELF_TEST_LOG),
    ],
)
def test_a_log_that_the_directory_does_not_list_is_not_asked_for(
    directory: bytes, left_out: PageName
) -> None:
    """The directory of logs says which there are."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.read_log_ext(0)] = Sent(directory)
    found = ScsiExaminer(disk).read()

    assert ATA_COMMANDS[left_out] not in disk.asked
    assert left_out in found.refusals


def test_a_page_of_statistics_that_is_not_listed_is_not_asked_for() -> None:
    """A drive answers zeros for a page that it does not have: no number is better."""
    listed = pages_made.statistics_list(0, 1, 5)
    disk = ata_disk(whole_drive(ATA_STATISTICS_00=listed))
    found = ScsiExaminer(disk).read()

    assert commands.device_statistics(3) not in disk.asked
    assert PageName.ATA_STATISTICS_05 in found.pages


def test_a_list_of_statistics_that_is_none_leads_nowhere() -> None:
    """I8: a broken list names no page."""
    disk = ata_disk(whole_drive(ATA_STATISTICS_00=b"\x07" * 512))
    found = ScsiExaminer(disk).read()

    assert commands.device_statistics(1) not in disk.asked
    assert "cannot be trusted" in found.refusals[PageName.ATA_STATISTICS_01]


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ({82: 0x20}, "does not list SMART"),
        ({83: 0x0400}, "does not list SMART"),
        ({85: 0x20}, "switched off"),
    ],
)
def test_smart_is_neither_sent_where_it_is_not_known_nor_switched_on(
    words: dict[int, int], reason: str
) -> None:
    """The examiner changes no setting; such a drive is silent, not healthy."""
    sector = Identify(words=words).sector()
    disk = ata_disk(whole_drive(ATA_IDENTIFY=sector))
    examiner = ScsiExaminer(disk)
    found = examiner.read()

    assert disk.ata_asked == [0xEC]
    assert found.route is Route.SILENT
    assert reason in found.silence
    assert examiner.vital() == Vital(None)
    assert examiner.start_self_test(SelfTestKind.SHORT) is False
    assert 0xB0 not in disk.ata_asked


def test_a_word_that_nothing_vouches_for_lists_nothing() -> None:
    """Bits 15:14 of word 84 must be 01b; FFFFh is what a drive without that word has."""
    disk = ata_disk(whole_drive(ATA_IDENTIFY=Identify(words={84: 0xFFFF}).sector()))
    found = ScsiExaminer(disk).read()

    assert 0x2F not in disk.ata_asked
    assert found.refusals[PageName.ATA_ERROR_LOG] == "the drive does not list it"


def test_a_broken_identity_lists_nothing() -> None:
    """I8: words whose checksum is wrong say nothing of what may be sent."""
    sector = bytearray(LISTS_LOGS)
    sector[300] ^= 1
    disk = ata_disk(whole_drive(ATA_IDENTIFY=bytes(sector)))
    found = ScsiExaminer(disk).read()

    assert disk.ata_asked == [0xEC]
    assert "cannot be trusted: its checksum is wrong" in found.silence


# --- Bridges.


def test_an_old_bridge_is_asked_in_twelve_bytes() -> None:
    """A1h is all that it knows; what has no such form is not asked for."""
    drive = whole_drive()
    disk = ata_disk(drive, is_short=True)
    found = ScsiExaminer(disk).read()

    assert [cdb[0] for cdb in disk.asked] == [0x85] + [0xA1] * 7
    assert found.pages[PageName.ATA_SMART_DATA] == drive.pages[PageName.ATA_SMART_DATA]
    assert assemble(found).says is OwnWord.PASSING
    assert "no short form" in found.refusals[PageName.ATA_STATISTICS_01]


@pytest.mark.parametrize("registers", ["descriptor", "fixed"])
@pytest.mark.parametrize(
    ("status", "said"), [(HEALTHY, OwnWord.PASSING), (FAILING, OwnWord.FAILING)]
)
def test_the_drives_own_word_comes_back_in_either_format(
    registers: Registers, status: bytes, said: OwnWord
) -> None:
    """Which format of sense data a bridge uses is its own affair."""
    disk = ata_disk(whole_drive(ATA_STATUS=status), registers=registers)
    examiner = ScsiExaminer(disk)

    assert assemble(examiner.read()).says is said
    assert examiner.vital().says is said


def test_a_bridge_without_registers_hides_no_failing_drive() -> None:
    """An attribute at its threshold says the same; that none is does not make it passing."""
    rows = (pages_made.Row(5, 2000, flags=0x0033, value=5, worst=5),)
    worn = pages_made.smart_data(rows)
    examiner = ScsiExaminer(ata_disk(whole_drive(ATA_SMART_DATA=worn), registers="none"))
    well = ScsiExaminer(ata_disk(whole_drive(), registers="none"))

    assert "no registers" in examiner.read().refusals[PageName.ATA_STATUS]
    assert examiner.vital().says is OwnWord.FAILING
    assert well.vital().says is OwnWord.NOT_SAID


def test_a_drive_that_was_reset_or_is_busy_is_asked_again() -> None:
    """The first command after plugging in is answered by "I was reset"."""
    drive = whole_drive()
    disk = ata_disk(drive)
    disk.first = [WAS_RESET, BUSY]
    found = ScsiExaminer(disk).read()

    assert found.pages == drive.pages
    assert disk.asked[:3] == [commands.identify_device()] * 3


def test_a_drive_that_stays_busy_is_no_reason_to_ask_for_ever() -> None:
    """Three times, then the page is missing with the reason."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.smart_read_data()] = BUSY
    found = ScsiExaminer(disk).read()

    assert found.refusals[PageName.ATA_SMART_DATA] == "busy"
    assert disk.asked.count(commands.smart_read_data()) == 3


# --- Answers that are none.


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (Sent(bytes(512)), "nothing but zeros came"),
        (Sent(b""), "0 of 512 bytes came"),
        (Sent(pages_made.smart_data()[:508]), "508 of 512 bytes came"),
        (Sent(LISTS_LOGS), "the same bytes came as for ata identify device"),
        (UNKNOWN_COMMAND, "the command is not known there (sense 5/20/00)"),
        (Sent(status=0x18), "refused with status 18h"),
        (Sent(status=0x02), "refused without saying why"),
        (Sent(host_status=0x07), "the way to the drive failed (host status 07h)"),
        (OSError(errno.ENOMEM, "no memory"), "the question did not get through (ENOMEM)"),
    ],
)
def test_what_is_no_whole_answer_is_no_page(answer: Sent | OSError, reason: str) -> None:
    """A1: zeros, a part, or the answer before would else be read as a healthy drive."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.smart_read_data()] = answer
    found = ScsiExaminer(disk).read()

    assert PageName.ATA_SMART_DATA not in found.pages
    assert reason in found.refusals[PageName.ATA_SMART_DATA]


def test_a_bridge_that_repeats_itself_is_silent() -> None:
    """A1: it gives the identity to every question, and its sum is right each time."""
    disk = ata_disk(whole_drive())
    for cdb, answer in disk.answers.items():
        if isinstance(answer, Sent) and answer.data:
            disk.answers[cdb] = Sent(LISTS_LOGS)
    disk.answers[commands.smart_return_status()] = UNKNOWN_COMMAND

    assert ScsiExaminer(disk).read().route is Route.SILENT
    assert ScsiExaminer(disk).vital() == Vital(None)


def test_a_bridge_that_gives_zeros_is_silent() -> None:
    """A1: an identity of zeros is no drive, and the reason says what came."""
    disk = AskedDisk({commands.identify_device(): Sent(bytes(512))}, is_on_usb=True)
    found = ScsiExaminer(disk).read()

    assert found.silence.endswith("passes no health commands through: nothing but zeros came")


def test_two_empty_logs_may_be_the_same_bytes() -> None:
    """A revision and a checksum: a new drive has no errors and no self-tests."""
    found = ScsiExaminer(ata_disk(whole_drive(ATA_SELF_TEST_LOG=EMPTY_LOG))).read()

    assert found.pages[PageName.ATA_SELF_TEST_LOG] == EMPTY_LOG
    assert found.pages[PageName.ATA_ERROR_LOG] == EMPTY_LOG


def test_after_one_question_without_answer_nothing_more_is_asked() -> None:
    """A2, E4: each costs half a minute of a pass, and a reset of the drive at its end."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.smart_read_thresholds()] = NO_ANSWER
    examiner = ScsiExaminer(disk)
    found = examiner.read()
    asked = len(disk.asked)

    assert disk.asked[-1] == commands.smart_read_thresholds()
    assert found.refusals[PageName.ATA_THRESHOLDS] == "no answer in time"
    assert "not asked" in found.refusals[PageName.ATA_STATUS]
    assert examiner.vital() == Vital(None)
    assert examiner.is_asleep() is None
    assert "not asked again" in examiner.read().silence
    assert len(disk.asked) == asked


def test_a_drive_that_goes_in_the_middle_is_gone() -> None:
    """A3: half a reading is no reading."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.smart_read_thresholds()] = DriveGoneError("/dev/sdx: the drive is gone")

    with pytest.raises(DriveGoneError):
        ScsiExaminer(disk).read()


@pytest.mark.parametrize("number", [errno.EPERM, errno.EACCES])
def test_without_the_right_to_send_commands_the_drive_is_silent(number: int) -> None:
    """The reason names the right, so that nobody looks for a fault of the bridge."""
    disk = AskedDisk(is_on_usb=True)
    for form in (commands.identify_device(), commands.short_form(commands.identify_device())):
        disk.answers[form] = OSError(number, "not permitted")
    found = ScsiExaminer(disk).read()

    assert found.silence == "this process may not send commands to it: needs CAP_SYS_RAWIO"


def test_an_error_that_nobody_named_goes_through() -> None:
    """What is not understood is not taken for silence."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.smart_read_data()] = OSError(errno.EBADF, "bad file")

    with pytest.raises(OSError, match="bad file"):
        ScsiExaminer(disk).read()


# --- Few commands, for a drive at work.


def test_the_kernels_own_sensor_saves_a_command() -> None:
    """Beside the drive's own word nothing is asked: the temperature is there already."""
    disk = ata_disk(whole_drive())
    examiner = ScsiExaminer(disk)
    examiner.vital()
    disk.asked.clear()
    disk.celsius = 41

    assert examiner.vital() == Vital(41, OwnWord.PASSING)
    assert disk.asked == [commands.smart_return_status()]


def test_without_a_sensor_the_temperature_is_one_command() -> None:
    """SCT where the drive lists it, else SMART data."""
    disk = ata_disk(whole_drive())
    examiner = ScsiExaminer(disk)
    examiner.vital()
    disk.asked.clear()

    assert examiner.vital() == Vital(37, OwnWord.PASSING)
    assert disk.asked == [commands.smart_return_status(), commands.sct_status()]


@pytest.mark.parametrize("sct", [Sent(pages_made.sct_status(-128)), UNKNOWN_COMMAND])
def test_where_sct_says_nothing_smart_data_is_asked(sct: Sent) -> None:
    """80h stands for "not valid": no temperature of minus 128."""
    disk = ata_disk(whole_drive())
    disk.answers[commands.sct_status()] = sct

    assert ScsiExaminer(disk).vital() == Vital(36, OwnWord.PASSING)


# --- Asleep.


@pytest.mark.parametrize("is_short", [False, True])
@pytest.mark.parametrize("registers", ["descriptor", "fixed"])
@pytest.mark.parametrize(
    ("count", "is_asleep"), [(0x00, True), (0x01, True), (0x80, False), (0xFF, False)]
)
def test_a_drive_says_whether_it_stands_still(
    count: int, registers: Registers, *, is_short: bool, is_asleep: bool
) -> None:
    """By CHECK POWER MODE, which wakes no drive, and by no other command."""
    cdb = commands.check_power_mode()
    cdb = commands.short_form(cdb) if is_short else cdb
    disk = AskedDisk({cdb: with_registers(power_sense(count), registers)})

    assert ScsiExaminer(disk).is_asleep() is is_asleep
    assert set(disk.ata_asked) == {0xE5}


def test_registers_of_zeros_are_no_sleeping_drive() -> None:
    """A bridge that fills in zeros would let no drive ever be asked."""
    cdb = commands.check_power_mode()
    disk = AskedDisk({cdb: with_registers(power_sense(0, status=0), "descriptor")}, is_on_usb=True)

    assert ScsiExaminer(disk).is_asleep() is None


def test_a_disk_that_the_kernel_put_to_sleep_is_not_even_opened() -> None:
    """D3: opening it would wake it."""
    disk = AskedDisk(sleeps_in_kernel=True)

    assert ScsiExaminer(disk).is_asleep() is True
    assert disk.times_opened == 0


def test_a_bridge_that_passes_nothing_on_does_not_know() -> None:
    """It answers "ready" for a drive that stands still, so it is not asked whether it is."""
    disk = AskedDisk({commands.test_unit_ready(): Sent()}, is_on_usb=True)

    assert ScsiExaminer(disk).is_asleep() is None
    assert commands.test_unit_ready() not in disk.asked


# --- Self-tests.


@pytest.mark.parametrize("kind", [SelfTestKind.SHORT, SelfTestKind.EXTENDED])
@pytest.mark.parametrize("is_short", [False, True])
def test_a_self_test_is_started_beside_the_work(kind: SelfTestKind, *, is_short: bool) -> None:
    """Off-line mode: in captive mode the drive would answer nothing for hours."""
    disk = ata_disk(whole_drive(), is_short=is_short)
    cdb = commands.self_test(kind)
    disk.answers[commands.short_form(cdb) if is_short else cdb] = Sent()

    assert ScsiExaminer(disk).start_self_test(kind) is True


def test_a_self_test_that_is_not_listed_or_is_refused_was_not_started() -> None:
    """Whoever waits for its end must not wait for a test that never began."""
    unlisted = ata_disk(whole_drive(ATA_IDENTIFY=Identify(words={84: 0x4001}).sector()))
    refusing = ata_disk(whole_drive())

    assert ScsiExaminer(unlisted).start_self_test(SelfTestKind.SHORT) is False
    assert ScsiExaminer(unlisted).self_test() is None
    assert ScsiExaminer(unlisted).self_test_minutes(SelfTestKind.SHORT) is None
    assert ScsiExaminer(refusing).start_self_test(SelfTestKind.SHORT) is False
    assert ScsiExaminer(refusing).start_self_test(SelfTestKind.OTHER) is False
    assert not any(cdb[4] == 0xD4 for cdb in unlisted.asked)


def test_a_self_test_under_way_says_how_far_it_is() -> None:
    """F in the high four bits, tens of percent left in the low ones."""
    data = pages_made.smart_data(pages_made.WORKED_ROWS, test_status=0xF4)
    found = ScsiExaminer(ata_disk(whole_drive(ATA_SMART_DATA=data))).self_test()

    assert found is not None
    assert (found.outcome, found.percent_left) == (SelfTestOutcome.UNDER_WAY, 40)


def test_the_last_self_test_comes_from_the_log() -> None:
    """With the place at which it failed."""
    log = pages_made.self_test_log(
        [pages_made.Test(hours=100), pages_made.Test(0x01, 0x70, 17_000, 4711)]
    )
    found = ScsiExaminer(ata_disk(whole_drive(ATA_SELF_TEST_LOG=log))).self_test()

    assert found is not None
    assert (found.kind, found.outcome) == (SelfTestKind.SHORT, SelfTestOutcome.FAILED)
    assert found.first_bad_sector == 4711


def test_a_drive_says_how_long_a_self_test_takes() -> None:
    """Minutes, from SMART data; none where its sum is wrong."""
    examiner = ScsiExaminer(ata_disk(whole_drive()))
    broken = bytearray(pages_made.smart_data())
    broken[372] = 9
    doubtful = ScsiExaminer(ata_disk(whole_drive(ATA_SMART_DATA=bytes(broken))))

    assert examiner.self_test_minutes(SelfTestKind.SHORT) == 2
    assert examiner.self_test_minutes(SelfTestKind.EXTENDED) == 200
    assert examiner.self_test_minutes(SelfTestKind.OTHER) is None
    assert doubtful.self_test_minutes(SelfTestKind.SHORT) is None


def test_a_dock_that_answers_with_the_drive_of_another_bay_says_nothing_of_this_one() -> None:
    """E3: the health of the first bay must not be written down as that of the second."""
    disk = ata_disk(whole_drive())
    size = size_said_by(whole_drive())
    disk.size_bytes = size - 4096
    assert ScsiExaminer(disk).read().route is Route.ATA

    disk.size_bytes = size // 2
    examiner = ScsiExaminer(disk)
    asked_before = len(disk.asked)

    assert examiner.read().route is Route.SILENT
    assert f"that of another drive: it has {size} bytes" in examiner.read().silence
    assert examiner.vital() == Vital(None)
    assert set(disk.asked[asked_before:]) == {commands.identify_device()}


def size_said_by(raw: RawPages) -> int:
    """Return the size in bytes that the drive of some pages gives as its own."""
    size = identify(raw.pages[PageName.ATA_IDENTIFY]).drive.size_bytes
    assert size is not None
    return size
