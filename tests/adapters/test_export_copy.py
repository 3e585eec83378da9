"""The export: a consistent copy of catalogue and journal, also while somebody records."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from refreshd.adapters import export as module
from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.export import Exported, Sources, export
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.adapters.system_clock import SystemClock
from refreshd.errors import (
    CatalogueDamagedError,
    JournalTruncatedError,
    RecordFailedError,
    UsageError,
)
from refreshd.events import Event
from refreshd.journal import Journal
from refreshd.ledger import ShelfLedger
from refreshd.quantities import MIB, PassKind
from refreshd.simulated.clock import SimulatedClock
from tests.builders import K07, begun, opened, proved, taken_in
from tests.loops import attached, mounted, need, run

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


@contextmanager
def recording(state: Path) -> Iterator[ShelfLedger]:
    """Open a real journal and catalogue for recording."""
    state.mkdir(exist_ok=True)
    directory = FileJournalDirectory.made_at(state / "journal")
    clock = SimulatedClock()
    lock = FlockShelfLock(state / "shelf.lock", clock)
    with SqliteCatalogue.for_writing(state / "catalogue.sqlite") as catalogue:
        journal = Journal(directory, rotate_bytes=20_000)
        ledger = ShelfLedger(journal, catalogue, clock, lock, timedelta(days=400))
        ledger.open()
        yield ledger
    directory.close()


def record_for_ever(state: Path) -> None:
    """Record until killed; run in a process of its own."""
    with recording(state) as ledger:
        refresh = begun(2, PassKind.REFRESH)
        ledger.record(refresh)
        turn = 0
        while True:
            turn += 1
            SystemClock().sleep(0.01)  # a pass reads and writes between its records
            ledger.record(proved(refresh, turn % 300, 4, date(2026, 4, 2)))
            if turn % 5 == 0:
                ledger.record(opened(turn, turn % 300))


def sources(state: Path) -> Sources:
    """Return what is exported from a state directory."""
    return Sources(state, state / "catalogue.sqlite", state / "journal")


def lock_of(state: Path) -> AbstractContextManager[object]:
    """Return the lock of the shelf; it really waits, for another process may hold it."""
    return FlockShelfLock(state / "shelf.lock", SystemClock())


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Return a state directory with some record in it."""
    place = tmp_path / "state"
    with recording(place) as ledger:
        events: list[Event] = [*taken_in(1200), opened(1, 5), opened(2, 900)]
        for event in events:
            ledger.record(event)
    return place


def make(state: Path, target: Path) -> Exported:
    """Export as a command does."""
    return export(sources(state), target, lock_of(state), NOW)


def restored_answers(state: Path) -> object:
    """Return what a state directory knows, once it is opened for recording."""
    with recording(state) as ledger:
        return ledger.drives(), ledger.findings(), ledger.digests(K07, 0, 1200)


def test_an_export_is_a_whole_copy_that_works(state: Path, tmp_path: Path) -> None:
    """I7: put in the place of a lost state directory, it knows the same."""
    before = restored_answers(state)
    done = make(state, tmp_path / "away")
    shutil.rmtree(state)
    state.mkdir()
    shutil.copy(tmp_path / "away" / "catalogue.sqlite", state)
    shutil.copytree(tmp_path / "away" / "journal", state / "journal")

    assert restored_answers(state) == before
    assert done.verification.is_untouched
    assert done.verification.problems == ()
    assert done.last_record == done.records == 7
    assert len(list((state / "journal").iterdir())) > 1  # rotated files are all there


def test_an_export_is_checked_with_coreutils_alone(state: Path, tmp_path: Path) -> None:
    """I7: sha256sum accepts the manifest, names every file in it, and finds a changed one."""
    away = tmp_path / "away"
    make(state, away)
    words = ["sha256sum", "--check", "--strict", "manifest-sha256.txt"]
    good = subprocess.run(words, cwd=away, capture_output=True, text=True, check=True)
    listed = {line.split(": ")[0] for line in good.stdout.splitlines()}
    there = {str(path.relative_to(away)) for path in away.rglob("*") if path.is_file()}

    assert listed == there - {"manifest-sha256.txt"}

    with (away / "catalogue.sqlite").open("r+b") as file:
        file.seek(5000)
        file.write(b"\x55")
    assert subprocess.run(words, cwd=away, capture_output=True, check=False).returncode == 1


@pytest.mark.root
def test_an_export_can_be_made_from_a_disk_that_turned_read_only(
    state: Path, tmp_path: Path
) -> None:
    """I7: a failing disk is what the record must be saved from; nothing is written there."""
    disk = tmp_path / "disk.img"
    disk.touch()
    os.truncate(disk, 32 * MIB)
    need("mkfs.ext4")
    run("mkfs.ext4", "-q", disk)
    point = tmp_path / "point"
    point.mkdir()
    with attached(disk) as node:
        with mounted(node, point):
            shutil.copytree(state, point / "state")
        with mounted(node, point, "-o", "ro"):
            done = make(point / "state", tmp_path / "away")

    assert (done.verification.is_untouched, done.records) == (True, 7)


