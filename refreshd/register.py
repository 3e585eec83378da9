"""The chunk register: a drive as a row of chunks, each with a digest and a last-rewrite date.

Dates are kept as proleptic ordinals of calendar days (1 January of year 1 is day 1, as
`datetime.date.toordinal`), four bytes each, with two values that are no dates.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

NEVER = 0
"""The chunk was never rewritten and proved by us."""

HOLE = 0xFFFFFFFF
"""The chunk is a hole of an image file: nothing in it can fade."""


def oldest_day(days: Sequence[int]) -> date | None:
    """Return the oldest proved rewrite among the days given, or None while one is missing.

    Holes do not count: they hold nothing. A register of holes alone has no date (I4: what
    was never proved has none).
    """
    dated = [day for day in days if day != HOLE]
    if not dated or min(dated) == NEVER:
        return None
    return date.fromordinal(min(dated))


# --- How a register is stored: packed rows of many chunks, so that 20 TB cost 100 MB, not 1 GB.

ROW_CHUNKS = 1024
"""Chunks in one stored row.

Source: measured 2026-11 with 4,096-byte pages: 1,024 digests waste 3 % of their pages, 256 and
512 waste 12 % and 6 %, and 512 days of 4 bytes miss fitting twice into a page, which doubles them.
"""

DAY_BYTES = 4
"""Bytes of one day in a stored row, least significant first."""


@dataclass(frozen=True, slots=True)
class Piece:
    """The part of a run of chunks that lies in one stored row; all in chunks."""

    row: int
    offset: int  # first chunk, counted from the start of the row
    skipped: int  # chunks of the run that lie in the rows before
    count: int


def pieces(first: int, count: int) -> Iterator[Piece]:
    """Divide chunks ``first`` to ``first + count - 1`` by the rows in which they lie."""
    skipped = 0
    while skipped < count:
        row, offset = divmod(first + skipped, ROW_CHUNKS)
        length = min(ROW_CHUNKS - offset, count - skipped)
        yield Piece(row, offset, skipped, length)
        skipped += length


def rows_of(first: int, count: int) -> range:
    """Return the numbers of the rows in which a run of chunks lies."""
    if count <= 0:
        return range(0)
    return range(first // ROW_CHUNKS, (first + count - 1) // ROW_CHUNKS + 1)


def read_run(rows: Mapping[int, bytes], width: int, first: int, count: int) -> bytes:
    """Return `count` values of `width` bytes; zeros stand for what no row holds."""
    run = bytearray(count * width)
    for piece in pieces(first, count):
        start = piece.offset * width
        held = rows.get(piece.row, b"")[start : start + piece.count * width]
        run[piece.skipped * width : piece.skipped * width + len(held)] = held
    return bytes(run)


def put_values(packed: bytes, offset_bytes: int, values: bytes) -> bytes:
    """Return a row with `values` at `offset_bytes`; a short row is filled up with zeros."""
    before = packed[:offset_bytes].ljust(offset_bytes, b"\0")
    return before + values + packed[offset_bytes + len(values) :]


def unpack_days(packed: bytes) -> array[int]:
    """Return the days of a stored row or run."""
    days = array("I")
    days.frombytes(packed)
    if sys.byteorder == "big":
        days.byteswap()
    return days


def pack_days(days: array[int]) -> bytes:
    """Return days as they are stored."""
    if sys.byteorder == "big":
        days = array("I", days)
        days.byteswap()
    return days.tobytes()


def mark_rewritten(days: array[int], offset: int, count: int, day: int) -> None:
    """Date a rewrite. A day never moves backwards, and a hole that was written is none now."""
    for chunk in range(offset, offset + count):
        if days[chunk] == HOLE or days[chunk] < day:
            days[chunk] = day


# --- How many rows have which oldest day: a drive's date without unpacking or reading its rows.


def count_row(counts: dict[int, int], oldest: int, change: int) -> None:
    """Count so many rows more (or fewer) whose oldest day is `oldest`."""
    counts[oldest] = counts.get(oldest, 0) + change
    if counts[oldest] == 0:
        del counts[oldest]


def oldest_of_counts(counts: Mapping[int, int]) -> date | None:
    """Return the oldest proved rewrite of a whole drive, as `oldest_day`.

    `counts` says how many rows have which oldest day, those never rewritten included.
    """
    return oldest_day([day for day, rows in counts.items() if rows > 0])


def pack_counts(counts: Mapping[int, int]) -> bytes:
    """Return such counts as they are stored: day and number of rows in turn, by day."""
    return pack_days(array("I", (value for pair in sorted(counts.items()) for value in pair)))


def unpack_counts(packed: bytes) -> dict[int, int]:
    """Return such counts from the way they are stored."""
    values = unpack_days(packed)
    return dict(zip(values[::2], values[1::2], strict=True))
