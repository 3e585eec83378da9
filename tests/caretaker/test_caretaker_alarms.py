"""A clock that is not believed and a disk that takes no records: said once, watched on, gone on."""

from __future__ import annotations

from datetime import timedelta

import pytest

from refreshd.cards import SlipState
from refreshd.caretaker import Doing
from refreshd.errors import CatalogueError, RecordFailedError
from refreshd.events import ClockAttested, NoticeDelivered
from refreshd.ports import Urgency
from refreshd.quantities import SlipNumber
from refreshd.simulated.ledger import RecordFailure
from tests.caretaker.premises import K07, K08, SDB, SDC, Premises, a_due_drive, due_drives

DAYS = timedelta(days=1)


@pytest.mark.parametrize("leap", [-30 * DAYS, 40 * 366 * DAYS])
def test_a_clock_that_is_not_believed_stops_all_dating(leap: timedelta) -> None:
    """Behind the record or decades ahead: one loud alarm, no record, no pass, no slip (I4)."""
    there = a_due_drive()
    before = len(there.kinds())
    there.clock.time += leap
    there.caretaker.bell()
    there.plug_in()
    for _ in range(5):
        there.sleep_until_bell()

    assert there.kinds()[before:] == []
    assert {act for act, _ in there.bays.asked} == {"identify"}
    assert len(there.notices.with_words("clock of this server is not believed")) == 1
    status = there.caretaker.status()
    assert "the clock is" in status.clock_alarm
    assert not status.is_well


def test_a_clock_that_is_set_right_is_believed_within_a_minute() -> None:
    """It goes on with what came meanwhile."""
    there = a_due_drive()
    there.clock.time -= 30 * DAYS
    there.caretaker.bell()
    there.plug_in()
    there.clock.time += 30 * DAYS
    there.clock.sleep(60)
    there.caretaker.bell()

    assert there.bays.count("visit", SDB) == 1
    assert there.state() is SlipState.ANSWERED
    assert len(there.notices.with_words("clock of this server is believed again")) == 1
    assert there.caretaker.status().clock_alarm == ""


def test_a_clock_that_is_attested_is_believed() -> None:
    """After a person looked, the jump ahead is the truth, and planning goes on."""
    there = a_due_drive()
    there.clock.time += 40 * 366 * DAYS
    there.caretaker.bell()
    there.record(ClockAttested(said_by="ruth"))
    there.sleep_until_bell()

    assert there.caretaker.status().clock_alarm == ""
    there.plug_in()
    assert there.bays.count("visit", SDB) == 1


def test_an_attestation_counts_at_once_when_it_is_told() -> None:
    """Whoever attests the clock over the service does not wait for the next bell."""
    there = a_due_drive()
    there.clock.time += 40 * 366 * DAYS
    there.caretaker.bell()
    there.record(ClockAttested(said_by="ruth"))
    there.caretaker.shelf_changed()

    assert there.caretaker.status().is_well


def test_a_full_disk_does_not_end_the_service() -> None:
    """One alarm; it goes on watching, and does what was missed when there is room again (I5)."""
    there = a_due_drive()
    there.ledger.failure = RecordFailure(1, is_forever=True)
    there.plug_in()
    for _ in range(5):
        there.sleep_until_bell()

    assert len(there.notices.with_words("Nothing can be recorded", Urgency.ALARMS)) == 1
    assert "no space left" in there.caretaker.status().record_alarm
    assert there.bays.count("visit") == 0
    there.ledger.failure = None
    there.sleep_until_bell()
    assert there.bays.count("visit", SDB) == 1
    assert there.state() is SlipState.ANSWERED
    assert there.caretaker.status().record_alarm == ""
    assert len(there.notices.with_words("Records can be written again")) == 1


def test_no_drive_is_visited_whose_arrival_could_not_be_recorded() -> None:
    """Written down first, then acted on (I5)."""
    there = a_due_drive()
    there.ledger.failure = RecordFailure(2)  # the arrival is recorded, the answer is not
    there.plug_in()

    assert there.kinds()[-1] == "drive-arrived"
    assert there.bays.count("visit") == 0


