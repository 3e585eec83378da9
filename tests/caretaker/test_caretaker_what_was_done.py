"""What the caretaker takes for done, and what it says of that in the record."""

from __future__ import annotations

from refreshd.errors import FlushFailedError
from refreshd.events import PutAwayAsked
from tests.caretaker.premises import (
    K07,
    SDB,
    THREE_YEARS_S,
    Premises,
    a_due_drive,
    every_three_years,
)


def test_a_refresh_of_years_ago_does_not_stand_for_a_killed_one() -> None:
    """I4: what ended before a worker was sent is not what that worker did."""
    there = Premises(every_three_years())
    there.take_into_care()
    there.refreshed(K07)
    there.clock.sleep(THREE_YEARS_S)
    there.caretaker.started([])
    there.plug_in()
    there.begin_visit()
    there.end_worker(SDB, -9)
    there.wait(60)

    assert there.bays.count("visit") == 2
    assert there.bays.count("release") == 0


def test_what_was_not_done_is_not_said_to_be_done_when_its_drive_goes_back() -> None:
    """The journal says of a visit that failed that it failed, and so does the slip."""
    there = a_due_drive()
    there.plug_in()
    there.end_visit(FlushFailedError("/dev/sdb: EIO flushing"))
    there.release()
    events = [entry.event for entry in there.ledger.entries]
    (asked,) = [event for event in events if isinstance(event, PutAwayAsked)]

    assert not asked.is_done
    assert "EIO flushing" in asked.note
