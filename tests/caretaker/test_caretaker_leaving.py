"""Drives that are done with, and drives that go."""

from __future__ import annotations

import pytest

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import DriveGoneError, FlushFailedError, RefusedError, UsageError
from refreshd.messages import Released
from refreshd.ports import Urgency, VisitOrder
from refreshd.quantities import Errand, Outcome, PassKind
from tests.caretaker.premises import K07, K08, SDB, SDC, Premises, a_due_drive, due_drives

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S


def released(there: Premises) -> Premises:
    """Let K07 come, be visited and be released."""
    there.plug_in()
    there.finish_visit()
    there.release()
    return there


def test_unplugging_returns_the_slip() -> None:
    """Where nobody has to confirm it, a drive that was released and is gone is back."""
    there = released(a_due_drive())
    there.caretaker.left(SDB)

    assert there.state() is None
    assert there.kinds()[-2:] == ["drive-left", "slip-returned"]
    assert there.notices.pages[-1] == ()


def test_a_drive_that_is_pulled_when_its_pass_just_ended_is_not_asked_for_again() -> None:
    """The record knows more than was read before: what is done is not asked for (L4)."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_pass(K07, PassKind.REFRESH)
    there.caretaker.left(SDB)

    assert there.state() is None
    assert there.kinds()[-3:] == ["put-away-asked", "drive-left", "slip-returned"]


def test_unplugging_does_not_return_a_slip_that_wants_confirmation() -> None:
    """With `confirm_return` it stays open until somebody says that it lies in its place."""
    there = released(a_due_drive({"slips": {"confirm_return": True}}))
    there.caretaker.left(SDB)
    assert there.state() is SlipState.TO_PUT_AWAY
    there.caretaker.returned(K07, "ruth")

    assert there.state() is None
    assert there.ledger.entries[-1].event.kind == "slip-returned"


def test_a_drive_that_nobody_confirmed_is_reminded_of() -> None:
    """An unconfirmed return is said again by the reminders of the policy."""
    there = released(a_due_drive({"slips": {"confirm_return": True}}))
    there.caretaker.left(SDB)
    for _ in range(9 * 24):
        there.sleep_until_bell()

    assert len(there.notices.with_words("Reminder: Put drive K07 back")) == 1


def test_a_drive_that_is_plugged_in_cannot_be_back() -> None:
    """`returned` is refused while the drive is here."""
    there = released(a_due_drive())

    with pytest.raises(RefusedError, match="still plugged in at /dev/sdb"):
        there.caretaker.returned(K07, "ruth")


def test_a_drive_that_nobody_brought_cannot_be_back() -> None:
    """`returned` is refused where nobody was asked to put it away."""
    there = a_due_drive()

    with pytest.raises(UsageError, match="nobody was asked to put K07 away"):
        there.caretaker.returned(K07, "ruth")


def test_a_drive_that_comes_again_unconfirmed_must_have_been_out() -> None:
    """Its slip is closed by that, so that it can be asked for again."""
    there = released(a_due_drive({"slips": {"confirm_return": True}}))
    there.caretaker.left(SDB)
    there.plug_in(K07, SDC)

    assert there.state() is None
    assert there.doing(SDC) is Doing.IDLE


def test_a_drive_that_was_not_released_is_never_said_to_be_ready() -> None:
    """A failed flush is an alarm, and no slip asks to unplug the drive (I9)."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    there.fail_release(FlushFailedError("/dev/sdb: EIO while flushing"))

    (notice,) = there.notices.with_words("do not unplug it yet", Urgency.ALARMS)
    assert "EIO while flushing" in notice.body
    assert there.doing() is Doing.KEPT
    assert there.state() is SlipState.ANSWERED
    assert there.notices.with_words("Put drive K07 back") == []
    stay = there.stay()
    assert stay is not None
    assert not stay.is_released


def test_a_release_that_failed_is_tried_again() -> None:
    """A quarter of an hour later; said once, and put away when it works."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    for _ in range(3):
        there.fail_release(FlushFailedError("EIO"))
        before = there.bays.count("release")
        while there.bays.count("release") == before:
            there.sleep_until_bell()
    there.release()

    assert len(there.notices.with_words("do not unplug it yet")) == 1
    assert there.state() is SlipState.TO_PUT_AWAY


def test_a_worker_that_dies_while_releasing_has_released_nothing() -> None:
    """No answer is no release (I9)."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    there.end_worker(SDB, -9)

    assert there.doing() is Doing.KEPT
    assert there.state() is SlipState.ANSWERED


def test_a_disk_that_hangs_while_it_is_stopped_is_given_up() -> None:
    """The seat is of no use until it is gone; nothing waits for it."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    there.end_worker(SDB, -9, is_left=True)
    there.wait(DAY_S)

    assert there.doing() is Doing.HANGING
    assert there.bays.count("release") == 1


def test_what_was_done_counts_though_it_was_pulled_before_its_release() -> None:
    """The errand stands in the record: the slip is returned, and the early pull is said."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    there.caretaker.left(SDB)
    there.fail_release(DriveGoneError("/dev/sdb: is not there any more"))

    assert there.state() is None
    assert there.kinds()[-3:] == ["put-away-asked", "drive-left", "slip-returned"]
    assert there.last_left().note == "unplugged before its disk was stopped"


