"""The ledger: written down first, an honest clock, and two stores that find each other again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest

from refreshd.chain import encode
from refreshd.errors import (
    CatalogueAheadError,
    ClockError,
    InvariantBrokenError,
    JournalDamagedError,
    JournalTruncatedError,
    RecordFailedError,
)
from refreshd.events import CardCorrected, CatalogueBroughtUp, Entry, JournalOpened, TornLineKept
from refreshd.journal import Journal, file_name
from refreshd.ledger import CLOCK_BEHIND_MAX, ShelfLedger
from refreshd.quantities import DriveNumber
from refreshd.simulated.journal_directory import Faults, SimulatedJournalDirectory
from tests.builders import accessioned
from tests.journals import chained, resealed
from tests.shelves import LEAP_MAX, Shelf, note

ACCESSION = accessioned(40)


@pytest.fixture
def shelf() -> Shelf:
    """Give a shelf with one drive in care and six records."""
    made = Shelf()
    made.record(4, [])
    made.ledger.record(ACCESSION)
    return made


def events(shelf: Shelf) -> list[str]:
    """Return the kinds of all records."""
    return [entry.event.kind for entry in Journal(shelf.directory).entries()]


def last(shelf: Shelf) -> Entry:
    """Return the last record."""
    return list(Journal(shelf.directory).entries())[-1]


def damaged(shelf: Shelf, change: Callable[[bytes], bytes]) -> SimulatedJournalDirectory:
    """Return the journal in one file, changed."""
    content = b"".join(shelf.directory.contents().values())
    return SimulatedJournalDirectory.holding({file_name(1): change(content)})


def test_a_new_shelf_begins_with_one_record() -> None:
    """I5: both stores empty is a new shelf, and the journal says with which program."""
    shelf = Shelf()
    shelf.ledger.open()
    shelf.ledger.open()

    assert events(shelf) == ["journal-opened"]
    assert isinstance(last(shelf).event, JournalOpened)


def test_what_is_recorded_is_in_both_stores(shelf: Shelf) -> None:
    """I5: the catalogue carries number and digest of the last record, and reads go to it."""
    entry = shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))

    assert last(shelf) == entry
    assert shelf.catalogue.head() == (entry.sequence, entry.digest)
    assert shelf.ledger.drive(ACCESSION.drive).title == "Charts"
    assert [card.number for card in shelf.ledger.drives()] == [ACCESSION.drive]


def test_the_lock_is_held_while_recording(shelf: Shelf) -> None:
    """Two processes at once would give two records one number."""
    lock = shelf.ledger._lock
    seen: list[bool] = []
    write = shelf.directory.write

    def watched(name: str, start: int, data: bytes) -> None:
        seen.append(lock.is_held)  # type: ignore[attr-defined]
        write(name, start, data)

    shelf.directory.write = watched  # type: ignore[method-assign]
    shelf.ledger.record(note(1))

    assert seen == [True]


def test_nothing_is_recorded_before_opening(shelf: Shelf) -> None:
    """I5: the two stores are brought together before anything is added."""
    ledger = shelf.restart()

    assert ledger.drive(ACCESSION.drive).number == ACCESSION.drive
    with pytest.raises(InvariantBrokenError, match="opened before"):
        ledger.record(note(1))


def test_an_event_that_cannot_be_added_up_never_reaches_the_journal(shelf: Shelf) -> None:
    """I5: a record that no catalogue takes would keep the shelf shut for ever."""
    before = shelf.directory.contents()
    with pytest.raises(InvariantBrokenError):
        shelf.ledger.record(CardCorrected(drive=DriveNumber("K99"), title="x"))

    assert shelf.directory.contents() == before
    shelf.ledger.record(note(1))


def test_a_record_that_the_catalogue_missed_is_applied_at_the_next_opening(shelf: Shelf) -> None:
    """I5: journal ahead by the interrupted act; nothing else is written."""
    held = shelf.catalogue.snapshot()
    shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))
    before = events(shelf)
    ledger = shelf.restart()
    shelf.catalogue.restore(held)
    ledger.open()

    assert ledger.drive(ACCESSION.drive).title == "Charts"
    assert events(shelf) == before


def test_a_catalogue_that_cannot_be_written_latches_the_ledger(shelf: Shelf) -> None:
    """I5: with the journal ahead no further record is taken until it was opened again."""
    shelf.fault(Faults(fail_at=5, cause="ENOSPC"))  # create, its name, write, sync, commit
    with pytest.raises(RecordFailedError, match="ENOSPC before committing"):
        shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))
    written = events(shelf)
    with pytest.raises(RecordFailedError, match="is in the journal, but the catalogue did not"):
        shelf.ledger.record(note(1))

    assert events(shelf) == written
    shelf.ledger.open()
    assert shelf.ledger.drive(ACCESSION.drive).title == "Charts"
    shelf.ledger.record(note(2))


@pytest.mark.parametrize("count", [2, 3, 1200])
def test_an_old_catalogue_is_brought_up_and_it_is_noted(shelf: Shelf, count: int) -> None:
    """I5: every missing record is applied, in order, before anything else happens."""
    old = shelf.catalogue.snapshot()
    for number in range(count - 1):
        shelf.ledger.record(note(3 * number))
    shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))
    ledger = shelf.restart()
    shelf.catalogue.restore(old)
    ledger.open()

    assert ledger.drive(ACCESSION.drive).title == "Charts"
    assert last(shelf).event == CatalogueBroughtUp(from_sequence=6, to_sequence=6 + count)
    assert shelf.catalogue.head() == (last(shelf).sequence, last(shelf).digest)


def test_a_lost_catalogue_is_brought_up_from_nothing(shelf: Shelf) -> None:
    """I5: an empty catalogue beside a full journal gets everything back."""
    shelf.restart()
    shelf.held = None
    shelf.start().open()

    assert shelf.ledger.drive(ACCESSION.drive).title == ACCESSION.title
    assert last(shelf).event == CatalogueBroughtUp(from_sequence=0, to_sequence=6)


@pytest.mark.parametrize("left", [1, 3, 5])
def test_a_truncated_journal_is_refused_in_clear_words(shelf: Shelf, left: int) -> None:
    """I5: journal behind the catalogue means records were cut off."""
    directory = damaged(shelf, lambda all_: b"".join(all_.splitlines(keepends=True)[:left]))
    ledger = shelf.restart(directory)
    with pytest.raises(JournalTruncatedError, match=f"records {left + 1} to 6 are missing at the"):
        ledger.open()
    with pytest.raises(JournalTruncatedError):
        ledger.check()

    assert ledger.drive(ACCESSION.drive).number == ACCESSION.drive


def test_a_lost_journal_is_refused_in_clear_words(shelf: Shelf) -> None:
    """I5: a catalogue with records beside an empty journal is no new shelf."""
    ledger = shelf.restart(SimulatedJournalDirectory())
    with pytest.raises(CatalogueAheadError, match="the journal is empty"):
        ledger.open()

    assert shelf.directory.names() == ()


def test_the_journal_of_another_shelf_is_refused(shelf: Shelf) -> None:
    """I5: same length, other digests."""
    other = Shelf()
    other.clock.sleep(3600)
    other.record(5, [])
    ledger = shelf.restart(other.directory)

    with pytest.raises(JournalDamagedError, match="record 6 of the journal is not the one"):
        ledger.open()


def test_a_longer_journal_of_another_shelf_is_refused(shelf: Shelf) -> None:
    """I5: the catalogue's head must stand in the journal before what follows is applied."""
    other = Shelf()
    other.clock.sleep(3600)
    other.record(9, [])
    ledger = shelf.restart(other.directory)

    with pytest.raises(JournalDamagedError, match="record 6 of the journal is not the one"):
        ledger.open()
    assert shelf.catalogue.head() == (shelf.held and shelf.held.head)


