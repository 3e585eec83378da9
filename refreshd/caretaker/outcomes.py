"""What becomes of a drive when the worker of its pass has ended (V3 to V9 of visits)."""

from __future__ import annotations

from refreshd.cards import DriveCard
from refreshd.caretaker import provings, readings, words
from refreshd.caretaker.arrivals import identify
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Cause, Occupant, Over, Run, Stop
from refreshd.caretaker.visits import place_words
from refreshd.caretaker.wanting import wanted
from refreshd.errors import UnknownDriveError, require
from refreshd.events import DriveHeld
from refreshd.messages import ErrorTold, WorkerEnded
from refreshd.quantities import PassKind

RETRY_S = 60.0
RETRY_S_MAX = 3600.0
"""When something of the server is in the way: after a minute, then twice as long each time, at
most an hour. Chosen, no source."""

AGAIN_IN_DAYS = 7
"""A drive whose pass failed is not asked for again before. Chosen, no source."""

HEATS_MAX = 3
COOL_S = 3600.0
"""A drive that got too hot even at rest is tried again after an hour, so often in one stay. Chosen,
no source: an hour cools a disk to its room, and more tries tell only that the room is too warm."""

AIR = (
    "The drive gets too hot where it is: give it air (a fan, room around it), take it out of its "
    "case, or wait for a cooler day. "
)

WORKERS_MAX = 2
"""So many workers may end without a word over one drive in one stay (V3)."""

_OURS = frozenset(
    {
        "RecordFailedError",
        "StagingRefusedError",
        "StagingFailedError",
        "ClockError",
        "MediumLockedError",
        "DriveAtWorkError",
        "PolicyError",
        "UsageError",
        "CatalogueError",
        "CatalogueTooNewError",
        "CatalogueDamagedError",
        "CatalogueAheadError",
        "JournalError",
        "JournalDamagedError",
        "JournalTruncatedError",
    }
)
"""Errors in which the drive has no part (V4); the names are those of refreshd.errors."""

_OF_IDENTITY = frozenset({"MistakenDriveError", "UnknownDriveError", "MediumInUseError"})
"""Errors after which nothing more is done to the disk; likewise."""


def ended(house: House, one: Occupant, message: WorkerEnded) -> None:
    """Decide what becomes of a drive when the worker of its pass has ended."""
    run = one.run
    require(run is not None, "a pass ends that was begun")
    if run is None:
        return
    one.run, one.is_looked_up = None, False
    if run.is_aside:
        readings.ended(house, one, run, message)
        return
    one.idle_s = house.now_s
    house.shelf_changed()
    provings.heard(house, one, run)
    if run.order.kind is PassKind.REFRESH and not (run.ended and run.ended.is_complete):
        house.stopped_writing[run.order.drive] = house.today
    _say_findings(house, run)
    if one.is_gone:
        return
    if message.is_left:
        one.hanging = f"its worker hangs in the kernel; {place_words(run)}"
        house.post(words.left_alone(one.seat.node, _card(house, run), one.hanging))
    elif _has_come_to_its_end(house, one, run):
        one.order = None
        one.completed.add(run.order.kind)
        one.tries = one.failures = 0
        one.trouble_said = ""
    elif run.stop is not None:
        _stopped(house, one, run, run.stop)
    else:
        _failed(house, one, run, message)
    if run.order.is_of_stranger and not one.hanging:
        _ask_anew(house, one, run)


def _has_come_to_its_end(house: House, one: Occupant, run: Run) -> bool:
    if run.order.kind is PassKind.PROVING:
        return _is_proved(house, one, run)
    return bool(run.ended and run.ended.is_complete) or _has_ended_by_record(house, run)


def _ask_anew(house: House, one: Occupant, run: Run) -> None:
    """Ask who a disk is that was no drive in care: an accession made it one, or a proving wrote."""
    if run.order.kind is PassKind.ACCESSION:
        one.is_offered = False  # as a stranger, it was; not yet as a drive in care
    elif one.order is not None or one.unclear:
        return  # Its proving goes on; or it cannot be told which disk this is.
    one.drive = one.evidence = one.presence = None
    identify(house, one)


def _is_proved(house: House, one: Occupant, run: Run) -> bool:
    """Say whether a proving came to its certificate, and tell people what that says."""
    certificate = provings.certificate_of(house, one, run)
    if certificate is not None:
        provings.proved(house, one, certificate)
    return certificate is not None


def _card(house: House, run: Run) -> DriveCard | None:
    try:
        return house.card(run.order.drive)
    except UnknownDriveError:
        return None


def _has_ended_by_record(house: House, run: Run) -> bool:
    """Say whether a worker that was killed had already written down that the pass ended."""
    if _card(house, run) is None:
        return False
    if run.order.kind is PassKind.HEALTH:
        series = house.around.ledger.health(run.order.drive)
        return bool(series) and series[-1].at >= run.begun_at
    return any(
        done.reached_end and done.kind is run.order.kind and done.ended_at >= run.begun_at
        for done in house.around.ledger.passes(run.order.drive)
    )


