"""
A drive is done with, or goes.

- L1 A drive in care that is here and wants nothing is offered once. What was done with, or has been
  here for too long without being wanted, is released: flushed, stopped, and only then asked to be
  put away (I9).
- L2 A drive that could not be released is never said to be ready: that is said, and tried again.
- L3 A drive that waits rests: its disk stops turning, and stays connected. One that had trouble
  to start is not stopped before its visit is over: each start may be its last.
- L4 When a drive is gone, so is its stay in the record; a slip that was answered and not done asks
  for it again (T8 of refreshd.service_tally), and people are told.
- L5 A drive that is powered off vanishes: nobody can see whether it was unplugged, so that its
  slip stays open until somebody says so, or the next day (L8 of refreshd.slips).
- L6 A drive that waits for longer than `left_connected` is spoken of, then every day. Of those
  that stay connected after their visit `refreshd.slips` reminds.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from refreshd.cards import DriveCard, Slip, SlipState, Stay
from refreshd.caretaker import words
from refreshd.caretaker.arrivals import is_maybe
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant, Over, Work
from refreshd.caretaker.visits import place_words
from refreshd.caretaker.wanting import is_done, wanted
from refreshd.events import (
    DriveLeft,
    DriveReleased,
    PutAwayAsked,
    SlipIssued,
    SlipReturned,
)
from refreshd.health_cards import Part, Verdict
from refreshd.messages import Released, ReleaseFailed, WorkerEnded
from refreshd.quantities import DriveNumber, Errand, Outcome, PassKind
from refreshd.slip_words import Sheet

RELEASE_AGAIN_S = 900.0
"""When a release that failed is tried again. Chosen, no source."""

REMIND_AGAIN = timedelta(days=1)


# --- Done with


def settle_over(house: House) -> None:
    """Find out which drives are done with in this stay (L1)."""
    for one in house.occupants:
        if one.drive is None or one.work is not None or not is_touchable(house, one):
            continue
        if one.over is None and wanted(house, one) is None:
            _settle_unwanted(house, one, one.drive)
        if one.over is None and _is_here_too_long(house, one):
            one.order = None
            one.over = Over(is_done=False, note=_why_it_goes(one))


def is_touchable(house: House, one: Occupant) -> bool:
    """Say whether a disk is a drive in care, and no other disk claims to be the same."""
    return one.is_usable and one.drive is not None and len(house.occupants.of(one.drive)) == 1


def rest_idle(house: House) -> None:
    """Let the disks rest for which nothing is to be done now (L3)."""
    if house.wants_prompt:
        return  # A slip may come of that in a moment.
    for one in house.occupants:
        is_idle = one.work is None and one.over is None and one.retry_s is None
        is_brief = bool(one.waits_for) and one.is_wait_brief
        is_to_rest = is_idle and not one.is_rested and not is_brief
        if is_to_rest and is_touchable(house, one) and _may_stop(house, one):
            one.is_rested = True
            house.send(one, Work.REST, partial(house.around.bays.rest, one.seat))


def _may_stop(house: House, one: Occupant) -> bool:
    """Say whether a disk may be expected to start again: one that sticks goes on turning (L3)."""
    health = None if one.drive is None else house.card(one.drive).health
    return health is None or all(
        line.part is not Part.STARTING or line.verdict.severity < Verdict.COPY_OFF.severity
        for line in health.evidence
    )


def _settle_unwanted(house: House, one: Occupant, number: DriveNumber) -> None:
    slip = house.slips.get(number)
    is_answered = slip is not None and slip.state is SlipState.ANSWERED
    if one.completed or (slip is not None and is_answered and is_done(house, slip)):
        is_all_done = slip is None or is_done(house, slip)
        one.over = Over(is_done=is_all_done, note=_why_only_read(house, one, slip))
    elif slip is not None and slip.state is SlipState.TO_PUT_AWAY:
        one.over = Over(is_done=True, note=slip.note)  # from before the service was started


def _why_only_read(house: House, one: Occupant, slip: Slip | None) -> str:
    """Say why a drive was read that was asked for to be rewritten; empty: it was not so."""
    is_other = slip is not None and slip.errand is Errand.REFRESH
    if not is_other or PassKind.REFRESH in one.completed or one.drive is None:
        return ""
    health = house.card(one.drive).health
    if health is None or not health.is_to_replace:
        return ""
    reason = next(iter(health.reasons), str(health.verdict)).rstrip(".")
    return f"it was read and not rewritten: {reason}. Copy its content off"


def _is_here_too_long(house: House, one: Occupant) -> bool:
    """Say whether a drive is connected without being worked on, and waiting is no use."""
    if one.waits_for and not one.is_wait_lasting:
        return False
    return house.now_s >= one.idle_s + house.policy.slips.connected_s


def _why_it_goes(one: Occupant) -> str:
    if one.waits_for:
        return f"it could not be visited: {one.waits_for}"
    if one.is_stopped_by_hand:
        return "its pass was stopped by hand"
    return "nothing was wanted of it"


# --- Released


def release_over(house: House) -> None:
    """Flush and stop what is done with (L1)."""
    for one in house.occupants:
        is_time = one.retry_s is None or house.now_s >= one.retry_s
        is_wanted = one.over is not None and one.released_how is None and one.order is None
        if is_touchable(house, one) and is_wanted and is_time and one.work is None:
            if is_released(house, one):
                continue
            house.send(one, Work.RELEASE, partial(house.around.bays.release, one.seat))


def is_released(house: House, one: Occupant) -> bool:
    """Say whether the record has that a drive may be unplugged."""
    stay = None if one.drive is None else house.stays.get(one.drive)
    return stay is not None and stay.is_released


def hear_release(one: Occupant, message: Released | ReleaseFailed) -> None:
    """Take in how a release went."""
    if isinstance(message, Released):
        one.released_how, one.kept, one.is_off = message.how, "", message.is_powered_off
    else:
        one.kept = message.error.message


def release_ended(house: House, one: Occupant, message: WorkerEnded) -> None:
    """Say that a drive was not released (L2)."""
    if one.released_how is not None:
        return
    if message.is_left:
        one.hanging = "it hangs while it is being stopped"
        house.post(words.left_alone(one.seat.node, _card_of(house, one), one.hanging))
        return
    one.kept = one.kept or f"its worker ended with code {message.exit_code} and no answer"
    one.retry_s = house.now_s + RELEASE_AGAIN_S
    if not one.is_kept_said:
        one.is_kept_said = True
        house.post(words.not_released(_card_of(house, one), one.seat.node, one.kept))


def ask_to_put_away(house: House) -> None:
    """Write down what was released, and only then ask that it be put away (I5, I9)."""
    for one in house.occupants:
        if one.over is None or not one.is_usable or one.drive is None:
            continue
        is_told = one.released_how is not None and one.drive in house.stays
        if is_told and not is_released(house, one):
            house.write(DriveReleased(drive=one.drive, how=one.released_how or ""))
        if is_released(house, one):
            _ask_to_put_away(house, one.drive, one.over)


def _ask_to_put_away(house: House, number: DriveNumber, over: Over) -> None:
    slip = house.slips.get(number)
    if slip is None:
        house.write(
            SlipIssued(
                drive=number,
                slip=house.around.ledger.next_slip_number(),
                errand=Errand.PUT_AWAY,
                reason=over.note or "what was asked for by hand is done",
                due_on=house.today,
                grace_ends_on=house.today,
            )
        )
    elif slip.state is SlipState.ANSWERED:
        done = over.is_done or is_done(house, slip)
        house.write(PutAwayAsked(drive=number, slip=slip.number, is_done=done, note=over.note))
        house.wants_prompt = True
        if not done:
            house.not_before[number] = house.today + timedelta(days=over.again_in_days)
    else:
        return
    say_put_away(house, number)


def say_put_away(house: House, number: DriveNumber, *, is_reminder: bool = False) -> None:
    """Tell people that a drive goes back."""
    sheet = sheet_of(house, house.slips[number])
    house.post(words.put_away(sheet, house.today, is_reminder=is_reminder))


def sheet_of(house: House, slip: Slip) -> Sheet:
    """Return a slip with the card of its drive."""
    return Sheet(slip, house.card(slip.drive), house.policy.slips.confirms_return)


# --- Gone


def unplugged(house: House, one: Occupant) -> None:
    """Note what is to be said of a drive that was taken out before it might be."""
    if one.drive is None or one.drive not in house.stays:
        return
    if one.work is Work.RELEASE:
        return  # Its worker may be cutting its power, and says so when it ends.
    if one.is_off:
        house.vanished[one.drive] = one
    elif one.run is not None:
        house.pulled[one.drive] = f"unplugged in the middle of a visit; {place_words(one.run)}"
    elif one.hanging:
        house.pulled[one.drive] = f"unplugged after it hung: {one.hanging}"
    elif one.over is not None and not is_released(house, one) and one.released_how is None:
        house.pulled[one.drive] = "unplugged before its disk was stopped"


def vanished(house: House, one: Occupant) -> None:
    """Go on when the worker has ended that let a drive go which is not there any more (L5)."""
    if one.drive is None or one.drive not in house.stays:
        return
    if one.released_how is not None:
        house.vanished[one.drive] = one
    else:
        house.pulled[one.drive] = "unplugged before its disk was stopped"


def write_departures(house: House) -> None:
    """Bring the record up to which drives are not here any more (L4)."""
    for stay in tuple(house.stays.values()):
        if not _may_be_here(house, stay):
            _depart(house, stay)


def _may_be_here(house: House, stay: Stay) -> bool:
    """Say whether some disk is this drive in this stay, or may yet turn out to be it."""
    if any(one.drive == stay.drive for one in house.occupants.being_released()):
        return True
    for one in house.occupants:
        if one.drive == stay.drive and one.presence == stay.presence:
            return True
        if one.is_in_question and (is_maybe(one.seat, stay) or _is_asked_at_start(one)):
            return True
    return False


def _is_asked_at_start(one: Occupant) -> bool:
    """Say whether a disk that was here at the start is being asked who it is for the first time.

    After a restart of the server nodes and sequence numbers tell nothing: a drive that stayed
    where it was must not be taken for one that was pulled out.
    """
    return one.was_here and one.work is Work.IDENTIFY and one.tries == 0


def _depart(house: House, stay: Stay) -> None:
    number = stay.drive
    gone = house.vanished.get(number)
    if gone is not None:
        _write_release(house, number, gone)
    slip = house.slips.get(number)
    is_answered = slip is not None and slip.state is SlipState.ANSWERED
    if slip is not None and is_answered and is_done(house, slip):
        note = "it was unplugged before it was asked for"
        house.write(PutAwayAsked(drive=number, slip=slip.number, is_done=True, note=note))
    note = house.pulled.get(number, "")
    outcome = Outcome.WARNING if note else Outcome.SUCCESS
    is_off = gone is not None and gone.is_off
    is_back = not note and bool(house.occupants.of(number))
    told = "powered off; whether it was unplugged cannot be seen" if is_off else note
    if is_back:
        told = "unseen, while the service did not run; it is here again"
    house.write(DriveLeft(drive=number, note=told, outcome=outcome))
    house.pulled.pop(number, None)
    house.vanished.pop(number, None)
    # Its worker may have recorded more than was read here: it would be asked for what is done.
    house.shelf_changed()
    slip = house.slips.get(number)
    if slip is not None and slip.state is SlipState.TO_PUT_AWAY:
        is_to_confirm = slip.errand is not Errand.PUT_AWAY and house.policy.slips.confirms_return
        if not (is_off or is_to_confirm):
            how = "it was unplugged"
            house.write(SlipReturned(drive=number, slip=slip.number, how=how))
    elif is_answered and not is_back:
        what = note or "unplugged before its visit was done"
        house.post(words.pulled(house.card(number), what))
    elif note:
        house.post(words.pulled(house.card(number), note))


def _write_release(house: House, number: DriveNumber, gone: Occupant) -> None:
    """Bring the record up to what the worker of a drive did before the drive vanished."""
    if not is_released(house, gone):
        house.write(DriveReleased(drive=number, how=gone.released_how or ""))
    if gone.over is not None:
        _ask_to_put_away(house, number, gone.over)


# --- Left connected


def waits_too_long_at(house: House, one: Occupant) -> datetime | None:
    """Return when to say of a drive that it is connected and waits for too long (L6)."""
    if not one.is_usable or one.run is not None or one.over is not None or not one.waits_for:
        return None
    allowed = timedelta(seconds=house.policy.slips.connected_s)
    if one.is_left_said_at is not None:
        return one.is_left_said_at + max(REMIND_AGAIN, allowed)
    return house.wall(one.idle_s + allowed.total_seconds())


def remind_of_waiting(house: House) -> None:
    """Say of drives that wait for longer than the policy lets one be connected (L6)."""
    for one in house.occupants:
        at = waits_too_long_at(house, one)
        if at is not None and house.now >= at and one.drive is not None:
            one.is_left_said_at = house.now
            house.post(words.still_waits(house.card(one.drive), one.waits_for))


def _card_of(house: House, one: Occupant) -> DriveCard | None:
    return None if one.drive is None else house.card(one.drive)
