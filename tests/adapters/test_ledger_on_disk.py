"""The ledger over the real journal, the real catalogue and the real lock."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from refreshd.adapters.catalogue.store import SqliteCatalogue
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.adapters.system_clock import SystemClock
from refreshd.errors import JournalTruncatedError
from refreshd.events import CardCorrected, CatalogueBroughtUp
from refreshd.journal import Journal, file_name
from refreshd.ledger import ShelfLedger
from refreshd.verification import verify
from tests.builders import K07, taken_in

RECORD = """
import os, sys
from tests.adapters.test_ledger_on_disk import Station
from refreshd.events import CardCorrected

state, who, count, dies_at = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
station = Station(state)
print("ready", flush=True)
sys.stdin.readline()
if dies_at == "append":
    append = station.journal.append
    def dying(entry):
        append(entry)
        os._exit(9)  # as kill -9 between the journal and the catalogue
    station.journal.append = dying
station.ledger.open()
for number in range(count):
    entry = station.ledger.record(CardCorrected(drive="K07", title=f"{who} {number}"))
    print(entry.sequence, entry.digest, flush=True)
"""


class Station:
    """A process over one state directory."""

    def __init__(self, state: Path | str) -> None:
        state = Path(state)
        clock = SystemClock()
        self.directory = FileJournalDirectory.made_at(state / "journal")
        self.journal = Journal(self.directory, rotate_bytes=4000)
        self.catalogue = SqliteCatalogue.for_writing(state / "catalogue.sqlite")
        lock = FlockShelfLock(state / "lock", clock)
        self.ledger = ShelfLedger(self.journal, self.catalogue, clock, lock, timedelta(days=400))

    def close(self) -> None:
        """End as a process does."""
        self.directory.close()
        self.catalogue.close()

    def problems(self) -> list[str]:
        """Return what verification says."""
        found = verify(Journal(self.directory).lines(), self.catalogue.head())
        return [str(problem) for problem in found.problems]


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Give a state directory with one drive in care."""
    station = Station(tmp_path)
    station.ledger.open()
    for event in taken_in(40):
        station.ledger.record(event)
    station.close()
    return tmp_path


def other(state: Path, who: str, count: int, dies_at: str = "") -> subprocess.Popen[str]:
    """Start another process that records, once it is told to."""
    process = subprocess.Popen(
        [sys.executable, "-c", RECORD, str(state), who, str(count), dies_at],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def test_two_processes_record_on_one_shelf(state: Path) -> None:
    """I5: with the real lock no number is given twice and no record is lost."""
    processes = [other(state, who, 60) for who in ("north", "south")]
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    told = [line.split() for process in processes for line in process.communicate()[0].splitlines()]
    station = Station(state)
    station.ledger.open()
    entries = list(station.journal.entries())

    assert [process.returncode for process in processes] == [0, 0]
    assert len(told) == 120
    written = {(str(entry.sequence), entry.digest) for entry in entries}
    assert {(sequence, digest) for sequence, digest in told} <= written
    assert len(entries) == 5 + 120
    assert station.problems() == []
    assert len(station.directory.names()) > 5
    station.close()


def test_a_process_killed_between_journal_and_catalogue_loses_nothing(state: Path) -> None:
    """I5: the record is durable, the next opening applies it, and nothing else is written."""
    process = other(state, "west", 1, "append")
    process.communicate("\n")
    station = Station(state)

    assert process.returncode == 9
    assert station.ledger.drive(K07).title != "west 0"
    station.ledger.open()
    assert station.ledger.drive(K07).title == "west 0"
    head = station.journal.head()
    assert head is not None
    assert isinstance(head.event, CardCorrected)
    assert station.problems() == []
    station.close()


def test_an_older_copy_of_the_catalogue_is_brought_up(state: Path) -> None:
    """I5: a catalogue restored from last week gets what it lacks from the journal."""
    catalogue = state / "catalogue.sqlite"
    shutil.copy(catalogue, state / "old")
    station = Station(state)
    station.ledger.open()
    for number in range(20):
        station.ledger.record(CardCorrected(drive=K07, title=f"Charts {number}"))
    station.close()
    for file in state.glob("catalogue.sqlite*"):
        file.unlink()
    shutil.copy(state / "old", catalogue)
    station = Station(state)
    station.ledger.open()
    head = station.journal.head()

    assert station.ledger.drive(K07).title == "Charts 19"
    assert head is not None
    assert head.event == CatalogueBroughtUp(from_sequence=5, to_sequence=25)
    assert station.problems() == []
    station.close()


def test_a_lost_catalogue_file_is_made_again(state: Path) -> None:
    """I5: the catalogue is what the journal adds up to."""
    before = Station(state)
    cards, digests = before.ledger.drives(), before.ledger.digests(K07, 0, 40)
    before.close()
    for file in state.glob("catalogue.sqlite*"):
        file.unlink()
    station = Station(state)
    station.ledger.open()

    assert station.ledger.drives() == cards
    assert station.ledger.digests(K07, 0, 40) == digests
    station.close()


def test_a_truncated_journal_is_refused(state: Path) -> None:
    """I5: the catalogue knows of records that are gone."""
    file = state / "journal" / file_name(1)
    file.write_bytes(b"".join(file.read_bytes().splitlines(keepends=True)[:3]))
    station = Station(state)

    with pytest.raises(JournalTruncatedError, match="records 4 to 5 are missing at the end"):
        station.ledger.open()
    station.close()
