"""
Disks that are proved before they are taken into care.

- S1 A proving begins only by hand. One that was cut short goes on by itself where it provably is
  the same stay of the same disk, or where it only reads. Else it is offered: somebody may have put
  something on the disk meanwhile, and a proving writes over it. One that somebody stopped by hand
  is offered, too: whoever starts the service anew does not take that back.
- S2 A disk of an unfinished proving is no stranger, and is not reported as one.
- S3 What was wished for at the beginning holds for that proving alone. Once it has begun it goes on
  as it was planned: else each pause would begin it anew, and a word that gave up what was on the
  disk then would give up what somebody put on it since.
- S4 After its certificate people are told what it says, and how to take the disk into care.
"""

from __future__ import annotations

from dataclasses import replace

from refreshd.caretaker import words
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant, Run
from refreshd.events import ProvingCheckpoint
from refreshd.passes.proving.work import STOPPED_BY_HAND, is_stopped_by_hand
from refreshd.ports import NO_NUMBER, ProvingWish, VisitOrder
from refreshd.proving_cards import Certificate, Proving, StepResult
from refreshd.quantities import Outcome, PassKind


def take_up(house: House, one: Occupant) -> bool:
    """Go on with the proving of a disk that came, or offer that; say if there is one (S1, S2)."""
    proving = _unfinished(house, one)
    if proving is None:
        return False
    if _may_go_on(one, proving):
        # Nothing is wished for: what was begun goes on as it was planned.
        wish, node = ProvingWish(), one.seat.node
        one.order = VisitOrder(NO_NUMBER, PassKind.PROVING, on=node, proving=wish)
    elif one.evidence is not None:
        house.post(words.proving_waits(one.seat.node, one.evidence, proving))
    return True


def _unfinished(house: House, one: Occupant) -> Proving | None:
    evidence = one.evidence
    if evidence is None:
        return None
    for proving in house.around.ledger.unfinished_provings():
        if _is_same_stay(one, proving) or proving.evidence.is_surely_of(evidence):
            return proving
    return None


def stopped(house: House, one: Occupant, why: str) -> None:
    """Write down that somebody stopped a proving, so that no later service goes on with it (S1)."""
    proving = _unfinished(house, one)
    if proving is None:
        return
    said = StepResult(proving.step, Outcome.SUCCESS, (STOPPED_BY_HAND, f"{why}."))
    house.write(
        ProvingCheckpoint(
            proving_id=proving.id,
            presence=proving.presence,
            step=proving.step,
            next_byte=proving.next_byte,
            results=(said,),
            note=why,
        )
    )


def _may_go_on(one: Occupant, proving: Proving) -> bool:
    if is_stopped_by_hand(proving):
        return False
    return _is_same_stay(one, proving) or not proving.plan.is_writing


def _is_same_stay(one: Occupant, proving: Proving) -> bool:
    return one.presence is not None and proving.presence.is_same_stay(one.presence)


def heard(house: House, one: Occupant, run: Run) -> None:
    """Let go of what was wished for, once the proving that it was wished for has begun (S3)."""
    order, proving = one.order, _unfinished(house, one)
    if order is None or order.proving is None or proving is None:
        return
    if proving.begun_at >= run.begun_at or not order.proving.is_anew:
        one.order = replace(order, proving=ProvingWish())


def certificate_of(house: House, one: Occupant, run: Run) -> Certificate | None:
    """Return what a proving found that has ended; also where its worker could not say it (S4)."""
    if run.ended is not None and run.ended.certificate is not None:
        return run.ended.certificate
    if one.evidence is None:
        return None
    found = house.around.ledger.certificates(one.evidence)
    return next((it for it in reversed(found) if it.ended_at >= run.begun_at), None)


def proved(house: House, one: Occupant, certificate: Certificate) -> None:
    """Tell what the proving of a disk found."""
    one.order = None
    one.tries = one.failures = one.heats = 0
    house.post(words.proved(one.seat.node, certificate))
