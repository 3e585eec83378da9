"""Drives that come: who they are, what is recorded, what is never touched."""

from __future__ import annotations

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import MediumInUseError, MediumLockedError, MistakenDriveError
from refreshd.events import DriveHeld, DriveWithdrawn
from refreshd.ports import Seat, Urgency
from refreshd.quantities import PassKind
from refreshd.simulated.ledger import RecordFailure
from tests.caretaker.premises import (
    K07,
    K08,
    SDB,
    SDC,
    Premises,
    a_due_drive,
    due_drives,
)


def test_a_due_drive_is_asked_for_and_its_notice_names_the_slip() -> None:
    """A slip is recorded first, then said, with the stage in which it is."""
    there = a_due_drive()

    (notice,) = there.notices.with_words("Please bring out drive K07")
    assert there.state() is SlipState.ISSUED
    assert notice.urgency is Urgency.SLIPS
    assert notice.stages == ((there.slip().number, "issued"),)
    assert there.notices.pages[-1] == (there.slip(),)


def test_a_drive_that_was_asked_for_is_visited_when_it_comes() -> None:
    """The slip is answered, then a worker is sent, for what the slip asks."""
    there = a_due_drive()
    there.plug_in()

    assert there.state() is SlipState.ANSWERED
    assert there.bays.orders[SDB].kind is PassKind.REFRESH
    assert there.kinds()[-2:] == ["drive-arrived", "slip-answered"]


def test_nothing_but_its_name_is_asked_of_a_disk_before_it_is_known() -> None:
    """No disk is visited, put to rest or released before it was identified (I8, I9)."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.wait(3600)

    assert {act for act, _ in there.bays.asked} == {"identify"}
    assert there.stay() is None


def test_a_drive_that_is_here_at_the_start_is_visited() -> None:
    """What is plugged in when the service starts is identified and served like any other."""
    there = Premises()
    there.take_into_care()
    there.issue()
    there.caretaker.started([SDB])
    there.identify(K07)

    assert there.bays.count("visit", SDB) == 1
    assert there.notices.with_words("Please bring") == []


def test_a_stay_goes_on_over_a_restart_of_the_service() -> None:
    """The same drive in the same stay is not recorded as arrived a second time."""
    there = a_due_drive()
    there.plug_in()
    before = len(there.kinds())
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)

    assert there.kinds()[before:] == []
    assert there.bays.count("visit", SDB) == 1


def test_a_drive_that_left_while_nobody_watched_is_recorded_as_gone() -> None:
    """What the record holds and no seat has any more left; its slip asks for it again."""
    there = a_due_drive()
    there.plug_in()
    there.open()
    there.caretaker.started([])

    assert there.stay() is None
    assert there.state() is SlipState.ISSUED


def test_a_drive_that_moved_while_nobody_watched_has_a_new_stay() -> None:
    """Another disk sequence number is another stay: the old one ends first."""
    there = a_due_drive()
    there.plug_in()
    there.open()
    there.caretaker.started([SDC])
    there.identify(K07, SDC)

    stay = there.stay()
    assert stay is not None
    assert stay.place == "/dev/sdc"
    assert there.kinds()[-3:] == ["drive-left", "drive-arrived", "slip-answered"]


def test_a_drive_that_may_still_be_here_is_not_recorded_as_gone() -> None:
    """While the disk with its sequence number is being identified, nobody says that it left."""
    there = a_due_drive()
    there.plug_in()
    there.open()
    there.caretaker.started([SDB, SDC])
    there.identify(None, SDC, "other")

    assert there.stay() is not None


def test_a_drive_that_stayed_through_a_power_cut_was_pulled_by_nobody() -> None:
    """I6: the server lost power in mid-visit; its drive is here, and goes on without an alarm."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.open()
    again = Seat(SDB.node, 77)  # sequence numbers begin anew at each boot
    there.caretaker.started([again])
    assert there.stay() is not None
    there.identify(K07, again)

    assert there.kinds()[-3:] == ["drive-left", "drive-arrived", "slip-answered"]
    assert there.last_left().note == "unseen, while the service did not run; it is here again"
    assert not there.notices.with_words("was unplugged")
    assert there.bays.count("visit") == 1


