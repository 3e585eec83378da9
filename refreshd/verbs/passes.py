"""Fixity and refresh of a drive in care: every guard before anything is touched, then the pass."""

from __future__ import annotations

from refreshd.cards import Carrier, DriveCard
from refreshd.errors import RefusedError
from refreshd.passes.bench import PassReport
from refreshd.passes.opening import refuse_held, refuse_unless_taken_in
from refreshd.passes.proving.gate import heed_proof
from refreshd.quantities import DriveNumber, PassKind
from refreshd.wiring.search import drive_found
from refreshd.wiring.shelf import Shelf
from refreshd.wiring.staging import ring_opened
from refreshd.wiring.station import Station
from refreshd.wiring.visits import PassWish, copies_locked, desk_laid, drive_locked, run_pass


def check(station: Station, number: DriveNumber, on: str | None = None) -> PassReport:
    """
    Read a whole drive and compare it with its recorded digests; write nothing to it.

    Args:
        station: Where.
        number: Which drive.
        on: Its place; None: look through the disks that are plugged in.

    Returns:
        What the pass did; `stopped_by` in it says why it ended early, if it did.

    """
    with drive_locked(station, number) as shelf:
        card = shelf.ledger.drive(number)
        _refuse_unfit(card)
        policy = station.policy_of(card.medium, number)
        with desk_laid(station, shelf, policy) as desk, drive_found(desk, card, on) as medium:
            return run_pass(desk, card, medium, PassWish(PassKind.FIXITY))


def refresh(
    station: Station, number: DriveNumber, on: str | None = None, *, is_closing: bool = False
) -> PassReport:
    """
    Rewrite a drive in place from verified copies, and read it back.

    Args:
        station: Where.
        number: Which drive.
        on: Its place; None: look through the disks that are plugged in.
        is_closing: Read the whole drive once more at the end, whatever the policy says.

    """
    with drive_locked(station, number) as shelf:
        card = shelf.ledger.drive(number)
        _refuse_unfit(card)
        refuse_held(card)
        with copies_locked(station, shelf, card):
            return _refreshed(station, shelf, card, on, is_closing=is_closing)


def _refreshed(
    station: Station, shelf: Shelf, card: DriveCard, on: str | None, *, is_closing: bool
) -> PassReport:
    """Refresh a drive that nobody else works on, nor on any copy of it."""
    policy = station.policy_of(card.medium, card.number)
    heed_proof(shelf.ledger, card.number, card.evidence, policy.unproved, station.attendant)
    with desk_laid(station, shelf, policy) as desk, drive_found(desk, card, on) as medium:
        if objection := medium.rewrite_objection():
            raise RefusedError(
                f"{card.number} cannot be refreshed in place: {objection}. Nothing was written"
            )
        with ring_opened(station, shelf, card, policy, medium) as ring:
            return run_pass(desk, card, medium, PassWish(PassKind.REFRESH, is_closing, ring))


def _refuse_unfit(card: DriveCard) -> None:
    """Refuse what cannot have a pass; a folder is refused in its own words later on."""
    if card.evidence.carrier is not Carrier.FOLDER or card.withdrawn_on is not None:
        refuse_unless_taken_in(card)
