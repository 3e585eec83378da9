"""
Prompting: what the plan and the passing of time bring about, and who is told.

- P1 `refreshd.slips` decides; here it is written down, and only then said (I5).
- P2 It is asked when its time has come, and when something changed. It is not asked while disks
  that were plugged in at the start, or were just taken into care, are still being identified, so
  that nobody is asked to bring what is there already.
- P3 What was said is said again after a restart; the notice board keeps from each channel what it
  took before.
- P4 A drive that comes without a slip and is due gets one of `refreshd.slips`, and nobody is told
  to bring it; one that is not due is offered, once in a stay, and not forced.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from refreshd import slips as slip_rules
from refreshd.cards import Slip, SlipState
from refreshd.caretaker import words
from refreshd.caretaker.house import House
from refreshd.caretaker.leaving import say_put_away, sheet_of
from refreshd.caretaker.occupants import Occupant, Work
from refreshd.caretaker.wanting import wanted
from refreshd.events import SlipIssued, SlipReminded
from refreshd.quantities import DriveNumber
from refreshd.slips import SlipView

BACKLOG_EVERY = timedelta(days=7)
WAIT_FOR_START_S = 120.0
"""So long planning waits at most for those that are here already. Chosen, no source."""


def prompt(house: House) -> bool:
    """Write down and say what is new about slips, if it is time to look (P2); say if any was."""
    is_time = house.prompt_at is None or house.now >= house.prompt_at
    if not (is_time or house.wants_prompt) or is_waiting_for_start(house):
        return False
    view = _view(house)
    news = slip_rules.changes(view, house.policy, house.now)
    for event in news:
        house.write(event)
    # Only what was recorded is left out next time: a failure in between is made up for.
    house.wants_prompt = False
    view = _view(house)
    house.prompt_at = slip_rules.next_change(view, house.policy, house.now)
    _say_backlog(house, view)
    _say(house, [one for one in news if isinstance(one, SlipIssued)])
    fresh = {one.slip for one in news if isinstance(one, SlipIssued)}
    reminded = [one for one in news if isinstance(one, SlipReminded)]
    _remind(house, [one for one in reminded if one.slip not in fresh])
    _escalate(house, [house.slips[one.drive] for one in reminded if one.drive in house.slips])
    return bool(news)


def is_waiting_for_start(house: House) -> bool:
    """Say whether some disk that has been here for a while may still turn out to be any drive."""
    return any(
        house.now_s < _asked_who_s(one) + WAIT_FOR_START_S
        for one in house.occupants
        if one.work is Work.IDENTIFY
    )


def _asked_who_s(one: Occupant) -> float:
    """Return since when it is waited for that a disk says who it is; not for one that comes."""
    if one.first_begun_at is not None:
        return one.heard_s  # Its accession ended here: it has a number by now.
    return one.arrived_s if one.was_here else -WAIT_FOR_START_S


def _view(house: House) -> SlipView:
    others = [
        one for one in house.occupants if not one.was_here and (one.is_stranger or one.unclear)
    ]
    return SlipView(
        cards=[row.card for row in house.rows],
        planned=house.planned,
        slips=tuple(house.slips.values()),
        stays=tuple(house.stays.values()),
        next_number=house.around.ledger.next_slip_number(),
        at_work=frozenset(_at_work(house)),
        other_bays_taken=len(others),
        not_before=house.not_before,
    )


def _at_work(house: House) -> set[DriveNumber]:
    """Return which drives are being visited, wait for it, or are not released yet."""
    numbers: set[DriveNumber] = set()
    for one in house.occupants:
        if one.drive is None:
            continue
        stay = house.stays.get(one.drive)
        is_released = stay is not None and stay.is_released
        is_unfinished = one.run is not None or (one.over is not None and not is_released)
        if is_unfinished or wanted(house, one) is not None:
            numbers.add(one.drive)
    return numbers


# --- Saying it


def _say(house: House, issued: Sequence[SlipIssued]) -> None:
    """Ask for what was issued, in one notice; what is only to be put away has one each."""
    open_now = [house.slips[one.drive] for one in issued if one.drive in house.slips]
    _say_open(house, open_now, is_reminder=False)


def _remind(house: House, reminded: Sequence[SlipReminded]) -> None:
    slips = [house.slips[one.drive] for one in reminded if one.drive in house.slips]
    _say_open(house, slips, is_reminder=True)


def _escalate(house: House, slips: Sequence[Slip]) -> None:
    """Tell those whom the policy names of what was not done; not of what is done this moment."""
    visited = {one.drive for one in house.occupants if one.run is not None}
    overdue = [slip for slip in slips if slip.is_escalated and slip.drive not in visited]
    if overdue:
        house.post(words.escalate([sheet_of(house, slip) for slip in overdue], house.today))


def _say_open(house: House, slips: Sequence[Slip], *, is_reminder: bool) -> None:
    asked = [
        sheet_of(house, slip)
        for slip in slips
        if slip.state is SlipState.ISSUED and slip.drive not in house.stays
    ]
    if asked:
        house.post(words.bring(asked, house.today, is_reminder=is_reminder))
    for slip in slips:
        if slip.state is SlipState.TO_PUT_AWAY:
            _say_put_away(house, slip, is_reminder=is_reminder)


def _say_put_away(house: House, slip: Slip, *, is_reminder: bool) -> None:
    stay = house.stays.get(slip.drive)
    if is_reminder and stay is not None:
        since = "it is done with, and still connected"
        house.post(words.left_connected(sheet_of(house, slip), since, house.today))
    elif stay is None or stay.is_released:
        say_put_away(house, slip.drive, is_reminder=is_reminder)


def say_again(house: House) -> None:
    """Say after a restart what is open, in the stages in which it is (P3)."""
    slips = tuple(house.slips.values())
    _say_open(house, [slip for slip in slips if not slip.reminders], is_reminder=False)
    _say_open(house, [slip for slip in slips if slip.reminders], is_reminder=True)
    _escalate(house, slips)


# --- Drives that come without a slip


def offer(house: House) -> None:
    """Offer drives that are here and for which nothing is due (P4)."""
    if house.wants_prompt:
        return  # It is not known yet whether they get a slip.
    for one in house.occupants:
        number = one.drive
        if number is None or not one.is_usable or one.is_offered or one.over is not None:
            continue
        is_wanted = number in house.slips or one.completed or wanted(house, one) is not None
        if is_wanted or one.is_stopped_by_hand or number not in house.stays:
            continue
        one.is_offered = True
        card = house.card(number)
        if card.withdrawn_on is None:
            house.post(words.offered(card, _next_due(house, number)))


def _next_due(house: House, number: DriveNumber) -> str:
    planned = next((visit for visit in house.planned if visit.drive == number), None)
    if planned is None:
        return "nothing is planned for it"
    return f"next due is {planned.errand}, by {planned.due_on}"


def _say_backlog(house: House, view: SlipView) -> None:
    """Say which drives wait past their grace and have no slip yet; no more often than weekly."""
    late = slip_rules.backlog(view, house.now)
    house.backlog = "" if late is None else late.sentence
    said_on, drives = house.backlog_said
    if late is None:
        house.backlog_said = (said_on, frozenset())
        return
    now_late = frozenset(visit.drive for visit in late.visits)
    if now_late <= drives or house.today - said_on < BACKLOG_EVERY:
        return
    house.backlog_said = (house.today, now_late)
    house.post(words.backlog(late.sentence))
