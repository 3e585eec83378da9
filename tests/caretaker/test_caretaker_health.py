"""How drives that stay attached are asked, what people are told, and what a failing drive gets."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import (
    DriveFailingError,
    DriveGoneError,
    DriveHeldError,
    DriveHungError,
    OverheatedError,
    RefusedError,
)
from refreshd.events import CarePaused, DriveWithdrawn, HealthRead
from refreshd.health.left_alone import WENT_AWAY
from refreshd.health_cards import (
    EvidenceLine,
    HealthReading,
    Moment,
    OwnWord,
    Part,
    Route,
    Verdict,
)
from refreshd.ports import Seat, Urgency, VisitOrder
from refreshd.quantities import Errand, PassKind
from tests.caretaker.health_said import MOVED, answer_reading, read, stay_asleep
from tests.caretaker.premises import K07, K08, SDB, SDC, Premises, a_due_drive, due_drives

DAILY: dict[str, object] = {
    "defaults": {"health_while_attached": "24 hours", "fixity_interval": "3 years"}
}
DAY_S = 86400.0


def attached(policy: Mapping[str, object] | None = None) -> Premises:
    """Return premises with K07 plugged in, for which nothing is due."""
    there = Premises(policy or DAILY)
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    return there


def kind_at(there: Premises, seat: Seat = SDB) -> PassKind:
    """Return what the last worker at a seat was asked to do."""
    return there.bays.orders[seat].kind


# --- Asked while attached (H1, H2)


def test_a_drive_that_comes_is_asked_how_it_is_and_then_rests() -> None:
    """H1: it turns anyway; afterwards it is let rest."""
    there = attached()

    assert kind_at(there) is PassKind.HEALTH
    assert not there.bays.orders[SDB].lets_sleep
    assert there.bays.count("rest") == 0
    answer_reading(there)
    assert there.bays.count("rest") == 1


def test_it_is_asked_again_after_the_time_of_the_policy() -> None:
    """H1: and not before; the bell for it is set."""
    there = attached()
    answer_reading(there)
    there.end_worker()

    there.wait(DAY_S / 3)
    assert there.bays.count("visit") == 1
    there.bays.orders.clear()
    while there.bays.count("visit") == 1:
        before = there.clock.now()
        there.sleep_until_bell()
        assert there.clock.now() > before
        if there.bays.count("release"):
            break
    assert there.bays.count("release") == 1, "left connected, it goes back before a day is over"


def test_the_bell_for_the_next_reading_is_set() -> None:
    """H1: also where it comes sooner than the hourly bell."""
    often: dict[str, object] = {
        "defaults": {"health_while_attached": "20 minutes", "fixity_interval": "3 years"}
    }
    there = attached(often)
    answer_reading(there)
    there.end_worker()
    began = there.clock.now()

    assert (there.sleep_until_bell() - began).total_seconds() == 1200
    assert there.bays.count("visit") == 2


def test_a_reading_puts_off_no_release() -> None:
    """H1: a drive that is left connected goes back as if it had not been asked."""
    often = {"defaults": {"health_while_attached": "1 hour", "fixity_interval": "3 years"}}
    there = attached(often)
    answer_reading(there)
    there.end_worker()

    for _ in range(13):
        there.wait(3600.0)
        if there.bays.count("release"):
            break
        if there.bays.asked[-1] == ("visit", SDB):
            answer_reading(there)
            there.end_worker()

    assert there.bays.count("visit") > 5
    assert there.bays.count("release") == 1


def test_a_disk_that_rests_is_asked_only_whether_it_stands_still() -> None:
    """H2: the order says so, and a disk that does is not stopped once more."""
    often = {"defaults": {"health_while_attached": "1 hour", "fixity_interval": "3 years"}}
    there = attached(often)
    answer_reading(there)
    there.end_worker()
    there.wait(3601.0)

    assert there.bays.orders[SDB].lets_sleep
    stay_asleep(there)

    assert there.bays.count("rest") == 1
    assert there.doing() is Doing.IDLE


def test_a_drive_that_drops_off_when_it_is_asked_is_not_asked_for_ever() -> None:
    """H2: it comes back at once, and each time it would be asked as one that has just come."""
    there = Premises(DAILY)
    there.take_into_care()
    there.caretaker.started([])
    for sequence in range(20, 24):
        seat = Seat(SDB.node, sequence)
        there.plug_in(K07, seat)
        if seat in there.bays.orders:
            silent = HealthReading(Route.SILENT, OwnWord.NOT_SAID, silence=WENT_AWAY)
            there.record(
                HealthRead(
                    drive=K07,
                    outcome=Verdict.NOT_KNOWN.outcome,
                    moment=Moment.BETWEEN,
                    reading=silent,
                    verdict=Verdict.NOT_KNOWN,
                )
            )
            there.end_visit(DriveGoneError("/dev/sdb: the drive is gone"), seat)
        there.caretaker.left(seat)
        there.end_worker(seat)
        there.wait(5.0)

    assert there.bays.count("visit") == 2


def test_the_policy_can_say_that_only_passes_ask() -> None:
    """H1: `health_while_attached = "none"`."""
    there = attached({"defaults": {"health_while_attached": "none"}})

    assert there.bays.count("visit") == 0
    assert there.bays.count("rest") == 1


def test_a_drive_whose_pass_is_wanted_is_asked_by_that() -> None:
    """H2: also while the pass waits for the end of quiet hours, which hold up no reading."""
    there = a_due_drive({**DAILY, "visits": {"quiet_hours": ["08:00-12:00"]}})
    there.plug_in()

    assert there.bays.count("visit") == 0
    there.end_worker()  # it rested
    there.wait(4 * 3600.0)
    assert kind_at(there) is PassKind.REFRESH


def test_nothing_is_asked_before_it_is_known_what_is_wanted() -> None:
    """H2: after the start a slip may come of what is here, once all have said who they are."""
    there = Premises(DAILY)
    there.take_into_care()
    there.clock.sleep(4 * 365 * DAY_S)
    there.caretaker.started([SDB, SDC])
    there.identify(K07, SDB)
    assert there.bays.count("visit") == 0

    there.identify(None, SDC, "new")
    assert kind_at(there, SDB) is PassKind.REFRESH


def test_a_disk_that_turns_though_it_was_to_rest_is_let_rest_again() -> None:
    """H2: it was asked, since it turned; that is no reason for it to go on turning."""
    often = {"defaults": {"health_while_attached": "1 hour", "fixity_interval": "3 years"}}
    there = attached(often)
    answer_reading(there)
    there.end_worker()
    there.wait(3601.0)
    answer_reading(there)

    assert there.bays.count("rest") == 2


def test_a_drive_that_was_withdrawn_is_not_asked() -> None:
    """It is nobody's drive any more."""
    there = Premises(DAILY)
    there.take_into_care()
    there.record(CarePaused(said_by="anna"))
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()  # it rested
    there.record(DriveWithdrawn(drive=K07, reason="given back"))
    there.caretaker.shelf_changed()
    there.caretaker.resume("anna")
    there.wait(2 * DAY_S / 24)

    assert there.bays.count("visit") == 0