def test_a_drive_that_waits_may_be_taken_away_and_is_asked_for_again() -> None:
    """Its slip is issued again by its leaving, and that is said."""
    there = a_due_drive({"visits": {"quiet_hours": ["08:00-10:00"]}})
    there.plug_in()
    there.caretaker.left(SDB)

    assert there.state() is SlipState.ISSUED
    assert len(there.notices.with_words("unplugged before its visit was done")) == 1


def test_a_drive_left_connected_is_reminded_of() -> None:
    """After the policy's time, then every day (a connected drive is no defence)."""
    there = released(a_due_drive())
    said_at = []
    for _ in range(3 * 24 + 2):
        count = len(there.notices.with_words("K07 is still plugged in"))
        there.sleep_until_bell()
        if len(there.notices.with_words("K07 is still plugged in")) > count:
            said_at.append(there.clock.now())

    assert 3 <= len(said_at) <= 4
    assert (said_at[0].hour, said_at[0].minute) == (21, 0)


def test_an_offered_drive_that_stays_is_released_and_asked_to_be_put_away() -> None:
    """A drive that was here without a slip gets one to go back, after it was stopped."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()
    while there.bays.count("release") == 0:
        there.sleep_until_bell()
    assert there.state() is None
    there.release()

    assert there.slip().errand is Errand.PUT_AWAY
    assert there.kinds().count("slip-issued") == 1
    assert len(there.notices.with_words("Put drive K07 back")) == 1
    there.caretaker.left(SDB)
    assert there.state() is None


def test_a_pass_by_hand_ends_with_a_slip_to_put_the_drive_away() -> None:
    """Whoever began it by hand is told when it may be unplugged, too."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()
    there.caretaker.begin(VisitOrder(K07, PassKind.FIXITY, asked_by="ruth"))
    there.finish_visit()
    there.release()

    slip = there.slip()
    assert (slip.errand, slip.state) == (Errand.PUT_AWAY, SlipState.TO_PUT_AWAY)


def test_a_drive_that_waits_for_a_day_is_spoken_of() -> None:
    """A pause that nobody ends leaves drives connected: that is said, every day."""
    there = a_due_drive()
    there.caretaker.pause("ruth", None)
    there.plug_in()
    there.end_worker()
    for _ in range(2 * 24):
        there.sleep_until_bell()

    notices = there.notices.with_words("is still plugged in and waits")
    assert 1 <= len(notices) <= 2
    assert "ruth paused all passes" in notices[0].body
    assert there.state() is SlipState.ANSWERED


def test_a_drive_that_waits_rests_once() -> None:
    """Its disk stops turning; waking and stopping it over and over would wear it."""
    there = a_due_drive()
    there.caretaker.pause("ruth", None)
    there.plug_in()
    there.end_worker()
    for _ in range(30):
        there.sleep_until_bell()

    assert there.bays.count("rest") == 1


def test_what_is_open_is_said_again_after_a_restart() -> None:
    """In the same stages, so that the board can tell which channel took it before."""
    there = due_drives(K07)
    first = there.notices.with_words("Please bring out")[0]
    there.open()
    there.caretaker.started([])
    again = there.notices.with_words("Please bring out")

    assert [one.stages for one in again] == [first.stages]


OFF = Released(how="flushed, spun down, powered off", is_powered_off=True)


@pytest.mark.parametrize("is_seen_first", [False, True])
def test_a_drive_that_was_powered_off_stays_on_the_list(is_seen_first: bool) -> None:  # noqa: FBT001 - a case
    """It vanishes with its power, whichever is heard of first: it may still stand in its dock."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    if is_seen_first:
        there.caretaker.left(SDB)
    there.say(SDB, OFF)
    if not is_seen_first:
        there.caretaker.left(SDB)
    there.end_worker()

    assert there.state() is SlipState.TO_PUT_AWAY
    assert there.kinds()[-3:] == ["drive-released", "put-away-asked", "drive-left"]
    assert "cannot be seen" in there.last_left().note
    assert there.last_left().outcome is Outcome.SUCCESS
    assert len(there.notices.with_words("Put drive K07 back")) == 1
    there.wait(DAY_S)
    assert there.state() is None


def test_that_a_drive_without_power_was_put_away_can_be_said() -> None:
    """Whoever says so at once need not wait for the next day."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()
    there.say(SDB, OFF)
    there.caretaker.left(SDB)
    there.end_worker()
    there.caretaker.returned(K07, "ruth")

    assert there.state() is None


def test_a_drive_without_power_may_still_stand_at_its_bay() -> None:
    """No other drive is asked for while it may: it could not be plugged in."""
    there = due_drives(K07, K08, policy={"visits": {"bays": 1}})
    there.plug_in()
    there.finish_visit()
    there.say(SDB, OFF)
    there.caretaker.left(SDB)
    there.end_worker()

    assert there.state(K08) is None
    there.wait(DAY_S)
    assert there.state(K08) is SlipState.ISSUED


def test_a_drive_worked_on_by_hand_and_powered_off_is_to_be_put_away() -> None:
    """The same where no slip had asked for it."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()  # of the rest that it is put to
    there.caretaker.begin(VisitOrder(K07, PassKind.FIXITY, asked_by="ruth"))
    there.finish_visit()
    there.caretaker.left(SDB)
    there.say(SDB, OFF)
    there.end_worker()

    assert there.state() is SlipState.TO_PUT_AWAY
