"""Passes: when they begin, what stops them, what becomes of a drive whose worker ends."""

from __future__ import annotations

from datetime import timedelta

import pytest

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import (
    DriveAtWorkError,
    DriveGoneError,
    InvariantBrokenError,
    MistakenDriveError,
    NotHeldError,
    RecordFailedError,
    StagingRefusedError,
    UnreadableError,
)
from refreshd.events import DriveHeld
from refreshd.ports import Seat, Urgency, VisitOrder
from refreshd.quantities import FindingKind, PassKind, Span
from tests.caretaker.premises import (
    K07,
    K08,
    K09,
    SDB,
    SDC,
    SDD,
    SIZE_BYTES,
    START,
    THREE_YEARS_S,
    Premises,
    a_due_drive,
    due_drives,
    every_three_years,
)

HOUR_S = 3600.0


def test_a_drive_waits_while_all_bays_are_taken() -> None:
    """With one bay the second drive waits, says for whom, and begins when that one is done."""
    there = due_drives(K07, K08)
    there.plug_in(K07, SDB)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 1
    assert there.here(SDC).doing is Doing.WAITING
    assert there.here(SDC).why == "the bay is taken by K07"
    assert len(there.notices.with_words("K08 is here and waits")) == 1
    there.end_worker(SDC)  # the one that put it to rest
    there.finish_visit(SDB)
    assert there.bays.count("visit", SDC) == 1


def test_as_many_drives_are_visited_as_there_are_bays() -> None:
    """Two bays, three drives: two passes."""
    there = due_drives(K07, K08, K09, policy={"visits": {"bays": 2}})
    for number, seat in ((K07, SDB), (K08, SDC), (K09, SDD)):
        there.plug_in(number, seat)

    assert there.bays.count("visit") == 2
    assert "K07, K08" in there.here(SDD).why


def test_a_stranger_takes_no_bay_from_a_pass() -> None:
    """Only passes count."""
    there = a_due_drive()
    there.caretaker.arrived(SDC)
    there.identify(None, SDC, "stranger")
    there.plug_in()

    assert there.bays.count("visit", SDB) == 1


# --- Quiet hours, battery, pause: what stops for now


def test_no_pass_begins_in_quiet_hours_and_it_begins_when_they_end() -> None:
    """The drive waits, rests and begins by itself at the edge, not a moment later."""
    there = a_due_drive({"visits": {"quiet_hours": ["08:30-10:15"]}})
    there.plug_in()
    there.end_worker()

    assert there.bays.asked[-1] == ("rest", SDB)
    assert "quiet hours, at least until 10:15" in there.here().why
    while there.bays.count("visit") == 0:
        rung = there.sleep_until_bell()
    assert rung.strftime("%H:%M") == "10:15"


def test_a_pass_stops_when_quiet_hours_begin_and_goes_on_when_they_end() -> None:
    """It stops at a checkpoint, its disk rests, and a new worker takes the pass up."""
    there = a_due_drive({"visits": {"quiet_hours": ["22:00-06:00"]}})
    there.plug_in()
    while there.bays.count("stop") == 0:
        there.move(0)
        stopped = there.sleep_until_bell()
    assert stopped.strftime("%H:%M") == "22:00"
    there.interrupt_visit()

    assert there.bays.asked[-1] == ("rest", SDB)
    assert there.state() is SlipState.ANSWERED
    there.end_worker()
    while there.bays.count("visit") < 2:
        begun = there.sleep_until_bell()
    assert begun.strftime("%H:%M") == "06:00"


def test_quiet_hours_are_those_of_the_clock_on_the_wall() -> None:
    """The policy is written by people who look at the clock in the room."""
    there = a_due_drive({"visits": {"quiet_hours": ["12:00-13:00"]}})
    there.offset = timedelta(hours=3, minutes=30)  # 09:00 UTC is 12:30 here
    there.plug_in()

    assert there.bays.count("visit") == 0


def test_no_pass_runs_on_battery() -> None:
    """It stops when the mains fail and goes on when they are back; it is looked at each minute."""
    there = a_due_drive()
    there.battery_every_s = 60.0
    there.open()
    there.caretaker.started([])
    there.plug_in()
    there.is_on_battery = True
    there.move(0)
    there.sleep_until_bell()
    assert there.clock.now() - START <= timedelta(days=1096, minutes=1)
    assert there.bays.count("stop", SDB) == 1
    there.interrupt_visit()
    there.end_worker()

    assert there.here().why == "the server runs on battery"
    there.is_on_battery = False
    there.sleep_until_bell()
    assert there.bays.count("visit", SDB) == 2