def test_an_export_explains_itself(state: Path, tmp_path: Path) -> None:
    """I7: a successor who finds only this directory knows what it is and how to use it."""
    make(state, tmp_path / "away")
    text = (tmp_path / "away" / "README.txt").read_text()

    assert "7 records" in text
    assert "sha256sum -c manifest-sha256.txt" in text
    assert "journal verify" in text
    assert "2026-05-01 12:00 UTC" in text


def test_the_explained_ways_to_check_need_no_refreshd(state: Path, tmp_path: Path) -> None:
    """I7: what README.txt says of lines and digests is true, word for word."""
    make(state, tmp_path / "away")
    text = (tmp_path / "away" / "README.txt").read_text()
    (shell,) = (line.strip() for line in text.splitlines() if "sha256sum" in line and "sed" in line)
    (file,) = sorted((tmp_path / "away" / "journal").glob("*.jsonl"))[:1]
    query = text[text.index("SELECT") : text.index('"', text.index("digest_rows.row"))]

    line = file.read_bytes().splitlines()[1]
    said = subprocess.run(
        ["sh", "-c", shell.replace("5p", "2p").replace("FILE", str(file))],
        capture_output=True,
        text=True,
        check=True,
    )
    with closing(sqlite3.connect(tmp_path / "away" / "catalogue.sqlite")) as connection:
        (digest,) = connection.execute(query).fetchone()
    with SqliteCatalogue.for_reading(state / "catalogue.sqlite") as catalogue:
        recorded = catalogue.digests(K07, 5, 1)

    assert said.stdout.split()[0] == json.loads(line)["digest"]
    assert bytes.fromhex(digest) == recorded


def test_the_copied_catalogue_is_one_plain_file(state: Path, tmp_path: Path) -> None:
    """It can be read from a write-protected medium, where SQLite could make no other file."""
    with recording(state):
        make(state, tmp_path / "away")
    names = {path.name for path in (tmp_path / "away").iterdir()}

    assert names == {"README.txt", "catalogue.sqlite", "journal", "manifest-sha256.txt"}
    header = (tmp_path / "away" / "catalogue.sqlite").read_bytes()[18:20]
    assert header == b"\x01\x01"  # no WAL. Source: sqlite.org/fileformat2.html section 1.3.3


def test_exports_are_consistent_while_another_process_records(state: Path, tmp_path: Path) -> None:
    """I5: each copy is the record of one instant, with all that was recorded before it began."""
    program = (
        "import sys; from pathlib import Path;"
        "sys.path.insert(0, sys.argv[2]);"
        "from tests.adapters.test_export_copy import record_for_ever;"
        "record_for_ever(Path(sys.argv[1]))"
    )
    root = str(Path(__file__).parents[2])
    recorder = subprocess.Popen([sys.executable, "-c", program, str(state), root])
    try:
        wait_for_record(state, 20, recorder)
        records = []
        for turn in range(5):
            before = last_record(state)
            done = make(state, tmp_path / f"away-{turn}")
            after = last_record(state)

            assert done.verification.is_untouched
            assert done.verification.problems == ()
            assert done.last_record is not None
            assert before <= done.last_record <= after
            assert done.records == done.last_record
            records.append(done.records)
    finally:
        recorder.kill()
        recorder.wait()

    assert records == sorted(set(records)), "somebody recorded all the while"


def last_record(state: Path) -> int:
    """Return the number of the last record in the catalogue."""
    with SqliteCatalogue.for_reading(state / "catalogue.sqlite") as catalogue:
        head = catalogue.head()
    return 0 if head is None else head[0]


def wait_for_record(state: Path, number: int, recorder: subprocess.Popen[bytes]) -> None:
    """Return once the other process has recorded so much."""
    while last_record(state) < number:
        assert recorder.poll() is None, "the recorder ended"


def test_the_lock_is_held_for_an_instant_only(state: Path, tmp_path: Path) -> None:
    """A pass need not wait until gigabytes are copied."""
    held: list[bool] = []

    @contextmanager
    def watched() -> Iterator[None]:
        held.append(True)
        yield
        held.append(False)

    def copied(*_: object) -> None:
        assert held == [True, False]
        raise RecordFailedError("seen")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_copy_part", copied)
        with pytest.raises(RecordFailedError, match="seen"):
            export(sources(state), tmp_path / "away", watched(), NOW)


def test_what_is_recorded_after_the_instant_is_not_in_the_copy(state: Path, tmp_path: Path) -> None:
    """I5: catalogue and journal are of the same instant, however long the copying takes."""

    @contextmanager
    def then_recording() -> Iterator[None]:
        with lock_of(state):
            yield
        with recording(state) as ledger:
            for number in range(3, 60):
                ledger.record(opened(number, number))

    done = export(sources(state), tmp_path / "away", then_recording(), NOW)

    assert done.records == done.last_record == 7
    assert last_record(state) == 64


