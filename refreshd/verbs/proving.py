"""The acceptance test of a new drive: every guard before anything is touched, then the proving."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from refreshd.adapters.drive_lock import DriveLock
from refreshd.adapters.evidence import read_medium
from refreshd.adapters.folder import MountedFolder
from refreshd.cards import Carrier, Evidence
from refreshd.drive import identify
from refreshd.errors import (
    DriveAtWorkError,
    MistakenDriveError,
    RefusedError,
    UnknownDriveError,
    UsageError,
)
from refreshd.events import DriveProved, Entry
from refreshd.passes.bench import Bench, PassOptions
from refreshd.passes.heat import begun
from refreshd.passes.proving.beginning import Found, Making
from refreshd.passes.proving.looking import look_over
from refreshd.passes.proving.opening import (
    known_patterns,
    open_proving,
    refuse_in_care,
    say_expectation,
)
from refreshd.passes.proving.running import run_proving
from refreshd.passes.proving.work import TimedMedium
from refreshd.passes.watch import Watch
from refreshd.policy import DrivePolicy, resolve
from refreshd.ports import ProvingWish
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import DriveNumber, MediumKind, ProvingId, Span
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.search import Desk, let_go
from refreshd.wiring.shelf import (
    LOCKS,
    journal_for_reading,
    shelf_for_reading,
    shelf_for_writing,
)
from refreshd.wiring.station import Station
from refreshd.wiring.visits import (
    bench_for,
    desk_laid,
    refuse_doubtful_clock,
    say_what_else_is_known,
)

SEED_BYTES = 16

NUMBERING = DriveNumber("+proving")
"""Name of the lock under which a proving gets its number; no accession number begins so."""

NUMBERING_PATIENCE_S = 10.0
NUMBERING_RETRY_S = 0.05


@dataclass(frozen=True, slots=True)
class Proved:
    """A certificate, and the entry of the journal that bears it out; None: not looked up."""

    certificate: Certificate
    sequence: int | None = None
    digest: str = ""


@dataclass(frozen=True, slots=True)
class ProvingList:
    """The drives that were proved, oldest first, and those that are being proved."""

    certificates: tuple[Certificate, ...]
    unfinished: tuple[Proving, ...]


def new_seed() -> str:
    """Return what no drive can know beforehand, from which the patterns of a proving are made."""
    return secrets.token_hex(SEED_BYTES)


def prove(
    station: Station, path: str, wish: ProvingWish, seed: Callable[[], str] = new_seed
) -> Certificate:
    """
    Prove a drive before its accession, or take up a proving that was interrupted.

    Raises:
        RefusedError: It is in care, in use, or carries content that may go only when said twice.
        UsageError: What was asked for makes no sense.
        DriveError: The drive or its path failed, or somebody asked for a stop: the same command
            goes on from there.

    """
    with shelf_for_writing(station) as shelf:
        refuse_doubtful_clock(shelf)
        kind = MediumKind.HARD_DISK
        with desk_laid(station, shelf, resolve(station.policy.policy, kind)) as desk:
            medium = _opened(desk, path)
            try:
                return _certificate(_proved(desk, medium, wish, seed()))
            finally:
                let_go(desk.lanes, medium)


def _opened(desk: Desk, path: str) -> WorkableMedium:
    medium = desk.open(path)
    if isinstance(medium, MountedFolder):
        medium.close()
        raise RefusedError(
            f"{path} is a folder; a proving writes to the drive itself: unmount it, and name its "
            "device"
        )
    return medium


def _proved(desk: Desk, medium: WorkableMedium, wish: ProvingWish, seed: str) -> Entry:
    station = desk.station
    evidence = desk.lanes.aside(medium.evidence)()
    _refuse_in_care(desk, medium, evidence)
    kind = read_medium(medium.place).kind
    policy = resolve(station.policy.policy, kind)
    say_what_else_is_known(station, evidence, medium)
    bench = bench_for(desk, medium)
    options = _options(policy)
    found = _found(bench, options, medium, evidence)
    with _numbering(station):
        work = open_proving(bench, options, found, wish, Making(seed))
    say_expectation(work, kind)
    return run_proving(work)


def _options(policy: DrivePolicy) -> PassOptions:
    return PassOptions(
        readback_lag_bytes=policy.readback_lag_bytes,
        rate_bytes_per_s_max=policy.rate_bytes_per_s_max,
        heat=policy.heat,
        policy=policy.as_text(),
    )


def _refuse_in_care(desk: Desk, medium: WorkableMedium, evidence: Evidence) -> None:
    """Raise RefusedError for a drive in care, and for one that might be one of those."""
    try:
        card = identify(evidence, desk.shelf.ledger.drives(), desk.sampler(medium))
    except UnknownDriveError:
        # One of ours that fails where its names stand must not pass for a stranger.
        desk.refuse_unreadable(medium)
        return
    except MistakenDriveError as err:
        desk.refuse_identity(medium, err)
        raise
    raise refuse_in_care(card.number, card.title)


def _found(bench: Bench, options: PassOptions, medium: WorkableMedium, evidence: Evidence) -> Found:
    # A look takes a minute, and is no time to find out that the drive stands no question.
    watch = Watch(bench, begun(options.heat, None, is_silent=True), is_rewriting=False)
    metered = TimedMedium.over(bench, watch, options)
    bench.attendant.said(f"{medium.place} is looked over for content; nothing is written yet.")
    known = known_patterns(bench.ledger.unfinished_provings(), evidence.size_bytes)
    look = look_over(metered, bench.lanes, evidence, known)
    return Found(medium.place, evidence, medium.presence(), look, _objection(medium, evidence))


def _objection(medium: WorkableMedium, evidence: Evidence) -> str | None:
    """Say why a medium takes no writing over all of it; None: it does."""
    if evidence.carrier is Carrier.IMAGE:
        whole = Span(0, evidence.size_bytes)
        if medium.data_spans(whole) != (whole,):
            return "the image has holes, which are never written; copy it without holes"
    return medium.rewrite_objection()


@contextmanager
def _numbering(station: Station) -> Iterator[None]:
    """Let one proving at a time get its number: two that begin at once would get the same."""
    clock = station.clock
    last_try_s = clock.elapsed_s() + NUMBERING_PATIENCE_S
    lock = DriveLock(station.state / LOCKS, NUMBERING)
    while True:
        try:
            lock.__enter__()
            break
        except DriveAtWorkError:
            if clock.elapsed_s() >= last_try_s:
                raise
            clock.sleep(NUMBERING_RETRY_S)
    try:
        yield
    finally:
        lock.__exit__(None, None, None)


def _certificate(entry: Entry) -> Certificate:
    event = entry.event
    if not isinstance(event, DriveProved):
        raise RefusedError("a proving ends with its certificate")
    return event.certificate


def proving_of(text: str) -> ProvingId:
    """Return the number of a proving, or raise UsageError."""
    if not text.startswith("P") or not text[1:].isascii() or not text[1:].isdecimal():
        raise UsageError(
            f'"{text[:40]}" is no proving; `refreshd prove --list` lists them, such as P3'
        )
    return ProvingId(f"P{int(text[1:])}")


def proved(station: Station, wanted: ProvingId) -> Proved:
    """Return a certificate with the entry of the journal that bears it out."""
    with journal_for_reading(station) as journal:
        for entry in journal.entries():
            event = entry.event
            if isinstance(event, DriveProved) and event.proving_id == wanted:
                return Proved(event.certificate, entry.sequence, entry.digest)
    raise UsageError(
        f"{wanted}: there is no certificate of that number; `refreshd prove --list` lists them"
    )


def provings(station: Station) -> ProvingList:
    """Return the certificates of all drives, and the provings that have not ended. Only reads."""
    with shelf_for_reading(station) as shelf:
        return ProvingList(shelf.ledger.certificates(), shelf.ledger.unfinished_provings())
