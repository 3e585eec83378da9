"""The journal's directory on a real file system."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.errors import RecordFailedError
from refreshd.journal import Journal, file_name
from tests import loops
from tests.journals import some_entries

FIRST = file_name(1)


@pytest.fixture
def tiny(tmp_path: Path) -> Iterator[Path]:
    """Mount a file system of 64 KiB."""
    place = tmp_path / "tiny"
    place.mkdir()
    options = "size=64k,nr_inodes=20"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "none", str(place)], check=True)
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0 and not os.environ.get("CI"), reason="mounting needs root")
def test_a_full_disk_leaves_no_half_line_and_the_journal_goes_on(tiny: Path) -> None:
    """J2: a real ENOSPC is named, the file ends with a whole record, and room helps."""
    ballast = tiny / "ballast"
    ballast.write_bytes(bytes(40 * 1024))
    directory = FileJournalDirectory.made_at(tiny / "journal")
    journal, entries, taken = Journal(directory), some_entries(200), 0
    with pytest.raises(RecordFailedError, match="ENOSPC writing"):  # noqa: PT012 - at one of them
        for entry in entries:
            journal.append(entry)
            taken += 1

    assert (tiny / "journal" / FIRST).read_bytes().endswith(b"}\n")
    assert list(Journal(directory).entries()) == entries[:taken]
    ballast.unlink()
    journal.append(entries[taken])
    assert Journal(directory).head() == entries[taken]
    directory.close()


@pytest.fixture
def on_loop(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """Mount ext4 on a loop device; give its place and the file in which the kernel counts."""
    image, place = tmp_path / "image", tmp_path / "ext4"
    with image.open("wb") as file:
        file.truncate(16 * 2**20)
    loops.run("mkfs.ext4", "-q", image)
    with loops.attached(image) as device, loops.mounted(device, place):
        yield place, Path("/sys/block") / Path(device).name / "stat"


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0 and not os.environ.get("CI"), reason="mounting needs root")
def test_every_record_reaches_the_disk_before_it_is_acknowledged(
    on_loop: tuple[Path, Path],
) -> None:
    """J1: the disk is asked to flush for each record, and for the name of each new file.

    Source of the field: Linux Documentation/block/stat.rst, the 16th is "flush I/Os".
    """
    place, counts = on_loop
    directory = FileJournalDirectory.made_at(place / "journal")
    journal, seen = Journal(directory), []
    for entry in some_entries(8):
        before = _flushes(counts)
        journal.append(entry)
        seen.append(_flushes(counts) - before)
    directory.create(file_name(9))
    before = _flushes(counts)
    directory.sync_names()
    seen.append(_flushes(counts) - before)
    directory.close()

    assert min(seen) >= 1


def _flushes(counts: Path) -> int:
    return int(counts.read_text().split()[15])


def test_a_file_replaced_under_the_program_is_not_written_on(tmp_path: Path) -> None:
    """An editor that saves by renaming would take acknowledged records away with the old file."""
    directory = FileJournalDirectory.made_at(tmp_path / "journal")
    journal, entries = Journal(directory), some_entries(3)
    journal.append(entries[0])
    copy = tmp_path / "journal" / "copy"
    copy.write_bytes((tmp_path / "journal" / FIRST).read_bytes())
    copy.rename(tmp_path / "journal" / FIRST)

    with pytest.raises(RecordFailedError, match="replaced by another file"):
        journal.append(entries[1])
    directory.close()


def test_other_files_in_the_directory_are_left_alone(tmp_path: Path) -> None:
    """A note that somebody left, or a backup of an editor, is no part of the journal."""
    directory = FileJournalDirectory.made_at(tmp_path / "journal")
    for name in ("README", f"{FIRST}~", "1.jsonl", ".hidden.jsonl"):
        (tmp_path / "journal" / name).write_text("x")

    assert directory.names() == ()


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    """A link in place of a journal file must not make the program write elsewhere."""
    directory = FileJournalDirectory.made_at(tmp_path / "journal")
    (tmp_path / "elsewhere").write_bytes(b"")
    (tmp_path / "journal" / FIRST).symlink_to(tmp_path / "elsewhere")

    with pytest.raises(RecordFailedError, match="ELOOP"):
        directory.write(FIRST, 0, b"x")


def test_the_directory_is_made_once(tmp_path: Path) -> None:
    """Opening the journal again changes nothing; a missing parent is an error by name."""
    FileJournalDirectory.made_at(tmp_path / "journal")
    FileJournalDirectory.made_at(tmp_path / "journal")

    with pytest.raises(RecordFailedError, match="ENOENT making the directory"):
        FileJournalDirectory.made_at(tmp_path / "gone" / "journal")


def test_kept_bytes_are_whole_under_their_name(tmp_path: Path) -> None:
    """What is kept aside is written under another name first."""
    directory = FileJournalDirectory.made_at(tmp_path / "journal")
    directory.keep_aside("a", b"torn bytes")

    assert (tmp_path / "journal" / "torn" / "a").read_bytes() == b"torn bytes"
    assert [path.name for path in (tmp_path / "journal" / "torn").iterdir()] == ["a"]
