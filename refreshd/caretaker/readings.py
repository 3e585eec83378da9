"""
How the drives are that stay attached, and what people are told of their health.

- H1 A drive in care that is here and idle is asked how it is: once when it came, then every
  `health_while_attached`. Nothing waits for that reading, nothing is put off by it, and it counts
  as no work: a drive that is left connected goes back as if it had not been asked.
- H2 It is not asked while a pass is under way or wanted, which takes readings of its own; nor when
  it is done with. From the moment in which it rests it is asked only whether it stands still: then
  it is left alone. What such a reading runs into is told by the next pass, if it still matters.
- H3 A verdict that gets worse is told once, as an alarm, where it asks for something: "copy off
  and replace" and "do not write". "Watch" stands in the status.
- H4 What got worse in a stay that goes on when the service starts is told then, again or for the
  first time: nobody knows what the service before it could still tell.
"""

from __future__ import annotations

from math import inf

from refreshd.cards import DriveCard, Stay
from refreshd.caretaker import words
from refreshd.caretaker.house import House
from refreshd.caretaker.obstacles import against
from refreshd.caretaker.occupants import Occupant, Run
from refreshd.caretaker.visits import begin_aside
from refreshd.caretaker.wanting import wanted
from refreshd.errors import UnknownDriveError
from refreshd.health.left_alone import is_left_alone
from refreshd.health_cards import HealthEntry, Moment, Verdict
from refreshd.messages import WorkerEnded
from refreshd.policy import resolve
from refreshd.ports import VisitOrder
from refreshd.quantities import DriveNumber, PassKind

# --- Asking drives that stay attached


def begin_readings(house: House) -> None:
    """Ask those drives how they are for which it is time (H1, H2)."""
    if house.wants_prompt:
        return  # A pass may come of that in a moment.
    for one in house.occupants:
        due_s = reading_due_s(house, one)
        if due_s is None or house.now_s < due_s or one.drive is None:
            continue
        order = VisitOrder(one.drive, PassKind.HEALTH, on=one.seat.node, lets_sleep=one.is_rested)
        if against(house, one, order) is None:
            begin_aside(house, one, order)


def reading_due_s(house: House, one: Occupant) -> float | None:
    """Return when to ask a drive how it is, by the clock that never jumps; None: not now."""
    if one.drive is None or not _may_be_asked(house, one) or one.drive not in house.stays:
        return None
    card = house.card(one.drive)
    every_s = resolve(house.policy, card.medium, card.number).attached_health_interval_s
    if every_s is None or card.withdrawn_on is not None or wanted(house, one) is not None:
        return None
    read_s = _read_s(house, one, house.stays[one.drive])
    return None if one.is_left_alone else max(one.asked_s, read_s) + every_s


def _may_be_asked(house: House, one: Occupant) -> bool:
    is_idle = one.work is None and one.run is None and one.retry_s is None and one.over is None
    return is_idle and one.is_usable and len(house.occupants.of(one.drive or DriveNumber(""))) == 1


def _read_s(house: House, one: Occupant, stay: Stay) -> float:
    """Return when it was last read in this stay, by the clock that never jumps; -inf: not yet."""
    last = last_reading(house, one)
    if last is None or last.at < stay.arrived_at:
        return -inf
    return house.now_s - (house.now - last.at).total_seconds()


def last_reading(house: House, one: Occupant) -> HealthEntry | None:
    """Return the last health reading of a drive; looked up once after each of its visits."""
    if not one.is_looked_up and one.drive is not None:
        series = house.around.ledger.health(one.drive)
        one.last_reading, one.is_looked_up = (series[-1] if series else None), True
        one.is_left_alone = is_left_alone(series, Moment.BETWEEN, house.now)
    return one.last_reading


def ended(house: House, one: Occupant, run: Run, message: WorkerEnded) -> None:
    """Go on when the worker has ended that asked a drive how it is."""
    one.asked_s = house.now_s
    told = run.ended
    if message.is_left and not one.is_gone:
        one.hanging = "it hangs while it is asked about its health"
        house.post(words.left_alone(one.seat.node, _card(house, one), one.hanging))
    elif told is None or not told.is_complete:
        return
    elif not told.was_asleep:
        one.is_rested = False  # It turns, or it would not have been asked: let it rest again.
        house.shelf_changed()


def _card(house: House, one: Occupant) -> DriveCard | None:
    return None if one.drive is None else house.card(one.drive)


# --- Telling


def tell_worse(house: House) -> None:
    """Tell of each drive whose verdict got worse, once (H3, H4)."""
    rows = house.rows
    if house.verdicts_from is not rows:
        is_first = house.verdicts_from is None
        house.verdicts_from = rows
        for row in rows:
            if is_first:
                house.verdicts[row.card.number] = _known_before(house, row.card)
            _tell(house, row.card)
    for one in house.occupants:
        if one.run is not None and one.run.order.number is not None and not one.run.is_aside:
            _tell_of_visit(house, one.run.order.drive)


def _tell_of_visit(house: House, number: DriveNumber) -> None:
    """Look at a drive that is worked on: its worker writes its health down."""
    try:
        _tell(house, house.card(number))
    except UnknownDriveError:
        return  # Its accession has just begun.


def _known_before(house: House, card: DriveCard) -> Verdict:
    """Return the verdict that people were told of for certain before the service started (H4)."""
    stay = house.stays.get(card.number)
    if card.health is None or stay is None or not card.is_to_replace:
        return verdict_of(card)
    earlier = [one for one in house.around.ledger.health(card.number) if one.at < stay.arrived_at]
    return earlier[-1].verdict if earlier else Verdict.NOT_KNOWN


def _tell(house: House, card: DriveCard) -> None:
    now, before = verdict_of(card), house.verdicts.get(card.number, Verdict.NOT_KNOWN)
    house.verdicts[card.number] = now
    if card.health is not None and card.is_to_replace and now.severity > before.severity:
        house.post(words.worse(card, card.health))


def verdict_of(card: DriveCard) -> Verdict:
    """Return what is to be done with a drive as far as its health says."""
    return Verdict.NOT_KNOWN if card.health is None else card.health.verdict
