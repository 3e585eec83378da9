"""Which pass is wanted of a drive that is here (V1 of refreshd.caretaker.visits)."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.cards import DriveCard, Slip, SlipState
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant
from refreshd.policy import resolve
from refreshd.ports import NewCard, VisitOrder
from refreshd.quantities import Errand, PassKind


def wanted(house: House, one: Occupant) -> VisitOrder | None:
    """Return which pass a drive that is here is wanted for (V1)."""
    number = one.drive
    if one.is_stranger and one.order is not None and one.is_reachable:
        return one.order  # its accession or its proving
    if number is None or not one.is_usable or one.over is not None:
        return None
    card = house.card(number)
    if card.withdrawn_on is not None:
        return None
    is_only_read = card.is_to_replace or one.is_failing
    if one.order is not None and not (is_only_read and _is_refresh_of_plan(one.order)):
        return one.order
    if one.is_stopped_by_hand:
        return None
    orders = [
        order
        for order in _orders(house, card, is_only_read=is_only_read)
        if order.kind not in one.completed
    ]
    # A drive on hold is read meanwhile, if that is wanted as well.
    is_held = card.hold is not None
    allowed = [order for order in orders if not (is_held and order.kind is PassKind.REFRESH)]
    return next(iter(allowed or orders), None)


def _is_refresh_of_plan(order: VisitOrder) -> bool:
    return order.kind is PassKind.REFRESH and not order.asked_by


def _orders(house: House, card: DriveCard, *, is_only_read: bool) -> Iterator[VisitOrder]:
    """Yield what is wanted of a drive, the most important first.

    A drive that is failing is read and copied, not rewritten: its refresh turns into a reading.
    """
    slip = house.slips.get(card.number)
    asked = None
    if slip is not None and slip.state is SlipState.ANSWERED and not is_done(house, slip):
        asked = slip.errand.pass_kind
    if is_only_read and asked is PassKind.REFRESH:
        asked = PassKind.FIXITY
    for kind in (PassKind.ACCESSION, PassKind.REFRESH, PassKind.FIXITY):
        if is_only_read and kind is PassKind.REFRESH:
            continue
        state = house.around.ledger.unfinished_pass(card.number, kind)
        if kind is PassKind.ACCESSION and (state is not None or asked is kind):
            yield VisitOrder(card.number, kind, card=_card_again(card))
        elif state is not None:
            yield VisitOrder(card.number, kind, state.is_closing)
        elif asked is kind:
            yield VisitOrder(card.number, kind, _is_closing(house, card, kind))
    if asked is PassKind.HEALTH:
        yield VisitOrder(card.number, PassKind.HEALTH)


def _card_again(card: DriveCard) -> NewCard:
    """Return what stands on the card of a drive whose taking in goes on."""
    return NewCard(card.shelfmark, card.title, card.medium, card.claimed_written_on, card.holding)


def _is_closing(house: House, card: DriveCard, kind: PassKind) -> bool:
    if kind is not PassKind.REFRESH:
        return False
    return resolve(house.policy, card.medium, card.number).is_closing


def is_done(house: House, slip: Slip) -> bool:
    """Say whether what a slip asks for was done since it was issued, by the record (I5).

    Each pass takes health readings of its own, so that any of them does for a reading.
    """
    if slip.errand is Errand.HEALTH:
        health = house.card(slip.drive).health
        return health is not None and health.read_on >= slip.issued_on
    does = {slip.errand.pass_kind}
    if slip.errand is Errand.FIXITY:
        does.add(PassKind.REFRESH)
    elif slip.errand is Errand.REFRESH and house.card(slip.drive).is_to_replace:
        does.add(PassKind.FIXITY)
    return any(
        done.reached_end and done.kind in does and done.ended_at.date() >= slip.issued_on
        for done in house.around.ledger.passes(slip.drive)
    )
