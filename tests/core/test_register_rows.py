"""The packed rows of a chunk register."""

from __future__ import annotations

from array import array
from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from refreshd.register import (
    HOLE,
    NEVER,
    ROW_CHUNKS,
    count_row,
    mark_rewritten,
    oldest_day,
    oldest_of_counts,
    pack_counts,
    pack_days,
    pieces,
    put_values,
    read_run,
    rows_of,
    unpack_counts,
    unpack_days,
)

firsts = st.integers(0, 5 * ROW_CHUNKS)
counts = st.integers(0, 3 * ROW_CHUNKS)
days = st.sampled_from([NEVER, HOLE, 739_000, 739_001, 740_000])


@given(firsts, counts)
def test_pieces_cover_a_run_without_gap_or_overlap(first: int, count: int) -> None:
    """Each chunk of a run lies in exactly one piece, in the row that its number says."""
    chunks = [
        (piece.row * ROW_CHUNKS + piece.offset + at, piece.skipped + at)
        for piece in pieces(first, count)
        for at in range(piece.count)
    ]

    assert chunks == [(first + at, at) for at in range(count)]
    assert [piece.row for piece in pieces(first, count)] == list(rows_of(first, count))


@given(firsts, st.binary(min_size=4, max_size=2 * ROW_CHUNKS * 4))
def test_what_was_put_is_read(first: int, content: bytes) -> None:
    """Values come back as they were put, wherever the rows divide them."""
    values = content[: len(content) // 4 * 4]
    rows: dict[int, bytes] = {}
    for piece in pieces(first, len(values) // 4):
        part = values[piece.skipped * 4 : (piece.skipped + piece.count) * 4]
        rows[piece.row] = put_values(rows.get(piece.row, b""), piece.offset * 4, part)

    assert read_run(rows, 4, first, len(values) // 4) == values
    assert read_run(rows, 4, first + len(values) // 4, 1) == bytes(4)


def test_days_are_stored_least_significant_byte_first() -> None:
    """The format of the file does not depend on the machine that wrote it."""
    day = array("I", [1])

    assert pack_days(day) == b"\1\0\0\0"
    assert unpack_days(b"\1\0\0\0") == day


@given(st.lists(st.lists(days, min_size=1, max_size=6), min_size=1, max_size=5))
def test_minima_of_rows_give_the_same_date_as_all_chunks(rows: list[list[int]]) -> None:
    """I4: the quick way to a drive's date and the plain way agree."""
    every = [day for held in rows for day in held]
    counts: dict[int, int] = {}
    for held in rows:
        count_row(counts, min(held), 1)

    assert oldest_of_counts(unpack_counts(pack_counts(counts))) == oldest_day(every)


def test_a_row_that_is_counted_out_again_leaves_no_trace() -> None:
    """I4: the day that a row had before it was rewritten must not go on counting."""
    counts: dict[int, int] = {}
    count_row(counts, 739_000, 1)
    count_row(counts, 739_500, 1)
    count_row(counts, 739_000, -1)

    assert oldest_of_counts(counts) == date.fromordinal(739_500)
    assert pack_counts(counts) == pack_days(array("I", [739_500, 1]))


def test_a_rewrite_dates_a_former_hole_and_leaves_newer_days() -> None:
    """A hole that was written can fade from then on."""
    held = array("I", [NEVER, HOLE, 740_000, 5])
    mark_rewritten(held, 0, 3, 739_000)

    assert list(held) == [739_000, 739_000, 740_000, 5]