def test_a_directory_that_is_not_empty_is_refused(state: Path, tmp_path: Path) -> None:
    """An earlier export is not written over."""
    (tmp_path / "away").mkdir()
    (tmp_path / "away" / "letter.txt").write_text("dear successor")
    with pytest.raises(UsageError, match="not empty"):
        make(state, tmp_path / "away")

    assert [path.name for path in (tmp_path / "away").iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("inside", [".", "copies", "copies/of/today"])
def test_an_export_into_the_state_directory_is_refused(state: Path, inside: str) -> None:
    """A copy beside the original is lost together with it."""
    with pytest.raises(UsageError, match="lies in the state directory"):
        make(state, state / inside)
    assert not (state / "copies").exists()


def test_a_link_into_the_state_directory_is_seen_through(state: Path, tmp_path: Path) -> None:
    """Another name does not make it another place."""
    (tmp_path / "link").symlink_to(state)
    with pytest.raises(UsageError, match="lies in the state directory"):
        make(state, tmp_path / "link" / "copies")


def test_nothing_to_export_is_said(tmp_path: Path) -> None:
    """An empty copy would give false comfort."""
    with pytest.raises(UsageError, match="no catalogue to export"):
        make(tmp_path / "state", tmp_path / "away")
    assert not (tmp_path / "away").exists()


def test_a_truncated_journal_is_not_exported_as_if_whole(state: Path, tmp_path: Path) -> None:
    """I5: a copy whose catalogue knows more than its journal is no consistent copy."""
    last = max((state / "journal").glob("*.jsonl"))
    lines = last.read_bytes().splitlines(keepends=True)
    last.write_bytes(b"".join(lines[:-1]))
    with pytest.raises(JournalTruncatedError, match="contains record 7"):
        make(state, tmp_path / "away")

    assert list((tmp_path / "away").iterdir()) == []


def test_an_edited_journal_is_copied_and_told(state: Path, tmp_path: Path) -> None:
    """The evidence of an edit is worth keeping, and the export does not hide it."""
    first = min((state / "journal").glob("*.jsonl"))
    content = first.read_bytes()
    first.write_bytes(content.replace(b"harbour", b"habrour", 1))
    done = make(state, tmp_path / "away")

    assert not done.verification.is_untouched
    assert (tmp_path / "away" / "journal" / first.name).read_bytes() == first.read_bytes()


def test_a_damaged_catalogue_is_not_exported(state: Path, tmp_path: Path) -> None:
    """A damaged copy must not take the place of a good earlier one."""
    catalogue = state / "catalogue.sqlite"
    os.truncate(catalogue, catalogue.stat().st_size // 2 // 4096 * 4096)
    with pytest.raises(CatalogueDamagedError):
        make(state, tmp_path / "away")


def test_a_full_disk_leaves_nothing_that_looks_like_an_export(
    state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """I6: an export that could not be finished is no export."""

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(module, "_sync", full)
    with pytest.raises(RecordFailedError, match="ENOSPC"):
        make(state, tmp_path / "away")

    assert list((tmp_path / "away").iterdir()) == []


def test_every_file_and_directory_of_an_export_is_synced(
    state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """I6: a copy that is reported as made survives a power cut."""
    synced: set[Path] = set()
    sync: Callable[[Path], None] = module._sync

    def noting(path: Path) -> None:
        synced.add(path)
        sync(path)

    monkeypatch.setattr(module, "_sync", noting)
    away = tmp_path / "away"
    make(state, away)

    assert synced == {away, tmp_path, *away.rglob("*")}


def test_bytes_that_were_kept_aside_are_exported_too(state: Path, tmp_path: Path) -> None:
    """What a power cut tore is evidence; the journal's record of it names the file."""
    last = max((state / "journal").glob("*.jsonl"))
    with last.open("ab") as file:
        file.write(b'{"at":"2026-')
    with recording(state):
        pass
    make(state, tmp_path / "away")
    pieces = list((tmp_path / "away" / "journal" / "torn").iterdir())

    assert [piece.read_bytes() for piece in pieces] == [b'{"at":"2026-']


def test_the_snapshot_of_the_catalogue_is_in_the_backup(state: Path, tmp_path: Path) -> None:
    """SQLite copies from the open snapshot, not from what was written since."""
    snapshot = module._snapshot(state / "catalogue.sqlite")
    with recording(state) as ledger:
        ledger.record(opened(3, 30))
    with closing(snapshot):
        module._copy_catalogue(snapshot, tmp_path / "copy")
    with closing(sqlite3.connect(tmp_path / "copy")) as copy:
        assert copy.execute("SELECT sequence FROM journal_head").fetchone() == (7,)
