"""
How fast the journal is written, opened, read back and verified. Not a test.

Run it as ``python -m tests.benchmarks.journal [DIRECTORY]``.
"""

from __future__ import annotations

import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.chain import encode, next_entry
from refreshd.events import ChunksProved, DigestsRecorded, Entry, Event, RewriteRun
from refreshd.journal import ROTATE_BYTES, Journal, file_name
from refreshd.quantities import MIB, DriveNumber, PassId
from refreshd.verification import verify

K07 = DriveNumber("K07")
RUNS = 5


def short(number: int) -> Event:
    """Return a checkpoint, the commonest short record."""
    day = datetime(2031, 3, 14, tzinfo=UTC).date()
    run = RewriteRun(first_chunk=number, count=16, written_on=day)
    return ChunksProved(
        drive=K07, pass_id=PassId("K07/3"), next_chunk=number + 16, rewritten=(run,)
    )


def digests(chunks: int) -> Callable[[int], Event]:
    """Return a maker of records that hold so many digests."""
    packed = bytes(range(256)) * (chunks * 16 // 256)
    return lambda number: DigestsRecorded(
        drive=K07, pass_id=PassId("K07/1"), first_chunk=number * chunks, digests=packed
    )


def fill(path: Path, make: Callable[[int], Event], size_bytes: int) -> int:
    """Write a journal without syncing each line; return how many records it has."""
    last: Entry | None = None
    at, written, count, file = datetime(2031, 3, 14, tzinfo=UTC), 0, 0, None
    while written < size_bytes:
        at += timedelta(seconds=1)
        last = next_entry(last, at, make(count))
        line = encode(last)
        if file is None or file.tell() + len(line) > ROTATE_BYTES:
            if file is not None:
                file.close()
            file = (path / file_name(last.sequence)).open("wb")
        file.write(line)
        written, count = written + len(line), count + 1
    if file is not None:
        file.close()
    return count


def median_s(act: Callable[[], object], runs: int = RUNS) -> tuple[float, float, float]:
    """Return median, least and most seconds of several runs."""
    taken = []
    for _ in range(runs):
        began = time.perf_counter()
        act()
        taken.append(time.perf_counter() - began)
    return statistics.median(taken), min(taken), max(taken)


def lines() -> Iterator[str]:
    """Measure, and yield one line of the table after another."""
    base = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    kinds: list[tuple[str, Callable[[int], Event], int]] = [
        ("checkpoints", short, 32 * MIB),
        ("256 digests a record", digests(256), 112 * MIB),
        ("65,536 digests a record", digests(65536), 112 * MIB),
    ]
    for name, make, size_bytes in kinds:
        with tempfile.TemporaryDirectory(dir=base) as place:
            count = fill(Path(place), make, size_bytes)
            directory = FileJournalDirectory(Path(place))
            journal = Journal(directory)
            taken = median_s(lambda: verify(journal.lines()))  # noqa: B023 - called at once
            read = median_s(lambda: sum(1 for _ in journal.entries()))  # noqa: B023
            opened = median_s(lambda: Journal(directory).head())  # noqa: B023
            size = size_bytes / 1e6
            yield (
                f"{name}: {size:.0f} MB, {count} records of {size_bytes // count} bytes; "
                f"verify {size / taken[0]:.0f} MB/s ({size / taken[2]:.0f}-{size / taken[1]:.0f}), "
                f"{count / taken[0]:.0f} records/s; entries {size / read[0]:.0f} MB/s; "
                f"open {opened[0] * 1000:.1f} ms"
            )
    with tempfile.TemporaryDirectory(dir=base) as place:
        journal, entries, last = Journal(FileJournalDirectory(Path(place))), [], None
        for number in range(500):
            last = next_entry(last, datetime(2031, 3, 14, tzinfo=UTC), short(number))
            entries.append(last)
        journal.head()
        began = time.perf_counter()
        for entry in entries:
            journal.append(entry)
        yield f"append: {len(entries) / (time.perf_counter() - began):.0f} durable records/s"
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    yield f"peak memory {peak:.0f} MiB"


if __name__ == "__main__":
    for told in lines():
        print(told)  # noqa: T201 - the table is the result
