"""Builders of journals that tests of several modules need."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from types import TracebackType

from refreshd.chain import encode, next_entry
from refreshd.events import CardCorrected, DigestsRecorded, Entry, Event, HoldLifted, JournalOpened
from refreshd.journal import file_name
from refreshd.quantities import DriveNumber
from refreshd.verification import Line

BEGINS = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
K07 = DriveNumber("K07")


class NoLock:
    """A lock for tests with one process and one thread; says whether it is held."""

    def __init__(self) -> None:
        self.is_held = False

    def __enter__(self) -> None:
        """Take it; it must be free."""
        assert not self.is_held
        self.is_held = True

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Give it back."""
        self.is_held = False


def some_event(number: int) -> Event:
    """Return an event that differs from its neighbours, now and then with awkward text."""
    match number % 4:
        case 0:
            return DigestsRecorded(
                drive=K07, pass_id=None, first_chunk=number, digests=bytes([number % 256]) * 32
            )
        case 1:
            return JournalOpened(program=f"refreshd {number}")
        case 2:
            return CardCorrected(drive=K07, title=f"Lantern slides {number} “ä”\t\\ \x1f 🜨")
        case _:
            return HoldLifted(drive=K07, reason=f"looked at it, {number}")


def chained(events: Iterable[Event], last: Entry | None = None) -> list[Entry]:
    """Return the entries of these events, one a minute."""
    entries: list[Entry] = []
    for event in events:
        at = (last.at if last else BEGINS) + timedelta(minutes=1)
        last = next_entry(last, at, event)
        entries.append(last)
    return entries


def some_entries(count: int) -> list[Entry]:
    """Return a sound journal of so many entries."""
    return chained(some_event(number) for number in range(1, count + 1))


def some_lines(count: int) -> list[bytes]:
    """Return the lines of a sound journal."""
    return [encode(entry) for entry in some_entries(count)]


def resealed(entry: Entry, event: Event) -> Entry:
    """Return an entry whose event was changed and whose digest was made anew."""
    before = entry.model_copy(
        update={"sequence": entry.sequence - 1, "digest": entry.previous, "at": entry.at}
    )
    return next_entry(before if entry.sequence > 1 else None, entry.at, event)


def as_lines(lines: Sequence[bytes], per_file: int = 1000) -> Iterator[Line]:
    """Spread lines over files, `per_file` in each, the last line perhaps without an end."""
    content = b"".join(lines).split(b"\n")
    whole = [line + b"\n" for line in content[:-1]] + ([content[-1]] if content[-1] else [])
    for index, line in enumerate(whole):
        first = index // per_file * per_file + 1
        yield Line(file_name(first), index % per_file + 1, line)