def _say_findings(house: House, run: Run) -> None:
    if run.ended is not None and run.ended.findings:
        findings = house.around.ledger.findings(run.order.drive)
        house.post(words.found(house.card(run.order.drive), findings))


def _stopped(house: House, one: Occupant, run: Run, stop: Stop) -> None:
    if stop.cause is Cause.LONG_ENOUGH:
        one.order = None
        one.over = Over(is_done=False, note=stop.why)
    elif stop.cause is Cause.BY_HAND:
        one.order = None
        one.is_stopped_by_hand = True
        if run.order.kind is PassKind.PROVING:
            provings.stopped(house, one, stop.why)


def _failed(house: House, one: Occupant, run: Run, message: WorkerEnded) -> None:
    error = None if run.ended is None else run.ended.error
    if error is None or error.kind in {"DriveGoneError", "PassStoppedError"}:
        _ended_without_a_word(house, one, run, message)
    elif error.kind in _OURS:
        _try_later(house, one, run, error)
    elif error.kind == "OverheatedError":
        _cool(house, one, run, error)
    elif _is_failing(house, run, error):
        _go_on_reading(house, one, run, error)
    elif error.kind in _OF_IDENTITY:
        one.unclear, one.unclear_error = error.message, error
        house.post(words.unclear(one.seat.node, error.message))
    else:
        _give_up(house, one, run, error.message)


def _ended_without_a_word(house: House, one: Occupant, run: Run, message: WorkerEnded) -> None:
    """Try again once (V3). A drive that is gone is heard of in a moment, too."""
    one.failures += 1
    one.retry_s = house.now_s + RETRY_S
    if one.failures < WORKERS_MAX:
        one.waits_for, one.is_wait_lasting = (
            "its worker ended without a word; soon once more",
            False,
        )
        return
    why = f"its worker ended with code {message.exit_code}, {one.failures} times"
    if run.ended is not None and run.ended.error is not None:
        why = run.ended.error.message
    last = message.last_words.strip().splitlines()
    _give_up(house, one, run, f"{why}; it last said: {last[-1]}" if last else why)


def _cool(house: House, one: Occupant, run: Run, error: ErrorTold) -> None:
    """Let a drive rest that got too hot, and try again a few times (V8)."""
    one.heats += 1
    if one.heats >= HEATS_MAX:
        why = f"{error.message}; it was tried {one.heats} times in this stay"
        _give_up(house, one, run, why, AIR)
        return
    one.cool_s = house.now_s + COOL_S


def _is_failing(house: House, run: Run, error: ErrorTold) -> bool:
    """Say whether a drive was not rewritten to the end because of its health."""
    if error.kind == "DriveFailingError":
        return True
    card = _card(house, run)
    is_held = error.kind == "DriveHeldError" and run.order.kind is PassKind.REFRESH
    return is_held and card is not None and card.is_to_replace


def _go_on_reading(house: House, one: Occupant, run: Run, error: ErrorTold) -> None:
    """Write nothing more to a drive that is failing; read it if it was asked for (V9)."""
    one.order, one.is_failing = None, True
    card = _card(house, run)
    if card is None or run.order.kind is not PassKind.REFRESH:
        _give_up(house, one, run, error.message)
        return
    if card.hold is None:
        house.write(DriveHeld(drive=card.number, reason=error.message))
    if not card.is_to_replace:  # else its verdict is told
        house.post(words.failed(card, run.order.kind, error.message, "Nothing is written to it."))
    if wanted(house, one) is None:
        one.over = Over(is_done=False, note=error.message)


def _give_up(house: House, one: Occupant, run: Run, why: str, advice: str = "") -> None:
    one.order, one.retry_s = None, None
    if run.order.kind is PassKind.PROVING:
        after = f"{advice}`refreshd prove {one.seat.node}` goes on where it stopped."
        house.post(words.proving_failed(one.seat.node, why, after))
        return
    one.over = Over(is_done=False, note=why, again_in_days=AGAIN_IN_DAYS)
    card = _card(house, run)
    if card is not None:
        after = f"{advice}It goes back, and is asked for again. What was done is not lost."
        house.post(words.failed(card, run.order.kind, why, after))


def _try_later(house: House, one: Occupant, run: Run, error: ErrorTold) -> None:
    """Wait until the server's own trouble is over (V4); say it once in a stay."""
    one.retry_s = house.now_s + min(RETRY_S_MAX, RETRY_S * 2**one.tries)
    one.tries += 1
    one.waits_for, one.is_wait_lasting = error.message, False
    if error.kind in {one.trouble_said, "MediumLockedError", "DriveAtWorkError"}:
        return
    one.trouble_said = error.kind
    after = "It is tried again by itself, ever more seldom; the drive is not at fault."
    card = _card(house, run)
    if card is not None:
        house.post(words.failed(card, run.order.kind, error.message, after))
    elif run.order.kind is PassKind.PROVING:
        house.post(words.proving_failed(one.seat.node, error.message, after))
