"""
A pass over a drive that is here: when it begins, how it is watched, what becomes of it.

- V1 What is wanted: a pass asked for by hand, or stopped for now in this stay; else one that was
  begun and not ended, and what the slip asks for; an accession first, then a refresh.
- V2 Nothing begins that `obstacles` speaks against, and what it speaks against stops at its next
  checkpoint, to go on by itself later.
- V3 A worker that ends without a word is tried again once. After the second time the drive goes
  back, not done.
- V4 What is in the way is the server's own disk or staging: it is tried again, ever more seldom.
- V5 A worker that was left hanging in the kernel is waited for by nobody: its seat is given up.
- V6 A pass that was stopped by hand does not begin again by itself in this stay.
- V7 A proving has no longest visit: no slip would ask for its drive again.
- V8 A drive that got too hot even at rest is stopped, and tried again after an hour; the third
  time in one stay it goes back, and people are told.
- V9 A drive that says that it is failing is not rewritten any more: it is put on hold, and its
  refresh turns into a reading.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from refreshd.caretaker import words
from refreshd.caretaker.house import House
from refreshd.caretaker.obstacles import Obstacle, against, against_any
from refreshd.caretaker.occupants import Cause, Occupant, Run, Stop, Work
from refreshd.caretaker.wanting import wanted
from refreshd.errors import UnknownDriveError, require
from refreshd.policy import resolve
from refreshd.ports import VisitOrder
from refreshd.quantities import DriveNumber
from refreshd.words import duration_words

# --- Beginning


def begin_wanted(house: House) -> None:
    """Begin what is wanted and what nothing speaks against (V2); note what the rest waits for."""
    for one, order in _in_turn(house):
        if one.work is not None or (one.retry_s is not None and house.now_s < one.retry_s):
            continue
        obstacle = against(house, one, order)
        if obstacle is None and _is_refused_now(house, one, order) is None:
            begin(house, one, order)
        elif obstacle is not None:
            _wait(house, one, obstacle)


def _in_turn(house: House) -> list[tuple[Occupant, VisitOrder]]:
    """Return who wants what: by hand first, then what is due first, then what came first."""
    wants = [(one, wanted(house, one)) for one in house.occupants]
    for one, order in wants:
        if order is None:
            one.waits_for = ""
    turn = [(one, order) for one, order in wants if order is not None]
    return sorted(turn, key=lambda want: _urgency(house, want[1]))


def _urgency(house: House, order: VisitOrder) -> tuple[bool, str]:
    slip = house.slips.get(order.drive)
    return (not order.asked_by, "" if slip is None else slip.due_on.isoformat())


def _is_refused_now(house: House, one: Occupant, order: VisitOrder) -> Obstacle | None:
    """Look again, with what the record says this moment, right before a worker is sent (I9)."""
    house.look_again()
    house.fresh_rows()
    return against(house, one, order)


def begin(house: House, one: Occupant, order: VisitOrder) -> None:
    """Send a worker that runs a pass. Nothing may speak against it."""
    is_free = not any(against_any(house, order.kind))
    require(is_free, "no pass begins while something speaks against all")
    one.run = Run(order, house.now)
    one.order = order
    one.first_begun_at = one.first_begun_at or _begun_at(house, one, order) or house.now
    one.waits_for = one.waits_said = one.kept = ""
    one.is_rested, one.is_left_said_at, one.released_how = False, None, None
    house.send(one, Work.VISIT, partial(house.around.bays.visit, one.seat, order))


def begin_aside(house: House, one: Occupant, order: VisitOrder) -> None:
    """Send a worker that only asks a drive how it is; what is wanted of it otherwise stays."""
    one.run = Run(order, house.now, is_aside=True)
    house.send(one, Work.VISIT, partial(house.around.bays.visit, one.seat, order))


def _begun_at(house: House, one: Occupant, order: VisitOrder) -> datetime | None:
    """Return when the pass was begun or the drive came, if it was begun in this same stay.

    So that a restart of the service gives a drive no second `longest_visit`.
    """
    stay = house.stays.get(order.drive)
    if stay is None:
        return None  # a stranger that is being taken in
    state = house.around.ledger.unfinished_pass(order.drive, order.kind)
    if state is None or one.presence is None:
        return None
    if not state.presence.is_same_stay(one.presence):
        return None
    return max(stay.arrived_at, state.begun_at)


def _wait(house: House, one: Occupant, obstacle: Obstacle) -> None:
    """Note what a drive waits for; say it once for each sort of waiting."""
    one.waits_for, one.is_wait_lasting = obstacle.why, obstacle.is_lasting
    one.is_wait_brief = obstacle.kind == "reading"
    if obstacle.kind == one.waits_said or one.drive is None:
        return
    if obstacle.kind in {"record", "ending", "busy", "worker", "double", "reading"}:
        return  # said elsewhere, or over in a moment
    one.waits_said = obstacle.kind
    card = house.card(one.drive)
    tell = words.held if obstacle.kind == "hold" else words.waits
    house.post(tell(card, obstacle.why))


# --- Watching


def stop_what_may_not_go_on(house: House) -> None:
    """Ask passes to stop that something speaks against by now (V2)."""
    for one in house.occupants.visiting():
        if one.run is None or one.run.stop is not None or one.is_gone:
            continue
        common = next(against_any(house, one.run.order.kind), None)
        stop = None if common is None else Stop(Cause.NOT_NOW, common.why)
        stop = stop or _stop_of(house, one, one.run)
        if stop is not None:
            ask_to_stop(house, one, stop)


def _stop_of(house: House, one: Occupant, run: Run) -> Stop | None:
    number = run.order.number
    if number is None:
        return None  # V7
    if len(house.occupants.of(number)) > 1:
        return Stop(Cause.NOT_NOW, f"another disk claims to be {number}, too")
    if one.drive is not None and house.card(one.drive).withdrawn_on is not None:
        return Stop(Cause.BY_HAND, f"{number} was withdrawn")
    longest_s, begun_at = house.policy.visits.longest_visit_s, one.first_begun_at
    if longest_s is None or begun_at is None or house.now < begun_at + timedelta(seconds=longest_s):
        return None
    return Stop(
        Cause.LONG_ENOUGH,
        f"it was visited for {duration_words(longest_s)}, the longest time that the policy allows",
    )


def ask_to_stop(house: House, one: Occupant, stop: Stop) -> None:
    """Ask a worker to stop at its next checkpoint."""
    run = one.run
    if run is not None:
        run.stop = stop
        house.around.bays.stop(one.seat)


def timeout_s(house: House, number: DriveNumber | None) -> float:
    """Return how long a worker may say nothing before its drive is held to hang."""
    if number is None:
        return house.policy.defaults.request_timeout_s
    try:
        card = house.card(number)
    except UnknownDriveError:  # its accession has just begun
        return house.policy.defaults.request_timeout_s
    return resolve(house.policy, card.medium, number).request_timeout_s


def watch_for_hangs(house: House) -> None:
    """Say of each worker that has been silent for too long where it stands on the drive."""
    for one in house.occupants.busy():
        silent_s = house.now_s - one.heard_s
        if one.is_hang_said or one.is_gone or silent_s < timeout_s(house, one.drive):
            continue
        one.is_hang_said = True
        what = f"the worker that was to {one.work} it" if one.run is None else place_words(one.run)
        why = f"nothing was heard for {duration_words(silent_s)}; {what}"
        card = None if one.drive is None else house.card(one.drive)
        house.post(words.hangs(one.seat.node, card, why))


def place_words(run: Run) -> str:
    """Say where on the drive a pass stands."""
    progress = run.progress
    if not progress.of_bytes:
        return f"its {run.order.kind.words} had not read anything yet"
    return (
        f"its {run.order.kind.words} stands at byte {progress.done_bytes} of {progress.of_bytes} "
        f"({progress.doing})"
    )