def test_a_policy_may_let_passes_go_on_on_battery() -> None:
    """`on_battery` "go on" is obeyed."""
    there = a_due_drive({"visits": {"on_battery": "go on"}})
    there.is_on_battery = True
    there.plug_in()
    there.wait(60)

    assert there.bays.count("visit") == 1
    assert there.bays.count("stop") == 0


def test_a_pause_by_hand_stops_passes_until_somebody_resumes() -> None:
    """Stopped at a checkpoint, recorded with who said it, and gone on with when resumed."""
    there = a_due_drive()
    there.plug_in()
    there.caretaker.pause("ruth", None)
    assert there.bays.count("stop", SDB) == 1
    there.interrupt_visit()
    there.end_worker()
    there.wait(30 * 86400)

    assert "ruth paused all passes" in there.here().why
    assert there.bays.count("visit") == 1
    there.caretaker.resume("ruth")
    assert there.bays.count("visit") == 2


def test_a_pause_ends_at_the_time_that_was_set() -> None:
    """It ends on the minute, and that is recorded."""
    there = a_due_drive()
    until = there.clock.now() + timedelta(minutes=95)
    there.caretaker.pause("ruth", until)
    there.plug_in()
    there.end_worker()
    while there.bays.count("visit") == 0:
        there.sleep_until_bell()

    assert there.clock.now() == until
    assert there.ledger.pause() is None
    assert "care-resumed" in there.kinds()


def test_a_pause_is_kept_over_a_restart() -> None:
    """It stands in the record (I5)."""
    there = a_due_drive()
    there.caretaker.pause("ruth", None)
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)

    assert there.bays.count("visit") == 0
    assert there.caretaker.status().pause is not None


def test_the_longest_visit_ends_a_pass_and_the_drive_goes_back() -> None:
    """After the time that the policy allows: stopped, released, not done, asked for again later."""
    there = a_due_drive({"visits": {"longest_visit": "18005 seconds"}})
    there.plug_in()
    begun = there.clock.now()
    while there.bays.count("stop") == 0:
        there.move(0)
        stopped = there.sleep_until_bell()
    assert stopped - begun == timedelta(hours=5, seconds=5)  # not at another bell
    there.interrupt_visit(chunks=2)
    there.release()

    slip = there.slip()
    assert slip.state is SlipState.TO_PUT_AWAY
    assert "longest" in slip.note
    there.caretaker.left(SDB)
    there.wait(2 * 86400)
    assert there.state() is SlipState.ISSUED


def test_a_restart_gives_no_second_longest_visit() -> None:
    """The time counts from what the record says, not from the start of the service."""
    there = a_due_drive({"visits": {"longest_visit": "5 hours"}})
    there.plug_in()
    there.begin_visit()
    there.clock.sleep(4 * HOUR_S)
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)
    there.move(0)
    there.wait(HOUR_S)

    assert there.bays.count("stop") == 1


def test_waiting_does_not_count_into_the_longest_visit() -> None:
    """A drive that waited for the end of quiet hours has its whole time."""
    policy = {"visits": {"longest_visit": "2 hours", "quiet_hours": ["08:00-16:00"]}}
    there = a_due_drive(policy)
    there.plug_in()
    there.end_worker()
    there.wait(7 * HOUR_S)
    there.move(0)
    there.wait(HOUR_S)

    assert there.bays.count("visit") == 1
    assert there.bays.count("stop") == 0


def test_a_new_policy_holds_for_what_is_under_way() -> None:
    """Quiet hours that begin with a reload stop the pass; fewer bays begin no more."""
    there = a_due_drive()
    there.plug_in()
    there.set_policy(every_three_years({"visits": {"quiet_hours": ["08:00-10:00"]}}))
    there.caretaker.policy_changed()

    assert there.bays.count("stop", SDB) == 1


# --- Copies of the same content (I9)


