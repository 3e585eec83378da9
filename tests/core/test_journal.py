"""The journal: rotation, the head, torn ends, damage, and another process at work."""

from __future__ import annotations

import pytest

from refreshd.chain import LINE_BYTES_MAX, encode
from refreshd.errors import (
    InvariantBrokenError,
    JournalDamagedError,
    JournalTruncatedError,
    RecordFailedError,
)
from refreshd.journal import Journal, file_name, first_record
from refreshd.simulated.journal_directory import Faults, SimulatedJournalDirectory
from refreshd.verification import verify
from tests.journals import chained, some_entries, some_event, some_lines

ENTRIES = some_entries(20)
LINES = some_lines(20)
FIRST = file_name(1)


def holding(*lines: bytes) -> SimulatedJournalDirectory:
    """Return a directory whose one file holds these lines."""
    return SimulatedJournalDirectory.holding({FIRST: b"".join(lines)})


def filled(rotate_bytes: int = 1500) -> SimulatedJournalDirectory:
    """Return a directory into which twenty records were appended."""
    directory = SimulatedJournalDirectory()
    journal = Journal(directory, rotate_bytes)
    for entry in ENTRIES:
        journal.append(entry)
    return directory


def test_rotation_keeps_the_chain_and_the_bound() -> None:
    """Files are named by their first record, none is too long, and the chain goes on."""
    directory = filled()

    assert len(directory.names()) > 4
    for name, content in directory.contents().items():
        assert len(content) <= 1500
        assert content.startswith(LINES[(first_record(name) or 0) - 1])
    assert b"".join(directory.contents().values()) == b"".join(LINES)
    assert verify(Journal(directory).lines()).is_untouched


def test_a_line_longer_than_a_file_gets_a_file_of_its_own() -> None:
    """A bound smaller than a record does not stop the journal."""
    directory = filled(rotate_bytes=10)

    assert len(directory.names()) == 20


@pytest.mark.parametrize("after", range(21))
def test_entries_come_after_the_number_asked_for(after: int) -> None:
    """Reading from the middle yields the rest, whichever file it begins in."""
    assert list(Journal(filled()).entries(after)) == ENTRIES[after:]


def test_opening_reads_the_end_alone() -> None:
    """A journal of gigabytes is opened as fast as a small one."""
    directory = SimulatedJournalDirectory.holding({FIRST: b"".join(LINES) * 1})
    big = chained(some_event(n) for n in range(1, 8001))
    content = b"".join(map(encode, big))
    directory = SimulatedJournalDirectory.holding({FIRST: content})
    directory.faults = Faults(counts_reads=True)

    assert len(content) > 2 * 1024 * 1024
    assert Journal(directory).head() == big[-1]
    assert directory.faults.calls <= 3


def test_a_record_that_does_not_follow_stops_the_program() -> None:
    """I5: the journal takes the next record and no other."""
    journal = Journal(holding(*LINES[:3]))

    for wrong in (ENTRIES[2], ENTRIES[4]):
        with pytest.raises(InvariantBrokenError, match="does not follow"):
            journal.append(wrong)
    journal.append(ENTRIES[3])


def test_the_head_is_what_another_process_appended() -> None:
    """Two journals over one directory see each other's records, also across files."""
    directory = SimulatedJournalDirectory()
    one, other = Journal(directory, 900), Journal(directory, 900)
    for index, entry in enumerate(ENTRIES):
        (one, other)[index % 2].append(entry)

        assert one.head() == other.head() == entry


def test_a_journal_that_became_shorter_is_noticed() -> None:
    """I5: a file cut off, or gone, under a running program."""
    directory = holding(*LINES[:5])
    journal = Journal(directory)
    journal.head()
    directory.truncate(FIRST, len(LINES[0]))

    with pytest.raises(JournalTruncatedError, match=r"0000000001\.jsonl"):
        journal.head()