def test_a_drive_that_was_read_in_this_stay_is_not_asked_again_after_a_restart() -> None:
    """H1: the record says when it was asked last."""
    there = attached()
    answer_reading(there)
    there.end_worker()
    there.wait(3600.0)
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)

    assert there.bays.count("visit") == 0
    assert there.bays.count("rest") == 1


def test_nothing_is_asked_in_a_pause_but_in_quiet_hours() -> None:
    """O9: a reading takes seconds and makes no noise; a pause means hands off."""
    paused = Premises(DAILY)
    paused.take_into_care()
    paused.record(CarePaused(said_by="anna"))
    paused.caretaker.started([])
    paused.plug_in()
    assert paused.bays.count("visit") == 0

    quiet = attached({**DAILY, "visits": {"quiet_hours": ["08:00-10:00"]}})
    assert kind_at(quiet) is PassKind.HEALTH


def test_a_reading_takes_up_a_bay_and_nobody_is_told_that_others_wait_for_it() -> None:
    """O3: for seconds; the pass begins when the reading is over."""
    there = due_drives(K07, policy={"defaults": {"health_while_attached": "24 hours"}})
    there.take_into_care(K08)
    there.plug_in(K08, SDC)
    assert kind_at(there, SDC) is PassKind.HEALTH

    there.plug_in(K07, SDB)
    assert there.doing(SDB) is Doing.WAITING
    assert not there.notices.with_words("is here and waits")
    answer_reading(there, seat=SDC, number=K08)

    assert kind_at(there, SDB) is PassKind.REFRESH


