"""The ring of a refresh pass: where it lies, how large it is, and when it may go.

A ring of an unfinished pass may hold the only good copy of what a power cut tore, so it is
found again even where the policy names another directory since, and is kept as it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from refreshd.adapters.staging_file import BLOCK_BYTES, RingFile, discard_ring, ring_bytes
from refreshd.cards import DriveCard, PassState
from refreshd.errors import RefreshdError, StagingRefusedError
from refreshd.events import PassBegun
from refreshd.passes.ring import slot_room, slots_wanted
from refreshd.policy import DrivePolicy
from refreshd.quantities import DriveNumber, PassId, PassKind
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.shelf import Shelf
from refreshd.wiring.station import Station

DIRECTORY_KEY = "staging.directory"
"""Under this name the directory stands in the journal, among the values in force."""


@dataclass(frozen=True, slots=True)
class RingPlan:
    """Where the ring of a pass is to lie, and its size in bytes; `lost` says where it is not."""

    path: Path
    size_bytes: int
    lost: str = ""


def ring_path(directory: Path, number: DriveNumber) -> Path:
    """Return the path of a drive's ring."""
    return directory / f"{number}.ring"


@contextmanager
def ring_opened(
    station: Station, shelf: Shelf, card: DriveCard, policy: DrivePolicy, medium: WorkableMedium
) -> Iterator[RingFile]:
    """
    Open the ring, making room for it before anything is touched; remove it after the pass.

    Raises:
        StagingRefusedError: There is no fit place or no room.

    """
    plan = plan_ring(station, shelf, card, policy, medium)
    objection = station.staging_objection(plan.path.parent, medium.place)
    if objection is not None:
        raise StagingRefusedError(
            f"{objection}; nothing was touched. Name a directory on a disk of this server in the "
            "policy, under [staging]"
        )
    if plan.lost:
        station.attendant.said(plan.lost)
    ring = RingFile.open(plan.path, plan.size_bytes)
    try:
        yield ring
    except BaseException:
        ring.close()
        with suppress(RefreshdError):  # the first error is the one to tell
            _discard_if_ended(shelf, card, plan.path)
        raise
    ring.close()
    _discard_if_ended(shelf, card, plan.path)


def _discard_if_ended(shelf: Shelf, card: DriveCard, path: Path) -> None:
    """Give the room back, unless a pass stands unfinished whose only copies may be here."""
    if shelf.ledger.unfinished_pass(card.number, PassKind.REFRESH) is None:
        discard_ring(path)


def plan_ring(
    station: Station, shelf: Shelf, card: DriveCard, policy: DrivePolicy, medium: WorkableMedium
) -> RingPlan:
    """Find the ring of an unfinished pass, or work out a new one."""
    path = ring_path(station.staging_directory, card.number)
    unfinished = shelf.ledger.unfinished_pass(card.number, PassKind.REFRESH)
    if unfinished is None:
        if ring_bytes(path) is not None:
            discard_ring(path)  # Its pass has ended; only the removal was cut off.
        return RingPlan(path, _size(card, None, policy, medium))
    least = _slot(card, unfinished.segment_chunks)
    for place in (path, _place_begun(shelf, unfinished.id, card.number)):
        held = ring_bytes(place) if place is not None else None
        if place is not None and held is not None and held >= least:
            return RingPlan(place, held)
    lost = (
        f"The staging ring of the interrupted pass {unfinished.id} is not in {path.parent}: a "
        "place that the interruption damaged cannot be put back, it will show as a finding."
    )
    if ring_bytes(path) is not None:
        discard_ring(path)  # Smaller than one slot: it was cut off while it was being made.
    return RingPlan(path, _size(card, unfinished, policy, medium), lost)


def _place_begun(shelf: Shelf, wanted: PassId, number: DriveNumber) -> Path | None:
    """Return where the journal says that a pass was staged when it began."""
    for entry in shelf.journal.entries():
        event = entry.event
        if isinstance(event, PassBegun) and event.pass_id == wanted:
            directory = event.policy.get(DIRECTORY_KEY)
            return ring_path(Path(directory), number) if directory else None
    return None


def _size(
    card: DriveCard, unfinished: PassState | None, policy: DrivePolicy, medium: WorkableMedium
) -> int:
    segment_chunks = max(1, policy.segment_bytes // card.chunk_bytes)
    if unfinished is not None:
        segment_chunks = unfinished.segment_chunks
    lag = policy.readback_lag_bytes if medium.has_drive_cache else 0
    segment_bytes = segment_chunks * card.chunk_bytes
    slots = slots_wanted(lag, segment_bytes, card.evidence.size_bytes)
    return slots * _slot(card, segment_chunks)


def _slot(card: DriveCard, segment_chunks: int) -> int:
    return slot_room(card.chunk_bytes, segment_chunks, BLOCK_BYTES)