@pytest.mark.parametrize("record", range(1, 20))
def test_damage_before_the_end_is_refused_with_file_line_and_record(record: int) -> None:
    """I5: nothing is read past a damaged record, and the sentence says where it stands."""
    lines = list(LINES)
    lines[record - 1] = lines[record - 1].replace(b'"at":"2031', b'"at":"2032')
    journal = Journal(holding(*lines))

    with pytest.raises(JournalDamagedError, match=f"jsonl line {record}: record {record} is da"):
        list(journal.entries())


def test_a_missing_file_is_refused() -> None:
    """I5: records gone with a whole file are not passed over."""
    contents = filled().contents()
    gone = sorted(contents)[2]
    del contents[gone]
    journal = Journal(SimulatedJournalDirectory.holding(contents))

    with pytest.raises(JournalDamagedError, match=f"record {first_record(gone)} is missing"):
        list(journal.entries())


def test_a_missing_first_file_is_refused() -> None:
    """I5: a journal begins with record 1."""
    contents = filled().contents()
    del contents[FIRST]
    journal = Journal(SimulatedJournalDirectory.holding(contents))

    with pytest.raises(JournalDamagedError, match="records 1 to"):
        list(journal.entries())


def test_a_link_that_does_not_hold_is_refused() -> None:
    """I5: records that are sound each, but not of one chain."""
    other = chained([some_event(40), some_event(41), some_event(42)])
    journal = Journal(holding(*LINES[:2], encode(other[2])))

    with pytest.raises(JournalDamagedError, match="record 3 does not go on from record 2"):
        list(journal.entries())


@pytest.mark.parametrize("rotated", [False, True])
def test_an_end_torn_at_any_byte_is_kept_aside(rotated: bool) -> None:  # noqa: FBT001 - a case
    """I5: a torn line is kept, cut off and told of; the records before it stay."""
    for length in range(1, len(LINES[5])):
        torn = LINES[5][:length]
        whole, last = b"".join(LINES[:5]), file_name(6)
        files = {FIRST: whole, last: torn} if rotated else {FIRST: whole + torn}
        directory = SimulatedJournalDirectory.holding(files)
        journal = Journal(directory)

        assert journal.head() == ENTRIES[4]
        kept = journal.mend(contained=5)
        assert kept is not None
        assert (kept.length_bytes, list(directory.kept.values())) == (length, [torn])
        assert kept.file == f"torn/{next(iter(directory.kept))}"
        journal.append(ENTRIES[5])
        assert list(Journal(directory).entries()) == ENTRIES[:6]


def test_a_torn_first_line_of_all_is_kept_aside() -> None:
    """I5: the power may go while the very first record is written."""
    for garbage in (LINES[0][:50], bytes(100), bytes(100) + b"\n", b"\n"):
        directory = holding(garbage)
        journal = Journal(directory)

        assert journal.mend(contained=0) is not None
        assert journal.head() is None
        journal.append(ENTRIES[0])
        assert Journal(directory).head() == ENTRIES[0]


def test_a_torn_end_that_the_catalogue_contains_is_damage() -> None:
    """I5: an acknowledged record is never cut off."""
    directory = holding(*LINES[:5], LINES[5][:-1])
    journal = Journal(directory)

    with pytest.raises(JournalDamagedError, match="record 6 is damaged"):
        journal.mend(contained=6)
    assert directory.contents()[FIRST] == b"".join(LINES[:5]) + LINES[5][:-1]
    assert not directory.kept


def test_a_whole_line_of_nonsense_behind_an_old_catalogue_is_damage() -> None:
    """With a catalogue that ends earlier only what looks torn is taken for torn."""
    edited = LINES[5].replace(b'"at":"2031', b'"at":"2032')

    with pytest.raises(JournalDamagedError, match="record 6 is damaged"):
        Journal(holding(*LINES[:5], edited)).mend(contained=3)
    assert Journal(holding(*LINES[:5], edited)).mend(contained=5) is not None


