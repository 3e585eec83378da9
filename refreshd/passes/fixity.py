"""Fixity pass: read everything, compare with the recorded digests, write nothing."""

from __future__ import annotations

from dataclasses import replace

from refreshd.errors import PassStoppedError
from refreshd.events import ChunksProved
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.opening import guarded, open_visit, refuse_unless_taken_in
from refreshd.passes.sweep import Sweep
from refreshd.passes.visit import ANOTHER_CONTENT, EARLY_CHUNKS, Visit, path_doubted
from refreshd.quantities import DriveNumber, PassKind

CHECKPOINT_CHUNKS = 512
"""Chunks between two checkpoints: 2 GiB at 4 MiB a chunk."""


def run_fixity(bench: Bench, number: DriveNumber, options: PassOptions) -> PassReport:
    """Check a whole drive against its recorded digests.

    Raises DriveHeldError when the drive was not taken in completely; any error of the world
    later on is in the report.
    """
    refuse_unless_taken_in(bench.ledger.drive(number))
    visit = open_visit(bench, number, PassKind.FIXITY, options)
    return guarded(visit, lambda: _check_all(visit))


def _check_all(visit: Visit) -> PassReport:
    count = visit.card.grid.count
    first = visit.state.next_chunk
    sweep = Sweep(visit, first)
    for done in sweep.chunks_done():
        if done - first == EARLY_CHUNKS:
            sweep.settle_all()
        if visit.differs_too_much(done - first):
            return _give_up(visit)
        if done % CHECKPOINT_CHUNKS == 0 and done < count:
            _checkpoint(visit, sweep.settled_before(done))
        if done < count and visit.bench.attendant.wants_stop():
            _stop(visit, sweep, done)
        visit.moved(visit.card.grid.run(0, done).length, "reading")
    return _finish(visit, sweep)


def _checkpoint(visit: Visit, next_chunk: int) -> None:
    visit.book.settle()
    visit.bench.ledger.record(
        ChunksProved(drive=visit.number, pass_id=visit.pass_id, next_chunk=next_chunk)
    )


def _stop(visit: Visit, sweep: Sweep, done: int) -> None:
    sweep.settle_all()
    _checkpoint(visit, done)
    raise PassStoppedError(
        f"stopped as asked; {visit.card.grid.run(0, done).length} bytes are checked, "
        "the pass goes on from there when it is run again"
    )


def _give_up(visit: Visit) -> PassReport:
    visit.book.settle()
    visit.book.suspect_whole_drive(ANOTHER_CONTENT)
    visit.fixity_checked("whole", "stopped early")
    return visit.end(reached_end=False, note=ANOTHER_CONTENT)


def _finish(visit: Visit, sweep: Sweep) -> PassReport:
    visit.book.settle()
    whole = visit.book.whole_drive
    if whole is not None:
        visit.book.close(whole, "the whole drive was read and does not differ as a whole")
    visit.fixity_checked("whole", "direct reading, differing chunks twice")
    report = visit.end(reached_end=True)
    return replace(report, stopped_by=path_doubted()) if sweep.is_path_doubted else report
