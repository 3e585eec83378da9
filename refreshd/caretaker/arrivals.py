"""A disk comes: which drive is it, and what is written down about that.

- A1 Nothing is asked of a disk but who it is, before that is known.
- A2 A drive in care gets a stay in the record; one that the record holds already, from before the
  service was started, is left as it is.
- A3 A stranger is reported once, by its evidence; also after a restart (the ledger knows).
- A4 Who is not identified is left alone, and said. What was mounted when the service started is
  most often the server's own disk, and is not said.
"""

from __future__ import annotations

from functools import partial

from refreshd.cards import SlipState, Stay
from refreshd.caretaker import provings, words
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Occupant, Work
from refreshd.events import DriveArrived, SlipAnswered, SlipReturned, StrangerReported
from refreshd.messages import Identified, IdentityUnclear, WorkerEnded
from refreshd.ports import Seat
from refreshd.quantities import DriveNumber

RETRIES = 5
RETRY_S = 60.0
"""A disk that was just plugged in is locked by udev for some seconds, and by a slow sector near
its start for longer. Source: measured in a virtual machine, 10 s with one sector of 3 s."""

SELDOM_S = 900.0
"""How often a drive of before is asked after that: its worker may hang. Chosen, no source."""

_PASSING = frozenset({"MediumLockedError", "RecordFailedError", "ClockError"})
"""Errors after which it is tried again; the names are those of refreshd.errors."""


def take_in(house: House, seat: Seat, *, was_here: bool) -> None:
    """Send somebody to ask a disk who it is."""
    one = Occupant(seat, house.now, house.now_s, was_here=was_here, idle_s=house.now_s)
    house.occupants.seated(one)
    identify(house, one)


def identify(house: House, one: Occupant) -> None:
    """Ask (again) which drive this is."""
    one.unclear, one.unclear_error = "", None
    house.send(one, Work.IDENTIFY, partial(house.around.bays.identify, one.seat))


def hear_identity(one: Occupant, message: Identified | IdentityUnclear) -> None:
    """Take in what the worker found out."""
    if isinstance(message, IdentityUnclear):
        one.unclear, one.unclear_error = message.error.message, message.error
        return
    one.drive = message.drive
    one.evidence, one.presence = message.evidence, message.presence


def identified(house: House, one: Occupant, ended: WorkerEnded) -> None:
    """Go on when the worker that identifies has ended."""
    if ended.is_left:
        one.hanging = "it hung while it was being identified"
        house.post(words.left_alone(one.seat.node, None, one.hanging))
        return
    if not one.is_in_question:
        one.tries = 0
        return
    error = one.unclear_error
    if error is None:
        one.unclear = f"the worker that asked it ended with code {ended.exit_code} and no answer"
    is_of_before = _is_of_before(house, one)
    is_passing = error is None or error.kind in _PASSING or is_of_before
    if is_passing and one.tries < RETRIES:
        one.tries += 1
        one.retry_s = house.now_s + RETRY_S
        return
    if is_of_before:
        one.retry_s = house.now_s + SELDOM_S
    is_news = one.tries == RETRIES if is_of_before else not is_of_server(one)
    one.tries += 1
    if is_news:
        house.post(words.unclear(one.seat.node, one.unclear))


def _is_of_before(house: House, one: Occupant) -> bool:
    """Say whether a disk that something uses is a drive that was here before the service started.

    A service that was killed leaves a worker behind, which holds its drive until its next
    checkpoint: the drive is no disk of the server, and its visit goes on.
    """
    return is_of_server(one) and any(is_maybe(one.seat, stay) for stay in house.stays.values())


def is_maybe(seat: Seat, stay: Stay) -> bool:
    """Say whether what sits at a seat may be in a stay that is on record.

    A stay keeps its node to its end. Sequence numbers begin anew at each boot, so that the
    server's own disk may have that of a drive which left while the server was off.
    """
    sequence = stay.presence.disk_sequence
    return seat.node == stay.place and (sequence is None or seat.disk_sequence in {None, sequence})


def is_of_server(one: Occupant) -> bool:
    """Say whether something used a disk when the service started: most often the server (A4)."""
    error = one.unclear_error
    return one.was_here and error is not None and error.kind == "MediumInUseError"


def try_again(house: House) -> None:
    """Ask those again that could not be asked."""
    for one in house.occupants:
        is_time = one.retry_s is not None and one.retry_s <= house.now_s
        if one.is_in_question and one.work is None and is_time and not one.hanging:
            identify(house, one)


def write_down(house: House) -> None:
    """Bring the record up to who is here (A2, A3). Does nothing where that is so already."""
    for one in house.occupants:
        if one.is_stranger:
            _report(house, one)
        elif one.is_usable:
            _settle_in(house, one)


def _report(house: House, one: Occupant) -> None:
    """Report a stranger once (A3)."""
    evidence = one.evidence
    if evidence is None or one.is_offered:
        return
    if provings.take_up(house, one):
        one.is_offered = True
        return
    if not house.around.ledger.is_reported(evidence):
        house.write(StrangerReported(evidence=evidence, place=one.seat.node))
        house.post(words.stranger(one.seat.node, evidence))
    one.is_offered = True


def _settle_in(house: House, one: Occupant) -> None:
    number = one.drive
    if number is None or one.presence is None:
        return
    card = house.card(number)
    if card.withdrawn_on is not None:
        return  # It was withdrawn while it was here: it is a stranger's drive now.
    same = house.occupants.of(number)
    if len(same) > 1:
        _say_twice(house, number, same)
        return
    stay = house.stays.get(number)
    if stay is None:
        house.wants_prompt = True  # one that is due gets its slip, though nobody was asked
        house.write(DriveArrived(drive=number, place=one.seat.node, presence=one.presence))
        slip = house.slips.get(number)
        if slip is not None and slip.state is SlipState.TO_PUT_AWAY:
            # Nobody said that it was put back, but it must have been out of its port.
            house.write(SlipReturned(drive=number, slip=slip.number, how="it was plugged in again"))


def _say_twice(house: House, number: DriveNumber, same: tuple[Occupant, ...]) -> None:
    """Say once that several disks claim one number; the record has the stay of the first."""
    if all(one.is_double_said for one in same):
        return
    for one in same:
        one.is_double_said = True
    house.post(words.claimed_twice(house.card(number), sorted(one.seat.node for one in same)))


def answer_slips(house: House) -> None:
    """Note that a drive that was asked for is here."""
    for one in house.occupants:
        if not one.is_usable or one.drive is None or one.drive not in house.stays:
            continue
        slip = house.slips.get(one.drive)
        is_sole = len(house.occupants.of(one.drive)) == 1
        if slip is not None and slip.state is SlipState.ISSUED and is_sole:
            house.write(SlipAnswered(drive=one.drive, slip=slip.number))
