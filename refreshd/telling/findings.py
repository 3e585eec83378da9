"""Findings, told like a letter: what is wrong, where, since when, what to do."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.cards import DriveCard, Finding
from refreshd.durations import counted
from refreshd.quantities import FindingKind
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.looking import FindingView
from refreshd.words import share_words


def brief(finding: Finding, card: DriveCard) -> str:
    """Tell a finding on one line."""
    share = share_words(finding.span.length, card.evidence.size_bytes)
    return (
        f"{finding.id}: {finding.kind}, {finding.span.length} bytes from byte "
        f"{finding.span.start} ({share}), since {finding.opened_on}"
    )


def findings_lines(views: tuple[FindingView, ...]) -> Iterator[str]:
    """Tell all open findings."""
    if not views:
        yield "Nothing is open: no finding waits for a decision."
        return
    yield f"{counted(len(views), 'finding')} to decide about."
    for view in views:
        yield ""
        yield from _letter(view)


def _letter(view: FindingView) -> Iterator[str]:
    finding, card = view.finding, view.card
    yield f"{finding.id} on {card.number} ({card.title}, {card.shelfmark})"
    yield f"  What: {_what(view)}"
    yield (
        f"  Where: {finding.span.length} bytes from byte {finding.span.start} on, "
        f"{share_words(finding.span.length, card.evidence.size_bytes)}."
    )
    yield f"  Since: {finding.opened_on}."
    yield f"  Next: {_next(view)}"


def _what(view: FindingView) -> str:
    finding = view.finding
    if finding.kind is FindingKind.UNREADABLE:
        kept = f" Note: {finding.note}." if finding.note else ""
        return f"the drive cannot read this range. It was not written to.{kept}"
    if view.is_whole_drive:
        return f"{finding.note or 'the drive as a whole is not what was recorded'}."
    kept = f" Note: {finding.note}." if finding.note else ""
    if finding.observed is None:
        return f"these bytes differ from what was recorded, and differently at each reading.{kept}"
    return (
        "these bytes are not those that were recorded; two readings agreed on what is there now. "
        f"They were left as they are.{kept}"
    )


def _next(view: FindingView) -> str:
    finding, number = view.finding, view.card.number
    if finding.kind is FindingKind.UNREADABLE:
        return (
            "try another dock and cable with a fixity pass. If it stays unreadable, bring the "
            "files in this range from another copy, and think of replacing the drive."
        )
    if view.is_whole_drive:
        return (
            "look which drive this is and in which dock it lies, then run a fixity pass. If it "
            f"was rewritten on purpose, withdraw {number} and take it in under a new number."
        )
    if finding.observed is None:
        return "try another cable, dock or computer with a fixity pass; trust neither reading."
    return (
        "if somebody edited the drive on purpose, and the new bytes are right, "
        f"`refreshd accept {number} --finding {finding.id}`. If not, bring the files in this range "
        "from another copy, run a fixity pass, and accept what it then finds changed."
    )


def accepted_lines(accepted: Accepted) -> Iterator[str]:
    """Tell what was accepted."""
    for finding in accepted.findings:
        yield (
            f"{finding.id}: the {finding.span.length} bytes from byte {finding.span.start} of "
            f"{accepted.card.number} count as right from now on; their old dates stay."
        )
    if accepted.still_open:
        left = counted(accepted.still_open, "finding")
        yield f"{left} of {accepted.card.number} still open."
