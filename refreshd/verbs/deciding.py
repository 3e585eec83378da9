"""What only a person can say: that new bytes are right, that the clock is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from refreshd.cards import DriveCard, Finding, FindingState
from refreshd.errors import DriveHeldError, RefusedError, require
from refreshd.events import Entry, FindingAccepted
from refreshd.quantities import DriveNumber, FindingId, FindingKind
from refreshd.verbs.looking import FindingView
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station
from refreshd.wiring.visits import drive_locked


@dataclass(frozen=True, slots=True)
class Accepted:
    """Findings whose new bytes the owner declared right, and how many are left open."""

    card: DriveCard
    findings: tuple[Finding, ...]
    still_open: int


def accept(
    station: Station, number: DriveNumber, wanted: Sequence[FindingId], said_by: str
) -> Accepted:
    """
    Make the digests of what was found the recorded ones, because the owner says so.

    All of the findings are accepted, or none.

    Raises:
        UsageError: There is no such finding.
        RefusedError: One of them cannot be accepted; the message says why.

    """
    with drive_locked(station, number) as shelf:
        ledger = shelf.ledger
        card = ledger.drive(number)
        if card.withdrawn_on is not None:
            raise DriveHeldError(f"{number} was withdrawn on {card.withdrawn_on}")
        findings = tuple(ledger.finding(number, one) for one in dict.fromkeys(wanted))
        reasons = [reason for one in findings if (reason := why_not(FindingView(one, card)))]
        if reasons:
            raise RefusedError(f"nothing was accepted: {'; '.join(reasons)}")
        for finding in findings:
            require(finding.observed is not None, "an accepted finding has an observed digest")
            ledger.record(
                FindingAccepted(
                    drive=number,
                    finding_id=finding.id,
                    first_chunk=finding.span.start // card.chunk_bytes,
                    digests=bytes(finding.observed or b""),
                    said_by=said_by,
                )
            )
        settled = tuple(ledger.finding(number, finding.id) for finding in findings)
        return Accepted(card, settled, len(ledger.findings(number)))


def why_not(view: FindingView) -> str:
    """Say why a finding cannot be accepted; empty when it can."""
    finding = view.finding
    if finding.state is not FindingState.OPEN:
        return f"{finding.id} is settled already ({finding.state})"
    if finding.kind is FindingKind.UNREADABLE:
        return (
            f"{finding.id} is an unreadable range: there are no new bytes that could be right; "
            "write it again from another copy"
        )
    if view.is_whole_drive:
        return (
            f"{finding.id} speaks of the whole drive: find out which drive this is, and in which "
            "dock; if its content was replaced on purpose, withdraw it and take it in anew"
        )
    if finding.observed is None:
        return (
            f"{finding.id}: two readings gave two contents, so nobody can say which bytes are "
            "right; try another cable or dock and run a fixity pass"
        )
    return ""


def attest_clock(station: Station, said_by: str) -> Entry:
    """Write down that a person looked at the clock and says that it is right (I4)."""
    with shelf_for_writing(station) as shelf:
        return shelf.ledger.attest(said_by)