def test_a_drive_that_was_taken_away_while_the_server_was_off_is_missed() -> None:
    """Another disk is at its place: once that is known, the drive is asked for again, aloud."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.open()
    again = Seat(SDB.node, 77)
    there.caretaker.started([again])
    there.identify(None, again, "other")

    assert there.stay() is None
    assert there.state() is SlipState.ISSUED
    assert len(there.notices.with_words("was unplugged")) == 1


def test_a_disk_of_the_server_hides_no_drive_that_left() -> None:
    """Sequence numbers begin anew at each boot: the server's own disk may have that of a drive."""
    there = a_due_drive()
    there.plug_in()
    there.open()
    own = Seat("/dev/sda", SDB.disk_sequence)
    there.caretaker.started([own])
    there.not_identified(MediumInUseError("/dev/sda1 is mounted at /"), own)

    assert there.stay() is None
    assert there.state() is SlipState.ISSUED


def test_a_drive_that_a_worker_of_before_holds_is_visited_when_that_has_ended() -> None:
    """I6: the service was killed, its worker finishes a segment: the drive is not given up."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.open()
    there.caretaker.started([SDB])
    for _ in range(8):
        there.not_identified(MediumInUseError("/dev/sdb: something else has claimed it"))
        before = there.bays.count("identify")
        there.wait(60 if before < 6 else 900)
        assert there.bays.count("identify") == before + 1
        assert there.stay() is not None
    there.identify(K07)

    assert there.bays.count("visit") == 1
    assert len(there.notices.with_words("something else has claimed it")) == 1


def test_nobody_is_asked_to_bring_what_may_be_here_already() -> None:
    """At the start prompting waits until the disks that are here were identified."""
    there = Premises()
    there.take_into_care()
    there.clock.sleep(3 * 366 * 86400)
    there.caretaker.started([SDB])

    assert there.ledger.slips() == ()
    there.identify(K07)
    assert there.bays.count("visit", SDB) == 1
    assert there.notices.with_words("Please bring") == []


def test_a_disk_that_cannot_be_identified_holds_up_prompting_for_two_minutes() -> None:
    """One dead disk at the start must not keep the shelf from being planned."""
    there = Premises()
    there.take_into_care()
    there.clock.sleep(3 * 366 * 86400)
    there.caretaker.started([SDB])
    begun = there.clock.now()
    rung = there.sleep_until_bell()

    assert there.state() is SlipState.ISSUED
    assert (rung - begun).total_seconds() == 120


def test_a_drive_that_is_not_due_is_offered_and_left_alone() -> None:
    """It is said what could be done with it, once; no pass is forced on it."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.wait(60)

    (notice,) = there.notices.with_words("nothing is due")
    assert "refreshd fixity K07" in notice.body
    assert there.bays.count("visit") == 0
    assert there.doing() is Doing.IDLE


def test_a_drive_that_is_due_and_was_not_asked_for_yet_is_visited() -> None:
    """A drive that comes by itself when due gets slip and visit; nobody is sent for it."""
    there = due_drives(K07, K08)
    asked_for = K07 if there.ledger.slips(K07) else K08
    other = K08 if asked_for == K07 else K07
    there.plug_in(other, SDC)

    assert there.state(other) is SlipState.ANSWERED
    assert there.bays.count("visit", SDC) == 1
    assert there.notices.with_words(f"bring out drive {other}") == []


def test_a_stranger_is_reported_once_and_never_touched() -> None:
    """A drive that is not in care is said with how to take it into care; also when it returns."""
    there = Premises()
    there.caretaker.started([])
    for _ in range(3):
        there.caretaker.arrived(SDB)
        there.identify(None, name="stranger")
        there.wait(86400)
        there.caretaker.left(SDB)

    (notice,) = there.notices.with_words("not in care")
    assert "refreshd accession /dev/sdb" in notice.body
    assert "QX-stranger" in notice.body
    assert there.kinds().count("stranger-reported") == 1
    assert {act for act, _ in there.bays.asked} == {"identify"}


