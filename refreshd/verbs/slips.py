"""Slips as the archivist works through them: what to bring out, what to put away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from refreshd.cards import DriveCard, Slip, SlipState, Stay
from refreshd.errors import RefusedError, UsageError
from refreshd.events import DriveLeft, SlipReturned
from refreshd.quantities import DriveNumber, SlipNumber
from refreshd.spreading import PlannedVisit, Planner
from refreshd.wiring.shelf import Shelf, shelf_for_reading, shelf_for_writing
from refreshd.wiring.station import Station

COMING_MAX = 10
"""So many drives that will be asked for next are named; `shelf` lists all."""


@dataclass(frozen=True, slots=True)
class PullLine:
    """One slip that somebody has still something to do about, and the card of its drive.

    `place`: the device node where the drive is plugged in; None: it is not, as far as is known.
    """

    slip: Slip
    card: DriveCard
    place: str | None = None
    is_released: bool = False


@dataclass(frozen=True, slots=True)
class PlannedLine:
    """A drive that will be asked for, and its card."""

    visit: PlannedVisit
    card: DriveCard


@dataclass(frozen=True, slots=True)
class PullList:
    """The open slips by what is to be done about them, each by number, and what comes next.

    `confirms_return`: the policy wants to hear that a drive lies in its place again. `overload`:
    that the bays cannot serve what the policy wants; empty where they can.
    """

    as_of: date
    to_bring: tuple[PullLine, ...] = ()
    at_work: tuple[PullLine, ...] = ()
    to_put_away: tuple[PullLine, ...] = ()
    planned: tuple[PlannedLine, ...] = ()
    confirms_return: bool = False
    overload: str = ""

    @property
    def lines(self) -> tuple[PullLine, ...]:
        """All that somebody has still something to do about, in the order of the list."""
        return (*self.to_bring, *self.to_put_away, *self.at_work)


def pull_list(station: Station) -> PullList:
    """Return what is to be brought out and put away, and which drives come next."""
    today = station.clock.now().date()
    policy = station.policy.policy
    with shelf_for_reading(station) as shelf:
        stays = {stay.drive: stay for stay in shelf.ledger.stays()}
        lines = tuple(_line(shelf, slip, stays) for slip in shelf.ledger.slips())
        asked = {line.slip.drive for line in lines}
        rows = shelf.ledger.shelf_rows()
        planner = Planner()
        planned, load = planner.plan(rows, policy, today), planner.load(rows, policy)
        coming = [visit for visit in planned if visit.drive not in asked][:COMING_MAX]
        next_ones = tuple(PlannedLine(one, shelf.ledger.drive(one.drive)) for one in coming)
    return PullList(
        as_of=today,
        to_bring=_in_state(lines, SlipState.ISSUED),
        at_work=_in_state(lines, SlipState.ANSWERED),
        to_put_away=_in_state(lines, SlipState.TO_PUT_AWAY),
        planned=next_ones,
        confirms_return=policy.slips.confirms_return,
        overload=load.sentence if load.is_too_much else "",
    )


def _line(shelf: Shelf, slip: Slip, stays: Mapping[DriveNumber, Stay]) -> PullLine:
    card, stay = shelf.ledger.drive(slip.drive), stays.get(slip.drive)
    if stay is None:
        return PullLine(slip, card)
    return PullLine(slip, card, stay.place, stay.is_released)


def _in_state(lines: tuple[PullLine, ...], state: SlipState) -> tuple[PullLine, ...]:
    return tuple(line for line in lines if line.slip.state is state)


def slip_of(station: Station, number: SlipNumber) -> Slip:
    """Return one slip in any state, or raise UsageError."""
    with shelf_for_reading(station) as shelf:
        return shelf.ledger.slip(number)


def open_slip_of(station: Station, number: DriveNumber) -> Slip | None:
    """Return the open slip of a drive; None: it has none."""
    with shelf_for_reading(station) as shelf:
        return next(iter(shelf.ledger.slips(shelf.ledger.drive(number).number)), None)


def returned(station: Station, number: DriveNumber, said_by: str) -> Slip:
    """
    Write down, where no daemon watches, that a drive lies in its place again.

    Raises:
        UsageError: Nobody was asked to put it away.
        RefusedError: Its visit is not over.

    """
    with shelf_for_writing(station) as shelf:
        card = shelf.ledger.drive(number)
        slip = next(iter(shelf.ledger.slips(number)), None)
        if slip is None or slip.state is SlipState.ISSUED:
            raise UsageError(f"{number}: {_nothing_to_return(card, slip)}")
        if slip.state is SlipState.ANSWERED:
            raise RefusedError(
                f"{number} is at work for slip {slip.number}; when that is over, its slip asks to "
                "put it away"
            )
        if any(stay.drive == number for stay in shelf.ledger.stays()):
            # Nobody saw it go: the word of whoever put it away is what there is.
            shelf.ledger.record(DriveLeft(drive=number, note=f"{said_by} says so"))
        how = f"{said_by} says that it lies in its place"
        shelf.ledger.record(SlipReturned(drive=number, slip=slip.number, how=how))
        return shelf.ledger.slip(slip.number)


def _nothing_to_return(card: DriveCard, slip: Slip | None) -> str:
    if slip is None:
        return f"no slip is open for it, so it is taken to lie in its place, {card.shelfmark}"
    return f"slip {slip.number} asks to bring it out, and nobody has brought it yet"
