"""What the archivist looks at: the shelf, a card, findings. Nothing is written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from refreshd.cards import DriveCard, Finding, LastRewrite, PassHistory, PassState
from refreshd.passes.proving.gate import proof_words
from refreshd.planning import Due, due_dates
from refreshd.quantities import DriveNumber, PassKind
from refreshd.wiring.shelf import Shelf, shelf_for_reading
from refreshd.wiring.station import Station


@dataclass(frozen=True, slots=True)
class ShelfLine:
    """One drive of the shelf list."""

    card: DriveCard
    rewritten: LastRewrite
    due: Due
    open_findings: int
    unfinished: tuple[PassState, ...] = ()


@dataclass(frozen=True, slots=True)
class ShelfList:
    """All drives in care, those due first on top."""

    as_of: date
    lines: tuple[ShelfLine, ...]


def shelf_list(station: Station, as_of: date | None = None) -> ShelfList:
    """List the drives in care by due date, as seen on one day (None: today)."""
    day = as_of or station.clock.now().date()
    with shelf_for_reading(station) as shelf:
        lines = [_line(station, shelf, card, day) for card in shelf.ledger.drives()]
    return ShelfList(day, tuple(sorted(lines, key=lambda line: (line.due.due, line.card.number))))


def _line(station: Station, shelf: Shelf, card: DriveCard, as_of: date) -> ShelfLine:
    rewritten = shelf.ledger.oldest_written(card.number)
    due = due_dates(card, rewritten.on, station.policy_of(card.medium, card.number), as_of)
    states = (shelf.ledger.unfinished_pass(card.number, kind) for kind in PassKind)
    return ShelfLine(
        card=card,
        rewritten=rewritten,
        due=due,
        open_findings=len(shelf.ledger.findings(card.number)),
        unfinished=tuple(state for state in states if state is not None),
    )


@dataclass(frozen=True, slots=True)
class DriveView:
    """Everything that is known of one drive."""

    line: ShelfLine
    as_of: date
    passes: tuple[PassHistory, ...]
    findings: tuple[Finding, ...]
    recorded_chunks: int
    copies: tuple[DriveNumber, ...] = ()  # other drives in care of the same holding
    proof: str = ""  # whether it was ever proved, as the end of a sentence; empty: no drive

    @property
    def card(self) -> DriveCard:
        """The drive's card."""
        return self.line.card

    @property
    def unfinished(self) -> tuple[PassState, ...]:
        """Passes that were interrupted."""
        return self.line.unfinished


def look_at(station: Station, number: DriveNumber) -> DriveView:
    """Return what is known of a drive, also of one that was withdrawn."""
    today = station.clock.now().date()
    with shelf_for_reading(station) as shelf:
        ledger = shelf.ledger
        card = ledger.drive(number)
        return DriveView(
            line=_line(station, shelf, card, today),
            as_of=today,
            passes=ledger.passes(number),
            findings=ledger.findings(number),
            recorded_chunks=ledger.recorded_chunks(number),
            copies=_copies(card, ledger.drives()),
            proof=proof_words(ledger, card.evidence),
        )


def _copies(card: DriveCard, in_care: Iterable[DriveCard]) -> tuple[DriveNumber, ...]:
    return tuple(
        one.number
        for one in in_care
        if card.holding and one.holding == card.holding and one.number != card.number
    )


@dataclass(frozen=True, slots=True)
class FindingView:
    """An open finding and the drive that it is on."""

    finding: Finding
    card: DriveCard

    @property
    def is_whole_drive(self) -> bool:
        """Say whether it speaks of the drive as a whole, not of one chunk of a tiny one."""
        return self.finding.span.length == self.card.grid.size_bytes and self.card.grid.count > 1


def open_findings(station: Station, number: DriveNumber | None = None) -> tuple[FindingView, ...]:
    """Return the open findings of one drive or of all in care, by drive and place."""
    with shelf_for_reading(station) as shelf:
        found = shelf.ledger.findings(number)
        cards = {one: shelf.ledger.drive(one) for one in {finding.drive for finding in found}}
    return tuple(FindingView(finding, cards[finding.drive]) for finding in found)
