"""A visit: a drive claimed, a bench laid, a pass run, everything let go again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from refreshd.adapters.drive_lock import DriveLock
from refreshd.adapters.in_use import member_note, unseen_note
from refreshd.adapters.thread_lanes import ThreadLanes
from refreshd.cards import DriveCard, Evidence
from refreshd.errors import ClockError, require
from refreshd.expectation import expect
from refreshd.passes.accession import run_accession
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.copies import refuse_too_close
from refreshd.passes.fixity import run_fixity
from refreshd.passes.refresh import run_refresh
from refreshd.policy import DrivePolicy
from refreshd.policy_values import is_drive_number
from refreshd.ports import StagingFile
from refreshd.quantities import DriveNumber, PassKind
from refreshd.spreading import are_siblings
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.search import Desk
from refreshd.wiring.shelf import LOCKS, Shelf, shelf_for_writing
from refreshd.wiring.staging import DIRECTORY_KEY
from refreshd.wiring.station import Station

_RUNS: dict[PassKind, Callable[[Bench, DriveNumber, PassOptions], PassReport]] = {
    PassKind.ACCESSION: run_accession,
    PassKind.FIXITY: run_fixity,
    PassKind.REFRESH: run_refresh,
}


@dataclass(frozen=True, slots=True)
class PassWish:
    """What is to be done with a drive."""

    kind: PassKind
    is_closing: bool = False  # True: read all of it once more, whatever the policy says
    ring: StagingFile | None = None  # for a refresh


@contextmanager
def drive_locked(station: Station, number: DriveNumber) -> Iterator[Shelf]:
    """Open the shelf and claim one drive on it, so that nobody else works on that drive."""
    # A number is part of a file's name here: nothing else may get so far.
    require(is_drive_number(number), f"{number!r} was checked before it was used")
    with shelf_for_writing(station) as shelf, DriveLock(station.state / LOCKS, number):
        refuse_doubtful_clock(shelf)
        yield shelf


@contextmanager
def copies_locked(station: Station, shelf: Shelf, card: DriveCard) -> Iterator[None]:
    """Claim all copies of what a drive holds, so that two are never writable at a time (I9).

    The drive itself must be claimed already: of two that begin at once each finds the other's
    claim, also where it was said that they hold the same only after one of them had begun.

    Raises:
        DriveAtWorkError: Somebody works on a copy.
        RefusedError: A copy was refreshed too short a time ago.

    """
    apart = station.policy.policy.visits.siblings_apart
    with ExitStack() as claimed:
        for other in shelf.ledger.drives():
            if are_siblings(card, other):
                claimed.enter_context(DriveLock(station.state / LOCKS, other.number))
        refuse_too_close(shelf.ledger, card, apart, station.clock.now().date())
        yield


def refuse_doubtful_clock(shelf: Shelf) -> None:
    """Raise ClockError before anything is begun that could not be dated (I4)."""
    if doubt := shelf.ledger.clock_doubt():
        raise ClockError(f"{doubt}, with `refreshd journal attest-clock`")


@contextmanager
def desk_laid(station: Station, shelf: Shelf, policy: DrivePolicy) -> Iterator[Desk]:
    """Start the lanes; end them, without waiting for one that hangs."""
    lanes = lanes_for(policy)
    try:
        yield Desk(station, shelf, lanes)
    finally:
        lanes.close()


def lanes_for(policy: DrivePolicy) -> ThreadLanes:
    """Return lanes that leave a request behind after the policy's wait."""
    return ThreadLanes(policy.request_timeout_s)


def run_pass(desk: Desk, card: DriveCard, medium: WorkableMedium, wish: PassWish) -> PassReport:
    """Say what is expected, then run the pass with what the policy says now."""
    station = desk.station
    policy = station.policy_of(card.medium, card.number)
    say_what_else_is_known(station, card.evidence, medium)
    is_closing = wish.kind is PassKind.REFRESH and (wish.is_closing or policy.is_closing)
    _say_expectation(desk, card, wish.kind, policy, is_closing=is_closing)
    options = PassOptions(
        segment_bytes=policy.segment_bytes,
        readback_lag_bytes=policy.readback_lag_bytes,
        rate_bytes_per_s_max=policy.rate_bytes_per_s_max,
        least_age_days=policy.least_age_days(station.clock.now().date()),
        is_closing=is_closing,
        heat=policy.heat,
        policy=policy.as_text() | {DIRECTORY_KEY: str(station.staging_directory)},
    )
    return _RUNS[wish.kind](bench_for(desk, medium, wish.ring), card.number, options)


def say_what_else_is_known(station: Station, evidence: Evidence, medium: WorkableMedium) -> None:
    """Say of what a medium may be a part, and who could use it unseen."""
    for note in (member_note(evidence.signatures, medium.place), unseen_note(medium.place)):
        if note is not None:
            station.attendant.said(f"{note}.")


def bench_for(desk: Desk, medium: WorkableMedium, ring: StagingFile | None = None) -> Bench:
    """Lay out what a pass or a proving works with."""
    station = desk.station
    ledger, examiner = desk.shelf.ledger, station.examiner_of(medium)
    return Bench(medium, ledger, station.clock, desk.lanes, station.attendant, ring, examiner)


def _say_expectation(
    desk: Desk, card: DriveCard, kind: PassKind, policy: DrivePolicy, *, is_closing: bool
) -> None:
    ledger = desk.shelf.ledger
    unfinished = ledger.unfinished_pass(card.number, kind)
    done = 0 if unfinished is None else unfinished.next_chunk * card.chunk_bytes
    expected = expect(
        kind,
        card,
        max(0, card.evidence.size_bytes - done),
        policy.rate_bytes_per_s_max,
        ledger.passes(card.number),
        is_closing=is_closing,
    )
    desk.station.attendant.said(expected.sentence)
