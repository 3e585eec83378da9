"""
What speaks against a pass now. Each rule gives a sentence, or nothing.

- O1 Nothing is begun while nothing can be recorded, or the clock is not believed (I4, I5).
- O2 Nothing is begun, and nothing goes on, during a pause, in quiet hours, and on battery where
  the policy says "rest".
- O3 At most as many passes run at a time as there are bays.
- O4 Of two drives that hold copies of the same content at most one is worked on at a time, and a
  refresh is begun only when the last writing to the other lies `visits.siblings_apart` back (I9).
- O5 Two disks that claim the same number are not worked on: one of them is mistaken for the other.
- O6 No drive is worked on while an earlier worker of it is still out.
- O7 A drive on hold is not written to.
- O8 A drive that got too hot rests for a while.
- O9 A health reading takes seconds and makes no noise: quiet hours are no obstacle to it, nor is
  the battery. A pause is: whoever asked for it may have his hands at the bays.
- O10 A proving is of a disk that has no number and no copies; it keeps to all other rules.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from refreshd.cards import ShelfRow
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant, Work
from refreshd.durations import add
from refreshd.hours import is_quiet, next_edge
from refreshd.passes.copies import last_written
from refreshd.policy_tables import OnBattery
from refreshd.ports import VisitOrder
from refreshd.quantities import DriveNumber, PassKind
from refreshd.spreading import are_siblings


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a pass may not run now. `kind` tells one sort of waiting from another."""

    kind: str
    why: str
    is_lasting: bool = False  # waiting beside the server is no use: days, or until somebody acts


def against(house: House, one: Occupant, order: VisitOrder) -> Obstacle | None:
    """Return what speaks against beginning a pass over a drive that is here."""
    return next(all_against(house, one, order), None)


def all_against(house: House, one: Occupant, order: VisitOrder) -> Iterator[Obstacle]:
    """Yield all that speaks against it."""
    if not house.scribe.is_well:
        why = house.scribe.clock_alarm or house.scribe.record_alarm
        yield Obstacle("record", f"nothing can be recorded: {why}")
    yield from against_any(house, order.kind)
    yield from _of_the_seat(house, one, order.number)
    yield from _heat(house, one)
    if order.kind is PassKind.REFRESH:
        yield from _hold(house, order.drive)
    yield from _bays(house)
    if not order.is_of_stranger:
        yield from _siblings(house, order)


def against_any(house: House, kind: PassKind) -> Iterator[Obstacle]:
    """Yield what speaks against every pass of a kind, also one that is under way (O2, O9)."""
    if house.is_ending:
        yield Obstacle("ending", "the service ends")
    pause = house.pause
    if pause is not None:
        until = "somebody says `refreshd resume`"
        if pause.until is not None:
            until = f"{pause.until:%Y-%m-%d %H:%M} UTC"
        yield Obstacle("pause", f"{pause.said_by} paused all passes until {until}")
    if kind is PassKind.HEALTH:
        return
    spans = house.policy.visits.quiet_hours
    if spans and is_quiet(spans, house.local_now):
        edge = next_edge(spans, house.local_now)
        until = "" if edge is None else f", at least until {edge:%H:%M}"
        yield Obstacle("quiet", f"these are quiet hours{until}")
    if house.policy.visits.on_battery is OnBattery.REST and house.around.is_on_battery():
        yield Obstacle("battery", "the server runs on battery")


def _of_the_seat(house: House, one: Occupant, number: DriveNumber | None) -> Iterator[Obstacle]:
    """Yield what speaks against any pass over this disk (O5, O6)."""
    claims = () if number is None else house.occupants.of(number)
    same = [other for other in claims if other is not one]
    if same:
        nodes = ", ".join(sorted(other.seat.node for other in (one, *same)))
        why = f"{nodes} all claim to be {number}; unplug all but the right one"
        yield Obstacle("double", why)
    if one.work is not None and one.work is not Work.IDENTIFY:
        yield Obstacle("busy", f"{one.seat.node} is busy ({one.work})")
    elif number is not None and house.occupants.is_worked_on(number):
        yield Obstacle("worker", f"an earlier worker for {number} has not ended yet")


def _heat(house: House, one: Occupant) -> Iterator[Obstacle]:
    """Yield that a disk rests since it got too hot (O8)."""
    if one.cool_s is not None and house.now_s < one.cool_s:
        until = house.wall(one.cool_s)
        why = (
            f"it got too hot, and rests until {until:%H:%M} UTC; give it air: a fan, more room "
            "around it, a cooler place"
        )
        yield Obstacle("heat", why)


def _hold(house: House, number: DriveNumber) -> Iterator[Obstacle]:
    """Yield that nothing may be written to a drive (O7); the worker would refuse it, too."""
    hold = house.card(number).hold
    if hold is not None:
        why = f"{number} is on hold, nothing may be written to it: {hold}"
        yield Obstacle("hold", why, is_lasting=True)


def _bays(house: House) -> Iterator[Obstacle]:
    """Yield that all bays are taken (O3)."""
    visiting = house.occupants.visiting()
    bays = house.policy.visits.bays
    if len(visiting) >= bays:
        orders = [one.run.order for one in visiting if one.run is not None]
        names = ", ".join(sorted(order.label for order in orders))
        one_or_all = "the bay is" if bays == 1 else f"all {bays} bays are"
        # What is over in seconds is nothing to tell people of.
        is_brief = any(order.kind is PassKind.HEALTH for order in orders)
        yield Obstacle("reading" if is_brief else "bays", f"{one_or_all} taken by {names}")


def _siblings(house: House, order: VisitOrder) -> Iterator[Obstacle]:
    """Yield which copies of the same content forbid it (O4, I9)."""
    mine = house.card(order.drive)
    siblings = [row for row in house.rows if are_siblings(mine, row.card)]
    if not siblings:
        return
    for row in siblings:
        number = row.card.number
        # A request that hangs in the kernel may still write when it is let go.
        is_hanging = any(one.hanging for one in house.occupants.of(number))
        if is_hanging or house.occupants.is_worked_on(number):
            yield Obstacle("sibling", f"{number}, which holds the same content, is worked on")
    if order.kind is PassKind.REFRESH:
        yield from _too_close(house, order.drive, siblings)


def _too_close(house: House, number: DriveNumber, siblings: list[ShelfRow]) -> Iterator[Obstacle]:
    apart = house.policy.visits.siblings_apart
    for row in siblings:
        written = _last_written(house, row)
        if written is None:
            continue
        free_on = add(written, apart)
        if house.today < free_on:
            yield Obstacle(
                "apart",
                f"{row.card.number}, which holds the same content, was written to on {written}; "
                f"{number} may be refreshed from {free_on} on ({apart} apart)",
                is_lasting=free_on - house.today > timedelta(days=1),
            )


def _last_written(house: House, row: ShelfRow) -> date | None:
    """Return the last day on which a drive may have been written to, as far as anybody knows."""
    days = [last_written(house.around.ledger, row), house.stopped_writing.get(row.card.number)]
    return max((day for day in days if day is not None), default=None)
