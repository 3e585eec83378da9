"""Every kind of tampering is found, named, and placed at the right record (I5)."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.chain import encode, next_entry, read_frame
from refreshd.events import DigestsRecorded, HoldLifted, JournalOpened
from refreshd.tampering import PLACES_MAX, What
from refreshd.verification import Verification, verify
from tests.journals import K07, as_lines, chained, resealed, some_entries, some_event, some_lines

COUNT = 20
LINES = some_lines(COUNT)
ENTRIES = some_entries(COUNT)
HEAD = (COUNT, ENTRIES[-1].digest)
Told = tuple[str, int, int]


def told(lines: list[bytes], head: tuple[int, str] | None = HEAD, per_file: int = 6) -> list[Told]:
    """Return what verification says of these lines: what, first and last record."""
    found = verify(as_lines(lines, per_file), head)
    return [(problem.what.value, problem.first, problem.last) for problem in found.problems]


def test_an_untouched_journal_is_untouched() -> None:
    """I5: nothing is found where nothing was done, and the head is told."""
    found = verify(as_lines(LINES, 6), HEAD)

    assert found == Verification(COUNT, HEAD, ())
    assert found.is_untouched


def test_an_empty_journal_has_no_head() -> None:
    """A new state directory is not damaged."""
    assert verify([], None) == Verification(0, None, ())


@pytest.mark.parametrize("record", range(1, COUNT + 1))
def test_an_edited_record_is_named(record: int) -> None:
    """I5: changed bytes under the old digest show, at every place."""
    lines = list(LINES)
    lines[record - 1] = lines[record - 1].replace(b'"at":"2031', b'"at":"2032')

    assert told(lines) == [("edited", record, record)]


@pytest.mark.parametrize("record", range(1, COUNT + 1))
def test_an_edited_record_with_a_new_digest_is_named(record: int) -> None:
    """I5: a digest made anew is denied by the record after it, at the end by the catalogue."""
    lines = list(LINES)
    changed = resealed(ENTRIES[record - 1], HoldLifted(drive=K07, reason="all is well"))
    lines[record - 1] = encode(changed)

    assert told(lines) == [("edited", record, record)]


@pytest.mark.parametrize("record", range(2, COUNT))
def test_a_record_replaced_with_a_false_link_is_named(record: int) -> None:
    """I5: neither neighbour knows a record that was written anew."""
    false = ENTRIES[record - 1].model_copy(update={"previous": "ab" * 32, "sequence": record})
    lines = list(LINES)
    lines[record - 1] = encode(resealed(false, JournalOpened(program="y")))

    assert told(lines) == [("edited", record, record)]


def test_a_journal_written_anew_to_its_end_is_seen_by_the_catalogue() -> None:
    """I5: a whole new chain is sound in itself; the head that the catalogue holds is another."""
    forged = chained(
        (some_event(n) for n in range(12, COUNT + 1)),
        next_entry(ENTRIES[9], ENTRIES[10].at, JournalOpened(program="y")),
    )
    lines = [
        *LINES[:10],
        encode(next_entry(ENTRIES[9], ENTRIES[10].at, JournalOpened(program="y"))),
    ]
    lines += [encode(entry) for entry in forged]

    assert len(lines) == COUNT
    assert told(lines) == [("edited", COUNT, COUNT)]
    assert told(lines, None) == []


@pytest.mark.parametrize(("first", "count"), [(2, 1), (12, 3), (6, 2), (19, 1), (7, 6)])
def test_removed_records_are_named(first: int, count: int) -> None:
    """I5: numbers that are missing show, across files and with a whole file gone."""
    lines = LINES[: first - 1] + LINES[first - 1 + count :]

    assert told(lines) == [("removed", first, first + count - 1)]


def test_the_sentence_gives_the_record_and_the_place() -> None:
    """The archivist reads which record, what was done and where to look."""
    found = verify(as_lines(LINES[:11] + LINES[14:]), HEAD)

    assert str(found.problems[0]) == (
        "records 12 to 14: removed; missing between record 11 and record 15 "
        "(0000000001.jsonl line 12)"
    )


def test_a_removal_that_was_numbered_and_linked_anew_is_seen_by_the_catalogue() -> None:
    """I5: closing a gap means writing anew all that follows, and then the end is another."""
    forged = chained((some_event(n) for n in range(9, COUNT + 1)), ENTRIES[6])

    assert told([*LINES[:7], *map(encode, forged)]) == [("truncated at the end", 20, 20)]


@pytest.mark.parametrize("cut", range(1, COUNT))
def test_a_cut_at_the_start_is_named(cut: int) -> None:
    """I5: a journal begins with record 1."""
    assert told(LINES[cut:]) == [("truncated at the start", 1, cut)]


@pytest.mark.parametrize("left", range(COUNT))
def test_a_cut_at_the_end_is_named_by_the_catalogue(left: int) -> None:
    """I5: what the catalogue contains and the journal lacks was cut off."""
    assert told(LINES[:left]) == [("truncated at the end", left + 1, COUNT)]
    assert told(LINES[:left], None) == []


@pytest.mark.parametrize(("source", "after"), [(3, 7), (3, 3), (9, 2), (1, 20), (20, 5), (6, 6)])
def test_an_inserted_copy_is_named(source: int, after: int) -> None:
    """I5: a record can stand only once."""
    lines = [*LINES[:after], LINES[source - 1], *LINES[after:]]

    assert told(lines) == [("inserted", source, source)]


@pytest.mark.parametrize("after", [1, 5, 6, 19])
def test_an_inserted_forged_record_is_named(after: int) -> None:
    """I5: the record that the next one does not go on from is the inserted one."""
    forged = next_entry(ENTRIES[after - 1], ENTRIES[after - 1].at, JournalOpened(program="y"))
    lines = [*LINES[:after], encode(forged), *LINES[after:]]

    assert told(lines) == [("inserted", after + 1, after + 1)]


@pytest.mark.parametrize("after", [1, 5, 18])
def test_two_inserted_forged_records_are_named(after: int) -> None:
    """I5: also when they are chained to each other."""
    forged = chained([some_event(40), some_event(41)], ENTRIES[after - 1])
    lines = [*LINES[:after], *map(encode, forged), *LINES[after:]]

    assert told(lines) == [("inserted", after + 1, after + 2)]


def test_an_inserted_line_of_anything_is_named() -> None:
    """I5: a line that is no record is not passed over."""
    assert told([*LINES[:4], b"hello\n", *LINES[4:]]) == [("inserted", 5, 5)]
    assert told([*LINES[:4], b"\n", *LINES[4:]]) == [("inserted", 5, 5)]


@pytest.mark.parametrize(("one", "to"), [(4, 5), (3, 12), (15, 2), (1, 20), (20, 1), (7, 6)])
def test_a_moved_record_is_named(one: int, to: int) -> None:
    """I5: a record that stands elsewhere is told from one that is gone."""
    lines = list(LINES)
    lines.insert(to - 1, lines.pop(one - 1))
    found = told(lines)

    assert [what for what, _, _ in found] == ["reordered"]
    assert found[0][1] in {one, to}  # of two neighbours, either moved past the other
    assert found[0][1] == one or abs(one - to) == 1


def test_a_moved_block_is_named_as_one() -> None:
    """I5: the shorter of two blocks that changed places is the one that moved."""
    assert told([*LINES[:3], *LINES[5:9], *LINES[3:5], *LINES[9:]]) == [("reordered", 4, 5)]


def test_files_in_the_wrong_order_are_reordered_records() -> None:
    """I5: renaming files does not go unseen."""
    assert told([*LINES[6:12], *LINES[:6], *LINES[12:]]) == [("reordered", 1, 6)]


def test_several_things_are_all_told() -> None:
    """One finding does not hide another."""
    lines = list(LINES)
    lines[16] = lines[16].replace(b'"at":"2031', b'"at":"2032')
    del lines[11:13]
    lines.insert(5, LINES[9])
    del lines[0]

    assert told(lines) == [
        ("truncated at the start", 1, 1),
        ("inserted", 10, 10),
        ("removed", 12, 13),
        ("edited", 17, 17),
    ]


def test_edited_next_to_removed_is_told_apart_by_the_number_it_claims() -> None:
    """A damaged line that still has its number is no missing record."""
    lines = list(LINES)
    lines[6] = lines[6].replace(b'"at":"2031', b'"at":"2032')
    del lines[7:9]

    assert told(lines) == [("edited", 7, 7), ("removed", 8, 9)]


def test_a_kind_that_this_version_does_not_know_is_not_called_tampering() -> None:
    """A journal that a newer version wrote is said to be that."""
    known = encode(chained([JournalOpened(program="x")])[0])
    other = known.replace(b"journal-opened", b"journal-closed")
    frame = read_frame(other)
    assert frame is not None
    line = other.replace(frame.digest.encode(), frame.computed.encode(), 1)

    assert told([line], None) == [("not understood", 1, 1)]


def test_a_torn_last_line_is_no_tampering() -> None:
    """I5: torn at every byte, behind what the catalogue contains, it is a power cut's doing."""
    torn = LINES[-1]
    before = (COUNT - 1, ENTRIES[-2].digest)
    for length in range(1, len(torn)):
        for head in (before, None):
            found = verify(as_lines([*LINES[:-1], torn[:length]]), head)
            assert [problem.what for problem in found.problems] == [What.TORN]
            assert found.is_untouched


