"""The shelf list and a drive's card, in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from refreshd.cards import Carrier, DriveCard, Evidence, PassHistory, PassState
from refreshd.durations import counted
from refreshd.planning import CountsFrom, Due
from refreshd.quantities import DriveNumber, PassKind
from refreshd.telling.findings import brief
from refreshd.telling.health import brief_verdict, verdict_words
from refreshd.telling.tables import table_lines
from refreshd.verbs.looking import DriveView, ShelfLine, ShelfList
from refreshd.words import DAY_S, duration_words, medium_words, size_words

_FIXITY_COUNTS_FROM = {CountsFrom.LAST_FIXITY: "last complete reading"}
_HEADS = ("Refresh due", "Number", "Shelfmark", "Title", "Last rewritten", "Remarks")


def shelf_lines(shelf: ShelfList, width: int | None = None) -> Iterator[str]:
    """Tell which drives are in care, those due first on top."""
    if not shelf.lines:
        yield (
            "No drive is in care. `refreshd accession PATH --number ... --shelfmark ... "
            "--title ...` takes the first one in."
        )
        return
    yield f"{counted(len(shelf.lines), 'drive')} in care, as of {shelf.as_of}, by due date"
    yield ""
    yield from table_lines(_HEADS, (_row(line, shelf.as_of) for line in shelf.lines), width)


def _row(line: ShelfLine, as_of: date) -> tuple[str, ...]:
    card = line.card
    rewritten = "not all of it yet" if line.rewritten.on is None else str(line.rewritten.on)
    remarks = "; ".join((*_remarks(line, as_of), *_health_remark(card)))
    return (str(line.due.due), card.number, card.shelfmark, card.title, rewritten, remarks)


def _remarks(line: ShelfLine, as_of: date) -> Iterator[str]:
    due, card = line.due, line.card
    if due.overdue_days:
        yield f"refresh overdue by {counted(due.overdue_days, 'day')}"
    elif due.due == as_of:
        yield "refresh due today"
    if due.fixity_overdue_days:
        yield f"fixity pass overdue by {counted(due.fixity_overdue_days, 'day')}"
    elif due.fixity_due < due.due:
        yield f"fixity pass due {due.fixity_due}"
    if card.hold is not None:
        yield "on hold"
    if card.evidence.carrier is Carrier.FOLDER:
        yield "mounted folder, inventory only"
    elif not card.is_taken_in:
        yield "not taken in completely"
    yield from (
        f"{state.kind} pass not finished"
        for state in line.unfinished
        if state.kind is not PassKind.ACCESSION
    )
    if line.open_findings:
        yield counted(line.open_findings, "open finding")
    if line.rewritten.held_chunks:
        yield f"{counted(line.rewritten.held_chunks, 'chunk')} not counted, with findings"


def _health_remark(card: DriveCard) -> Iterator[str]:
    if _can_be_asked(card):
        yield brief_verdict(card.health)


def _can_be_asked(card: DriveCard) -> bool:
    """Say whether there is a drive that has a health, or had one at a reading."""
    return card.health is not None or card.evidence.carrier is Carrier.BLOCK


def drive_lines(view: DriveView) -> Iterator[str]:
    """Tell everything that is known of one drive, in sentences."""
    card = view.card
    yield f"{card.number}: {card.title}"
    yield f"Its shelfmark is {card.shelfmark}."
    yield from _about_the_drive(view)
    if card.withdrawn_on is not None:
        yield f"It was withdrawn on {card.withdrawn_on} and is no longer in care."
        return
    if card.hold is not None:
        yield f"It is on hold, nothing may be written to it: {card.hold}."
    yield from _about_health(view)
    yield from due_lines(view.line.due, view.as_of)
    yield from _about_dates(view)
    yield from _about_passes(view)
    if view.findings:
        yield ""
        yield f"{counted(len(view.findings), 'open finding')}:"
        yield from (f"  {brief(one, card)}" for one in view.findings)


def _about_health(view: DriveView) -> Iterator[str]:
    state, number = view.card.health, view.card.number
    if not _can_be_asked(view.card):
        return
    said = verdict_words(state, view.as_of)
    more = "" if state is None else f"; `refreshd health {number}` says why"
    yield f"{said[0].upper()}{said[1:]}{more}."


def _about_the_drive(view: DriveView) -> Iterator[str]:
    card = view.card
    size = size_words(card.evidence.size_bytes)
    yield f"Medium: {medium_words(card.medium)}, {size}, {_known_by(card.evidence)}."
    claimed = ""
    if card.claimed_written_on is not None:
        claimed = f"; the owner says that it was written on {card.claimed_written_on}"
    yield f"It was taken into care on {card.accessioned_on}{claimed}."
    if view.proof:
        yield f"{view.proof[0].upper()}{view.proof[1:]}."
    if card.holding:
        yield f"{_about_copies(card.holding, view.copies)}."
    if card.evidence.carrier is Carrier.FOLDER:
        yield "It was taken in as a mounted folder: there is an inventory of its files only."
    elif not card.is_taken_in:
        yield (
            f"It is not taken in completely: {view.recorded_chunks} of {card.grid.count} chunks "
            "are recorded; run the accession again to finish it."
        )
    else:
        yield f"It has {card.grid.count} chunks of {card.chunk_bytes} bytes, each with a digest."


def _about_copies(holding: str, copies: Sequence[DriveNumber]) -> str:
    """Say which drives carry the same content."""
    if not copies:
        return f'It carries the holding "{holding}"; no other drive in care has a copy'
    *others, last = copies
    named = f"{', '.join(others)} and {last}" if others else last
    return f'It carries the holding "{holding}"; copies are on {named}'


def _known_by(evidence: Evidence) -> str:
    """Say by what the drive is recognised."""
    names = [
        f"world-wide name {evidence.wwn}" if evidence.wwn else "",
        f"model {evidence.model}" if evidence.model else "",
        f"serial {evidence.serial}" if evidence.serial else "",
        *evidence.signatures,
    ]
    told = ", ".join(name for name in names if name)
    return f"known by {told}" if told else "known by its content alone"


def due_lines(due: Due, as_of: date) -> Iterator[str]:
    """Tell when a drive falls due, and why then."""
    yield f"Its refresh is {_when(due.due, due.overdue_days, as_of)}, {due.reason}."
    yield (
        f"Its fixity pass is {_when(due.fixity_due, due.fixity_overdue_days, as_of)}, counted from "
        f"the {_FIXITY_COUNTS_FROM.get(due.fixity_counts_from, due.fixity_counts_from)}."
    )


def _when(due: date, overdue_days: int, as_of: date) -> str:
    if overdue_days:
        return f"overdue by {counted(overdue_days, 'day')}: it was due on {due}"
    if due == as_of:
        return f"due today, {due}"
    return f"due on {due}, in {duration_words((due - as_of).days * DAY_S)}"


def _about_dates(view: DriveView) -> Iterator[str]:
    on, held = view.line.rewritten
    if on is None:
        yield "No rewrite of all of it was proved yet."
    else:
        yield f"The oldest of its rewritten chunks was written and proved on {on}."
    if held:
        yield f"Not counted in that: {counted(held, 'chunk')} with an open finding."
    if view.card.last_fixity is not None:
        yield f"All of it was last {_how_read(view.passes)} on {view.card.last_fixity}."


def _how_read(passes: Iterable[PassHistory]) -> str:
    """Say what was done at the last complete reading; an accession had nothing to compare with."""
    compared = (one.reached_end and one.kind is not PassKind.ACCESSION for one in passes)
    return "read and compared" if any(compared) else "read (when it was taken into care)"


def _about_passes(view: DriveView) -> Iterator[str]:
    for state in view.unfinished:
        yield _unfinished(state, view)
    if view.passes:
        yield ""
        yield "Passes that have ended:"
        yield from (f"  {_ended(one)}" for one in view.passes)


def _unfinished(state: PassState, view: DriveView) -> str:
    byte = min(state.next_chunk * view.card.chunk_bytes, view.card.evidence.size_bytes)
    return (
        f"The {state.kind} pass {state.id}, begun on {state.begun_at.date()}, is not finished; it "
        f"goes on at byte {byte}."
    )


def _ended(done: PassHistory) -> str:
    words = [
        f"{done.ended_at.date()}  {done.kind} pass {done.id}: {done.outcome}",
        f"{size_words(done.checked_bytes)} checked",
    ]
    if done.rewritten_bytes:
        words.append(f"{size_words(done.rewritten_bytes)} rewritten")
    if done.findings:
        words.append(counted(done.findings, "finding"))
    if not done.reached_end:
        words.append("given up before the end")
    return ", ".join(words) + (f" ({done.note})" if done.note else "")
