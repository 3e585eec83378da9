"""An NVMe drive is asked by ourselves where that is allowed, else by the root side.

The pages are those of `tests.pages_made`, constructed from the layouts of the standard.
"""

from __future__ import annotations

import errno

import pytest

from refreshd.adapters.examiner.nvme import NvmeExaminer
from refreshd.errors import DriveGoneError, RootSideAwayError
from refreshd.health_cards import (
    OwnWord,
    PageName,
    Route,
    SelfTestKind,
    SelfTestOutcome,
    Vital,
)
from refreshd.kernel import nvme
from refreshd.kernel.nvme import Done, Pages
from refreshd.pages import commands
from tests import pages_made
from tests.fakes.asked_nvme import (
    HEALTH,
    INVALID_OPCODE,
    NOT_ALLOWED,
    TESTS,
    AskedNvme,
    ToldBySomebody,
    identify,
)


def test_all_pages_come_as_the_drive_gave_them() -> None:
    """Nobody else is asked where we may ask ourselves."""
    root_side = ToldBySomebody()
    found = NvmeExaminer(AskedNvme(celsius=35), root_side).read()

    assert found.route is Route.NVME
    assert found.pages == {
        PageName.NVME_IDENTIFY: identify(),
        PageName.NVME_HEALTH: HEALTH,
        PageName.NVME_SELF_TEST_LOG: TESTS,
    }
    assert found.refusals == {}
    assert found.hwmon_celsius == 35
    assert root_side.asked == []


def test_a_drive_that_lists_no_self_tests_is_not_asked_for_their_log() -> None:
    """Nor told to run one, nor for how long one takes."""
    drive = AskedNvme()
    drive.answers[commands.nvme_identify()] = Done(identify(knows_self_test=False))
    examiner = NvmeExaminer(drive, ToldBySomebody())
    found = examiner.read()

    assert found.refusals == {PageName.NVME_SELF_TEST_LOG: "the drive lists no self-tests"}
    assert examiner.start_self_test(SelfTestKind.SHORT) is False
    assert examiner.self_test_minutes(SelfTestKind.SHORT) is None
    assert {command.opcode for command in drive.asked} == {0x06, 0x02}


@pytest.mark.parametrize(
    ("health", "reason"),
    [
        (INVALID_OPCODE, "refused by the drive (NVMe status 001h)"),
        (Done(bytes(512)), "nothing but zeros came"),
    ],
)
def test_a_drive_without_a_health_log_is_silent(health: Done, reason: str) -> None:
    """Who it is says nothing of how it is."""
    drive = AskedNvme()
    drive.answers[commands.nvme_health()] = health
    found = NvmeExaminer(drive, ToldBySomebody()).read()

    assert found.route is Route.SILENT
    assert found.silence == reason


@pytest.mark.parametrize("number", [errno.EACCES, errno.EPERM])
def test_where_we_may_not_ask_the_root_side_does(number: int) -> None:
    """The kernel lets nobody but root read a log page."""
    drive = AskedNvme(fails_with=OSError(number, "not permitted"))
    told = Pages({PageName.NVME_HEALTH: HEALTH, PageName.NVME_SELF_TEST_LOG: TESTS}, {})
    root_side = ToldBySomebody(told, is_started=True)
    examiner = NvmeExaminer(drive, root_side)

    assert examiner.read().pages == told.pages
    assert examiner.vital() == Vital(35, OwnWord.PASSING)
    assert examiner.start_self_test(SelfTestKind.EXTENDED) is True
    assert root_side.asked == ["pages", "pages", SelfTestKind.EXTENDED]


def test_without_a_root_side_the_drive_is_silent_and_it_is_said_why() -> None:
    """The sensor of the kernel goes on giving the temperature."""
    away = RootSideAwayError("nobody answers; start refreshd-helper.socket")
    drive = AskedNvme(fails_with=NOT_ALLOWED, celsius=44)
    examiner = NvmeExaminer(drive, ToldBySomebody(away))

    assert examiner.read().silence == str(away)
    assert examiner.vital() == Vital(44)
    assert examiner.start_self_test(SelfTestKind.SHORT) is False
    assert examiner.self_test() is None
    assert examiner.self_test_minutes(SelfTestKind.SHORT) is None