@pytest.mark.parametrize("zeros_from", [0, 1, 100, 400])
def test_a_last_line_of_zeros_is_no_tampering(zeros_from: int) -> None:
    """I5: the length may reach the disk before the content does."""
    torn = LINES[-1][:zeros_from] + bytes(600)
    ended = torn[:-1] + b"\n"

    assert told([*LINES[:-1], torn], None) == [("torn by a power cut", COUNT, COUNT)]
    assert told([*LINES[:-1], ended], None) == [("torn by a power cut", COUNT, COUNT)]


def test_a_cut_last_line_that_the_catalogue_contains_is_damage() -> None:
    """I5: what was acknowledged cannot have been torn."""
    for length in range(1, len(LINES[-1])):
        assert told([*LINES[:-1], LINES[-1][:length]]) == [("edited", COUNT, COUNT)]


def test_an_edited_last_line_behind_an_old_catalogue_is_damage() -> None:
    """A whole line of other text is not what a power cut leaves."""
    lines = [*LINES[:-1], LINES[-1].replace(b'"at":"2031', b'"at":"2032')]

    assert told(lines, (3, ENTRIES[2].digest)) == [("edited", COUNT, COUNT)]
    assert told(lines, None) == [("edited", COUNT, COUNT)]


def test_every_flipped_bit_is_found_and_placed() -> None:
    """I5: each bit of a journal of over 8 KiB, flipped alone, is found at its own record.

    A flipped line end runs two records into one, and then the two are named.
    """
    entries = chained(
        DigestsRecorded(drive=K07, pass_id=None, first_chunk=n, digests=bytes([n]) * 342)
        for n in range(10)
    )
    lines = [encode(entry) for entry in entries]
    journal = b"".join(lines)
    missed = []
    start = 0
    for record, line in enumerate(lines, 1):
        for bit in range(start * 8, (start + len(line)) * 8):
            flipped = bytearray(journal)
            flipped[bit // 8] ^= 1 << bit % 8
            found = verify(as_lines([bytes(flipped)]), (10, entries[-1].digest))
            placed = {n for p in found.problems for n in range(p.first, p.last + 1)}
            allowed = {record, record + 1} if bit // 8 == start + len(line) - 1 else {record}
            if found.is_untouched or not {record} <= placed <= allowed:
                missed.append((bit, [str(problem) for problem in found.problems]))
        start += len(line)

    assert len(journal) > 8192
    assert not missed, missed[:3]


def test_a_hopeless_file_is_not_read_for_ever() -> None:
    """A file of nonsense, however long, ends the reading and says that it did."""
    found = verify(as_lines([b"x\n"] * (PLACES_MAX + 500)), None)

    assert not found.is_complete
    assert not found.is_untouched


Change = Callable[[list[bytes], Random], None]


def _remove(lines: list[bytes], rng: Random) -> None:
    del lines[rng.randrange(len(lines))]


def _swap(lines: list[bytes], rng: Random) -> None:
    a, b = rng.sample(range(len(lines)), 2)
    lines[a], lines[b] = lines[b], lines[a]


def _copy(lines: list[bytes], rng: Random) -> None:
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))


def _scratch(lines: list[bytes], rng: Random) -> None:
    at = rng.randrange(len(lines))
    line = bytearray(lines[at])
    line[rng.randrange(len(line))] ^= rng.randrange(1, 256)
    lines[at] = bytes(line)


@given(seed=st.integers(0, 2**32), count=st.integers(1, 5))
@settings(max_examples=400, deadline=None, derandomize=True)
def test_no_mixture_of_changes_goes_unseen(seed: int, count: int) -> None:
    """I5: whatever several changes leave, other bytes than ours are never called untouched."""
    rng = Random(seed)
    lines = list(LINES)
    for _ in range(count):
        rng.choice((_remove, _swap, _copy, _scratch))(lines, rng)
    found = verify(as_lines([b"".join(lines)]), HEAD)

    assert found.is_untouched == (b"".join(lines) == b"".join(LINES))
