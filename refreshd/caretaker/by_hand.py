"""What people ask for by hand: a pass begun or stopped. Refused with the reason, never queued.

Only the disk that is asked for counts here; what speaks against a pass in general is the same for
the plan and for people (`obstacles`), I9 above all.
"""

from __future__ import annotations

from refreshd.caretaker.house import House
from refreshd.caretaker.obstacles import all_against
from refreshd.caretaker.occupants import Cause, Occupant, Stop, Work
from refreshd.caretaker.visits import ask_to_stop
from refreshd.caretaker.wanting import wanted
from refreshd.errors import RefusedError, UsageError
from refreshd.ports import Seat, VisitOrder
from refreshd.quantities import DriveNumber, PassKind


def order_by_hand(house: House, order: VisitOrder) -> Seat:
    """
    Note that somebody asks for a pass now, if nothing speaks against it; return its seat.

    Raises:
        UnknownDriveError: No such drive is in care.
        RefusedError: It is not here, or something speaks against it.
    """
    house.look_again()
    house.fresh_rows()
    one = _stranger_at(house, order) if order.is_of_stranger else _drive_here(house, order)
    _refuse_busy(one, order.label)
    for obstacle in all_against(house, one, order):
        is_resting = obstacle.kind == "busy" and one.work is Work.REST
        if not is_resting:
            raise RefusedError(f"no {order.what} now: {obstacle.why}")
    one.order = order
    one.over, one.released_how, one.kept = None, None, ""
    one.is_stopped_by_hand, one.retry_s, one.failures = False, None, 0
    return one.seat


def _drive_here(house: House, order: VisitOrder) -> Occupant:
    number = order.drive
    card = house.card(number)
    if card.withdrawn_on is not None:
        raise RefusedError(f"{number} was withdrawn on {card.withdrawn_on}; its card is closed")
    here = house.occupants.of(number)
    if not here:
        raise RefusedError(
            f"{number} is not plugged in, or not identified yet; it belongs in {card.shelfmark}. "
            "`refreshd status` lists what is here"
        )
    one = next((each for each in here if order.on in {None, each.seat.node}), None)
    if one is None:
        raise RefusedError(f"{number} is at {here[0].seat.node}, not at {order.on}")
    if order.kind is not PassKind.ACCESSION and not card.is_taken_in:
        raise RefusedError(
            f"{number} was not taken in completely; run the accession again to finish it"
        )
    return one


def _stranger_at(house: House, order: VisitOrder) -> Occupant:
    """Return the disk that is to be taken into care: one that the service saw arrive itself."""
    one = None if order.on is None else house.occupants.at(order.on)
    if one is None:
        raise RefusedError(
            f"no disk is known at {order.on}: name a whole disk that was plugged in, such as "
            "/dev/sdb; `refreshd status` lists them"
        )
    if order.proving is not None and one.drive is not None:
        raise RefusedError(
            f"the disk at {order.on} is {one.drive}, and in care: only a drive that is in nobody's "
            "care is proved"
        )
    if one.drive is not None and (one.drive != order.drive or house.card(one.drive).is_taken_in):
        raise RefusedError(f"the disk at {order.on} is {one.drive}, and in care already")
    return one


def _refuse_busy(one: Occupant, label: str) -> None:
    node = one.seat.node
    if one.run is not None:
        doing = "stops" if one.run.stop is not None else "is under way"
        raise RefusedError(f"a {one.run.order.what} {doing} at {node}")
    if one.hanging or one.unclear:
        raise RefusedError(f"the disk at {node} cannot be used: {one.hanging or one.unclear}")
    if one.work is Work.IDENTIFY or one.is_in_question:
        raise RefusedError(f"the disk at {node} is still being identified; ask again in a moment")
    if one.work is Work.RELEASE:
        raise RefusedError(
            f"{label} is being released at {node}; unplug it, and plug it in again for a pass"
        )


def stop_by_hand(house: House, number: DriveNumber, by: str) -> None:
    """Stop what is under way or waits; it does not begin again by itself in this stay (V6)."""
    stop = Stop(Cause.BY_HAND, f"{by} stopped it")
    for one in house.occupants.visiting():
        if one.run is not None and one.run.order.drive == number and not one.is_gone:
            ask_to_stop(house, one, stop)
            return
    for one in house.occupants.of(number):
        if wanted(house, one) is not None:
            one.order, one.is_stopped_by_hand, one.waits_for = None, True, ""
            return
    raise UsageError(f"no pass over {number} is under way; `refreshd status` lists them")


def stop_proving(house: House, node: str, by: str) -> None:
    """Stop the proving of the disk at a node, or let one that waits not begin."""
    one = house.occupants.at(node)
    order = None if one is None else one.order
    if one is None or order is None or order.kind is not PassKind.PROVING:
        raise UsageError(f"no proving at {node} is under way; `refreshd status` lists what is")
    if one.run is not None:
        ask_to_stop(house, one, Stop(Cause.BY_HAND, f"{by} stopped it"))
    else:
        one.order, one.waits_for = None, ""
