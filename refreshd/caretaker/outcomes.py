"""What becomes of a drive when the worker of its pass has ended (V3 to V6 of visits)."""

from __future__ import annotations

from refreshd.cards import DriveCard
from refreshd.caretaker import words
from refreshd.caretaker.arrivals import identify
from refreshd.caretaker.house import House
from refreshd.caretaker.occupants import Cause, Occupant, Over, Run, Stop
from refreshd.caretaker.visits import place_words
from refreshd.errors import UnknownDriveError, require
from refreshd.messages import ErrorTold, WorkerEnded
from refreshd.quantities import PassKind

RETRY_S = 60.0
RETRY_S_MAX = 3600.0
"""When something of the server is in the way: after a minute, then twice as long each time, at
most an hour. Chosen, no source."""

AGAIN_IN_DAYS = 7
"""A drive whose pass failed is not asked for again before. Chosen, no source."""

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
    one.run = None
    one.idle_s = house.now_s
    house.shelf_changed()
    if run.order.kind is PassKind.REFRESH and not (run.ended and run.ended.is_complete):
        house.stopped_writing[run.order.drive] = house.today
    _say_findings(house, run)
    if one.is_gone:
        return
    if message.is_left:
        one.hanging = f"its worker hangs in the kernel; {place_words(run)}"
        house.post(words.left_alone(one.seat.node, _card(house, run), one.hanging))
    elif run.ended is not None and run.ended.is_complete:
        one.order = None
        one.completed.add(run.order.kind)
        one.tries = one.failures = 0
        one.trouble_said = ""
    elif _has_ended_by_record(house, run):
        one.order = None
        one.completed.add(run.order.kind)
    elif run.stop is not None:
        _stopped(one, run.stop)
    else:
        _failed(house, one, run, message)
    if run.order.card is not None and not one.hanging:
        _ask_anew(house, one)


def _ask_anew(house: House, one: Occupant) -> None:
    """Ask who a disk is after an accession: it may have become a drive in care."""
    one.drive = one.evidence = one.presence = None
    one.is_offered = False
    identify(house, one)


def _card(house: House, run: Run) -> DriveCard | None:
    try:
        return house.card(run.order.drive)
    except UnknownDriveError:
        return None


def _has_ended_by_record(house: House, run: Run) -> bool:
    """Say whether a worker that was killed had already written down that the pass ended."""
    if _card(house, run) is None:
        return False
    return any(
        done.reached_end and done.kind is run.order.kind and done.ended_at >= run.begun_at
        for done in house.around.ledger.passes(run.order.drive)
    )


def _say_findings(house: House, run: Run) -> None:
    if run.ended is not None and run.ended.findings:
        findings = house.around.ledger.findings(run.order.drive)
        house.post(words.found(house.card(run.order.drive), findings))


def _stopped(one: Occupant, stop: Stop) -> None:
    if stop.cause is Cause.LONG_ENOUGH:
        one.order = None
        one.over = Over(is_done=False, note=stop.why)
    elif stop.cause is Cause.BY_HAND:
        one.order = None
        one.is_stopped_by_hand = True


def _failed(house: House, one: Occupant, run: Run, message: WorkerEnded) -> None:
    error = None if run.ended is None else run.ended.error
    if error is None or error.kind in {"DriveGoneError", "PassStoppedError"}:
        _ended_without_a_word(house, one, run, message)
    elif error.kind in _OURS:
        _try_later(house, one, run, error)
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


def _give_up(house: House, one: Occupant, run: Run, why: str) -> None:
    one.order, one.retry_s = None, None
    one.over = Over(is_done=False, note=why, again_in_days=AGAIN_IN_DAYS)
    card = _card(house, run)
    if card is not None:
        after = "It goes back, and is asked for again. What was done is not lost."
        house.post(words.failed(card, run.order.kind, why, after))


def _try_later(house: House, one: Occupant, run: Run, error: ErrorTold) -> None:
    """Wait until the server's own trouble is over (V4); say it once in a stay."""
    one.retry_s = house.now_s + min(RETRY_S_MAX, RETRY_S * 2**one.tries)
    one.tries += 1
    one.waits_for, one.is_wait_lasting = error.message, False
    if error.kind in {one.trouble_said, "MediumLockedError", "DriveAtWorkError"}:
        return
    one.trouble_said = error.kind
    card = _card(house, run)
    if card is not None:
        after = "It is tried again by itself, ever more seldom; the drive is not at fault."
        house.post(words.failed(card, run.order.kind, error.message, after))
