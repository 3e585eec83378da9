"""The book: the rows that a catalogue keeps, and the packed registers among them.

A `Book` is what a catalogue must be able to store; the functions below lay digests and days
into its packed rows and read the drive's last-rewrite date out of them. What an event changes
in a book is said in `refreshd.tally`.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Protocol

from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    LastRewrite,
    PassHistory,
    PassState,
    Pause,
    Slip,
    Stay,
)
from refreshd.errors import InvariantBrokenError, require
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import (
    DIGEST_BYTES,
    ChunkGrid,
    DriveNumber,
    FindingId,
    PassId,
    ProvingId,
    SlipNumber,
)
from refreshd.register import (
    DAY_BYTES,
    HOLE,
    NEVER,
    ROW_CHUNKS,
    count_row,
    mark_rewritten,
    oldest_of_counts,
    pack_days,
    pieces,
    put_values,
    rows_of,
    unpack_days,
)


class Register(Enum):
    """The two packed rows of a drive, apart so that a checkpoint rewrites only the small one."""

    DIGESTS = DIGEST_BYTES
    DAYS = DAY_BYTES

    @property
    def width(self) -> int:
        """Bytes of one chunk's value."""
        return int(self.value)


class Book(Protocol):
    """The rows of a catalogue, within one transaction."""

    def card(self, number: DriveNumber) -> DriveCard | None:
        """Return a card, withdrawn or not."""

    def put_card(self, card: DriveCard) -> None:
        """Add or replace a card; a new one has no recorded chunk."""

    def recorded(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""

    def put_recorded(self, number: DriveNumber, chunks: int) -> None:
        """Replace that number."""

    def open_passes(self, number: DriveNumber) -> Mapping[PassId, PassState]:
        """Return the unfinished passes of a drive."""

    def put_pass(self, state: PassState) -> None:
        """Add or replace an unfinished pass."""

    def end_pass(self, ended: PassHistory) -> None:
        """Remove an unfinished pass and keep what became of it."""

    def found(self, finding: FindingId) -> Finding | None:
        """Return a finding in any state."""

    def put_finding(self, finding: Finding) -> None:
        """Add or replace a finding."""

    def rows(self, register: Register, number: DriveNumber, rows: range) -> Mapping[int, bytes]:
        """Return those packed rows that there are."""

    def put_row(self, register: Register, number: DriveNumber, row: int, packed: bytes) -> None:
        """Add or replace a packed row."""

    def slip(self, number: SlipNumber) -> Slip | None:
        """Return a slip in any state."""

    def open_slip(self, drive: DriveNumber) -> Slip | None:
        """Return the open slip of a drive, if it has one."""

    def highest_slip(self) -> int:
        """Return the highest number that was given to a slip; 0: none was."""

    def put_slip(self, slip: Slip) -> None:
        """Add or replace a slip."""

    def put_delivery(self, delivery: Delivery) -> None:
        """Keep what was handed to a channel; once is enough."""

    def drop_deliveries(self, slip: SlipNumber) -> None:
        """Forget what was handed to any channel about a slip."""

    def stay(self, drive: DriveNumber) -> Stay | None:
        """Return the stay of a drive, if it is plugged in."""

    def put_stay(self, stay: Stay) -> None:
        """Add or replace the stay of a drive."""

    def end_stay(self, drive: DriveNumber) -> None:
        """Remove the stay of a drive."""

    def put_stranger(self, digest: str) -> None:
        """Keep the digest of a stranger's evidence; once is enough."""

    def put_pause(self, pause: Pause | None) -> None:
        """Replace the pause; None: there is none."""

    def put_policy_taken(self, sha256: str) -> None:
        """Replace the digest of the policy that the service runs under."""

    def surely_in_care(self, names: Evidence) -> DriveCard | None:
        """Return the drive in care that surely gave this evidence, if there is one."""

    def put_reading(self, reading: HealthEntry) -> None:
        """Add a health reading to the series of its drive."""

    def put_watch(self, watch: PassWatch) -> None:
        """Add what was watched of one run of a pass."""

    def open_provings(self) -> tuple[Proving, ...]:
        """Return the unfinished provings, by number."""

    def highest_proving(self) -> int:
        """Return the highest number that was given to a proving; 0: none was."""

    def put_proving(self, proving: Proving) -> None:
        """Add or replace an unfinished proving."""

    def end_proving(self, ended: ProvingId, certificate: Certificate | None) -> None:
        """Close an unfinished proving, and keep its certificate; None: it was given up."""


def in_care(number: DriveNumber, book: Book) -> DriveCard:
    """Return the card of a drive in care, or stop the program."""
    card = book.card(number)
    if card is None or card.withdrawn_on is not None:
        raise InvariantBrokenError(f"{number} is not in care, yet something was recorded of it")
    return card


def check_digests(first: int, digests: bytes, grid: ChunkGrid) -> int:
    """Return how many digests there are, once they fit the drive."""
    count, rest = divmod(len(digests), DIGEST_BYTES)
    require(count > 0 and rest == 0, f"{len(digests)} bytes are no row of digests")
    check_run(first, count, grid)
    return count


def check_run(first: int, count: int, grid: ChunkGrid) -> None:
    """Stop the program unless a run of chunks lies on the drive."""
    require(
        first >= 0 and count > 0 and first + count <= grid.count,
        f"chunks {first} to {first + count - 1} do not lie on a drive of {grid.count} chunks",
    )


def put_digests(number: DriveNumber, first: int, digests: bytes, book: Book) -> None:
    """Lay digests into the packed rows from chunk `first` on."""
    count = len(digests) // DIGEST_BYTES
    rows = book.rows(Register.DIGESTS, number, rows_of(first, count))
    for piece in pieces(first, count):
        start = piece.skipped * DIGEST_BYTES
        values = digests[start : start + piece.count * DIGEST_BYTES]
        packed = put_values(rows.get(piece.row, b""), piece.offset * DIGEST_BYTES, values)
        book.put_row(Register.DIGESTS, number, piece.row, packed)


def mark_days(card: DriveCard, marks: Sequence[tuple[int, int, int]], book: Book) -> None:
    """Mark runs of ``(first, count, day)``, each row read and written once."""
    changed: dict[int, array[int]] = {}
    for first, count, day in marks:
        missing = [row for row in rows_of(first, count) if row not in changed]
        if missing:
            held = book.rows(Register.DAYS, card.number, range(missing[0], missing[-1] + 1))
            changed |= {row: _whole_row(card.grid, row, held.get(row, b"")) for row in missing}
        for piece in pieces(first, count):
            if day == HOLE:
                for chunk in range(piece.offset, piece.offset + piece.count):
                    changed[piece.row][chunk] = HOLE
            else:
                mark_rewritten(changed[piece.row], piece.offset, piece.count, day)
    for row, days in changed.items():
        book.put_row(Register.DAYS, card.number, row, pack_days(days))


def _whole_row(grid: ChunkGrid, row: int, packed: bytes) -> array[int]:
    """Return the days of a row in full length, so that its minimum counts every chunk."""
    chunks = min(ROW_CHUNKS, grid.count - row * ROW_CHUNKS)
    return unpack_days(packed.ljust(chunks * DAY_BYTES, b"\0"))


def last_rewrite(
    card: DriveCard, open_findings: Sequence[Finding], counts: Mapping[int, int], book: Book
) -> LastRewrite:
    """
    Work out a drive's last-rewrite date from how many rows have which oldest day (I4).

    Only the rows that an open finding touches are unpacked, so that a drive of 20 TB is
    answered as quickly as a small one.

    Args:
        card: The drive.
        open_findings: Its open findings.
        counts: How many of its rows have this oldest day; rows that are missing are not in it.
        book: Where the rows are.
    """
    grid = card.grid
    if any(finding.span.length >= grid.size_bytes for finding in open_findings):
        return LastRewrite(None, grid.count)
    held = {chunk for finding in open_findings for chunk in grid.chunks_of(finding.span)}
    of_all = dict(counts)
    count_row(of_all, NEVER, -(-grid.count // ROW_CHUNKS) - sum(counts.values()))
    for row in {chunk // ROW_CHUNKS for chunk in held}:
        packed = book.rows(Register.DAYS, card.number, range(row, row + 1)).get(row, b"")
        days = _whole_row(grid, row, packed)
        first = row * ROW_CHUNKS
        count_row(of_all, min(days), -1)
        counted = [day for at, day in enumerate(days) if first + at not in held]
        count_row(of_all, min(counted, default=HOLE), 1)
    return LastRewrite(oldest_of_counts(of_all), len(held))
