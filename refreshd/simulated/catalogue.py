"""A catalogue in memory, quick enough for tens of thousands of simulated power cuts.

It is a `Book` of plain mappings under the same tally as the real catalogue. Every value in it
is immutable, so a snapshot copies references only.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from refreshd.book import Register, last_rewrite
from refreshd.cards import (
    DriveCard,
    Finding,
    FindingState,
    LastRewrite,
    PassHistory,
    PassState,
)
from refreshd.errors import UnknownDriveError, UsageError
from refreshd.events import Entry
from refreshd.quantities import DriveNumber, FindingId, PassId, PassKind
from refreshd.register import read_run, rows_of, unpack_days
from refreshd.tally import add, check_follows


@dataclass(slots=True)
class Snapshot:
    """All that a catalogue holds at one moment; also the `Book` that the tally works on."""

    head: tuple[int, str] | None = None
    cards: dict[DriveNumber, DriveCard] = field(default_factory=dict)
    recorded_counts: dict[DriveNumber, int] = field(default_factory=dict)
    unfinished: dict[DriveNumber, dict[PassId, PassState]] = field(default_factory=dict)
    ended: dict[DriveNumber, tuple[PassHistory, ...]] = field(default_factory=dict)
    found_ones: dict[FindingId, Finding] = field(default_factory=dict)
    packed: dict[tuple[Register, DriveNumber, int], bytes] = field(default_factory=dict)

    def copy(self) -> Snapshot:
        """Return a snapshot that later changes leave alone."""
        return Snapshot(
            self.head,
            dict(self.cards),
            dict(self.recorded_counts),
            {number: dict(states) for number, states in self.unfinished.items()},
            dict(self.ended),
            dict(self.found_ones),
            dict(self.packed),
        )

    def card(self, number: DriveNumber) -> DriveCard | None:
        """Return a card, withdrawn or not."""
        return self.cards.get(number)

    def put_card(self, card: DriveCard) -> None:
        """Add or replace a card."""
        self.cards[card.number] = card

    def recorded(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        return self.recorded_counts.get(number, 0)

    def put_recorded(self, number: DriveNumber, chunks: int) -> None:
        """Replace that number."""
        self.recorded_counts[number] = chunks

    def open_passes(self, number: DriveNumber) -> Mapping[PassId, PassState]:
        """Return the unfinished passes of a drive, as they are now."""
        return dict(self.unfinished.get(number, {}))

    def put_pass(self, state: PassState) -> None:
        """Add or replace an unfinished pass."""
        self.unfinished.setdefault(state.drive, {})[state.id] = state

    def end_pass(self, ended: PassHistory) -> None:
        """Remove an unfinished pass and keep what became of it."""
        del self.unfinished[ended.drive][ended.id]
        self.ended[ended.drive] = (*self.ended.get(ended.drive, ()), ended)

    def found(self, finding: FindingId) -> Finding | None:
        """Return a finding in any state."""
        return self.found_ones.get(finding)

    def put_finding(self, finding: Finding) -> None:
        """Add or replace a finding."""
        self.found_ones[finding.id] = finding

    def rows(self, register: Register, number: DriveNumber, rows: range) -> Mapping[int, bytes]:
        """Return those packed rows that there are."""
        held = ((row, self.packed.get((register, number, row))) for row in rows)
        return {row: packed for row, packed in held if packed is not None}

    def put_row(self, register: Register, number: DriveNumber, row: int, packed: bytes) -> None:
        """Add or replace a packed row."""
        self.packed[register, number, row] = packed


class MemoryCatalogue:
    """A `CatalogueStore` without a file. Read and written by one thread."""

    def __init__(self) -> None:
        self._held = Snapshot()

    def snapshot(self) -> Snapshot:
        """Return what it holds now. Costs nothing: `apply` changes a copy, never this."""
        return self._held

    def restore(self, snapshot: Snapshot) -> None:
        """Go back to a snapshot, as a power cut does with an unfinished transaction."""
        self._held = snapshot

    def head(self) -> tuple[int, str] | None:
        """Return sequence and digest of the last journal entry it contains."""
        return self._held.head

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up, all or none of them."""
        check_follows(self._held.head, entries)
        if not entries:
            return
        after = self._held.copy()
        for entry in entries:
            add(entry, after)
        after.head = (entries[-1].sequence, entries[-1].digest)
        if before_commit is not None:
            before_commit()
        self._held = after

    def drives(self) -> tuple[DriveCard, ...]:
        """Return all drives in care, by number."""
        cards = sorted(self._held.cards.items())
        return tuple(card for _, card in cards if card.withdrawn_on is None)

    def drive(self, number: DriveNumber) -> DriveCard:
        """Return one card, withdrawn or not, or raise UnknownDriveError."""
        card = self._held.card(number)
        if card is None:
            raise UnknownDriveError(f"{number}: no such drive; `refreshd shelf` lists all")
        return card

    def digests(self, number: DriveNumber, first: int, count: int) -> bytes:
        """Return `count` recorded digests, packed; NO_DIGEST where none is recorded."""
        return self._run(Register.DIGESTS, number, first, count)

    def recorded_chunks(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        return self._held.recorded(self.drive(number).number)

    def written_days(self, number: DriveNumber, first: int, count: int) -> array[int]:
        """Return, per chunk, the day of its last proved rewrite as a proleptic ordinal."""
        return unpack_days(self._run(Register.DAYS, number, first, count))

    def _run(self, register: Register, number: DriveNumber, first: int, count: int) -> bytes:
        rows = self._held.rows(register, self.drive(number).number, rows_of(first, count))
        return read_run(rows, register.width, first, count)

    def findings(self, number: DriveNumber | None = None) -> tuple[Finding, ...]:
        """Return open findings, of one drive or of all in care, by drive and place."""
        wanted = {card.number for card in self.drives()}
        if number is not None:
            wanted = {self.drive(number).number}
        found = (
            finding
            for finding in self._held.found_ones.values()
            if finding.drive in wanted and finding.state is FindingState.OPEN
        )
        return tuple(sorted(found, key=lambda one: (one.drive, one.span.start, _serial(one.id))))

    def finding(self, number: DriveNumber, finding: FindingId) -> Finding:
        """Return one finding in any state, or raise UsageError."""
        found = self._held.found(finding)
        if found is None or found.drive != number:
            raise UsageError(
                f"{number} has no finding {finding}; `refreshd findings` lists the open ones"
            )
        return found

    def unfinished_pass(self, number: DriveNumber, kind: PassKind) -> PassState | None:
        """Return the pass of this kind that was begun on this drive and has not ended."""
        unfinished = self._held.open_passes(self.drive(number).number).values()
        return next((state for state in unfinished if state.kind is kind), None)

    def next_finding_id(self) -> FindingId:
        """Return an id that no finding has had yet."""
        highest = max((_serial(finding) for finding in self._held.found_ones), default=0)
        return FindingId(f"F{highest + 1}")

    def passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over this drive that have ended, oldest first."""
        return self._held.ended.get(self.drive(number).number, ())

    def oldest_written(self, number: DriveNumber) -> LastRewrite:
        """Return the drive's last-rewrite date, and the chunks held back from it (I4)."""
        minima = {
            row: min(unpack_days(packed))
            for (register, drive, row), packed in self._held.packed.items()
            if register is Register.DAYS and drive == number
        }
        return last_rewrite(self.drive(number), self.findings(number), minima, self._held)


def _serial(finding: FindingId) -> int:
    """Return the number in a finding's id."""
    return int(finding.removeprefix("F"))
