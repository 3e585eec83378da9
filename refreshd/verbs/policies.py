"""What the policy says: checked, and explained for one drive."""

from __future__ import annotations

from dataclasses import dataclass

from refreshd.cards import DriveCard
from refreshd.policy_review import Decided, Remark, cautions_for, explain
from refreshd.quantities import DriveNumber
from refreshd.sizes import size_text
from refreshd.wiring.shelf import shelf_for_reading
from refreshd.wiring.station import Station

CHUNK_SIZE = "chunk_size"


@dataclass(frozen=True, slots=True)
class Explained:
    """Every value in force for one drive, who decided it, and what is doubtful about it."""

    card: DriveCard
    file: str | None
    decided: tuple[Decided, ...]
    cautions: tuple[Remark, ...]

    @property
    def kept_chunk_bytes(self) -> int | None:
        """Chunk length that the drive keeps from its accession, where the policy now says other."""
        given = next(one.value for one in self.decided if one.key == CHUNK_SIZE)
        same = f'"{size_text(self.card.chunk_bytes)}"'
        return None if given == same else self.card.chunk_bytes


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
