"""The journal as the archivist reads it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from refreshd.adapters.export import Exported
from refreshd.errors import UsageError
from refreshd.events import ChunksProved, DigestsRecorded, Entry, Event, ProvingCheckpoint
from refreshd.quantities import DriveNumber
from refreshd.wiring.shelf import (
    JournalVerified,
    export_shelf,
    journal_for_reading,
    verify_journal,
)
from refreshd.wiring.station import Station

LAST_MAX = 1_000_000
"""So many records fit into memory; without a number they are told one by one."""


@dataclass(frozen=True, slots=True)
class JournalWish:
    """Which entries are wanted. `last`: only so many, the newest ones."""

    number: DriveNumber | None = None
    last: int | None = None
    with_checkpoints: bool = False


def show_journal(station: Station, wish: JournalWish) -> Iterator[Entry]:
    """Yield the wanted entries, oldest first, each one verified."""
    refuse_too_many(wish)
    with journal_for_reading(station) as journal:
        wanted = (entry for entry in journal.entries() if _is_wanted(entry, wish))
        if wish.last is not None:
            yield from deque(wanted, maxlen=wish.last)
        else:
            yield from wanted


def refuse_too_many(wish: JournalWish) -> None:
    """Raise UsageError where no such number of records can be told."""
    if wish.last is not None and not 1 <= wish.last <= LAST_MAX:
        raise UsageError(f"--last: from 1 to {LAST_MAX} records")


def _is_wanted(entry: Entry, wish: JournalWish) -> bool:
    if wish.number is not None and entry.event.drive != wish.number:
        return False
    return wish.with_checkpoints or not _is_mere_checkpoint(entry.event)


def _is_mere_checkpoint(event: Event) -> bool:
    """Say whether a record tells only how far something is, and nothing that was found."""
    if isinstance(event, ProvingCheckpoint):
        return not (event.results or event.note)
    return isinstance(event, ChunksProved | DigestsRecorded)


def check_journal(station: Station) -> JournalVerified:
    """Verify the journal. Writes nothing."""
    return verify_journal(station)


def export_copy(station: Station, target: Path) -> Exported:
    """Copy catalogue and journal, verified, to a directory that can be kept elsewhere."""
    return export_shelf(station, target.absolute())
