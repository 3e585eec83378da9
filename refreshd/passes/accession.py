"""Accession pass: read every chunk of a new drive once and record its digest.

Digests are recorded a quarter of a thousand chunks at a time, so an interrupted accession is
taken up again behind the last of them. A chunk that cannot be read is recorded as such.
"""

from __future__ import annotations

from refreshd.cards import DriveCard
from refreshd.errors import DriveHeldError, PassStoppedError
from refreshd.events import DigestsRecorded
from refreshd.passes.bench import Bench, PassOptions, PassReport
from refreshd.passes.opening import guarded, open_visit
from refreshd.passes.visit import Visit
from refreshd.quantities import NO_DIGEST, DriveNumber, PassKind

BATCH_CHUNKS = 256
"""Digests in one journal record: 4 KiB packed, 1 GiB of drive at 4 MiB a chunk."""


def run_accession(bench: Bench, number: DriveNumber, options: PassOptions) -> PassReport:
    """Record the digests of a drive whose card is in the catalogue already.

    Raises DriveHeldError when the drive is taken in already or withdrawn; any error of the
    world later on is in the report.
    """
    _refuse_if_done(bench.ledger.drive(number))
    visit = open_visit(bench, number, PassKind.ACCESSION, options)
    return guarded(visit, lambda: _record_all(visit))


def _refuse_if_done(card: DriveCard) -> None:
    if card.withdrawn_on is not None or card.is_taken_in:
        raise DriveHeldError(f"{card.number} was taken in already; a fixity pass checks it")


def _record_all(visit: Visit) -> PassReport:
    grid = visit.card.grid
    batch: list[bytes] = []
    first = visit.bench.ledger.recorded_chunks(visit.number)
    for reading in visit.bench.lanes.each(visit.reader.read, range(first, grid.count)):
        visit.note_reading(reading)
        if reading.digest is None:
            visit.counts.unreadable += 1
            visit.book.unreadable(reading.unreadable)
        else:
            visit.counts.matched += 1
        visit.counts.bytes_checked += grid.span(reading.chunk).length
        batch.append(reading.digest or NO_DIGEST)
        done = reading.chunk + 1
        is_stopping = visit.bench.attendant.wants_stop() and done < grid.count
        if len(batch) == BATCH_CHUNKS or done == grid.count or is_stopping:
            _record(visit, done, batch)
        if is_stopping:
            raise PassStoppedError(
                f"stopped as asked; {grid.run(0, done).length} bytes are recorded, "
                "the accession goes on from there when it is run again"
            )
        visit.moved(grid.run(0, done).length, "reading")
    return visit.end(reached_end=True)


def _record(visit: Visit, done: int, batch: list[bytes]) -> None:
    # Findings first: a digest record that is cut off is read again, a finding would be lost.
    visit.book.settle()
    visit.bench.ledger.record(
        DigestsRecorded(
            drive=visit.number,
            pass_id=visit.pass_id,
            first_chunk=done - len(batch),
            digests=b"".join(batch),
        )
    )
    batch.clear()