def test_a_fault_on_the_way_ends_no_pass() -> None:
    """The root side is not asked then: it has the same way."""
    drive = AskedNvme(fails_with=OSError(errno.EIO, "input/output error"))
    root_side = ToldBySomebody()
    examiner = NvmeExaminer(drive, root_side)

    assert examiner.read().silence == "the question did not get through (EIO)"
    assert examiner.start_self_test(SelfTestKind.SHORT) is False
    assert root_side.asked == []


def test_an_error_that_nobody_named_goes_through() -> None:
    """What is not understood is not taken for silence."""
    drive = AskedNvme(fails_with=OSError(errno.EBADF, "bad file"))

    with pytest.raises(OSError, match="bad file"):
        NvmeExaminer(drive, ToldBySomebody()).read()


def test_a_drive_that_goes_in_the_middle_is_gone() -> None:
    """Half a reading is no reading."""
    drive = AskedNvme()
    drive.answers[commands.nvme_health()] = DriveGoneError("/dev/nvme9n1: the drive is gone")

    with pytest.raises(DriveGoneError):
        NvmeExaminer(drive, ToldBySomebody()).read()


def test_a_drive_that_counts_itself_failing_says_so() -> None:
    """Critical warning: it cannot be relied on any more."""
    drive = AskedNvme()
    drive.answers[commands.nvme_health()] = Done(pages_made.Health(warning=0b100).page())

    assert NvmeExaminer(drive, ToldBySomebody()).vital() == Vital(35, OwnWord.FAILING)


def test_it_sleeps_only_where_the_kernel_says_so() -> None:
    """Nothing in it turns; no command is needed to know."""
    drive = AskedNvme()
    examiner = NvmeExaminer(drive, ToldBySomebody())

    assert examiner.is_asleep() is False
    drive.sleeps_in_kernel = True
    assert examiner.is_asleep() is True
    assert drive.asked == []


@pytest.mark.parametrize("kind", [SelfTestKind.SHORT, SelfTestKind.EXTENDED])
def test_a_self_test_is_started(kind: SelfTestKind) -> None:
    """Of the two kinds that there are; a refusal is no start."""
    drive = AskedNvme()
    examiner = NvmeExaminer(drive, ToldBySomebody())

    assert examiner.start_self_test(kind) is True
    assert examiner.start_self_test(SelfTestKind.OTHER) is False
    drive.answers[commands.nvme_self_test(kind)] = Done(status=0x11D)
    assert examiner.start_self_test(kind) is False


def test_a_self_test_under_way_says_how_far_it_is() -> None:
    """And the last one stands in the log."""
    drive = AskedNvme()
    examiner = NvmeExaminer(drive, ToldBySomebody())
    last = examiner.self_test()
    drive.answers[commands.nvme_self_test_log()] = Done(
        pages_made.nvme_self_tests([(2, 0, 1200, 0)], running=(1, 25))
    )
    now = examiner.self_test()

    assert last is not None
    assert last.outcome is SelfTestOutcome.PASSED
    assert now is not None
    assert (now.outcome, now.percent_left) == (SelfTestOutcome.UNDER_WAY, 75)


def test_a_drive_says_how_long_a_self_test_takes() -> None:
    """The extended one, at byte 316; the short one takes two minutes at most."""
    examiner = NvmeExaminer(AskedNvme(), ToldBySomebody())

    assert examiner.self_test_minutes(SelfTestKind.EXTENDED) == 35
    assert examiner.self_test_minutes(SelfTestKind.SHORT) == 2


def test_the_command_has_the_layout_of_the_kernel() -> None:
    """Source: Linux include/uapi/linux/nvme_ioctl.h: 72 bytes, C0484E41h."""
    assert nvme._COMMAND.size == 72
    assert nvme._COMMAND.size == nvme.NVME_IOCTL_ADMIN_CMD >> 16 & 0x3FFF