def test_a_reading_that_fails_is_no_alarm_and_is_not_tried_at_once() -> None:
    """H2: what it ran into is told by the next pass, if it still matters."""
    there = attached()
    there.end_visit(RefusedError("no drive that could be asked"))

    assert not there.notices.with_words("", Urgency.ALARMS)
    assert there.bays.count("visit") == 1
    assert there.bays.count("rest") == 1


def test_a_drive_that_hangs_while_it_is_asked_is_left_alone_and_told_of() -> None:
    """V5: a reading hangs like a pass."""
    there = attached()
    there.end_worker(is_left=True)

    assert there.doing() is Doing.HANGING
    assert there.notices.with_words("hangs in the kernel", Urgency.ALARMS)


# --- Slips and readings by hand


def test_a_slip_for_a_reading_is_done_by_the_record_and_the_drive_goes_back() -> None:
    """Asked out, read, released, put away, like any other."""
    there = Premises({"defaults": {"health_interval": "6 months"}})
    there.take_into_care()
    there.clock.sleep(200 * DAY_S)
    there.issue(errand=Errand.HEALTH)
    there.caretaker.started([])
    there.plug_in()

    assert kind_at(there) is PassKind.HEALTH
    assert not there.bays.orders[SDB].lets_sleep
    answer_reading(there)
    assert there.doing() is Doing.RELEASING
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY


def test_a_reading_that_was_recorded_is_not_taken_twice_when_its_worker_dies() -> None:
    """I5: what a slip asks for is judged by the record."""
    there = Premises({"defaults": {"health_interval": "6 months"}})
    there.take_into_care()
    there.clock.sleep(200 * DAY_S)
    there.issue(errand=Errand.HEALTH)
    there.caretaker.started([])
    there.plug_in()
    read(there)
    there.end_worker(exit_code=-9)

    assert there.doing() is Doing.RELEASING


