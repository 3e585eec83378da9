"""The door from the caretaker to the record: when it is open."""

from __future__ import annotations

from datetime import timedelta

from refreshd.caretaker.scribe import RETRY_S, Scribe
from refreshd.caretaker.surroundings import Surroundings
from tests.caretaker.premises import Premises


def test_nothing_may_be_written_while_the_clock_is_not_believed() -> None:
    """I4: neither at the moment of the doubt nor at the next look, until the clock is right."""
    there = Premises()
    there.take_into_care()
    scribe = Scribe(
        Surroundings(
            ledger=there.ledger,
            clock=there.clock,
            bays=there.bays,
            notices=there.notices,
            policy=lambda: there.policy,
            local=lambda moment: moment,
            is_on_battery=lambda: False,
        )
    )
    assert scribe.may_write()
    there.clock.time -= timedelta(days=400)

    assert not scribe.may_write()
    there.clock.sleep(RETRY_S)
    assert not scribe.may_write()
    assert not scribe.is_well

    there.clock.time += timedelta(days=400)
    there.clock.sleep(RETRY_S)

    assert scribe.may_write()
    assert scribe.is_well
    assert len(there.notices.with_words("is not believed: nothing")) == 1
