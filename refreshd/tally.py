"""The tally: what the events of the journal add up to.

`add` is the one place that says what an event changes in the catalogue. It works on a `Book`,
the rows that a catalogue keeps; the real catalogue and the simulated one are two books under
the same tally, so that they cannot come to mean different things.

Rules that hold for every book:

- T1 An event is added once, after the one before it (`check_follows`); a book is in the state
  after some entry or in that after the next, never between.
- T2 A day never moves backwards, neither that of a chunk nor that of the last fixity pass.
- T3 Digests are recorded without gaps from the start of the drive; a drive is taken in when
  an accession pass has reached its end.
- T4 Accepting a finding changes digests and leaves days as they are: they may be older than
  the truth (I4).
- T5 A drive has at most one unfinished pass of a kind.
- T6 to T11 are about slips, stays and notices, see `refreshd.service_tally`; T12 to T15 about
  health, see `refreshd.health_tally`; T16 to T20 about provings, see `refreshd.proving_tally`.

A broken rule is a fault of ours (`InvariantBrokenError`): whoever records an event checks the
owner's wishes first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import assert_never

from refreshd.book import Book, check_digests, check_run, in_care, mark_days, put_digests
from refreshd.cards import (
    DriveCard,
    Finding,
    FindingState,
    PassHistory,
    PassState,
)
from refreshd.chain import FIRST_PREVIOUS
from refreshd.errors import InvariantBrokenError, require
from refreshd.events import (
    CardCorrected,
    CatalogueBroughtUp,
    ChannelFailed,
    ChunksProved,
    ClockAttested,
    DigestsRecorded,
    DriveAccessioned,
    DriveHeld,
    DriveRewritten,
    DriveWithdrawn,
    Entry,
    FindingAccepted,
    FindingClosed,
    FindingOpened,
    FixityChecked,
    HoldLifted,
    IdentityRefused,
    InventoryTaken,
    JournalOpened,
    PassBegun,
    PassEnded,
    PassInterrupted,
    PassResumed,
    PathDoubted,
    RangeMended,
    StagedBytesKept,
    TornLineKept,
)
from refreshd.health_tally import HealthEvent, add_of_health
from refreshd.proving_tally import ProvingEvent, add_of_proving, give_up_provings_of
from refreshd.quantities import (
    Digest,
    FindingKind,
    Outcome,
    PassKind,
    Span,
)
from refreshd.register import HOLE
from refreshd.service_tally import ServiceEvent, add_of_service, leave_care, take_up_stay


def check_follows(head: tuple[int, str] | None, entries: Sequence[Entry]) -> None:
    """Stop the program unless `entries` follow `head` in the journal without a gap (T1, I5)."""
    sequence, digest = head or (0, FIRST_PREVIOUS)
    for entry in entries:
        require(
            entry.sequence == sequence + 1 and entry.previous == digest,
            f"journal entry {entry.sequence} does not follow entry {sequence}, the last one in"
            " the catalogue",
        )
        sequence, digest = entry.sequence, entry.digest


def add(entry: Entry, book: Book) -> None:
    """Add one entry to a book. Raises InvariantBrokenError if a rule of the tally is broken."""
    event = entry.event
    if isinstance(event, ServiceEvent | HealthEvent | ProvingEvent):
        _add_elsewhere(event, entry, book)
        return
    match event:
        case DriveAccessioned():
            _accession(event, entry.at.date(), book)
        case CardCorrected() | DriveWithdrawn() | DriveHeld() | HoldLifted():
            _add_to_card(event, entry, book)
        case PassBegun() | PassResumed() | FixityChecked() | PassEnded():
            _add_to_pass(event, entry, book)
        case DigestsRecorded():
            _record_digests(event, book)
        case ChunksProved():
            _prove_chunks(event, book)
        case FindingOpened() | FindingClosed() | FindingAccepted():
            _add_to_findings(event, entry.at.date(), book)
        case JournalOpened() | TornLineKept() | CatalogueBroughtUp() | ClockAttested():
            pass  # about the journal itself
        case (
            IdentityRefused()
            | RangeMended()
            | PathDoubted()
            | StagedBytesKept()
            | DriveRewritten()
            | InventoryTaken()
            | PassInterrupted()  # it stands where its last checkpoint left it
            | ChannelFailed()
        ):
            pass  # told for the record; what follows from them has an event of its own
        case _:
            assert_never(event)


def _add_elsewhere(
    event: ServiceEvent | HealthEvent | ProvingEvent, entry: Entry, book: Book
) -> None:
    """Hand an event to the module that has its rules."""
    if isinstance(event, ServiceEvent):
        add_of_service(event, entry, book)
    elif isinstance(event, HealthEvent):
        add_of_health(event, entry, book)
    else:
        add_of_proving(event, entry, book)


def _accession(event: DriveAccessioned, day: date, book: Book) -> None:
    require(
        book.card(event.drive) is None,
        f"{event.drive} names a drive that is or was in care; a number is never given twice",
    )
    book.put_card(
        DriveCard(
            number=event.drive,
            shelfmark=event.shelfmark,
            title=event.title,
            medium=event.medium,
            evidence=event.evidence,
            chunk_bytes=event.chunk_bytes,
            accessioned_on=day,
            claimed_written_on=event.claimed_written_on,
            holding=event.holding or None,
        )
    )
    give_up_provings_of(event.evidence, book)


def _add_to_card(
    event: CardCorrected | DriveWithdrawn | DriveHeld | HoldLifted, entry: Entry, book: Book
) -> None:
    card = in_care(event.drive, book)
    match event:
        case CardCorrected():
            book.put_card(
                replace(
                    card,
                    shelfmark=_or(event.shelfmark, card.shelfmark),
                    title=_or(event.title, card.title),
                    medium=event.medium or card.medium,
                    claimed_written_on=event.claimed_written_on or card.claimed_written_on,
                    holding=_or(event.holding, card.holding or "") or None,
                )
            )
        case DriveWithdrawn():
            book.put_card(replace(card, withdrawn_on=entry.at.date()))
            for unfinished in book.open_passes(card.number).values():
                book.end_pass(_given_up(unfinished, entry))
            leave_care(card.number, entry.at.date(), book)
        case DriveHeld():
            book.put_card(replace(card, hold=event.reason))
        case HoldLifted():
            book.put_card(replace(card, hold=None, hold_lifted_at=entry.at))
        case _:
            assert_never(event)


def _or(corrected: str | None, before: str) -> str:
    """Return the corrected text, which may be empty, or what stood before."""
    return before if corrected is None else corrected


def _given_up(state: PassState, entry: Entry) -> PassHistory:
    """Return what became of a pass whose drive was withdrawn under it."""
    return PassHistory(
        id=state.id,
        drive=state.drive,
        kind=state.kind,
        begun_at=state.begun_at,
        ended_at=entry.at,
        outcome=Outcome.WARNING,
        reached_end=False,
        checked_bytes=state.checked_bytes,
        rewritten_bytes=state.rewritten_bytes,
        findings=state.mismatches,
        note="the drive was withdrawn",
    )


def _add_to_pass(
    event: PassBegun | PassResumed | FixityChecked | PassEnded, entry: Entry, book: Book
) -> None:
    card = in_care(event.drive, book)
    if isinstance(event, PassBegun):
        require(
            all(state.kind != event.pass_kind for state in book.open_passes(card.number).values()),
            f"{event.pass_id} was begun while a {event.pass_kind} pass is unfinished (T5)",
        )
        book.put_card(replace(card, passes=card.passes + 1))
        book.put_pass(_begun(event, entry))
        take_up_stay(card.number, book)
        return
    state = _this_pass(event, book)
    match event:
        case PassResumed():
            require(
                event.next_chunk <= state.next_chunk,
                f"{state.id} was resumed beyond its last checkpoint, at chunk {event.next_chunk}",
            )
            book.put_pass(replace(state, presence=event.presence, next_chunk=event.next_chunk))
            take_up_stay(card.number, book)
        case FixityChecked():
            if event.moment in ("whole", "before rewrite"):
                checked = state.checked_bytes + event.bytes_checked
                book.put_pass(replace(state, checked_bytes=checked))
        case PassEnded():
            _end_pass(event, entry, card, book)
        case _:
            assert_never(event)


def _begun(event: PassBegun, entry: Entry) -> PassState:
    return PassState(
        id=event.pass_id,
        drive=event.drive,
        kind=event.pass_kind,
        begun_at=entry.at,
        next_chunk=0,
        presence=event.presence,
        segment_chunks=event.segment_chunks,
        is_closing=event.is_closing,
    )


def _this_pass(
    event: PassResumed | FixityChecked | PassEnded | ChunksProved, book: Book
) -> PassState:
    """Return the unfinished pass that an event is about."""
    state = book.open_passes(event.drive).get(event.pass_id)
    if state is None:
        raise InvariantBrokenError(f"{event.pass_id} is no unfinished pass of {event.drive}")
    return state


def _end_pass(event: PassEnded, entry: Entry, card: DriveCard, book: Book) -> None:
    state = _this_pass(event, book)
    require(event.pass_kind == state.kind, f"{state.id} ended as another kind of pass")
    # A visit that was cut short left no count behind, but whoever reached the end read it all.
    checked = card.evidence.size_bytes if event.reached_end else state.checked_bytes
    book.end_pass(
        PassHistory(
            id=state.id,
            drive=state.drive,
            kind=state.kind,
            begun_at=state.begun_at,
            ended_at=entry.at,
            outcome=event.outcome,
            reached_end=event.reached_end,
            checked_bytes=checked,
            rewritten_bytes=state.rewritten_bytes,
            findings=event.findings,
            note=event.note,
        )
    )
    if not event.reached_end:
        return
    if state.kind is PassKind.ACCESSION:
        require(
            book.recorded(card.number) == card.grid.count,
            f"{state.id} ended although chunks of {card.number} have no record (T3)",
        )
        card = replace(card, is_taken_in=True)
    days = [day for day in (card.last_fixity, event.checked_on) if day is not None]
    book.put_card(replace(card, last_fixity=max(days, default=None)))


def _record_digests(event: DigestsRecorded, book: Book) -> None:
    card = in_care(event.drive, book)
    count = check_digests(event.first_chunk, event.digests, card.grid)
    recorded = book.recorded(card.number)
    require(
        event.first_chunk <= recorded,
        f"digests of {card.number} from chunk {event.first_chunk} would leave a gap (T3)",
    )
    put_digests(card.number, event.first_chunk, event.digests, book)
    end = event.first_chunk + count
    if end > recorded:
        book.put_recorded(card.number, end)
    state = None if event.pass_id is None else book.open_passes(card.number).get(event.pass_id)
    if state is not None and state.kind is PassKind.ACCESSION:
        length = card.grid.run(event.first_chunk, end).length
        checked = state.checked_bytes + length  # read for the first time
        book.put_pass(replace(state, next_chunk=end, checked_bytes=checked))


def _prove_chunks(event: ChunksProved, book: Book) -> None:
    card = in_care(event.drive, book)
    state = _this_pass(event, book)
    book.put_pass(
        replace(
            state,
            next_chunk=event.next_chunk,
            rewritten_bytes=state.rewritten_bytes + event.bytes_rewritten,
        )
    )
    marks = [(run.first_chunk, run.count, run.written_on.toordinal()) for run in event.rewritten]
    marks += [(first, count, HOLE) for first, count in event.holes]
    for first, count, _ in marks:
        check_run(first, count, card.grid)
    mark_days(card, marks, book)


def _add_to_findings(
    event: FindingOpened | FindingClosed | FindingAccepted, day: date, book: Book
) -> None:
    card = in_care(event.drive, book)
    match event:
        case FindingOpened():
            _open_finding(event, day, book)
        case FindingClosed():
            finding = _open_one(event, book)
            book.put_finding(replace(finding, state=FindingState.CLOSED))
        case FindingAccepted():
            finding = _open_one(event, book)
            count = check_digests(event.first_chunk, event.digests, card.grid)
            require(
                event.first_chunk + count <= book.recorded(card.number),
                f"{finding.id} accepts chunks of {card.number} that were never recorded",
            )
            put_digests(card.number, event.first_chunk, event.digests, book)
            book.put_finding(replace(finding, state=FindingState.ACCEPTED))
        case _:
            assert_never(event)


def _open_finding(event: FindingOpened, day: date, book: Book) -> None:
    require(book.found(event.finding_id) is None, f"{event.finding_id} was given twice")
    book.put_finding(
        Finding(
            id=event.finding_id,
            drive=event.drive,
            kind=event.finding_kind,
            span=Span(event.start_byte, event.length_bytes),
            opened_on=day,
            observed=None if event.observed is None else Digest(event.observed),
            note=event.note,
        )
    )
    state = None if event.pass_id is None else book.open_passes(event.drive).get(event.pass_id)
    if state is not None and event.finding_kind is FindingKind.MISMATCH:
        book.put_pass(replace(state, mismatches=state.mismatches + 1))


def _open_one(event: FindingClosed | FindingAccepted, book: Book) -> Finding:
    """Return the open finding that an event is about."""
    finding = book.found(event.finding_id)
    if finding is None or finding.drive != event.drive or finding.state is not FindingState.OPEN:
        raise InvariantBrokenError(f"{event.finding_id} is no open finding of {event.drive}")
    return finding