def test_a_stranger_is_not_reported_again_after_a_restart() -> None:
    """That it was reported stands in the record, not in memory (I5)."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="stranger")
    there.open()
    there.caretaker.started([SDB])
    there.identify(None, name="stranger")

    assert there.notices.with_words("not in care") == []
    assert there.doing() is Doing.STRANGER


def test_what_a_stranger_says_steers_no_terminal() -> None:
    """A name on a drive is untrusted text (I8)."""
    there = Premises()
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, name="\x1b[2J\nsubject: x")

    (notice,) = there.notices.with_words("not in care")
    assert "\x1b" not in notice.body
    assert "QX-?[2J?subject" in notice.body


def test_a_drive_on_hold_is_not_written_to() -> None:
    """A refresh of a drive on hold does not begin, and it is said why."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.record(DriveHeld(drive=K07, reason="its bytes did not hold"))
    there.identify(K07)

    (notice,) = there.notices.with_words("its pass cannot begin")
    assert "its bytes did not hold" in notice.body
    assert there.bays.count("visit") == 0
    assert there.doing() is Doing.WAITING


def test_a_drive_on_hold_goes_back_when_waiting_is_no_use() -> None:
    """After the longest time that a drive may be connected it is released, not done."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.record(DriveHeld(drive=K07, reason="its bytes did not hold"))
    there.identify(K07)
    there.end_worker()
    there.wait(12 * 3600)

    assert there.bays.count("release", SDB) == 1
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY
    assert "on hold" in there.slip().note


def test_a_drive_on_hold_is_read_where_that_is_wanted() -> None:
    """A hold forbids writing; an unfinished fixity pass goes on."""
    there = a_due_drive()
    there.begin_pass(K07, PassKind.FIXITY)
    there.record(DriveHeld(drive=K07, reason="its bytes did not hold"))
    there.plug_in()

    assert there.bays.orders[SDB].kind is PassKind.FIXITY


def test_contradictory_evidence_is_said_and_nothing_is_touched() -> None:
    """What cannot be told apart is asked about, not guessed."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.not_identified(MistakenDriveError("this is K07 by its serial, but another size"))
    there.wait(86400)

    (notice,) = there.notices.with_words("not clear which drive", Urgency.ALARMS)
    assert "another size" in notice.body
    assert {act for act, _ in there.bays.asked} == {"identify"}
    assert there.doing() is Doing.UNCLEAR
    assert there.state() is SlipState.ISSUED


def test_two_disks_of_one_number_are_both_left_alone() -> None:
    """Where two claim to be K07, neither is worked on; when one goes, the other is (I9)."""
    there = a_due_drive({"visits": {"bays": 2, "quiet_hours": ["08:00-10:00"]}})
    there.plug_in()
    there.plug_in(K07, SDC)
    there.end_worker()
    there.wait(2 * 3600)

    assert there.bays.count("visit") == 0
    (notice,) = there.notices.with_words("Two disks claim to be K07", Urgency.ALARMS)
    assert "/dev/sdb, /dev/sdc" in notice.body
    there.caretaker.left(SDC)
    assert there.bays.count("visit", SDB) == 1


def test_a_pass_under_way_stops_when_a_second_disk_claims_its_number() -> None:
    """One of the two is mistaken for the other, and it may be the one that is written to."""
    there = a_due_drive({"visits": {"bays": 2}})
    there.plug_in()
    there.plug_in(K07, SDC)

    assert there.bays.count("stop", SDB) == 1
    assert there.bays.count("visit") == 1


def test_two_disks_of_one_number_answer_no_slip() -> None:
    """Nobody knows whether the drive that was asked for is one of them."""
    there = Premises()
    there.take_into_care()
    there.clock.sleep(3 * 366 * 86400)
    there.caretaker.started([])
    slip = there.slip().number
    there.caretaker.arrived(SDB)
    there.caretaker.arrived(SDC)
    there.caretaker.pause("ruth", None)
    there.ledger.failure = RecordFailure(2)  # the first arrival is recorded, its answer is not
    there.identify(K07, SDB)
    there.identify(K07, SDC)
    there.wait(3600)

    assert there.slip().number == slip
    assert there.state() is SlipState.ISSUED


