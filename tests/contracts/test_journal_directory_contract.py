"""What every journal directory does, the real one and the simulated one alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.errors import RecordFailedError
from refreshd.journal import Journal, file_name
from refreshd.ports import JournalDirectory
from refreshd.simulated.journal_directory import SimulatedJournalDirectory
from tests.journals import some_entries

FIRST = file_name(1)


@pytest.fixture(params=["file", "simulated"])
def directory(request: pytest.FixtureRequest, tmp_path: Path) -> JournalDirectory:
    """Give each kind of directory, empty."""
    if request.param == "file":
        return FileJournalDirectory.made_at(tmp_path / "journal")
    return SimulatedJournalDirectory()


def test_what_was_written_is_read(directory: JournalDirectory) -> None:
    """Bytes come back where they were written, and fewer only at the end."""
    directory.create(FIRST)
    directory.sync_names()
    directory.write(FIRST, 0, b"one\n")
    directory.write(FIRST, 4, b"two\n")
    directory.sync(FIRST)

    assert directory.size_bytes(FIRST) == 8
    assert directory.read(FIRST, 0, 100) == b"one\ntwo\n"
    assert directory.read(FIRST, 4, 2) == b"tw"
    assert directory.read(FIRST, 8, 10) == b""


def test_a_file_is_cut_off_and_written_on(directory: JournalDirectory) -> None:
    """Cutting off leaves what stands before."""
    directory.create(FIRST)
    directory.write(FIRST, 0, b"one\ntw")
    directory.truncate(FIRST, 4)
    directory.write(FIRST, 4, b"more\n")

    assert directory.read(FIRST, 0, 100) == b"one\nmore\n"


def test_names_come_in_the_order_of_their_first_records(directory: JournalDirectory) -> None:
    """Ten digits hold the years; eleven still sort."""
    for number in (12_000_000_000, 3, 1_000_000_000, 20):
        directory.create(file_name(number))

    assert directory.names() == tuple(
        file_name(number) for number in (3, 20, 1_000_000_000, 12_000_000_000)
    )


def test_a_name_is_made_only_once(directory: JournalDirectory) -> None:
    """A file that is there is never emptied by making it again."""
    directory.create(FIRST)
    directory.write(FIRST, 0, b"one\n")

    with pytest.raises(RecordFailedError, match="EEXIST"):
        directory.create(FIRST)
    assert directory.read(FIRST, 0, 10) == b"one\n"


def test_only_an_empty_file_is_removed(directory: JournalDirectory) -> None:
    """No call of this port can lose a record."""
    directory.create(FIRST)
    directory.create(file_name(2))
    directory.write(FIRST, 0, b"one\n")
    directory.remove_empty(file_name(2))

    with pytest.raises(RecordFailedError, match="not empty"):
        directory.remove_empty(FIRST)
    assert directory.names() == (FIRST,)


def test_a_file_that_is_not_there_is_an_error_by_name(directory: JournalDirectory) -> None:
    """An unknown name is never an empty file."""
    for call in (directory.size_bytes, directory.sync, lambda name: directory.read(name, 0, 1)):
        with pytest.raises(RecordFailedError, match="ENOENT"):
            call(FIRST)


def test_bytes_kept_aside_are_no_journal_file(directory: JournalDirectory) -> None:
    """What is kept aside twice under one name is there once, and not read as records."""
    directory.keep_aside("0000000001.jsonl-0-abc", b"torn")
    directory.keep_aside("0000000001.jsonl-0-abc", b"torn")

    assert directory.names() == ()


def test_a_journal_lives_in_it(directory: JournalDirectory) -> None:
    """The journal works on each, over several files."""
    entries = some_entries(12)
    journal = Journal(directory, rotate_bytes=1500)
    for entry in entries:
        journal.append(entry)

    again = Journal(directory, rotate_bytes=1500)
    assert again.head() == entries[-1]
    assert list(again.entries()) == entries
    assert len(directory.names()) > 2