@pytest.mark.parametrize("nth", range(1, 7))
def test_a_failed_record_is_made_up_for_once(nth: int) -> None:
    """Whichever record of the service fails, in the end each is there once."""
    there = a_due_drive()

    def fails(first: int) -> None:
        if nth >= first:
            there.ledger.failure = RecordFailure(nth - first + 1)

    fails(1)
    there.plug_in()
    there.wait(61)
    if there.ledger.failure is not None and there.ledger.failure.nth > 0:
        there.ledger.failure = None  # the records of the worker are not those that fail
        there.finish_visit()
        fails(3)
    else:
        there.finish_visit()
    there.release()
    there.wait(61)
    if there.ledger.failure is not None and there.ledger.failure.nth > 0:
        fails(5)
    there.caretaker.left(SDB)
    there.wait(61)
    there.wait(24 * 3600)  # what could not be recorded of its return, the next day brings

    assert there.ledger.failure is not None
    assert there.ledger.failure.nth <= 0
    assert [one for one in there.kinds() if one in STORY] == list(STORY)


STORY = (
    "slip-issued",
    "drive-arrived",
    "slip-answered",
    "drive-released",
    "put-away-asked",
    "drive-left",
    "slip-returned",
)


def test_passes_under_way_are_watched_while_nothing_can_be_recorded() -> None:
    """Their workers have their own record; how they end is heard and settled later."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.end_pass(K07, there.bays.orders[SDB].kind)
    there.ledger.failure = RecordFailure(1, is_forever=True)
    there.end_visit(None)
    there.release()

    assert there.doing() is Doing.RELEASING
    assert there.notices.with_words("Put drive K07 back") == []
    there.ledger.failure = None
    there.sleep_until_bell()
    assert there.state() is SlipState.TO_PUT_AWAY


def test_a_pause_that_cannot_be_recorded_is_no_pause() -> None:
    """Whoever asks hears that it did not work."""
    there = a_due_drive()
    there.plug_in()
    there.ledger.failure = RecordFailure(1)

    with pytest.raises(RecordFailedError):
        there.caretaker.pause("ruth", None)
    assert there.bays.count("stop") == 0


def test_a_pull_that_could_not_be_recorded_is_said_later() -> None:
    """What was seen while the disk was full is not forgotten."""
    there = a_due_drive()
    there.plug_in()
    there.begin_visit()
    there.ledger.failure = RecordFailure(1, is_forever=True)
    there.caretaker.left(SDB)
    there.ledger.failure = None
    there.sleep_until_bell()

    assert "in the middle of a visit" in there.last_left().note
    assert len(there.notices.with_words("unplugged before it might be")) == 1


class OldCatalogue:
    """What the ledger says of a catalogue that cannot be brought up."""

    def __init__(self, there: Premises) -> None:
        self.opened = 0
        self.is_old = True
        there.ledger.open = self.open  # type: ignore[method-assign]
        there.ledger.failure = RecordFailure(1)

    def open(self) -> None:
        """Fail as the ledger does."""
        self.opened += 1
        if self.is_old:
            raise CatalogueError("the catalogue is an old copy; bring it up from the journal")


def test_a_catalogue_that_must_be_brought_up_keeps_drives_untouched() -> None:
    """The ledger is opened again at each bell; until that works no drive is visited (I5)."""
    there = a_due_drive()
    old = OldCatalogue(there)
    there.plug_in()
    for _ in range(3):
        there.sleep_until_bell()

    assert there.bays.count("visit") == 0
    assert "old copy" in there.caretaker.status().record_alarm
    assert old.opened == 3
    old.is_old = False
    there.sleep_until_bell()
    assert there.bays.count("visit") == 1


def test_what_a_channel_took_is_written_down() -> None:
    """So that after a restart it is not said to it again."""
    there = a_due_drive()
    event = NoticeDelivered(channel="mail", stages=((SlipNumber(1), "issued"),))
    there.caretaker.note(event)

    assert {one.channel for one in there.ledger.deliveries()} == {"mail"}


def test_what_a_channel_took_is_not_lost_with_the_service() -> None:
    """A delivery that cannot be recorded harms nothing: it is said once more at most."""
    there = a_due_drive()
    there.ledger.failure = RecordFailure(1)
    there.caretaker.note(NoticeDelivered(channel="mail", stages=((SlipNumber(1), "issued"),)))

    assert there.ledger.deliveries() == frozenset()
    assert there.caretaker.status().record_alarm != ""


def test_a_second_drive_is_served_after_the_trouble_of_the_first() -> None:
    """An alarm about the record is about all drives, and ends for all."""
    there = due_drives(K07, K08, policy={"visits": {"bays": 2}})
    there.ledger.failure = RecordFailure(1, is_forever=True)
    there.plug_in(K07)
    there.plug_in(K08, SDC)
    there.ledger.failure = None
    there.sleep_until_bell()

    assert there.bays.count("visit") == 2
