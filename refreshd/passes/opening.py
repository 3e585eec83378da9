"""Begin a pass or take one up again, run its body, and write down why it stopped."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from refreshd.cards import DriveCard, PassState
from refreshd.errors import (
    DriveError,
    DriveFailingError,
    DriveGoneError,
    DriveHeldError,
    DriveHungError,
    RecordFailedError,
    RefreshdError,
)
from refreshd.events import HealthRead, PassBegun, PassInterrupted, PassResumed, PassWatched
from refreshd.health.left_alone import NOT_ASKED, is_left_alone
from refreshd.health_cards import HeatLimits, Measure, Moment, OwnWord, Route
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.findings import FindingBook
from refreshd.passes.health_gate import (
    ask_before,
    enter,
    read_after,
    sentences_after,
    sentences_before,
    went_away,
)
from refreshd.passes.heat import LEFT_ALONE_WORDS, SILENT_WORDS, begun, summary_words
from refreshd.passes.metered import MeteredMedium, Pacer
from refreshd.passes.reading import ChunkReader, Elsewhere
from refreshd.passes.visit import Visit
from refreshd.passes.watch import Watch, longest
from refreshd.quantities import DriveNumber, Outcome, PassId, PassKind


def open_visit(bench: Bench, number: DriveNumber, kind: PassKind, options: PassOptions) -> Visit:
    """Begin a pass, or take up the one of this kind that was interrupted, and write it down."""
    card = bench.ledger.drive(number)
    presence = bench.medium.presence()
    state = bench.ledger.unfinished_pass(number, kind)
    before = ask_before(bench, card, kind)
    is_left = is_left_alone(bench.ledger.health(number), Moment.DURING, bench.clock.now())
    watch = _watch(bench, kind, options.heat, before, is_left=is_left)
    metered = MeteredMedium(
        bench.medium,
        Pacer(bench.clock, bench.lanes, options.rate_bytes_per_s_max),
        watch,
        options.readback_lag_bytes,
    )
    if state is None:
        state = _begin(bench, card, kind, options)
    else:
        bench.ledger.record(
            PassResumed(
                drive=number, pass_id=state.id, presence=presence, next_chunk=state.next_chunk
            )
        )
        bench.attendant.said(
            f"An interrupted {kind} pass over {number} is taken up again at byte "
            f"{state.next_chunk * card.chunk_bytes}."
        )
    done_bytes = min(state.next_chunk * card.chunk_bytes, card.grid.size_bytes)
    watch.place = (done_bytes, card.grid.size_bytes)
    if before is not None:
        enter(bench.ledger, before.model_copy(update={"pass_id": state.id}))
    return Visit(
        bench=bench,
        options=options,
        card=card,
        state=state,
        presence=presence,
        watch=watch,
        metered=metered,
        reader=ChunkReader(metered, card.grid, bench.lanes),
        elsewhere=Elsewhere(metered, card.grid, bench.lanes),
        book=FindingBook(bench.ledger, number, state.id, card.grid),
        began_s=bench.clock.elapsed_s(),
        before=before,
    )


def _watch(
    bench: Bench, kind: PassKind, limits: HeatLimits, before: HealthRead | None, *, is_left: bool
) -> Watch:
    """Return the watch over a drive that gave these answers, and tell what they say."""
    known, is_silent, is_failing = None, is_left, False
    if before is not None:
        known = before.reading.measures.get(Measure.CELSIUS)
        is_silent |= before.reading.route is Route.SILENT and known is None
        is_failing = before.reading.says is OwnWord.FAILING
        for sentence in sentences_before(before):
            bench.attendant.said(sentence)
    if is_left:
        bench.attendant.said(LEFT_ALONE_WORDS)
    elif is_silent:
        bench.attendant.said(SILENT_WORDS)
    return Watch(
        bench,
        begun(limits, known, is_silent=is_silent),
        is_rewriting=kind is PassKind.REFRESH,
        is_known_failing=is_failing,
    )


def _begin(bench: Bench, card: DriveCard, kind: PassKind, options: PassOptions) -> PassState:
    segment_chunks = max(1, options.segment_bytes // card.chunk_bytes)
    event = PassBegun(
        drive=card.number,
        pass_id=PassId(f"{card.number}/{card.passes + 1}"),
        pass_kind=kind,
        presence=bench.medium.presence(),
        segment_chunks=segment_chunks,
        is_closing=options.is_closing,
        readback_lag_bytes=options.readback_lag_bytes,
        policy=options.policy,
    )
    entry = bench.ledger.record(event)
    return PassState(
        id=event.pass_id,
        drive=card.number,
        kind=kind,
        begun_at=entry.at,
        next_chunk=0,
        presence=event.presence,
        segment_chunks=segment_chunks,
        is_closing=options.is_closing,
    )


def interrupted(visit: Visit, err: RefreshdError) -> PassReport:
    """Write down why a pass stopped before its end, if the stores still take it, and report."""
    if not isinstance(err, RecordFailedError):
        try:
            visit.hold_if_failing()
            visit.book.settle()
            visit.bench.ledger.record(
                PassInterrupted(drive=visit.number, pass_id=visit.pass_id, reason=str(err))
            )
        except RefreshdError as second:
            visit.say(f"The stop itself could not be written down: {second}")
    return visit.report(Outcome.FAIL, stopped_by=err)


def guarded(visit: Visit, body: Callable[[], PassReport]) -> PassReport:
    """Run the body of a pass; an error of the world becomes part of the report."""
    try:
        report = body()
        visit.metered.close_for_writing()
    except DriveHungError as err:
        # Closing would flush, and this thread would hang with the drive before it could tell.
        visit.metered.abandon()
        report = interrupted(visit, _located(visit, err))
    except RefreshdError as err:
        with suppress(DriveError):  # the first error is the one to tell
            visit.metered.close_for_writing()
        report = interrupted(visit, err)
    return _looked_back(visit, report)


NOT_ASKED_AFTER = (DriveGoneError, DriveHungError, DriveFailingError, RecordFailedError)
"""Errors after which a drive is not asked how it is: it is not there, has answered that already,
or the answer could not be kept."""


def _looked_back(visit: Visit, report: PassReport) -> PassReport:
    """Write down the curve of the run, and how the drive is after it.

    What the pass came to stands, whatever becomes of that.
    """
    err = report.stopped_by
    if isinstance(err, RecordFailedError):
        return report
    try:
        _record_curve(visit)
        if visit.watch.went_away:
            bench, moment = visit.bench, Moment.DURING
            went_away(bench.ledger, bench.clock, visit.number, moment, visit.pass_id)
        is_askable = err is None or isinstance(err, DriveError)
        if is_askable and not isinstance(err, NOT_ASKED_AFTER):
            _read_after(visit)
    except RefreshdError as second:
        visit.say(f"How the drive is after the pass could not be written down: {second}")
    return replace(report, notes=tuple(visit.notes))


def _record_curve(visit: Visit) -> None:
    samples, pauses = visit.watch.samples(), visit.watch.pauses()
    if pauses:
        visit.say(summary_words(pauses))
    if pauses or len(samples) > 1:  # one point is no curve
        visit.bench.ledger.record(
            PassWatched(
                drive=visit.number,
                outcome=Outcome.WARNING if pauses else Outcome.SUCCESS,
                pass_id=visit.pass_id,
                doing=visit.state.kind,
                samples=samples,
                heat_pauses=longest(pauses),
            )
        )


def _read_after(visit: Visit) -> None:
    """Ask a drive that was not silent before what the pass changed."""
    if visit.before is None or visit.before.reading.route is Route.SILENT:
        return
    ledger, now = visit.bench.ledger, visit.bench.clock.now()
    if is_left_alone(ledger.health(visit.number), Moment.AFTER, now):
        visit.say(f"How {visit.number} is after the pass is not known: {NOT_ASKED}.")
        return
    after = read_after(visit.bench, visit.number, visit.pass_id)
    if after is not None:
        for sentence in sentences_after(after, was=visit.before.verdict):
            visit.say(sentence)


def _located(visit: Visit, err: DriveHungError) -> DriveHungError:
    """Return the error with the place on the drive that hangs, or that it is not the drive."""
    request = visit.metered.oldest_request()
    if request is None:
        return DriveHungError(f"{err}: not the drive, but the disk that holds the staged copies")
    return DriveHungError(f"{visit.metered.place}: {err} while {request}")


def refuse_held(card: DriveCard) -> None:
    """Raise DriveHeldError for a drive that nothing may be written to now."""
    if card.hold is not None:
        raise DriveHeldError(
            f"{card.number} is on hold, nothing may be written to it: {card.hold}. After looking, "
            f'`refreshd drive {card.number} --lift-hold "what was done"`'
        )


def refuse_unless_taken_in(card: DriveCard) -> None:
    """Raise DriveHeldError for a drive whose taking in was interrupted, or that is withdrawn."""
    if card.withdrawn_on is not None:
        raise DriveHeldError(f"{card.number} was withdrawn on {card.withdrawn_on}")
    if not card.is_taken_in:
        raise DriveHeldError(
            f"{card.number} was not taken in completely; run the accession again to finish it"
        )
