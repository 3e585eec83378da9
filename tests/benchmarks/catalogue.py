"""What a catalogue costs: ``python -m tests.benchmarks.catalogue``.

Builds the register of a drive of 20 TB in chunks of 4 MiB beside one of 100 chunks, from the
events that an accession records, and compares size on disk and the time of single acts. Read
ratios, not absolutes: the times are those of this machine's disk and its cache.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from datetime import date
from itertools import islice
from pathlib import Path
from time import perf_counter

from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.events import DigestsRecorded, Event
from refreshd.health_cards import Verdict
from refreshd.quantities import DriveNumber, PassKind
from refreshd.register import ROW_CHUNKS, pack_counts
from tests.builders import (
    CHUNK_BYTES,
    Scribe,
    accessioned,
    begun,
    ended,
    opened,
    proved,
    some_digests,
)
from tests.health_builders import health_read

LARGE_BYTES = 20 * 10**12
SMALL_CHUNKS = 100
EVENT_CHUNKS = 256
BATCH_EVENTS = 500
REPEATS = 31
SEGMENT_CHUNKS = 16
SHELF_DRIVES = 1000
SERIES_READINGS = 80


def register_events(number: DriveNumber, chunks: int) -> Iterator[Event]:
    """Yield the events that take a drive of so many chunks into care."""
    yield accessioned(chunks, number)
    accession = begun(1, PassKind.ACCESSION, number)
    yield accession
    for first in range(0, chunks, EVENT_CHUNKS):
        digests = some_digests(min(EVENT_CHUNKS, chunks - first), first)
        yield DigestsRecorded(
            drive=number, pass_id=accession.pass_id, first_chunk=first, digests=digests
        )
    yield ended(accession, date(2026, 3, 1))


def build(catalogue: SqliteCatalogue, scribe: Scribe, number: DriveNumber, chunks: int) -> None:
    """Take a drive into the catalogue in transactions of many events."""
    for batch in in_batches(register_events(number, chunks)):
        catalogue.apply(scribe.entries(*batch))


def in_batches(events: Iterable[Event]) -> Iterator[tuple[Event, ...]]:
    """Divide events into transactions."""
    source = iter(events)
    return iter(lambda: tuple(islice(source, BATCH_EVENTS)), ())


def median_ms(act: Callable[[int], object]) -> float:
    """Return the median time of an act in milliseconds; the first is not counted."""
    act(0)
    times = []
    for turn in range(1, REPEATS):
        began = perf_counter()
        act(turn)
        times.append((perf_counter() - began) * 1000)
    return statistics.median(times)


def measure(
    catalogue: SqliteCatalogue, scribe: Scribe, number: DriveNumber, chunks: int
) -> dict[str, float]:
    """Return the time of each act on one drive, in milliseconds."""
    refresh = begun(2, PassKind.REFRESH, number)
    catalogue.apply(scribe.entries(refresh))
    step = max(1, (chunks - SEGMENT_CHUNKS) // REPEATS)

    def checkpoint(turn: int) -> None:
        event = proved(refresh, turn * step, SEGMENT_CHUNKS, date(2026, 4, 2))
        catalogue.apply(scribe.entries(event))

    times = {
        "checkpoint of a segment": median_ms(checkpoint),
        "digests of a segment": median_ms(
            lambda turn: catalogue.digests(number, turn * step, SEGMENT_CHUNKS)
        ),
        "days of a segment": median_ms(
            lambda turn: catalogue.written_days(number, turn * step, SEGMENT_CHUNKS)
        ),
    }
    for first in range(0, chunks, 64 * 1024):
        event = proved(refresh, first, min(64 * 1024, chunks - first), date(2026, 4, 3))
        catalogue.apply(scribe.entries(event))
    times["last rewrite of the drive"] = median_ms(lambda _: catalogue.oldest_written(number))
    return times


def shelf_ms(path: Path) -> float:
    """Return how long the whole shelf is asked for, in milliseconds: 1,000 drives of 20 TB.

    Each has had 20 passes and two readings of its health, the last of which said something of one
    drive in 20; its rows have 30 different days, and one drive in 20 has a finding.
    The counts of its days are put in by hand, as the registers that they count would fill 100 GB;
    the question reads nothing else.
    """
    chunks = -(-LARGE_BYTES // CHUNK_BYTES)
    rows = -(-chunks // ROW_CHUNKS)
    first_day = date(2026, 4, 1).toordinal()
    counts = {first_day + day: rows // 30 for day in range(29)}
    packed = pack_counts(counts | {first_day + 29: rows - 29 * (rows // 30)})
    numbers = [DriveNumber(f"K{number:04}") for number in range(SHELF_DRIVES)]
    with SqliteCatalogue.for_writing(path) as catalogue:
        scribe = Scribe()
        for number in numbers:
            events: list[Event] = [accessioned(chunks, number)]
            for turn in range(1, 21):
                kind = PassKind.REFRESH if turn % 3 == 0 else PassKind.FIXITY
                events += [one := begun(turn, kind, number), ended(one, date(2026, 4, 1))]
            events.append(health_read(Verdict.FIT, number))
            if (serial := int(number[1:])) % 20 == 0:
                events.append(opened(serial + 1, 7, drive=number))
                events.append(health_read(Verdict.WATCH, number))
            else:
                events.append(health_read(Verdict.FIT, number))
            catalogue.apply(scribe.entries(*events))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executemany(
            "INSERT INTO day_counts VALUES (?, ?, ?)",
            [(number, zlib.crc32(packed), packed) for number in numbers],
        )
    with SqliteCatalogue.for_reading(path) as catalogue:
        return median_ms(lambda _: catalogue.shelf_rows())


def series_ms(path: Path) -> float:
    """Return how long the series of a drive that was read 80 times is asked for."""
    number = DriveNumber("K07")
    with SqliteCatalogue.for_writing(path) as catalogue:
        scribe = Scribe()
        catalogue.apply(scribe.entries(accessioned(SMALL_CHUNKS, number)))
        readings = [health_read(Verdict.FIT, number) for _ in range(SERIES_READINGS)]
        catalogue.apply(scribe.entries(*readings))
        return median_ms(lambda _: catalogue.health(number))


def main() -> None:
    """Print the table."""
    large_chunks = -(-LARGE_BYTES // CHUNK_BYTES)
    small, large = DriveNumber("K07"), DriveNumber("K08")
    with tempfile.TemporaryDirectory() as room:
        path = Path(room) / "catalogue.sqlite"
        scribe = Scribe()
        with SqliteCatalogue.for_writing(path) as catalogue:
            build(catalogue, scribe, small, SMALL_CHUNKS)
            before = measure(catalogue, scribe, small, SMALL_CHUNKS)
            began = perf_counter()
            build(catalogue, scribe, large, large_chunks)
            built_s = perf_counter() - began
            after = measure(catalogue, scribe, large, large_chunks)
        size = sum(file.stat().st_size for file in path.parent.iterdir())
        began = perf_counter()
        SqliteCatalogue.for_writing(path).close()
        writing_s = perf_counter() - began
        began = perf_counter()
        SqliteCatalogue.for_reading(path).close()
        reading_s = perf_counter() - began
        whole_shelf_ms = shelf_ms(path.with_name("shelf.sqlite"))
        whole_series_ms = series_ms(path.with_name("series.sqlite"))
    out = sys.stdout
    out.write(f"20 TB in {large_chunks} chunks: {size / 1e6:.1f} MB on disk\n")
    out.write(f"recorded in {built_s:.1f} s, {large_chunks / built_s:.0f} chunks/s\n")
    out.write(f"opened for writing in {writing_s:.2f} s, for reading in {reading_s:.3f} s\n")
    out.write(f"{'median of 30, ms':30}{'100 chunks':>12}{'20 TB':>12}{'ratio':>8}\n")
    for act, small_ms in before.items():
        ratio = after[act] / small_ms
        out.write(f"{act:30}{small_ms:12.3f}{after[act]:12.3f}{ratio:8.2f}\n")
    out.write(f"a shelf of {SHELF_DRIVES} drives of 20 TB at once: {whole_shelf_ms:.0f} ms\n")
    out.write(f"a health series of {SERIES_READINGS} readings: {whole_series_ms:.1f} ms\n")


if __name__ == "__main__":
    main()