def test_copies_are_not_asked_for_at_the_same_time() -> None:
    """With bays to spare, the second copy is not asked for while the first is (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})

    assert [slip.drive for slip in there.ledger.slips()] == [K07]


def test_copies_are_not_visited_at_the_same_time() -> None:
    """Two due copies plugged in together: one is worked on, the other waits (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.issue(K08)
    there.plug_in(K07, SDB)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 1
    assert there.here(SDC).why == "K07, which holds the same content, is worked on"


def test_copies_are_known_by_what_they_carry() -> None:
    """Equal signatures make siblings, also where nobody wrote a holding on the card (I9)."""
    there = Premises(every_three_years({"visits": {"bays": 4}}))
    for number in (K07, K08):
        there.take_into_care(number, signatures=("ext4:aa31",))
    there.clock.sleep(THREE_YEARS_S)
    for number in (K07, K08):
        there.issue(number)
    there.caretaker.started([])
    there.plug_in(K07, SDB)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 1


def test_a_copy_is_not_refreshed_within_14_days_of_the_other() -> None:
    """The day after the first one's refresh the second waits; after 14 days it begins (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.refreshed(K07)
    there.clock.sleep(86400)
    if there.state(K08) is None:
        there.issue(K08)
    there.caretaker.shelf_changed()
    there.plug_in(K08)

    assert there.bays.count("visit") == 0
    assert "K07, which holds the same content, was written to on 2034-03-14" in there.here().why
    assert "2034-03-28" in there.here().why
    there.end_worker()
    there.caretaker.left(SDB)
    there.clock.sleep(13 * 86400)
    there.caretaker.bell()
    there.plug_in(K08, SDC)
    assert there.bays.count("visit", SDC) == 1


def test_a_refresh_that_stopped_short_counts_for_its_copies() -> None:
    """What was written to until it stopped was written to, though the pass did not end (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.plug_in(K07)
    there.interrupt_visit(error=UnreadableError("/dev/sdb", Span(0, 512), "EIO"), chunks=2)
    there.release()
    there.caretaker.left(SDB)
    there.open()  # what only memory knew is gone
    there.caretaker.started([])
    if there.state(K08) is None:
        there.issue(K08)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 0
    assert "K07" in there.here(SDC).why


def test_the_day_of_the_last_writing_counts_not_that_of_the_beginning() -> None:
    """An unfinished refresh that was begun long ago and written on today keeps copies away (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.begin_pass(K07, PassKind.REFRESH)
    there.clock.sleep(60 * 86400)
    there.prove(K07, 2)
    there.caretaker.shelf_changed()
    if there.state(K08) is None:
        there.issue(K08)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 0
    assert "2034-05-13" in there.here(SDC).why


def test_a_refresh_counts_from_its_beginning_for_its_copies() -> None:
    """What was begun today may have written today, though no checkpoint says so (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.begin_pass(K07, PassKind.REFRESH)
    there.caretaker.shelf_changed()
    if there.state(K08) is None:
        there.issue(K08)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit", SDC) == 0
    assert "K07" in there.here(SDC).why


def test_a_refresh_that_died_before_its_checkpoint_counts_for_its_copies() -> None:
    """A worker that was killed today may have written today (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.begin_pass(K07, PassKind.REFRESH)
    there.clock.sleep(60 * 86400)
    there.plug_in(K07, SDB)
    there.begin_visit()
    there.caretaker.left(SDB)
    there.end_worker(SDB, -9)
    if there.state(K08) is None:
        there.issue(K08)
    there.plug_in(K08, SDC)

    assert there.bays.count("visit", SDC) == 0
    assert "written to on 2034-05-13" in there.here(SDC).why


def test_a_copy_that_hangs_keeps_the_other_away() -> None:
    """A request that hangs in the kernel may still write when it is let go (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.plug_in(K07, SDB)
    there.end_worker(SDB, -9, is_left=True)
    there.begin_pass(K08, PassKind.FIXITY)
    there.plug_in(K08, SDC)

    assert there.here(SDB).doing is Doing.HANGING
    assert there.here(SDC).why == "K07, which holds the same content, is worked on"


def test_copies_may_be_read_within_14_days() -> None:
    """The time between copies is about writing; a fixity pass writes nothing."""
    there = due_drives(K07, K08, holding="harbour")
    there.refreshed(K07)
    there.caretaker.shelf_changed()
    there.begin_pass(K08, PassKind.FIXITY)
    there.plug_in(K08)

    assert there.bays.orders[SDB].kind is PassKind.FIXITY


def test_a_refresh_recorded_a_moment_ago_counts() -> None:
    """What was read before is read again right before a worker is sent (I9)."""
    there = due_drives(K07, K08, holding="harbour", policy={"visits": {"bays": 4}})
    there.issue(K08)
    there.caretaker.arrived(SDC)
    assert there.caretaker.status().planned is not None  # reads the rows
    there.refreshed(K07)
    there.identify(K08, SDC)

    assert there.bays.count("visit") == 0


# --- One worker a seat, one worker a drive


def test_one_seat_never_has_two_workers() -> None:
    """A drive that rests is begun when its resting worker has ended, not beside it."""
    there = a_due_drive({"visits": {"quiet_hours": ["08:30-10:00"]}})
    there.plug_in()
    there.wait(2 * HOUR_S)

    assert there.bays.asked[-1] == ("rest", SDB)
    there.end_worker()
    assert there.bays.asked[-1] == ("visit", SDB)


def test_a_second_worker_at_a_seat_stops_the_program() -> None:
    """That no two workers reach one disk is checked where workers are sent (I9)."""
    there = a_due_drive()
    there.plug_in()
    house = there.caretaker._house
    (one,) = house.occupants

    with pytest.raises(InvariantBrokenError, match="has a worker already"):
        house.send(one, one.work, lambda: None)  # type: ignore[arg-type]


def test_a_returned_drive_waits_for_its_former_worker() -> None:
    """Pulled and plugged in again at another port: no second worker before the first has ended."""
    there = a_due_drive({"visits": {"bays": 4}})
    there.plug_in()
    there.begin_visit()
    there.caretaker.left(SDB)
    there.plug_in(K07, SDC)

    assert there.bays.count("visit", SDC) == 0
    there.end_visit(DriveGoneError("/dev/sdb is gone"), SDB)
    there.end_worker(SDC)
    assert there.bays.count("visit", SDC) == 1


# --- How a worker ends


def test_a_finished_pass_is_released_and_then_put_away() -> None:
    """Nobody is told to unplug a drive before its disk was flushed and stopped (I9)."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit()

    assert there.bays.asked[-1] == ("release", SDB)
    assert there.notices.with_words("Put drive K07 back") == []
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY
    (notice,) = there.notices.with_words("Put drive K07 back", Urgency.SLIPS)
    assert notice.stages == ((there.slip().number, "to put away"),)
    assert there.doing() is Doing.RELEASED
    assert there.kinds()[-2:] == ["drive-released", "put-away-asked"]


def test_findings_are_an_alarm_that_names_them_and_what_to_do() -> None:
    """A pass that ends with findings says each of them, and which words settle it."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit(findings=2)

    assert there.caretaker.status().open_findings == 2
    (notice,) = there.notices.with_words("K07: 2 open findings", Urgency.ALARMS)
    assert "F1: 4.2 MB from byte 0 cannot be read" in notice.body
    assert "F2: 4.2 MB from byte 4194304 cannot be read" in notice.body
    assert "refreshd findings K07" in notice.body


@pytest.mark.parametrize(
    ("kind", "advice", "other"),
    [
        (FindingKind.UNREADABLE, "another dock and cable", "refreshd accept"),
        (FindingKind.MISMATCH, "refreshd accept K07", "another dock"),
    ],
)
def test_the_advice_about_findings_fits_their_kind(
    kind: FindingKind, advice: str, other: str
) -> None:
    """What cannot be read has no bytes that could be right: nobody is sent to accept it."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit(findings=1, kind=kind)

    (notice,) = there.notices.with_words("K07: 1 open finding", Urgency.ALARMS)
    assert advice in notice.body
    assert other not in notice.body


def test_many_findings_are_counted_not_listed() -> None:
    """A dead drive must not send a mail of a million lines."""
    there = a_due_drive()
    there.plug_in()
    there.finish_visit(findings=4)
    (few,) = there.notices.with_words("open findings")

    assert few.body.count("\n- ") == 4


def test_a_killed_worker_is_replaced_once() -> None:
    """Its pass is unfinished and is tried again; after the second time the drive goes back."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_worker(SDB, -9)
    assert (there.doing(), there.here().why) == (
        Doing.WAITING,
        "its worker ended without a word; soon once more",
    )
    while there.bays.count("visit") < 2:
        there.sleep_until_bell()
    there.begin_visit()
    there.end_worker(SDB, -9)

    (notice,) = there.notices.with_words("did not get to its end", Urgency.ALARMS)
    assert "its worker ended with code -9, 2 times" in notice.body
    assert there.bays.asked[-1] == ("release", SDB)
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY
    there.caretaker.left(SDB)
    there.wait(3 * 86400)
    assert there.state() is None
    there.wait(5 * 86400)
    assert there.state() is SlipState.ISSUED


def test_a_worker_that_was_killed_after_its_last_record_has_done_its_work() -> None:
    """The record decides what was done, not what was heard (I5)."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_pass(K07, PassKind.REFRESH)
    there.end_worker(SDB, -9)

    assert there.bays.asked[-1] == ("release", SDB)
    there.release()
    assert there.slip().note == ""


def test_what_was_done_before_a_restart_is_not_done_again() -> None:
    """A slip whose errand is in the record is put away, not visited (I5)."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_pass(K07, PassKind.REFRESH)
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)

    assert there.bays.count("visit") == 0
    assert there.bays.count("release") == 1


def test_a_drive_that_does_not_hold_what_is_written_goes_back() -> None:
    """The worker has put it on hold; it is said, released and put away, and not written again."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.record(DriveHeld(drive=K07, reason="it gave back other bytes"))
    there.end_visit(NotHeldError("/dev/sdb: gave back other bytes at byte 0, twice"))

    (notice,) = there.notices.with_words("did not get to its end", Urgency.ALARMS)
    assert "gave back other bytes" in notice.body
    assert there.bays.count("visit") == 1
    assert there.bays.asked[-1] == ("release", SDB)


def test_a_disk_that_turns_out_to_be_another_is_left_alone() -> None:
    """When identity fails in the worker, nothing more is sent to that disk."""
    there = a_due_drive()
    there.plug_in()
    there.end_visit(MistakenDriveError("this is not K07"))
    there.wait(86400)

    assert [act for act, _ in there.bays.asked] == ["identify", "visit"]
    assert there.doing() is Doing.UNCLEAR
    assert len(there.notices.with_words("not clear which drive")) == 1


@pytest.mark.parametrize(
    "error", [StagingRefusedError("no room in /srv"), RecordFailedError("no space left")]
)
def test_the_servers_own_trouble_is_waited_out(error: RecordFailedError) -> None:
    """No drive is sent back because the server's disk is full: tried again, ever more seldom."""
    there = a_due_drive()
    there.plug_in()
    tries = []
    for _ in range(4):
        there.end_visit(error)
        began = there.bays.count("visit")
        before = there.clock.now()
        while there.bays.count("visit") == began:
            there.sleep_until_bell()
        tries.append((there.clock.now() - before).total_seconds())

    assert tries == [60, 120, 240, 480]
    assert len(there.notices.with_words("did not get to its end")) == 1
    assert there.state() is SlipState.ANSWERED


def test_a_drive_that_another_process_works_on_is_waited_for() -> None:
    """I9: somebody works by hand on the drive or on a copy of it; that is over some day."""
    there = a_due_drive()
    there.plug_in()
    there.end_visit(DriveAtWorkError("another refreshd is at work on K07"))
    began = there.bays.count("visit")
    there.wait(60)

    assert there.bays.count("visit") == began + 1
    assert there.state() is SlipState.ANSWERED
    assert there.notices.with_words("did not get to its end") == []


def test_a_worker_left_in_the_kernel_blocks_nobody() -> None:
    """Its seat is given up, the place is said, and the bay is free for the next drive."""
    there = due_drives(K07, K08)
    there.plug_in()
    there.begin_visit()
    there.move(3 * 4 * 2**20, doing="rewriting")
    there.end_worker(SDB, -9, is_left=True)
    there.plug_in(K08, SDC)

    assert there.doing() is Doing.HANGING
    assert "stands at byte 12582912 of 16777216 (rewriting)" in there.here().why
    (notice,) = there.notices.with_words("hangs in the kernel", Urgency.ALARMS)
    assert "12582912" in notice.body
    assert there.bays.count("visit", SDC) == 1


def test_a_drive_that_hung_goes_on_when_it_is_plugged_in_again() -> None:
    """A new stay is a new chance; the pass goes on from its checkpoint."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_worker(SDB, -9, is_left=True)
    there.caretaker.left(SDB)
    there.plug_in(K07, SDC)

    assert there.bays.count("visit", SDC) == 1


def test_a_silent_worker_is_said_with_the_place_on_the_drive() -> None:
    """After the policy's longest request: once, with the place; the status shows it."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.move(4 * 2**20)
    while not there.notices.with_words("K07 does not answer"):
        rung = there.sleep_until_bell()
    there.wait(HOUR_S)

    assert (rung - START - timedelta(days=1096)).total_seconds() == 600
    (notice,) = there.notices.with_words("K07 does not answer", Urgency.ALARMS)
    assert "at byte 4194304 of 16777216" in notice.body
    (visit,) = there.caretaker.status().visits
    assert visit.hangs_at_byte == 4 * 2**20
    there.move(8 * 2**20)
    (visit,) = there.caretaker.status().visits
    assert visit.hangs_at_byte is None


def test_a_drive_pulled_in_mid_visit_is_asked_for_again_and_goes_on_elsewhere() -> None:
    """It is recorded and said; at another port the same pass is taken up."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.prove(K07, 2)
    there.move(2 * 4 * 2**20)
    there.caretaker.left(SDB)
    there.end_visit(DriveGoneError("/dev/sdb is gone"))

    assert "in the middle of a visit" in there.last_left().note
    assert there.state() is SlipState.ISSUED
    (notice,) = there.notices.with_words("unplugged before it might be", Urgency.ALARMS)
    assert "8388608" in notice.body
    there.plug_in(K07, SDC)
    assert there.bays.orders[SDC].kind is PassKind.REFRESH


def test_a_drive_whose_worker_says_first_that_it_is_gone_is_pulled_out_too() -> None:
    """The worker may be quicker than the monitor."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_visit(DriveGoneError("/dev/sdb is gone"))
    there.caretaker.left(SDB)

    assert there.stay() is None
    assert there.state() is SlipState.ISSUED
    assert len(there.notices.with_words("unplugged before it might be")) == 1
    assert there.caretaker.is_at_rest


def test_what_the_worker_of_a_pulled_drive_says_last_is_no_failure_of_the_drive() -> None:
    """Errors after the drive was pulled out come of that, and one notice of it is enough."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.caretaker.left(SDB)
    there.end_visit(UnreadableError("/dev/sdb", Span(0, 512), "ENODEV"))

    assert there.notices.with_words("did not get to its end") == []
    assert len(there.notices.with_words("unplugged before it might be")) == 1


def test_an_unfinished_pass_is_taken_up_without_a_slip() -> None:
    """A drive that returns with a pass half done is not asked about it again."""
    there = Premises()
    there.take_into_care()
    there.begin_pass(K07, PassKind.FIXITY)
    there.caretaker.started([])
    there.plug_in()

    assert there.bays.orders[SDB] == VisitOrder(K07, PassKind.FIXITY)


def test_a_half_recorded_drive_is_recorded_to_its_end() -> None:
    """An accession that was cut short goes on, with what stands on the card."""
    there = Premises()
    there.take_into_care(is_whole=False)
    there.caretaker.started([])
    there.plug_in()

    order = there.bays.orders[SDB]
    assert order.kind is PassKind.ACCESSION
    assert order.card is not None
    assert order.card.shelfmark == "R2-B04-K07"


def test_the_closing_reading_follows_the_policy() -> None:
    """A refresh that the plan asks for has the closing reading where the policy wants it."""
    there = a_due_drive({"defaults": {"fixity_interval": "3 years", "closing_pass": True}})
    there.plug_in()

    assert there.bays.orders[SDB].is_closing


def test_the_status_tells_rate_and_time_left() -> None:
    """What a person wants to know while waiting, from what the worker said of late."""
    there = a_due_drive()
    there.plug_in()
    there.move(0)
    there.clock.sleep(10)
    there.move(SIZE_BYTES // 4)

    (visit,) = there.caretaker.status().visits
    assert visit.rate_bytes_per_s == SIZE_BYTES / 40
    assert visit.left_s == 30
    assert visit.drive == K07


def test_a_stop_of_the_service_stops_passes_and_begins_none() -> None:
    """At the end of the service each pass gets to its checkpoint, and nothing new begins."""
    there = due_drives(K07, K08)
    there.plug_in()
    there.caretaker.stopping()
    assert there.bays.count("stop", SDB) == 1
    assert not there.caretaker.is_at_rest
    there.interrupt_visit()
    there.plug_in(K08, SDC)

    assert there.bays.count("visit") == 1
    assert there.state() is SlipState.ANSWERED


def test_listeners_hear_each_message_with_its_drive() -> None:
    """A stream gets what the worker says, after the caretaker has heard it."""
    there = a_due_drive()
    heard = []
    end = there.caretaker.listen(lambda seat, drive, message: heard.append((seat, drive, message)))
    there.plug_in()
    there.move(0)
    end()
    there.move(1)

    assert [(drive, message.kind) for _, drive, message in heard] == [
        (K07, "identified"),
        (K07, "worker-ended"),
        (K07, "moved"),
    ]


def test_late_words_of_an_unknown_seat_do_no_harm() -> None:
    """A worker whose disk is long forgotten changes nothing."""
    there = a_due_drive()
    there.end_worker(Seat("/dev/sdz", 5), -9)

    assert there.caretaker.status().here == ()
