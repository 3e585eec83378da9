"""What the policy says: checked, and explained for one drive."""

from __future__ import annotations

from dataclasses import dataclass

from refreshd.cards import DriveCard
from refreshd.policy_review import Decided, Remark, cautions_for, explain
from refreshd.quantities import DriveNumber
from refreshd.wiring.shelf import shelf_for_reading
from refreshd.wiring.station import Station


@dataclass(frozen=True, slots=True)
class Explained:
    """Every value in force for one drive, who decided it, and what is doubtful about it."""

    card: DriveCard
    file: str | None
    decided: tuple[Decided, ...]
    cautions: tuple[Remark, ...]


def explain_policy(station: Station, number: DriveNumber) -> Explained:
    """Work out which line decided each value for a drive."""
    with shelf_for_reading(station) as shelf:
        card = shelf.ledger.drive(number)
    loaded = station.policy
    return Explained(
        card=card,
        file=loaded.file,
        decided=explain(loaded.policy, loaded.lines, card.medium, number),
        cautions=cautions_for(loaded.policy, loaded.lines, card.medium, number),
    )
