"""The journal of a shelf whose drives were read and proved: shown, verified, exported."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.errors import InvariantBrokenError
from refreshd.health_cards import HealthState, Verdict
from refreshd.health_tally import HealthEvent
from refreshd.journal import Journal
from refreshd.ledger import ShelfLedger
from refreshd.proving_cards import ProvingStep
from refreshd.proving_tally import ProvingEvent
from tests.builders import K07
from tests.fakes.counter import Counter
from tests.health_builders import (
    NEW_DRIVE,
    SPEAKING,
    certified,
    fell_silent,
    health_read,
    proving_begun,
    proving_checkpoint,
    proving_given_up,
    step_result,
    watched,
)

IDENTITY = step_result(ProvingStep.IDENTITY)


@contextmanager
def writing(counter: Counter) -> Iterator[ShelfLedger]:
    """Give the ledger of the counter's shelf, an hour later."""
    clock = counter.world.clock
    clock.time += timedelta(hours=1)
    directory = FileJournalDirectory.made_at(counter.state / "journal")
    lock = FlockShelfLock(counter.state / "shelf.lock", clock)
    with SqliteCatalogue.for_writing(counter.state / "catalogue.sqlite") as catalogue:
        ledger = ShelfLedger(Journal(directory), catalogue, clock, lock, timedelta(days=3653))
        ledger.open()
        yield ledger
    directory.close()


@pytest.fixture
def kept(counter: Counter, k07: Path) -> Counter:
    """Return a counter over a shelf in whose journal every event of health stands."""
    with writing(counter) as ledger:
        for event in (health_read(Verdict.WATCH), watched(), fell_silent(), proving_begun()):
            entry = ledger.record(event)
        ledger.record(proving_checkpoint(results=(IDENTITY,)))
        (proving,) = ledger.unfinished_provings()
        assert proving.begun_at == entry.at
        ledger.record(certified(results=(IDENTITY,), begun_at=proving.begun_at))
        ledger.record(proving_begun(2))
        ledger.record(proving_given_up(2))
    return counter


def test_every_record_of_health_is_a_line_of_the_journal(kept: Counter) -> None:
    """I5: what was read and proved is told in plain sentences, in order."""
    lines = [line for line in kept.say("journal", "show").out.splitlines() if "Z  " in line][-8:]

    assert [line.split("  ", 2)[2].split(": ", 1)[1].rsplit(" [", 1)[0] for line in lines] == [
        "health between passes: watch. 12 sectors moved to spares, 4 waiting",
        "pass K07/1 was watched (refresh): 30 to 32 °C, 1 pause to cool down, 3 samples",
        "health between passes: not known. The bridge passes no command through",
        "proving P1 began on model Meridian 4T, serial ZX-0042: all 4.0 TB are written, then read",
        "proving P1 came to writing, byte 0. The step identity ended",
        (
            "proving P1 of model Meridian 4T, serial ZX-0042 ended: passed, written and read; "
            "health: fit for duty (identity success)"
        ),
        "proving P2 began on model Meridian 4T, serial ZX-0042: all 4.0 TB are written, then read",
        "proving P2 was given up: another one was begun",
    ]


def test_a_journal_with_health_is_verified_and_exported(kept: Counter, tmp_path: Path) -> None:
    """I7: readings with their pages, and certificates, are in the copy, and its chain is whole."""
    entries = kept.ask("journal", "show").json["entries"]
    kinds = {entry["event"]["kind"] for entry in entries[-8:]}
    assert kinds == {
        one.model_fields["kind"].default for one in (*HealthEvent.__args__, *ProvingEvent.__args__)
    }
    reading = next(entry["event"] for entry in entries if entry["event"]["kind"] == "health-read")
    assert reading["reading"]["measures"]["temperature (°C)"] == 31
    assert kept.ask("journal", "verify").json["is_untouched"] is True

    assert kept.ask("export", tmp_path / "copy").code == 0
    with SqliteCatalogue.for_reading(tmp_path / "copy" / "catalogue.sqlite") as copy:
        assert next(entry.reading for entry in copy.health(K07)) == SPEAKING
        assert [one.id for one in copy.certificates(NEW_DRIVE)] == ["P1"]


def test_a_catalogue_is_brought_up_with_all_health(kept: Counter) -> None:
    """I5: a catalogue that is gone comes back from the journal, readings and provings included."""
    path = kept.state / "catalogue.sqlite"
    before = _asked(path)
    path.unlink()
    with writing(kept):
        pass

    assert _asked(path) == before
    state = before[0]
    assert isinstance(state, HealthState)
    assert (state.verdict, state.is_silent) == (Verdict.WATCH, True)


def _asked(path: Path) -> tuple[object, ...]:
    with SqliteCatalogue.for_reading(path) as catalogue:
        return (
            catalogue.drive(K07).health,
            catalogue.health(K07),
            catalogue.watches(K07),
            catalogue.unfinished_provings(),
            catalogue.certificates(),
            catalogue.next_proving_id(),
        )


def test_an_event_that_breaks_a_rule_is_in_neither_store(kept: Counter) -> None:
    """I5: what cannot be added up is not journalled, so that no start trips over it."""
    with writing(kept) as ledger:
        before = _head(kept)
        for event, rule in ((proving_begun(2), "T16"), (proving_given_up(9), "T19")):
            with pytest.raises(InvariantBrokenError, match=rule):
                ledger.record(event)
        assert ledger.unfinished_provings() == ()
        assert _head(kept) == before


def _head(counter: Counter) -> int:
    head = Journal(FileJournalDirectory.made_at(counter.state / "journal")).head()
    return 0 if head is None else head.sequence