def test_appending_behind_a_torn_end_is_refused() -> None:
    """A record glued to half a line would be lost with it."""
    journal = Journal(holding(*LINES[:5], b'{"at'))

    with pytest.raises(RecordFailedError, match="unfinished record"):
        journal.append(ENTRIES[5])


def test_a_reader_that_meets_a_line_being_written_waits_for_no_one() -> None:
    """Without the lock the head is the last whole record."""
    directory = holding(*LINES[:5], LINES[5][:40])
    journal = Journal(directory)

    assert journal.head() == ENTRIES[4]
    assert list(journal.entries()) == ENTRIES[:5]
    directory.write(FIRST, len(b"".join(LINES[:5])), LINES[5])
    assert journal.head() == ENTRIES[5]


def test_a_file_without_line_ends_does_not_fill_the_memory() -> None:
    """A line is read in pieces no longer than the longest record."""
    directory = holding(LINES[0], b"x" * (2 * LINE_BYTES_MAX))

    assert max(len(line.data) for line in Journal(directory).lines()) <= LINE_BYTES_MAX + 2**20
    assert not verify(Journal(directory).lines(), (1, ENTRIES[0].digest)).problems[1:]


def test_a_carriage_return_ends_no_line() -> None:
    """Only a newline does; a changed byte must not make two lines of one."""
    directory = holding(*LINES[:5], LINES[5].replace(b"refreshd", b"refr\rshd"), *LINES[6:])

    assert len(list(Journal(directory).lines())) == 20


@pytest.mark.parametrize("cause", ["ENOSPC", "EIO"])
def test_a_failed_write_is_cut_off_and_the_journal_goes_on(cause: str) -> None:
    """J2: after a full disk there is no half line, and the next record is taken."""
    directory = filled()
    before = directory.contents()
    journal = Journal(directory)
    journal.head()
    (following,) = chained([some_event(21)], ENTRIES[-1])
    directory.faults = Faults(fail_at=1, cause=cause)
    with pytest.raises(RecordFailedError, match=cause):
        journal.append(following)

    assert directory.contents() == before
    journal.append(following)
    assert Journal(directory).head() == following


def test_a_failed_sync_is_not_asked_again() -> None:
    """J2: what the disk holds after it is not known; the journal is out of use."""
    directory = holding(*LINES[:5])
    journal = Journal(directory)
    journal.head()
    directory.faults = Faults(fail_at=2)
    with pytest.raises(RecordFailedError, match="EIO syncing"):
        journal.append(ENTRIES[5])

    calls = directory.faults.calls
    for use in (journal.head, lambda: journal.append(ENTRIES[5]), lambda: journal.mend(5)):
        with pytest.raises(RecordFailedError, match="until it is opened again"):
            use()
    assert directory.faults.calls == calls


def test_a_half_line_that_cannot_be_cut_off_latches() -> None:
    """J2: when writing and cutting off both fail, nothing more is written."""
    directory = holding(*LINES[:5])
    journal = Journal(directory)
    journal.head()
    directory.faults = Faults(fail_at=1, for_ever=True)
    with pytest.raises(RecordFailedError, match="EIO writing"):
        journal.append(ENTRIES[5])

    directory.faults = Faults()
    with pytest.raises(RecordFailedError, match="until it is opened again"):
        journal.append(ENTRIES[5])


def test_a_new_file_that_a_full_disk_left_empty_is_made_anew() -> None:
    """J3: the name of an empty file may not be durable; nothing is written into it."""
    directory = SimulatedJournalDirectory.holding({FIRST: b"".join(LINES[:5])})
    journal = Journal(directory, rotate_bytes=10)
    directory.faults = Faults(fail_at=3, cause="ENOSPC")  # create, its name, write
    with pytest.raises(RecordFailedError, match="ENOSPC writing"):
        journal.append(ENTRIES[5])

    assert directory.contents()[file_name(6)] == b""
    journal.append(ENTRIES[5])
    assert directory.faults.calls == 4 + 6  # removed, its name; create, its name, write, sync
    assert list(Journal(directory).entries()) == ENTRIES[:6]
