"""What people ask for by hand: begun or refused with the reason, stopped and left stopped."""

from __future__ import annotations

from datetime import timedelta

import pytest

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import RefusedError, UnknownDriveError, UsageError
from refreshd.events import DriveHeld
from refreshd.ports import NewCard, VisitOrder
from refreshd.quantities import DriveNumber, PassKind
from refreshd.simulated.ledger import RecordFailure
from tests.caretaker.premises import (
    K07,
    K08,
    SDB,
    SDC,
    START,
    Premises,
    a_due_drive,
    due_drives,
)

FIXITY = VisitOrder(K07, PassKind.FIXITY, asked_by="ruth")
REFRESH = VisitOrder(K07, PassKind.REFRESH, is_closing=True, asked_by="ruth")


def idle_drive(policy: dict[str, object] | None = None) -> Premises:
    """Return premises with K07 plugged in, not due, at rest."""
    there = Premises(policy)
    there.take_into_care()
    there.take_into_care(K08, holding=None)
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()
    return there


def test_a_pass_begins_by_hand() -> None:
    """A drive that is here and idle is visited for what is asked, and its seat is named."""
    there = idle_drive()
    seat = there.caretaker.begin(REFRESH)

    assert seat == SDB
    assert there.bays.orders[SDB] == REFRESH
    (visit,) = there.caretaker.status().visits
    assert (visit.asked_by, visit.is_closing) == ("ruth", True)


def test_a_disk_that_is_being_put_to_rest_begins_when_that_is_done() -> None:
    """Two workers never sit at one seat; the pass begins in a moment."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.caretaker.begin(FIXITY)
    assert there.bays.count("visit") == 0
    there.end_worker()

    assert there.bays.orders[SDB] == FIXITY


def test_a_drive_that_is_not_here_is_refused() -> None:
    """The message says where it belongs."""
    there = idle_drive()

    with pytest.raises(RefusedError, match=r"K08 is not plugged in.*R2-B04-K08"):
        there.caretaker.begin(VisitOrder(K08, PassKind.FIXITY))


def test_an_unknown_drive_is_refused() -> None:
    """A number that no drive has is said to be none."""
    there = idle_drive()

    with pytest.raises(UnknownDriveError):
        there.caretaker.begin(VisitOrder(DriveNumber("X99"), PassKind.FIXITY))


def test_another_node_than_the_drives_is_refused() -> None:
    """Whoever names a node means that disk."""
    there = idle_drive()

    with pytest.raises(RefusedError, match="K07 is at /dev/sdb, not at /dev/sdc"):
        there.caretaker.begin(VisitOrder(K07, PassKind.FIXITY, on="/dev/sdc"))


def test_a_second_pass_over_a_drive_is_refused() -> None:
    """It is said that one is under way."""
    there = a_due_drive()
    there.plug_in()

    with pytest.raises(RefusedError, match="a refresh pass over K07 is under way at /dev/sdb"):
        there.caretaker.begin(FIXITY)


def test_a_disk_that_is_being_identified_is_refused() -> None:
    """Ask before visit: nothing is begun on a disk that nobody knows (I8)."""
    there = idle_drive()
    there.caretaker.arrived(SDC)

    with pytest.raises(RefusedError, match="not plugged in, or not identified yet"):
        there.caretaker.begin(VisitOrder(K08, PassKind.FIXITY))


@pytest.mark.parametrize(
    ("policy", "why"),
    [({"visits": {"quiet_hours": ["08:00-10:00"]}}, "quiet hours"), ({}, "runs on battery")],
)
def test_what_stops_the_plan_stops_people_too(policy: dict[str, object], why: str) -> None:
    """Quiet hours and battery hold for passes by hand; the reason is named."""
    there = idle_drive(policy)
    there.is_on_battery = True

    with pytest.raises(RefusedError, match=why):
        there.caretaker.begin(FIXITY)


def test_a_pause_refuses_a_pass_by_hand() -> None:
    """Whoever paused is named."""
    there = idle_drive()
    there.caretaker.pause("otto", there.clock.now() + timedelta(hours=1))

    with pytest.raises(RefusedError, match="otto paused all passes until 2031-03-14 10:00 UTC"):
        there.caretaker.begin(FIXITY)


def test_a_bay_too_few_refuses_a_pass_by_hand() -> None:
    """It is said who has the bay."""
    there = due_drives(K07)
    there.take_into_care(K08)
    there.plug_in(K07)
    there.plug_in(K08, SDC)

    with pytest.raises(RefusedError, match="the bay is taken by K07"):
        there.caretaker.begin(VisitOrder(K08, PassKind.FIXITY))


def test_a_drive_on_hold_is_not_refreshed_by_hand() -> None:
    """Nobody writes to a drive on hold; reading is allowed."""
    there = idle_drive()
    there.record(DriveHeld(drive=K07, reason="its bytes did not hold"))

    with pytest.raises(RefusedError, match="on hold"):
        there.caretaker.begin(REFRESH)
    there.caretaker.begin(FIXITY)
    assert there.bays.count("visit") == 1


def test_copies_are_not_refreshed_at_once_by_hand() -> None:
    """I9 holds for people, too."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.plug_in(K07)
    there.plug_in(K08, SDC)
    there.end_worker(SDC)

    with pytest.raises(RefusedError, match="K07, which holds the same content, is worked on"):
        there.caretaker.begin(VisitOrder(K08, PassKind.REFRESH, asked_by="ruth"))


