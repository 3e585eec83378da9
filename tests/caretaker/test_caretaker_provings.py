"""Disks that are proved before their accession: by hand, resumed or offered, told at the end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from refreshd.cards import Presence
from refreshd.caretaker import Doing
from refreshd.errors import DriveError, OverheatedError, RefusedError, UsageError
from refreshd.events import CarePaused, DriveProved
from refreshd.ports import NO_NUMBER, ProvingWish, Urgency, VisitOrder
from refreshd.quantities import Outcome, PassKind
from tests.caretaker.health_said import PLAN, begin_proving, certificate, end_proving
from tests.caretaker.premises import BOOT, SDB, SDC, Premises, evidence_of

NEW = evidence_of("new")
ASKED = VisitOrder(
    NO_NUMBER, PassKind.PROVING, asked_by="anna", on=SDB.node, proving=ProvingWish(is_anew=True)
)


def a_stranger(policy: dict[str, object] | None = None) -> Premises:
    """Return premises with a new disk at /dev/sdb."""
    there = Premises(policy)
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, SDB, "new")
    return there


def proving(policy: dict[str, object] | None = None) -> Premises:
    """Return premises in which that disk is being proved."""
    there = a_stranger(policy)
    there.caretaker.begin(ASKED)
    begin_proving(there, NEW, Presence(BOOT, SDB.disk_sequence))
    return there


def stop_short(there: Premises, error: DriveError | None = None) -> None:
    """Let the worker of a proving stop at its checkpoint."""
    there.end_visit(error or DriveError("stopped"))


def test_a_new_disk_is_proved_by_hand_with_what_was_wished_for() -> None:
    """It has no number; the status names its seat, and how far it is."""
    there = proving()
    there.move(4096, doing="writing")

    assert there.bays.orders[SDB] == ASKED
    (visit,) = there.caretaker.status().visits
    assert (visit.drive, visit.kind, visit.seat) == (None, PassKind.PROVING, SDB)
    assert there.doing() is Doing.VISITING


def test_the_end_of_a_proving_is_told_with_the_command_for_the_accession() -> None:
    """S4: and it is asked anew who the disk is, since it holds something else by now."""
    there = proving()
    end_proving(there, NEW)

    (told,) = there.notices.with_words("passed its proving", Urgency.SLIPS)
    assert "refreshd accession /dev/sdb --number NUMBER" in told.body
    assert "came back as it was written" in told.body
    assert there.bays.asked[-1] == ("identify", SDB)
    there.identify(None, SDB, "new")
    assert there.doing() is Doing.STRANGER
    assert len(there.notices.with_words("A drive that is not in care was plugged in")) == 1


def test_a_disk_that_did_not_pass_is_an_alarm_and_is_not_offered_for_accession() -> None:
    """S4: put no content on it."""
    there = proving()
    end_proving(there, NEW, Outcome.FAIL)

    (told,) = there.notices.with_words("did not pass its proving", Urgency.ALARMS)
    assert "accession" not in told.body


def test_a_certificate_that_no_worker_could_tell_is_told_from_the_record() -> None:
    """I5: killed between the record and its last word."""
    there = proving()
    found = certificate(there, NEW)
    there.record(DriveProved(proving_id=found.id, certificate=found))
    there.end_worker(exit_code=-9)

    assert there.notices.with_words("passed its proving")


def test_a_pause_stops_a_proving_and_its_end_lets_it_go_on() -> None:
    """O2: it goes on by itself in the same stay."""
    there = proving()
    there.caretaker.pause("anna", None)
    assert there.bays.asked[-1] == ("stop", SDB)
    stop_short(there)
    assert there.doing() is Doing.WAITING

    there.caretaker.resume("anna")
    assert there.bays.count("visit") == 2


@pytest.mark.parametrize(
    "wish", [ProvingWish(is_anew=True), ProvingWish(is_erasing=True, erase_drive="S1")]
)
def test_what_was_wished_for_holds_once(wish: ProvingWish) -> None:
    """S3: a pause begins nothing anew, and erases nothing that was put on the disk since."""
    there = a_stranger()
    there.caretaker.begin(replace(ASKED, proving=wish))
    assert there.bays.orders[SDB].proving == wish
    begin_proving(there, NEW, Presence(BOOT, SDB.disk_sequence))
    there.caretaker.pause("anna", None)
    stop_short(there)
    there.caretaker.resume("anna")

    assert there.bays.count("visit") == 2
    assert there.bays.orders[SDB].proving == ProvingWish()


def test_a_wish_that_was_not_heard_yet_is_kept() -> None:
    """S3: the worker that ends before its proving begins leaves an earlier one as it was."""
    there = a_stranger()
    begin_proving(there, NEW, Presence(BOOT, SDB.disk_sequence))
    there.wait(60.0)
    there.caretaker.begin(ASKED)
    there.caretaker.pause("anna", None)
    stop_short(there)
    there.caretaker.resume("anna")

    assert there.bays.orders[SDB].proving == ASKED.proving


def test_quiet_hours_are_kept_by_a_proving() -> None:
    """O2, O10."""
    there = a_stranger({"visits": {"quiet_hours": ["08:00-10:00"]}})

    with pytest.raises(RefusedError, match="no proving of the disk at /dev/sdb now: these are"):
        there.caretaker.begin(ASKED)


def test_a_proving_has_no_longest_visit() -> None:
    """V7: nobody would ask for its disk again."""
    there = proving({"visits": {"longest_visit": "2 hours"}})
    there.wait(3 * 3600.0)

    assert there.bays.count("stop") == 0


def test_a_proving_takes_up_a_bay() -> None:
    """O3: there is one bay, and it is named by its node."""
    there = proving()
    there.caretaker.arrived(SDC)
    there.identify(None, SDC, "other")

    with pytest.raises(RefusedError, match="the bay is taken by the disk at /dev/sdb"):
        there.caretaker.begin(replace(ASKED, on=SDC.node))


def test_two_disks_without_a_number_are_proved_side_by_side() -> None:
    """O10: neither is an earlier worker of the other."""
    there = proving({"visits": {"bays": 2}})
    there.caretaker.arrived(SDC)
    there.identify(None, SDC, "other")
    there.caretaker.begin(replace(ASKED, on=SDC.node))

    assert there.bays.count("visit") == 2


def test_a_proving_is_stopped_by_hand_at_its_seat() -> None:
    """And does not begin again by itself in this stay."""
    there = proving()
    there.caretaker.stop_proving(SDB.node, "anna")
    stop_short(there)
    there.identify(None, SDB, "new")
    there.wait(3600.0)

    assert there.bays.count("visit") == 1
    with pytest.raises(UsageError, match="no proving at /dev/sdb"):
        there.caretaker.stop_proving(SDB.node, "anna")


def test_a_drive_in_care_is_not_proved() -> None:
    """A proving writes over what is there."""
    there = Premises()
    there.take_into_care()
    there.caretaker.started([])
    there.plug_in()
    there.end_worker()

    with pytest.raises(
        RefusedError, match="is K07, and in care: only a drive that is in nobody's care"
    ):
        there.caretaker.begin(ASKED)


# --- Cut short (S1, S2)


def restarted(there: Premises) -> None:
    """Start the service anew, with the disk where it was."""
    there.open()
    there.caretaker.started([SDB])
    there.identify(None, SDB, "new")


def test_a_proving_goes_on_after_a_restart_in_the_same_stay() -> None:
    """S1: nobody can have put anything on the disk."""
    there = proving()
    restarted(there)

    assert there.bays.orders[SDB].proving == ProvingWish()
    assert not there.notices.with_words("not in care")


def test_a_proving_that_was_stopped_by_hand_is_not_begun_again_by_a_restart() -> None:
    """S1: whoever stopped it may have changed their mind about what is on the disk."""
    there = proving()
    there.caretaker.stop_proving(SDB.node, "anna")
    stop_short(there)
    there.identify(None, SDB, "new")
    restarted(there)

    assert there.bays.count("visit") == 0
    (told,) = there.notices.with_words("whose proving was cut short")
    assert "was stopped by hand, so that it does not go on by itself" in told.body
    there.caretaker.begin(replace(ASKED, proving=ProvingWish()))
    assert there.bays.count("visit") == 1


def test_a_proving_that_writes_is_offered_when_its_disk_was_elsewhere() -> None:
    """S1: what was put on it meanwhile would be lost."""
    there = proving()
    there.caretaker.left(SDB)
    there.end_worker(exit_code=4)
    there.caretaker.arrived(SDC)
    there.identify(None, SDC, "new")

    assert there.bays.count("visit") == 1
    (told,) = there.notices.with_words("whose proving was cut short")
    assert "refreshd prove /dev/sdc" in told.body
    assert len(there.notices.with_words("A drive that is not in care was plugged in")) == 1


def test_a_proving_that_only_reads_goes_on_wherever_its_disk_was() -> None:
    """S1: it can lose nothing."""
    there = a_stranger()
    begin_proving(there, NEW, Presence("another-boot", 3), replace(PLAN, is_writing=False))
    restarted(there)

    assert there.bays.orders[SDB].kind is PassKind.PROVING


def test_the_names_of_a_bridge_are_no_proof_that_it_is_the_same_disk() -> None:
    """S1: it gives them to every disk that is put into it."""
    there = a_stranger()
    bridged = replace(NEW, has_own_names=False)
    begin_proving(there, bridged, Presence("another-boot", 3), replace(PLAN, is_writing=False))
    restarted(there)

    assert there.bays.count("visit") == 0


# --- What goes wrong


def test_a_proving_that_failed_is_told_with_how_to_go_on() -> None:
    """It is not tried again by itself."""
    there = proving()
    stop_short(there, DriveError("the path fails"))

    (told,) = there.notices.with_words("did not get to its end", Urgency.ALARMS)
    assert "refreshd prove /dev/sdb" in told.body
    there.identify(None, SDB, "new")
    there.wait(3600.0)
    assert there.bays.count("visit") == 1


def test_a_new_disk_that_gets_too_hot_waits_for_an_hour() -> None:
    """V8: a stranger, too."""
    there = proving()
    stop_short(there, OverheatedError("it is at 57 °C"))
    assert there.doing() is Doing.WAITING
    there.wait(3601.0)

    assert there.bays.count("visit") == 2


def test_a_worker_that_dies_in_a_proving_is_replaced_once() -> None:
    """V3."""
    there = proving()
    there.end_worker(exit_code=-9)
    there.wait(61.0)
    assert there.bays.count("visit") == 2
    there.end_worker(exit_code=-9)
    there.identify(None, SDB, "new")
    there.wait(3600.0)

    assert there.bays.count("visit") == 2
    assert there.notices.with_words("did not get to its end")


def test_a_pause_from_before_lets_no_proving_begin() -> None:
    """O2: refused by hand, never queued."""
    there = Premises()
    there.record(CarePaused(said_by="anna"))
    there.caretaker.started([])
    there.caretaker.arrived(SDB)
    there.identify(None, SDB, "new")

    with pytest.raises(RefusedError, match="anna paused all passes"):
        there.caretaker.begin(ASKED)