def test_a_drive_that_is_here_can_be_asked_by_hand() -> None:
    """And a second time it is said that the first is under way."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()  # it rests
    there.caretaker.begin(VisitOrder(K07, PassKind.HEALTH, asked_by="anna"))

    assert not there.bays.orders[SDB].lets_sleep
    with pytest.raises(RefusedError, match="a health reading of K07 is under way at /dev/sdb"):
        there.caretaker.begin(VisitOrder(K07, PassKind.HEALTH, asked_by="anna"))


def test_status_tells_how_the_drives_are_that_are_attached_and_which_to_mind() -> None:
    """With the temperature of the last reading."""
    there = attached()
    there.take_into_care(K08)
    read(there, Verdict.WATCH, K08)
    answer_reading(there, Verdict.FIT)

    here = there.here()
    assert here.health is not None
    assert here.health.verdict is Verdict.FIT
    assert here.celsius == 34
    status = there.caretaker.status()
    assert [(one.drive, one.health.verdict) for one in status.to_mind] == [(K08, Verdict.WATCH)]


# --- Told once (H3, H4)


@pytest.mark.parametrize("verdict", [Verdict.COPY_OFF, Verdict.DO_NOT_WRITE])
def test_a_verdict_that_asks_for_something_is_told_once_with_its_reason(verdict: Verdict) -> None:
    """H3: and with what to do; a second reading that says the same is no news."""
    there = attached()
    answer_reading(there, verdict)
    there.end_worker()
    (told,) = there.notices.with_words("copy its content off", Urgency.ALARMS)

    assert MOVED in told.body
    assert "another drive" in told.body
    there.clock.sleep(DAY_S)
    read(there, verdict)
    there.caretaker.shelf_changed()
    assert len(there.notices.with_words("copy its content off")) == 1


def test_watch_is_no_alarm() -> None:
    """H3: it stands in the status."""
    there = attached()
    answer_reading(there, Verdict.WATCH)

    assert not there.notices.with_words("", Urgency.ALARMS)
    assert there.caretaker.status().to_mind


def test_what_got_worse_twice_is_told_twice() -> None:
    """H3: first that it is to be replaced, then that nothing is written to it any more."""
    there = attached()
    answer_reading(there, Verdict.COPY_OFF)
    there.end_worker()
    read(there, Verdict.DO_NOT_WRITE)
    there.caretaker.shelf_changed()

    subjects = [one.subject for one in there.notices.with_words("copy its content off")]
    assert [("written" in one) for one in subjects] == [False, True]


def test_what_got_worse_in_a_stay_is_told_after_a_restart_and_nothing_else_is() -> None:
    """H4: the service before it may have had no time to."""
    there = attached()
    there.take_into_care(K08)
    read(there, Verdict.COPY_OFF, K08)
    read(there, Verdict.DO_NOT_WRITE)
    there.open()
    there.caretaker.started([SDB])
    there.identify(K07)

    told = there.notices.with_words("copy its content off", Urgency.ALARMS)
    assert [one.subject.partition(":")[0] for one in told] == ["K07"]


# --- A drive that is failing (V9)


def test_a_refresh_that_the_gate_refused_turns_into_a_reading() -> None:
    """Read and copied, not rewritten; then it goes back, and the slip says why."""
    there = a_due_drive()
    there.plug_in()
    read(there, Verdict.DO_NOT_WRITE)
    there.end_visit(DriveHeldError("K07 is not rewritten"))

    assert kind_at(there) is PassKind.FIXITY
    there.finish_visit()
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY
    assert MOVED.rstrip(".") in there.slip().note
    assert there.notices.with_words("copy its content off", Urgency.ALARMS)
    assert not there.notices.with_words("did not get to its end")


def test_a_drive_that_says_in_mid_pass_that_it_fails_is_written_to_no_more() -> None:
    """V9: also where its worker had no time to put it on hold."""
    there = a_due_drive()
    there.plug_in()
    there.interrupt_visit(error=DriveFailingError("the drive says that it is failing"), chunks=1)

    assert there.ledger.drive(K07).hold == "the drive says that it is failing"
    assert kind_at(there) is PassKind.FIXITY
    assert there.notices.with_words("Nothing is written to it", Urgency.ALARMS)


def test_a_failing_drive_whose_refresh_was_by_hand_goes_back() -> None:
    """V9: nobody asked for a reading of it."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()
    there.caretaker.begin(VisitOrder(K07, PassKind.REFRESH, asked_by="anna"))
    read(there, Verdict.DO_NOT_WRITE)
    there.interrupt_visit(error=DriveFailingError("the drive says that it is failing"))

    assert there.doing() is Doing.RELEASING


def test_a_reading_that_cannot_go_on_over_a_failing_drive_goes_back() -> None:
    """V9: it is not begun again and again."""
    there = a_due_drive()
    there.plug_in()
    read(there, Verdict.DO_NOT_WRITE)
    there.end_visit(DriveHeldError("K07 is not rewritten"))
    there.interrupt_visit(error=DriveFailingError("the drive says that it is failing"))

    assert there.doing() is Doing.RELEASING