def test_copies_are_not_refreshed_within_14_days_by_hand() -> None:
    """Nor a day after each other (I9); the day from which it is allowed is named."""
    there = Premises()
    for number in (K07, K08):
        there.take_into_care(number, holding="harbour")
    there.caretaker.started([])
    there.plug_in(K08)
    there.end_worker()
    there.refreshed(K07)
    order = VisitOrder(K08, PassKind.REFRESH, asked_by="ruth")

    with pytest.raises(RefusedError, match="may be refreshed from 2031-03-28 on"):
        there.caretaker.begin(order)
    there.wait(3600)
    with pytest.raises(RefusedError, match="may be refreshed from 2031-03-28 on"):
        there.caretaker.begin(order)


def test_nothing_is_begun_by_hand_while_nothing_can_be_recorded() -> None:
    """No record, no pass (I5)."""
    there = idle_drive()
    there.ledger.failure = RecordFailure(1, is_forever=True)
    with pytest.raises(Exception, match="no space left"):
        there.caretaker.pause("ruth", None)

    with pytest.raises(RefusedError, match="nothing can be recorded"):
        there.caretaker.begin(FIXITY)
    assert there.bays.count("visit") == 0


def test_a_disk_that_hangs_is_refused() -> None:
    """Nothing can be done with it where it is."""
    there = a_due_drive()
    there.plug_in()
    there.end_worker(SDB, -9, is_left=True)

    with pytest.raises(RefusedError, match="hangs in the kernel"):
        there.caretaker.begin(FIXITY)


def test_a_drive_that_is_being_released_is_refused() -> None:
    """It may be powered off in a moment."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()

    with pytest.raises(RefusedError, match="being released"):
        there.caretaker.begin(FIXITY)


def test_a_pass_by_hand_that_was_paused_goes_on() -> None:
    """What somebody asked for is not forgotten when it is interrupted."""
    there = idle_drive()
    there.caretaker.begin(REFRESH)
    there.caretaker.pause("otto", None)
    there.interrupt_visit()
    there.end_worker()
    there.caretaker.resume("otto")

    assert there.bays.count("visit") == 2
    assert there.bays.orders[SDB] == REFRESH


def test_a_pass_that_was_stopped_by_hand_stays_stopped_in_this_stay() -> None:
    """It is not begun again by itself, at no bell; the drive stays and rests."""
    there = a_due_drive()
    there.plug_in()
    there.caretaker.stop(K07, "ruth")
    assert there.bays.count("stop", SDB) == 1
    there.interrupt_visit()
    there.end_worker()
    for _ in range(5):
        there.sleep_until_bell()

    assert there.bays.count("visit") == 1
    assert there.doing() is Doing.IDLE
    assert there.here().why == "its pass was stopped by hand"


def test_a_stopped_pass_begins_again_by_hand_or_in_another_stay() -> None:
    """The next stay is a new one."""
    there = a_due_drive()
    there.plug_in()
    there.caretaker.stop(K07, "ruth")
    there.interrupt_visit()
    there.end_worker()
    there.caretaker.left(SDB)
    there.plug_in(K07, SDC)

    assert there.bays.count("visit", SDC) == 1


def test_a_drive_whose_pass_was_stopped_goes_back_in_the_end() -> None:
    """It does not stay connected for ever: released, put away, not done."""
    there = a_due_drive({"slips": {"left_connected": "40001 seconds"}})
    there.plug_in()
    there.clock.sleep(100)
    there.caretaker.stop(K07, "ruth")
    there.interrupt_visit()
    there.end_worker()
    idle_since = there.clock.now()
    while there.bays.count("release") == 0:
        rung = there.sleep_until_bell()
    assert (rung - idle_since).total_seconds() == 40001
    there.release()

    assert there.state() is SlipState.TO_PUT_AWAY
    assert there.slip().note == "its pass was stopped by hand"


def test_a_waiting_pass_can_be_stopped_too() -> None:
    """What waits for the end of quiet hours does not begin when they end."""
    there = a_due_drive({"visits": {"quiet_hours": ["08:00-10:00"]}})
    there.plug_in()
    there.caretaker.stop(K07, "ruth")
    there.end_worker()
    there.wait(2 * 3600)

    assert there.bays.count("visit") == 0


def test_stopping_nothing_is_a_usage_error() -> None:
    """There is nothing to stop."""
    there = idle_drive()

    with pytest.raises(UsageError, match="no pass over K07 is under way"):
        there.caretaker.stop(K07, "ruth")


def test_a_pause_in_the_past_is_a_usage_error() -> None:
    """It would be over before it began."""
    there = idle_drive()

    with pytest.raises(UsageError, match="would be over already"):
        there.caretaker.pause("ruth", there.clock.now())


def test_resuming_what_is_not_paused_is_a_usage_error() -> None:
    """Nothing is paused."""
    there = idle_drive()

    with pytest.raises(UsageError, match="nothing is paused"):
        there.caretaker.resume("ruth")


# --- Taking into care


CARD = NewCard("R1-B01", "Tide tables")
K20 = DriveNumber("K20")


def test_a_stranger_is_taken_into_care_by_hand() -> None:
    """The disk is named by its seat; afterwards it is asked again who it is, and goes back."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="new")
    order = VisitOrder(K20, PassKind.ACCESSION, asked_by="ruth", on="/dev/sdb", card=CARD)
    there.caretaker.begin(order)
    assert there.bays.orders[SDB] == order
    assert there.doing() is Doing.VISITING
    there.take_into_care(K20)
    there.end_visit(None)

    assert there.bays.asked[-1] == ("identify", SDB)
    there.identify(K20)
    assert there.stay(K20) is not None
    assert there.bays.asked[-1] == ("release", SDB)
    there.release()
    assert there.state(K20) is SlipState.TO_PUT_AWAY