def test_arriving_twice_is_arriving_once() -> None:
    """The same seat is identified once, whatever the monitor repeats."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.caretaker.arrived(SDB)

    assert there.bays.count("identify") == 1


def test_another_disk_at_the_same_node_is_another_arrival() -> None:
    """A leaving that was not heard of is made up for; late words of the old disk are ignored."""
    there = a_due_drive()
    there.plug_in()
    again = Seat("/dev/sdb", 99)
    there.caretaker.arrived(again)
    there.caretaker.left(SDB)

    assert there.bays.count("identify", again) == 1
    assert [one.seat for one in there.caretaker.status().here] == [again]


def test_the_servers_own_disks_are_not_spoken_of_at_the_start() -> None:
    """What is mounted when the service starts is no news; what is mounted after arriving is."""
    there = Premises()
    there.caretaker.started([SDB])
    there.not_identified(MediumInUseError("/dev/sdb1 is mounted at /"))
    there.caretaker.arrived(SDC)
    there.not_identified(MediumInUseError("/dev/sdc1 is mounted at /media"), SDC)

    assert [one.body.split(".")[0] for one in there.notices.posted] == [
        "/dev/sdc1 is mounted at /media"
    ]


def test_a_disk_that_is_locked_for_a_moment_is_asked_again() -> None:
    """Udev looks at a new disk; a minute later it is asked again, and said only in the end."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    for _ in range(3):
        there.not_identified(MediumLockedError("/dev/sdb is locked"))
        there.sleep_until_bell()
    there.identify(K07)

    assert there.bays.count("identify") == 4
    assert there.bays.count("visit") == 1
    assert there.notices.with_words("not clear") == []


def test_a_disk_that_stays_locked_is_said() -> None:
    """After five more tries it is an alarm."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    for _ in range(6):
        there.not_identified(MediumLockedError("/dev/sdb is locked"))
        there.wait(60)

    assert there.bays.count("identify") == 6
    assert len(there.notices.with_words("not clear")) == 1


def test_a_worker_that_dies_while_identifying_is_replaced() -> None:
    """A worker without an answer is no answer."""
    there = a_due_drive()
    there.caretaker.arrived(SDB)
    there.end_worker(SDB, -9)
    there.sleep_until_bell()
    there.identify(K07)

    assert there.bays.count("visit") == 1


def test_a_drive_that_was_withdrawn_while_it_is_here_is_left_alone() -> None:
    """It is in nobody's care any more, and its pass stops."""
    there = a_due_drive()
    there.plug_in()
    there.record(DriveWithdrawn(drive=K07, reason="given away"))
    there.caretaker.shelf_changed()

    assert there.bays.count("stop", SDB) == 1
    there.end_worker()
    there.wait(86400)
    assert there.bays.count("visit") == 1
    assert there.stay() is None
    assert there.here().why == "it was withdrawn from care"


def test_a_drive_that_was_withdrawn_while_it_waits_is_left_alone() -> None:
    """An interrupted pass over a drive in nobody's care is not taken up."""
    there = a_due_drive()
    there.plug_in()
    there.caretaker.pause("ruth", None)
    there.interrupt_visit()
    there.end_worker()
    there.record(DriveWithdrawn(drive=K07, reason="given away"))
    there.caretaker.resume("ruth")

    assert there.bays.count("visit") == 1


def test_hundreds_of_arrivals_leave_nothing_behind() -> None:
    """What is remembered of a disk goes with it, so that years of arrivals cost no memory."""
    there = a_due_drive()
    for turn in range(300):
        seat = Seat("/dev/sdb", 100 + turn)
        there.caretaker.arrived(seat)
        there.identify(None, seat, f"stranger {turn % 3}")
        there.caretaker.left(seat)
        cut = Seat("/dev/sdc", 1000 + turn)
        there.caretaker.arrived(cut)
        there.caretaker.left(cut)
        there.end_worker(cut, 3)

    occupants = there.caretaker._house.occupants
    assert not occupants.is_anybody
    assert occupants.busy() == ()
    assert occupants._gone == []
