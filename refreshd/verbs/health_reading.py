"""A health reading alone of a drive in care: asked, judged, written down. No chunk is read."""

from __future__ import annotations

from refreshd.cards import Carrier, DriveCard
from refreshd.errors import RefusedError
from refreshd.events import HealthRead
from refreshd.health_cards import Moment
from refreshd.passes.health_gate import AsideExaminer, take_reading
from refreshd.ports import Examiner
from refreshd.quantities import DriveNumber
from refreshd.wiring.media import WorkableMedium
from refreshd.wiring.search import Desk, drive_found
from refreshd.wiring.station import Station
from refreshd.wiring.visits import desk_laid, drive_locked


def read_health(
    station: Station, number: DriveNumber, on: str | None = None, *, lets_sleep: bool = False
) -> HealthRead | None:
    """
    Ask a drive in care how it is, and write down what it says.

    Args:
        station: Where.
        number: Which drive.
        on: Its place; None: look through the disks that are plugged in.
        lets_sleep: Leave a disk at `on` alone that stands still, or does not say whether it does.

    Returns:
        What was written down; None: it was left alone.

    """
    with drive_locked(station, number) as shelf:
        card = shelf.ledger.drive(number)
        _refuse_unaskable(card)
        policy = station.policy_of(card.medium, number)
        with desk_laid(station, shelf, policy) as desk:
            if lets_sleep and on is not None and not _is_awake(desk, on):
                return None
            with drive_found(desk, card, on) as medium:
                examiner = _examiner(desk, card, medium)
                clock = station.clock
                return take_reading(shelf.ledger, clock, number, examiner, Moment.BETWEEN)


def _refuse_unaskable(card: DriveCard) -> None:
    if card.withdrawn_on is not None:
        raise RefusedError(f"{card.number} was withdrawn on {card.withdrawn_on}; nothing is asked")
    if card.evidence.carrier is not Carrier.BLOCK:
        raise RefusedError(
            f"{card.number} was taken in as {_a(card.evidence.carrier)}; only a drive itself says "
            "anything about its health"
        )


def _a(carrier: Carrier) -> str:
    return f"{'an' if carrier is Carrier.IMAGE else 'a'} {carrier.words}"


def _is_awake(desk: Desk, on: str) -> bool:
    """Say whether a disk turns for certain. It is asked nothing else, which could wake it (E2)."""
    examiner = desk.station.examiner_at(on)
    return examiner is not None and AsideExaminer(examiner, desk.lanes).is_asleep() is False


def _examiner(desk: Desk, card: DriveCard, medium: WorkableMedium) -> Examiner:
    examiner = desk.station.examiner_of(medium)
    if examiner is None:
        raise RefusedError(
            f"{card.number}: {medium.place} is no drive that could be asked about its health"
        )
    return AsideExaminer(examiner, desk.lanes)
