"""Begin a pass or take one up again, run its body, and write down why it stopped."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from refreshd.cards import DriveCard, PassState
from refreshd.errors import (
    DriveError,
    DriveHeldError,
    DriveHungError,
    RecordFailedError,
    RefreshdError,
)
from refreshd.events import PassBegun, PassInterrupted, PassResumed
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.findings import FindingBook
from refreshd.passes.heat import begun
from refreshd.passes.metered import MeteredMedium, Pacer
from refreshd.passes.reading import ChunkReader, Elsewhere
from refreshd.passes.visit import Visit
from refreshd.passes.watch import Watch
from refreshd.quantities import DriveNumber, Outcome, PassId, PassKind


def open_visit(bench: Bench, number: DriveNumber, kind: PassKind, options: PassOptions) -> Visit:
    """Begin a pass, or take up the one of this kind that was interrupted, and write it down."""
    card = bench.ledger.drive(number)
    presence = bench.medium.presence()
    state = bench.ledger.unfinished_pass(number, kind)
    watch = Watch(
        bench, begun(options.heat, None, is_silent=False), is_rewriting=kind is PassKind.REFRESH
    )
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
        return interrupted(visit, _located(visit, err))
    except RefreshdError as err:
        with suppress(DriveError):  # the first error is the one to tell
            visit.metered.close_for_writing()
        return interrupted(visit, err)
    return report


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