def test_nobody_is_asked_to_bring_a_drive_that_was_just_taken_into_care() -> None:
    """Overdue by its claim, it is here: nobody is sent to the shelf, and nothing is written to it.

    Whoever takes a drive into care is told that nothing will be.
    """
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="new")
    there.caretaker.begin(VisitOrder(K20, PassKind.ACCESSION, on="/dev/sdb", card=CARD))
    there.take_into_care(K20, written_on=START.date() - timedelta(days=3000))
    there.caretaker.shelf_changed()
    there.end_visit(None)
    there.wait(1)
    assert there.state(K20) is None
    there.identify(K20)

    assert there.bays.asked[-1] == ("release", SDB)
    assert there.bays.count("visit") == 1
    there.release()
    assert there.state(K20) is SlipState.TO_PUT_AWAY
    assert there.notices.with_words("Bring out") == []
    assert there.notices.with_words("Still not done") == []


def test_a_disk_that_does_not_say_who_it_is_after_its_accession_holds_up_no_prompting() -> None:
    """After two minutes the others are asked for."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="new")
    there.caretaker.begin(VisitOrder(K20, PassKind.ACCESSION, on="/dev/sdb", card=CARD))
    there.take_into_care(K20)
    there.take_into_care(K07, written_on=START.date() - timedelta(days=3000))
    there.caretaker.shelf_changed()
    there.end_visit(None)
    there.wait(119)
    assert there.state(K07) is None
    there.wait(1)

    assert there.state(K07) is SlipState.ISSUED


def test_an_accession_that_was_interrupted_goes_on() -> None:
    """After a pause the half recorded drive is taken up again, by its card."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="new")
    order = VisitOrder(K20, PassKind.ACCESSION, asked_by="ruth", on="/dev/sdb", card=CARD)
    there.caretaker.begin(order)
    there.take_into_care(K20, is_whole=False)
    there.caretaker.pause("otto", None)
    there.interrupt_visit()
    there.identify(K20)
    there.end_worker()
    assert there.bays.count("visit") == 1
    there.caretaker.resume("otto")

    assert there.bays.count("visit") == 2
    assert there.bays.orders[SDB].kind is PassKind.ACCESSION


def test_a_seat_that_nobody_saw_arrive_is_refused() -> None:
    """Only disks that the service itself saw can be named: nobody borrows its rights."""
    there = Premises()
    there.caretaker.started([])

    with pytest.raises(RefusedError, match="no disk is known at /dev/nvme0n1"):
        there.caretaker.begin(VisitOrder(K20, PassKind.ACCESSION, on="/dev/nvme0n1", card=CARD))


def test_a_disk_is_asked_before_it_is_taken_in() -> None:
    """It may be a drive in care; until it was identified nothing is begun on it (I8)."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    order = VisitOrder(K20, PassKind.ACCESSION, on="/dev/sdb", card=CARD)

    with pytest.raises(RefusedError, match="still being identified"):
        there.caretaker.begin(order)
    there.end_worker(SDB, -9)
    with pytest.raises(RefusedError, match=r"still being identified|cannot be used"):
        there.caretaker.begin(order)


def test_a_drive_in_care_is_not_taken_in_again() -> None:
    """Its disk has a number already."""
    there = idle_drive()

    with pytest.raises(RefusedError, match="the disk at /dev/sdb is K07, and in care already"):
        there.caretaker.begin(VisitOrder(K20, PassKind.ACCESSION, on="/dev/sdb", card=CARD))


def test_a_disk_in_use_is_not_taken_in() -> None:
    """What could not be identified is not begun on."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.not_identified(RefusedError("/dev/sdb1 is mounted at /media"))

    with pytest.raises(RefusedError, match="cannot be used: /dev/sdb1 is mounted"):
        there.caretaker.begin(VisitOrder(K20, PassKind.ACCESSION, on="/dev/sdb", card=CARD))
