"""What a slip says to whoever walks to the shelf: which drive, where, why, how, and what then.

The same words stand in mails, on terminals, on the printed page and on the command line. A
stranger who never heard of refreshd must be able to do what they say, step by step.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from refreshd.cards import DriveCard, Slip, SlipState
from refreshd.durations import counted
from refreshd.quantities import Errand, MediumKind
from refreshd.words import about_words

TEXT_COLUMNS = 76
"""Columns of a text that is mailed, shown on a terminal or printed; common practice."""

_HEAD = re.compile(r" +(?:- +|[0-9]+\. +|[A-Z][A-Za-z ]{0,11}  +)?")

SPINNING = frozenset({MediumKind.HARD_DISK, MediumKind.SHINGLED_DISK})

CONNECTED_IS_NO_DEFENCE = (
    "A drive that stays connected is no defence: a power surge, an intruder or malicious software "
    "that reaches this server reaches the drive, too."
)
"""Common practice, no source."""

_PLUG_IN = "Plug it in. You need not enter anything: it is recognised by itself."
_NOBODY_STAYS = "You need not stay with it."
_WILL_BE_TOLD = "You will be told when it may be unplugged."
_ERRANDS = {
    Errand.REFRESH: "It will be read, checked, written again and read back.",
    Errand.FIXITY: "It will be read and checked. Nothing will be written to it.",
    Errand.ACCESSION: "Its content will be read and recorded. Nothing will be written to it.",
    Errand.HEALTH: "It will be asked how it is, in minutes. Nothing will be written to it.",
    Errand.PUT_AWAY: "There is nothing to do with it here.",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """One slip with the card of its drive, for those who act on it.

    `confirms_return`: somebody must say that the drive lies in its place again.
    """

    slip: Slip
    card: DriveCard
    confirms_return: bool = False

    @property
    def is_away(self) -> bool:
        """Say whether the drive is yet to be brought."""
        return self.slip.state is SlipState.ISSUED

    @property
    def is_to_confirm(self) -> bool:
        """Say whether the slip stays open until somebody says that the drive lies in its place.

        Not one that asks for nothing but to put a drive away: it ends when that is unplugged.
        """
        return self.confirms_return and self.slip.errand is not Errand.PUT_AWAY


def sheet_title(sheet: Sheet) -> str:
    """Return in one line what is to be done, such as ``Bring out drive K07``."""
    number = sheet.slip.drive
    titles = {
        SlipState.ISSUED: f"Bring out drive {number}",
        SlipState.ANSWERED: f"Drive {number} is here: leave it where it is",
        SlipState.TO_PUT_AWAY: f"Put drive {number} back in its place",
        SlipState.RETURNED: f"Drive {number} is back in its place: nothing is left to do",
        SlipState.LAPSED: f"Drive {number} is not asked for any more",
    }
    return titles[sheet.slip.state]


def fact_rows(sheet: Sheet, today: date) -> tuple[tuple[str, str], ...]:
    """Return what a slip says in figures and names, each with its heading."""
    slip, card = sheet.slip, sheet.card
    rows = [("Drive", f"{card.number}, {card.title}"), ("Its place", card.shelfmark)]
    if sheet.is_away:
        rows.append(("Why", slip.reason))
        rows.append(("When", due_words(slip, today)))
        rows.append(("How long", expected_words(slip)))
    rows.append(("Slip", f"{slip.number}, issued {slip.issued_on}"))
    if slip.reissue_of is not None:
        rows[-1] = ("Slip", f"{rows[-1][1]}, in place of slip {slip.reissue_of}")
    return tuple(rows)


def due_words(slip: Slip, today: date) -> str:
    """Return when a slip wants its drive, seen from a day."""
    days = (slip.due_on - today).days
    if days > 0:
        return f"by {slip.due_on}, {counted(days, 'day')} from now; sooner is welcome"
    if days == 0:
        return f"today, {slip.due_on}"
    return f"since {slip.due_on}, {counted(-days, 'day')} ago"


def expected_words(slip: Slip) -> str:
    """Return how long a drive will probably stay."""
    if slip.expected_s is None:
        return "not known yet"
    return about_words(slip.expected_s)


def mind_lines(medium: MediumKind, errand: Errand) -> tuple[str, ...]:
    """Return what to mind with a drive that is brought out."""
    lines = [
        (
            "Let it reach room temperature in its closed bag or case before you give it power: an "
            "hour for ten degrees. Water condenses on what is colder than the air."
        ),
        "Touch bare metal that is earthed before you touch the drive, and hold it by its edges.",
        "Use the dock that it was taken in with: some docks hide sectors or encrypt.",
        "Give its dock a mains supply of its own, better behind an uninterruptible one.",
    ]
    if medium in SPINNING:
        lines.append(
            "Set it down firmly before you switch it on. Never move it while it spins, nor for "
            "half a minute afterwards."
        )
    if errand is Errand.REFRESH:
        lines.append("If it holds the only copy of something, make a second copy first.")
    return tuple(lines)


def next_lines(sheet: Sheet) -> tuple[str, ...]:
    """Return what happens next, step by step."""
    number, shelfmark = sheet.slip.drive, sheet.card.shelfmark
    say_returned = _return_words(number if sheet.is_to_confirm else "")
    match sheet.slip.state:
        case SlipState.ISSUED:
            return (
                _PLUG_IN,
                f"{_ERRANDS[sheet.slip.errand]} {_NOBODY_STAYS}",
                _WILL_BE_TOLD,
                f"Then it goes back to {shelfmark}. {say_returned}",
            )
        case SlipState.ANSWERED:
            return (
                "Leave it connected, and do not move it. It is at work, or waits for its turn.",
                _WILL_BE_TOLD,
            )
        case SlipState.TO_PUT_AWAY:
            pause = "Wait half a minute before you move it." if _spins(sheet) else ""
            return (
                (
                    "Unplug it. Only if you were told that it could not be stopped, leave it until "
                    f"you are told that it may be unplugged. {pause}"
                ).rstrip(),
                f"Put it back to {shelfmark}. {say_returned}",
                CONNECTED_IS_NO_DEFENCE,
            )
        case _:
            return (f"Drive {number} belongs in {shelfmark}.",)


def _spins(sheet: Sheet) -> bool:
    return sheet.card.medium in SPINNING


def _return_words(number: str) -> str:
    """Say how its return is reported; without a number it need not be."""
    if number:
        return f"When it lies there, say so: refreshd return {number}"
    return "You need not report it."


def sheet_lines(sheet: Sheet, today: date) -> Iterator[str]:
    """Yield a whole slip as plain text."""
    yield sheet_title(sheet)
    yield ""
    rows = fact_rows(sheet, today)
    width = max(len(head) for head, _ in rows)
    for head, says in rows:
        yield f"  {head:<{width}}  {says}"
    if sheet.is_away:
        yield from ("", "What to mind:")
        yield from (f"  - {line}" for line in mind_lines(sheet.card.medium, sheet.slip.errand))
    yield from ("", "What happens next:")
    yield from _numbered(next_lines(sheet))


def escalated_line(sheet: Sheet) -> str:
    """Return what is not done yet, for somebody who was not told of this slip before."""
    slip = sheet.slip
    match slip.state:
        case SlipState.ISSUED:
            return (
                f"{slip.drive} was asked for on {slip.issued_on}, with {slip.due_on} as its due "
                "date. Nobody has brought it yet."
            )
        case SlipState.ANSWERED:
            return f"{slip.drive} is here since {slip.changed_on}, and its work is not done."
        case SlipState.TO_PUT_AWAY:
            return f"{slip.drive} is to be put away since {slip.changed_on}, and was not yet."
        case _:
            return f"{slip.drive}: nothing is left to do."


def batch_subject(sheets: Sequence[Sheet]) -> str:
    """Return the subject of one notice about several drives to bring out."""
    numbers = ", ".join(sheet.slip.drive for sheet in sheets)
    if len(sheets) == 1:
        return f"Please bring out drive {numbers}"
    return f"{len(sheets)} drives to bring out: {numbers}"


def batch_lines(sheets: Sequence[Sheet], today: date) -> Iterator[str]:
    """Yield several slips one below the other; what to mind is said once for all."""
    if len(sheets) == 1:
        yield from sheet_lines(sheets[0], today)
        return
    yield f"Please bring out {counted(len(sheets), 'drive')}. They can be plugged in together."
    for sheet in sheets:
        rows = fact_rows(sheet, today)
        width = max(len(head) for head, _ in rows)
        yield ""
        yield from (f"  {head:<{width}}  {says}" for head, says in rows)
    yield from ("", "What to mind:")
    minded = [line for one in sheets for line in mind_lines(one.card.medium, one.slip.errand)]
    yield from (f"  - {line}" for line in dict.fromkeys(minded))
    yield from ("", "What happens next, for each of them:")
    yield from _numbered(_batch_next_lines(sheets))


def _batch_next_lines(sheets: Sequence[Sheet]) -> Iterator[str]:
    """Yield the steps that are the same for all, and what is done with which of them."""
    yield _PLUG_IN
    for errand in dict.fromkeys(sheet.slip.errand for sheet in sheets):
        numbers = ", ".join(one.slip.drive for one in sheets if one.slip.errand is errand)
        yield f"{numbers}: {_ERRANDS[errand][0].lower()}{_ERRANDS[errand][1:]} {_NOBODY_STAYS}"
    yield _WILL_BE_TOLD
    confirming = any(sheet.is_to_confirm for sheet in sheets)
    yield f"Then it goes back to its place. {_return_words('NUMBER' if confirming else '')}"


def _numbered(lines: Iterable[str]) -> Iterator[str]:
    return (f"  {place}. {line}" for place, line in enumerate(lines, 1))


def stage_of(slip: Slip) -> str:
    """
    Return how far a slip is, in a word or two, as it is written down when a channel took it.

    Made from the slip alone: after a restart the same slip is in the same stage, so that what
    no channel took is known from the record and said again, and nothing else is.
    """
    escalated = ", escalated" if slip.is_escalated else ""
    reminded = f", reminder {slip.reminders}" if slip.reminders else ""
    return f"{slip.state}{reminded}{escalated}"


def folded(lines: Iterable[str], width: int = TEXT_COLUMNS) -> Iterator[str]:
    """Yield lines that are no wider than a sheet; what is folded stays below its own beginning."""
    for line in lines:
        indent = " " * _indent(line)
        yield from textwrap.wrap(
            line, width, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
        ) or [""]


def _indent(line: str) -> int:
    """Return where the text of a line begins behind its bullet, number or heading."""
    found = _HEAD.match(line)
    return found.end() if found else 0