def test_an_edited_record_is_not_brought_up(shelf: Shelf) -> None:
    """I5: only verified records are applied to a catalogue."""
    directory = damaged(shelf, lambda all_: all_.replace(b'"said_by":"3', b'"said_by":"4'))
    shelf.restart(directory)
    shelf.held = None

    with pytest.raises(JournalDamagedError, match="record 5 is damaged"):
        shelf.start().open()


def test_a_record_edited_with_a_new_digest_is_not_brought_up(shelf: Shelf) -> None:
    """I5: the link of the next record gives it away."""
    entries = list(Journal(shelf.directory).entries())
    entries[3] = resealed(entries[3], note(77))
    content = b"".join(map(encode, entries))
    shelf.restart(damaged(shelf, lambda _: content))
    shelf.held = None

    with pytest.raises(JournalDamagedError, match="record 5 does not go on from record 4"):
        shelf.start().open()


def test_a_torn_line_is_noted_in_the_record(shelf: Shelf) -> None:
    """I5: what a power cut tore is kept aside, and the journal says so."""
    ledger = shelf.restart(damaged(shelf, lambda all_: all_ + b'{"at":"2031'))
    ledger.open()
    event = last(shelf).event

    assert isinstance(event, TornLineKept)
    assert event.length_bytes == len(b'{"at":"2031')
    assert shelf.directory.kept == {event.file.removeprefix("torn/"): b'{"at":"2031'}
    assert shelf.verified().problems == ()


