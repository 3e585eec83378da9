"""How the drives are, as the archivist looks at it. Nothing is written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from refreshd.cards import DriveCard
from refreshd.health_cards import HealthEntry, PassWatch, Verdict
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber
from refreshd.wiring.shelf import shelf_for_reading
from refreshd.wiring.station import Station


@dataclass(frozen=True, slots=True)
class HealthList:
    """All drives in care by what their health asks for, the worst first."""

    as_of: date
    cards: tuple[DriveCard, ...]
    findings: Mapping[DriveNumber, int] = field(default_factory=dict)  # how many wait, where any do


@dataclass(frozen=True, slots=True)
class HealthView:
    """What is known of the health of one drive. `series` and `watches`: oldest first.

    `certificate`: the last one that was given to the drive of these names; None: never proved.
    """

    card: DriveCard
    as_of: date
    series: tuple[HealthEntry, ...] = ()
    watches: tuple[PassWatch, ...] = ()
    certificate: Certificate | None = None
    open_findings: int = 0


def health_list(station: Station) -> HealthList:
    """List the drives in care, what asks for something first; see `worst_first`."""
    with shelf_for_reading(station) as shelf:
        cards = shelf.ledger.drives()
        findings = Counter(one.drive for one in shelf.ledger.findings())
    return HealthList(station.clock.now().date(), worst_first(cards), dict(findings))


def worst_first(cards: Iterable[DriveCard]) -> tuple[DriveCard, ...]:
    """Order cards by verdict; within one, whose last reading is the oldest comes first.

    A silent drive and one that was never read stand below the drives that ask for something, and
    above those that are fit: nobody knows how they are.
    """
    return tuple(sorted(cards, key=_rank))


def _rank(card: DriveCard) -> tuple[int, date, DriveNumber]:
    order = (Verdict.DO_NOT_WRITE, Verdict.COPY_OFF, Verdict.WATCH, Verdict.NOT_KNOWN, Verdict.FIT)
    state = card.health
    if state is None:
        return order.index(Verdict.NOT_KNOWN), date.min, card.number
    return order.index(state.verdict), state.read_on, card.number


def certificates(station: Station, number: DriveNumber | None) -> tuple[Certificate, ...]:
    """Return the certificates of all drives that were proved, or of one that is in care by now."""
    with shelf_for_reading(station) as shelf:
        names = None if number is None else shelf.ledger.drive(number).evidence
        return shelf.ledger.certificates(names)


def health_of(station: Station, number: DriveNumber) -> HealthView:
    """Return what is known of the health of a drive, also of one that was withdrawn."""
    with shelf_for_reading(station) as shelf:
        ledger = shelf.ledger
        card = ledger.drive(number)
        certificates = ledger.certificates(card.evidence)
        return HealthView(
            card=card,
            as_of=station.clock.now().date(),
            series=ledger.health(number),
            watches=ledger.watches(number),
            certificate=certificates[-1] if certificates else None,
            open_findings=len(ledger.findings(number)),
        )