def test_a_slip_for_a_refresh_that_nobody_answered_lapses_when_the_drive_is_to_be_replaced() -> (
    None
):
    """S10: the next one asks for a reading, and says why."""
    there = a_due_drive()
    read(there, Verdict.COPY_OFF)
    there.caretaker.shelf_changed()

    assert there.kinds().count("slip-lapsed") == 1
    assert there.slip().errand is Errand.FIXITY
    assert there.slip().reissue_of is not None
    assert "not rewritten" in there.slip().reason


def test_the_unfinished_refresh_of_a_failing_drive_is_not_taken_up() -> None:
    """V9: it is wanted back for no writing."""
    there = a_due_drive()
    there.plug_in()
    read(there, Verdict.COPY_OFF)
    there.interrupt_visit(chunks=1)
    there.end_worker()  # it rested
    there.wait(61.0)

    assert kind_at(there) is PassKind.FIXITY


def test_a_drive_that_sticks_at_its_start_is_not_stopped_while_it_waits() -> None:
    """L3: each start may be its last."""
    there = a_due_drive()
    line = EvidenceLine(Part.STARTING, Verdict.COPY_OFF, "3 spin-ups had to be tried again.")
    there.record(
        HealthRead(
            drive=K07,
            outcome=Verdict.COPY_OFF.outcome,
            moment=Moment.BETWEEN,
            reading=HealthReading(Route.ATA, OwnWord.PASSING),
            verdict=Verdict.COPY_OFF,
            evidence=(line,),
        )
    )
    there.record(CarePaused(said_by="anna"))
    there.plug_in()

    assert there.doing() is Doing.WAITING
    assert there.bays.count("rest") == 0


# --- Too hot: V8


def overheat(there: Premises) -> None:
    """Let a pass be given up since the drive got hotter even at rest."""
    there.interrupt_visit(error=OverheatedError("it is at 57 °C"))


def test_a_drive_that_got_too_hot_is_stopped_and_tried_again_after_an_hour() -> None:
    """V8: and people are told to give it air."""
    there = a_due_drive()
    there.plug_in()
    overheat(there)

    assert there.doing() is Doing.WAITING
    assert "too hot" in there.here().why
    assert there.bays.asked[-1] == ("rest", SDB)
    there.end_worker()
    assert there.notices.with_words("give it air")
    there.wait(3500.0)
    assert there.bays.count("visit") == 1
    while there.bays.count("visit") == 1:
        there.sleep_until_bell()
    assert (there.clock.now() - there.ledger.entries[-1].at).total_seconds() < 3700


def test_by_hand_a_hot_drive_is_refused_with_the_time() -> None:
    """O8: asking it would warm it further."""
    there = a_due_drive()
    there.plug_in()
    overheat(there)
    there.end_worker()

    with pytest.raises(RefusedError, match="too hot, and rests until 1"):
        there.caretaker.begin(VisitOrder(K07, PassKind.FIXITY, asked_by="anna"))


def test_the_third_time_a_hot_drive_goes_back_and_people_are_told() -> None:
    """V8: a room that is too warm does not get cooler by trying."""
    there = a_due_drive()
    there.plug_in()
    for _ in range(2):
        overheat(there)
        there.end_worker()
        there.wait(3601.0)
    overheat(there)

    assert there.doing() is Doing.RELEASING
    (told,) = there.notices.with_words("did not get to its end", Urgency.ALARMS)
    assert "fan" in told.body
    there.release()
    assert there.state() is SlipState.TO_PUT_AWAY


def test_a_hang_is_no_heat() -> None:
    """What else fails is treated as before."""
    there = a_due_drive()
    there.plug_in()
    there.interrupt_visit(error=DriveHungError("no answer"))

    assert there.doing() is Doing.RELEASING