def test_a_line_torn_by_another_process_is_mended_at_the_next_record(shelf: Shelf) -> None:
    """I6: a process killed in mid-write does not stop the one that runs on."""
    name = shelf.directory.names()[-1]
    shelf.directory.write(name, shelf.directory.size_bytes(name), b'{"at":')
    shelf.ledger.record(note(1))

    assert events(shelf)[-2:] == ["torn-line-kept", "clock-attested"]


def test_two_ledgers_over_one_shelf_take_turns(shelf: Shelf) -> None:
    """I5: each sees what the other recorded, and no number is given twice."""
    other = ShelfLedger(
        Journal(shelf.directory, 700), shelf.catalogue, shelf.clock, shelf.ledger._lock, LEAP_MAX
    )
    other.open()
    for number in range(10):
        (shelf.ledger, other)[number % 2].record(note(number))

    assert shelf.verified().problems == ()
    assert last(shelf).sequence == 16


def test_a_clock_behind_the_record_stops_all_dating(shelf: Shelf) -> None:
    """I4: nothing is written until somebody looked at the clock."""
    before = shelf.directory.contents()
    shelf.clock.time = last(shelf).at - CLOCK_BEHIND_MAX - timedelta(seconds=1)
    with pytest.raises(ClockError, match="the clock is behind; set the clock, or attest"):
        shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))

    assert shelf.directory.contents() == before
    assert "behind" in shelf.ledger.clock_doubt()


def test_a_clock_far_ahead_of_the_record_stops_all_dating(shelf: Shelf) -> None:
    """I4: a clock that leapt would make every date newer than the truth."""
    before = shelf.directory.contents()
    shelf.clock.time = last(shelf).at + LEAP_MAX + timedelta(seconds=1)
    with pytest.raises(ClockError, match="more than 400 days ahead"):
        shelf.ledger.record(ACCESSION)

    assert shelf.directory.contents() == before


@pytest.mark.parametrize("off", [-CLOCK_BEHIND_MAX, timedelta(0), LEAP_MAX])
def test_a_clock_within_bounds_is_believed(shelf: Shelf, off: timedelta) -> None:
    """I4: a record has the time that the clock says, never a newer one."""
    shelf.clock.time = last(shelf).at + off
    entry = shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))

    assert entry.at == shelf.clock.time
    assert shelf.ledger.clock_doubt() == ""


@pytest.mark.parametrize("off", [timedelta(days=-900), timedelta(days=9000)])
def test_attesting_the_clock_lets_the_record_go_on(shelf: Shelf, off: timedelta) -> None:
    """I4: a person looked; from there on the clock counts anew."""
    shelf.clock.time += off
    entry = shelf.ledger.attest("keeper of the store room")
    shelf.ledger.record(CardCorrected(drive=ACCESSION.drive, title="Charts"))

    assert entry.at == shelf.clock.time


@pytest.mark.parametrize("off", [timedelta(days=-900), timedelta(days=9000)])
def test_opening_notes_with_a_doubtful_clock_are_older_than_the_truth(
    shelf: Shelf, off: timedelta
) -> None:
    """I4: what the opening writes down has the last record's time, and lifts no doubt."""
    before = last(shelf).at
    ledger = shelf.restart(damaged(shelf, lambda all_: all_ + b"{"))
    shelf.clock.time += off
    ledger.open()

    assert isinstance(last(shelf).event, TornLineKept)
    assert last(shelf).at == before
    with pytest.raises(ClockError):
        ledger.record(ACCESSION)


def test_reading_writes_nothing(shelf: Shelf) -> None:
    """`shelf`, `journal show` and `journal verify` leave a damaged state as it is."""
    directory = damaged(shelf, lambda all_: all_.replace(b'"said_by":"1', b'"said_by":"9') + b"{")
    ledger = shelf.restart(directory)
    shelf.fault(Faults(fail_at=1, for_ever=True))

    assert ledger.drives()
    ledger.check()
    found = shelf.verified()
    assert [(p.what.value, p.first) for p in found.problems] == [
        ("edited", 3),
        ("torn by a power cut", 7),
    ]
    assert shelf.faults.calls == 0


def test_chained_builds_on_a_real_head(shelf: Shelf) -> None:
    """A record appended by anybody who knows the head is taken for an interrupted act.

    The chain proves that nothing was changed; it does not prove who wrote the last record.
    """
    (foreign,) = chained([note(5)], last(shelf))
    Journal(shelf.directory).append(foreign)
    shelf.restart().open()

    assert shelf.catalogue.head() == (foreign.sequence, foreign.digest)
