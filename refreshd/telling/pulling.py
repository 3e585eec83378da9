"""The pull list: what to bring out, what to put away, and what comes next."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.cards import Slip
from refreshd.durations import counted
from refreshd.quantities import Errand
from refreshd.slip_words import Sheet, due_words, expected_words
from refreshd.telling.notices import NOTHING, page_text
from refreshd.verbs.slips import PlannedLine, PullLine, PullList


def pull_lines(found: PullList) -> Iterator[str]:
    """Tell the list as one goes through it: bring out, put away, leave alone, come next."""
    yield f"Slips as of {found.as_of}"
    if not found.lines:
        yield ""
        yield NOTHING
    if found.to_bring:
        yield ""
        yield f"To bring out: {counted(len(found.to_bring), 'drive')}."
        for line in found.to_bring:
            yield from _asked_for(line, found)
    if found.to_put_away:
        yield ""
        yield f"To put away: {counted(len(found.to_put_away), 'drive')}."
        for line in found.to_put_away:
            yield from _to_put_away(line, found)
    if found.at_work:
        yield ""
        yield f"At work, or waiting for it; leave in place: {counted(len(found.at_work), 'drive')}."
        for line in found.at_work:
            yield f"  {_named(line)}{_place(line)}"
    yield from _beside(found)


def _beside(found: PullList) -> Iterator[str]:
    """Tell what stands below the slips."""
    if found.planned:
        yield ""
        yield "To be asked for next:"
        yield from (f"  {_planned(line)}" for line in found.planned)
    if found.overload:
        yield ""
        yield f"Not all drives can be kept to the policy: {found.overload}."
    if found.lines:
        yield ""
        yield "`refreshd pull-list --print` gives each slip in full, with what to mind."


def _named(line: PullLine) -> str:
    return (
        f"{line.card.number}  {line.card.title}, {line.card.shelfmark}  [slip {line.slip.number}]"
    )


def _asked_for(line: PullLine, found: PullList) -> Iterator[str]:
    slip = line.slip
    yield f"  {_named(line)}"
    yield f"    {slip.reason}"
    yield f"    Wanted {due_words(slip, found.as_of)}; it takes {expected_words(slip)}."
    if slip.reminders:
        yield f"    {_reminded(slip)}"


def _reminded(slip: Slip) -> str:
    times = "once" if slip.reminders == 1 else f"{slip.reminders} times"
    escalated = ", and those whom an escalation reaches were told" if slip.is_escalated else ""
    return f"Said again {times}, last on {slip.reminded_on}{escalated}."


def _to_put_away(line: PullLine, found: PullList) -> Iterator[str]:
    yield f"  {_named(line)}"
    if line.place is not None and not line.is_released:
        yield f"    It is still running at {line.place}: wait until you are told to unplug it."
    elif line.place is not None:
        yield f"    It may be unplugged from {line.place} now."
    else:
        yield "    It has no power any more. Unplug it, if that was not done."
    if line.slip.note:
        yield f"    {line.slip.note}"
    if found.confirms_return and line.slip.errand is not Errand.PUT_AWAY:
        yield f"    When it lies in its place: refreshd return {line.card.number}"


def _place(line: PullLine) -> str:
    return "" if line.place is None else f", at {line.place}"


def _planned(line: PlannedLine) -> str:
    visit, card = line.visit, line.card
    return f"{visit.on}  {card.number}  {visit.errand}  {card.title}, {card.shelfmark}"


def sheets_of(found: PullList) -> tuple[Sheet, ...]:
    """Return the slips of a list as they are printed."""
    return tuple(Sheet(line.slip, line.card, found.confirms_return) for line in found.lines)


def printed_lines(found: PullList) -> Iterator[str]:
    """Tell every slip in full, to be printed."""
    yield from page_text(sheets_of(found), found.as_of).splitlines()


def returned_line(slip: Slip) -> str:
    """Tell that a slip is done with."""
    return f"{slip.drive} lies in its place again; slip {slip.number} is done with."
