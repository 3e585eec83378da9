"""Journal, catalogue and ledger of one state directory, for reading or for writing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from refreshd.adapters.export import Exported, Sources, export
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.shelf_lock import WAIT_S_MAX, FlockShelfLock
from refreshd.adapters.state_directory import look_at_state_directory, make_state_directory
from refreshd.durations import add
from refreshd.errors import CatalogueError, UsageError
from refreshd.journal import Journal
from refreshd.ledger import ShelfLedger
from refreshd.ports import CatalogueStore
from refreshd.verification import Verification, verify
from refreshd.wiring.media import refuse_unwritable_name
from refreshd.wiring.station import Station

CATALOGUE = "catalogue.sqlite"
JOURNAL = "journal"
LOCK = "shelf.lock"
LOCKS = "locks"


@dataclass(frozen=True, slots=True)
class Shelf:
    """All drives in care, as far as one state directory knows them."""

    ledger: ShelfLedger
    journal: Journal


@contextmanager
def _catalogue(state: Path, *, is_reading: bool) -> Iterator[CatalogueStore]:
    # SQLAlchemy costs half of the time that a verb takes to start, and many need no catalogue.
    from refreshd.adapters.catalogue import SqliteCatalogue  # noqa: PLC0415

    path = state / CATALOGUE
    opened = SqliteCatalogue.for_reading(path) if is_reading else SqliteCatalogue.for_writing(path)
    with opened as catalogue:
        yield catalogue


@contextmanager
def shelf_for_writing(station: Station, lock_wait_s: float = WAIT_S_MAX) -> Iterator[Shelf]:
    """Open the shelf so that events can be recorded; make it if there is none.

    Each record waits at most `lock_wait_s` seconds for another process that records something.
    """
    refuse_unwritable_name(str(station.state))
    make_state_directory(station.state)
    with ExitStack() as opened:
        directory = FileJournalDirectory.made_at(station.state / JOURNAL)
        opened.callback(directory.close)
        catalogue = opened.enter_context(_catalogue(station.state, is_reading=False))
        shelf = _joined(station, Journal(directory), catalogue, lock_wait_s)
        shelf.ledger.open()
        yield shelf


@contextmanager
def shelf_for_reading(station: Station) -> Iterator[Shelf]:
    """Open the shelf without writing anything; an empty one where there is none.

    What makes the answer less than it seems is told: a wrong directory, an old catalogue.
    """
    if not look_at_state_directory(station.state):
        station.attendant.said(f"There is no record in {station.state} yet.")
    with _catalogue(station.state, is_reading=True) as catalogue:
        shelf = _joined(station, _journal_for_reading(station.state), catalogue)
        shelf.ledger.check()
        behind = shelf.ledger.records_behind()
        if behind > 1:
            station.attendant.said(
                f"The catalogue is an old copy: it lacks the last {behind} records of the "
                "journal, and what is told here is as old. The next pass brings it up."
            )
        yield shelf


@contextmanager
def journal_for_reading(station: Station) -> Iterator[Journal]:
    """Open the journal alone, whatever state the catalogue is in."""
    look_at_state_directory(station.state)
    yield _journal_for_reading(station.state)


@dataclass(frozen=True, slots=True)
class JournalVerified:
    """What the journal was found to be. `unasked` says why the catalogue could not vouch."""

    verification: Verification
    unasked: str = ""


def verify_journal(station: Station) -> JournalVerified:
    """
    Verify the whole journal against the head that the catalogue knows. Writes nothing.

    Raises:
        UsageError: There is no journal and nobody knows of one: a wrong directory, or a disk that
            was not mounted, must not pass for a journal that was found whole.

    """
    look_at_state_directory(station.state)
    head, unasked = None, ""
    try:
        with _catalogue(station.state, is_reading=True) as catalogue:
            head = catalogue.head()
    except CatalogueError as err:
        unasked = str(err)
    found = verify(_journal_for_reading(station.state).lines(), head)
    if not (found.records or found.problems or unasked):
        raise UsageError(
            f"{station.state}: there is no journal to verify; name the right state directory "
            "with --state"
        )
    return JournalVerified(found, unasked)


def export_shelf(station: Station, target: Path) -> Exported:
    """Copy catalogue and journal to a new or empty directory, also while a pass runs."""
    refuse_unwritable_name(str(target))
    look_at_state_directory(station.state)
    sources = Sources(station.state, station.state / CATALOGUE, station.state / JOURNAL)
    lock = FlockShelfLock(station.state / LOCK, station.clock)
    return export(sources, target, lock, station.clock.now())


class _AbsentDirectory(FileJournalDirectory):
    """A journal directory that is not there: reading an empty shelf makes nothing."""

    def names(self) -> tuple[str, ...]:
        """Return none."""
        return ()


def _journal_for_reading(state: Path) -> Journal:
    path = state / JOURNAL
    return Journal(FileJournalDirectory(path) if path.exists() else _AbsentDirectory(path))


def _joined(
    station: Station,
    journal: Journal,
    catalogue: CatalogueStore,
    lock_wait_s: float = WAIT_S_MAX,
) -> Shelf:
    lock = FlockShelfLock(station.state / LOCK, station.clock, lock_wait_s)
    today = station.clock.now().date()
    leap: timedelta = add(today, station.policy.policy.clock.leap_max) - today
    return Shelf(ShelfLedger(journal, catalogue, station.clock, lock, leap), journal)
