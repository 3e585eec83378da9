"""
The journal: files of chained lines in one directory, only ever written at the end.

Files are named by the number of their first record, ``0000000001.jsonl``; the next one begins
when a line would make a file longer than `rotate_bytes`. The chain goes on across files.

What is promised, and where it is kept:

- J1 A record is durable when `append` returns: written, synced, and the name of a new file
  synced before the first line goes into it.
- J2 After a failed write the line is cut off again. If that fails, or a sync fails, what the
  disk holds is not known: the journal is *latched*, and every later use raises until it is
  opened again. A sync is never repeated: the kernel forgets the error, the data stays lost.
- J3 Nothing relies on a line that this process did not sync itself. Whoever takes over after
  a crash writes the last line again, the same bytes in the same place, and syncs that; an
  empty file is removed and made anew. Asking for a second sync would prove nothing.
- J4 An unfinished line at the end is kept aside and cut off only where the catalogue does not
  contain it. Damage anywhere else is refused, with file, line and record.

Opening reads the end of the last file alone; `refreshd.verification` reads everything.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from refreshd.chain import FIRST_PREVIOUS, LINE_BYTES_MAX, Frame, decode, encode, read_frame
from refreshd.errors import (
    JournalDamagedError,
    JournalTruncatedError,
    RecordFailedError,
    require,
)
from refreshd.events import Entry, TornLineKept
from refreshd.ports import JournalDirectory
from refreshd.quantities import MIB
from refreshd.verification import Line

ROTATE_BYTES = 64 * MIB
"""A file that an editor still opens; also the most that is read to find a damaged end."""

_BLOCK_BYTES = MIB
_NAME = re.compile(r"([0-9]{10,})\.jsonl")


def file_name(first: int) -> str:
    """Return the name of the file that begins with record `first`."""
    return f"{first:010d}.jsonl"


def first_record(name: str) -> int | None:
    """Return the number of the first record of a file of this name; None: no journal file."""
    match = _NAME.fullmatch(name)
    return int(match[1]) if match else None


@dataclass(frozen=True, slots=True)
class _Place:
    """A place between two lines, and the number and digest of the record before it.

    `digest` is None where the record before was not read.
    """

    file: str
    offset: int
    sequence: int
    digest: str | None


_NOWHERE = _Place("", 0, 0, None)


class Journal:
    """`JournalStore` over a directory. Not for several threads at once; the ledger sees to it."""

    def __init__(self, directory: JournalDirectory, rotate_bytes: int = ROTATE_BYTES) -> None:
        self._directory = directory
        self._rotate_bytes = rotate_bytes
        self._end: _Place | None = None  # None: not looked yet
        self._last: Entry | None = None
        self._latched = ""

    def head(self) -> Entry | None:
        """Return the last entry, looking again for what another process appended."""
        self._look()
        return self._last

    def append(self, entry: Entry) -> None:
        """Make one entry durable, or raise RecordFailedError and leave none of it."""
        end = self._look()
        before = FIRST_PREVIOUS if self._last is None else self._last.digest
        follows = (entry.sequence, entry.previous) == (end.sequence + 1, before)
        require(follows, f"record {entry.sequence} does not follow record {end.sequence}")
        line = encode(entry)
        end = self._with_room(end, len(line))
        self._write_line(end, line)
        self._end = _Place(end.file, end.offset + len(line), entry.sequence, entry.digest)
        self._last = entry

    def entries(self, after: int = 0) -> Iterator[Entry]:
        """Yield the entries whose sequence is above `after`, in order, each one verified.

        Raises JournalDamagedError at the first record that is damaged or missing.
        """
        names = self._directory.names()
        begun = [name for name in names if _before_first(name) <= after]
        start = begun[-1] if begun else next(iter(names), "")
        place = _Place(start, 0, _before_first(start), None)
        if place.sequence > after:
            raise JournalDamagedError(
                f"records {after + 1} to {place.sequence} are missing before journal file "
                f"{start}; restore them from an export"
            )
        for frame, line, end in self._read_on(place):
            if frame.sequence > after:
                yield self._decode(line, end)

    def lines(self) -> Iterator[Line]:
        """Yield every line of every file, whatever it holds, for `verify`."""
        for name in self._directory.names():
            for number, line in enumerate(self._lines(name, 0), 1):
                yield Line(name, number, line)

    def mend(self, contained: int) -> TornLineKept | None:
        """Make the end fit to go on from; call under the lock of the shelf (J3, J4)."""
        end = self._look()
        torn = None
        for name, start in self._behind(end):
            if self._directory.size_bytes(name) > start:
                torn = self._keep_aside(replace(end, file=name, offset=start), contained)
        if self._last is not None and self._last.sequence > contained:
            self._write_last_again(end, encode(self._last))
        return torn

    # Looking

    def _look(self) -> _Place:
        """Find the end again: read on from where it was, or from the end of the last file."""
        if self._latched:
            raise RecordFailedError(self._latched)
        names = self._directory.names()
        end = self._end
        if end is None or end.offset == 0:
            self._last = None
            end = self._near_end(names)
        elif end.file not in names or self._directory.size_bytes(end.file) < end.offset:
            raise JournalTruncatedError(
                f"journal file {end.file} is missing or shorter than it was; "
                "restore the journal from an export"
            )
        last = None
        for _, line, reached in self._read_on(end):
            last, end = line, reached
        if last is not None:
            self._last = self._decode(last, end)
        self._end = end
        return end

    def _near_end(self, names: tuple[str, ...]) -> _Place:
        """Return a place from which little is left to read: before the last whole line.

        When that line is not sound, the beginning of its file: the file is short enough.
        """
        for name in reversed(names):
            start, line = self._last_whole_line(name)
            frame = read_frame(line)
            if frame is not None and frame.is_sound:
                return _Place(name, start, frame.sequence - 1, None)
            if line and any(map(_is_sound, self._lines(name, 0))):
                return _Place(name, 0, _before_first(name), None)
        place = _Place(names[0], 0, _before_first(names[0]), None) if names else _NOWHERE
        if place.sequence > 0:
            raise JournalDamagedError(
                f"records 1 to {place.sequence} are missing before journal file {place.file}; "
                "restore them from an export"
            )
        return place

    def _last_whole_line(self, name: str) -> tuple[int, bytes]:
        """Return the last line that ends, and where it begins; empty when there is none."""
        data, start = b"", self._directory.size_bytes(name)
        while start > 0 and len(data) <= 2 * LINE_BYTES_MAX:
            length = min(_BLOCK_BYTES, start)
            start -= length
            data = self._directory.read(name, start, length) + data
            end = data.rfind(b"\n")
            begin = data.rfind(b"\n", 0, end) if end >= 0 else -1
            if begin >= 0:
                return start + begin + 1, data[begin + 1 : end + 1]
        return start, data[: data.rfind(b"\n") + 1]

    def _read_on(self, place: _Place) -> Iterator[tuple[Frame, bytes, _Place]]:
        """Yield every line from a place on, chained; stop before an unfinished end."""
        if not place.file:
            return
        names = self._directory.names()
        for name in names[names.index(place.file) :] if place.file in names else ():
            if name != place.file:
                place = replace(place, file=name, offset=0)
            for line in self._lines(name, place.offset):
                frame = read_frame(line)
                if frame is None or not frame.is_sound:
                    if self._is_end(replace(place, offset=place.offset + len(line))):
                        return
                    raise self._damaged(place, "is damaged")
                self._check_link(place, frame)
                place = _Place(name, place.offset + len(line), frame.sequence, frame.digest)
                yield frame, line, place

    def _check_link(self, place: _Place, frame: Frame) -> None:
        if frame.sequence != place.sequence + 1:
            raise self._damaged(place, f"is missing; record {frame.sequence} stands there")
        expected = FIRST_PREVIOUS if place.sequence == 0 else place.digest
        if expected is not None and frame.previous != expected:
            raise self._damaged(place, f"does not go on from record {place.sequence}")

    def _is_end(self, place: _Place) -> bool:
        """Say whether no record stands behind a place: a power cut tears the end alone."""
        return not any(
            _is_sound(line)
            for name, start in self._behind(place)
            for line in self._lines(name, start)
        )

    def _behind(self, place: _Place) -> list[tuple[str, int]]:
        """Return the file of a place and those behind it, each with where to read on."""
        names = self._directory.names()
        if place.file not in names:
            return []
        later = names[names.index(place.file) + 1 :]
        return [(place.file, place.offset), *((name, 0) for name in later)]

    def _lines(self, name: str, offset: int) -> Iterator[bytes]:
        """Yield the lines of a file; a piece without end is cut at LINE_BYTES_MAX."""
        rest = b""
        while block := self._directory.read(name, offset, _BLOCK_BYTES):
            offset += len(block)
            *whole, rest = (rest + block).split(b"\n")
            yield from (line + b"\n" for line in whole)
            if len(rest) > LINE_BYTES_MAX:
                yield rest
                rest = b""
        if rest:
            yield rest

    def _decode(self, line: bytes, end: _Place) -> Entry:
        try:
            return decode(line)
        except JournalDamagedError as err:
            before = replace(end, offset=end.offset - len(line), sequence=end.sequence - 1)
            raise self._damaged(before, str(err)) from err

    def _damaged(self, place: _Place, what: str) -> JournalDamagedError:
        number = 1 + sum(1 for _ in self._lines_before(place))
        return JournalDamagedError(
            f"journal file {place.file} line {number}: record {place.sequence + 1} {what}; "
            "`refreshd journal verify` tells more, an export has it whole"
        )

    def _lines_before(self, place: _Place) -> Iterator[bytes]:
        reached = 0
        for line in self._lines(place.file, 0):
            if reached >= place.offset:
                return
            reached += len(line)
            yield line

    # Writing

    def _with_room(self, end: _Place, length: int) -> _Place:
        """Return the place for a line of this length; a new file if the last one is full."""
        for name, start in self._behind(end):
            if self._directory.size_bytes(name) > start:
                raise RecordFailedError(
                    f"journal file {name} ends with an unfinished record; "
                    "run again, it is kept aside then"
                )
        self._remove_empty(end)
        if end.offset > 0 and end.offset + length <= self._rotate_bytes:
            return end
        name = file_name(end.sequence + 1)
        self._directory.create(name)
        self._sync_names()
        return replace(end, file=name, offset=0)

    def _write_line(self, end: _Place, line: bytes) -> None:
        try:
            self._directory.write(end.file, end.offset, line)
        except RecordFailedError:
            self._cut_off(end)
            raise
        try:
            self._directory.sync(end.file)
        except RecordFailedError as err:
            self._cut_off(end)
            self._latch(err)
            raise

    def _write_last_again(self, end: _Place, line: bytes) -> None:
        """Make the last line durable, whoever wrote it (J3): old bytes and new are the same."""
        try:
            self._directory.write(end.file, end.offset - len(line), line)
            self._directory.sync(end.file)
        except RecordFailedError as err:
            self._latch(err)
            raise

    def _cut_off(self, end: _Place) -> None:
        try:
            self._directory.truncate(end.file, end.offset)
        except RecordFailedError as err:
            self._latch(err)

    def _keep_aside(self, end: _Place, contained: int) -> TornLineKept:
        """Keep what stands behind the last record, then cut it off (J4)."""
        tail = self._directory.read(end.file, end.offset, 2 * LINE_BYTES_MAX)
        is_unrelied_on = contained == end.sequence or Line(end.file, 0, tail).looks_torn
        if contained > end.sequence or not is_unrelied_on or len(tail) > LINE_BYTES_MAX:
            raise self._damaged(end, "is damaged")
        sha256 = hashlib.sha256(tail).hexdigest()
        name = f"{end.file}-{end.offset}-{sha256[:16]}"
        self._directory.keep_aside(name, tail)
        try:
            self._directory.truncate(end.file, end.offset)
            self._directory.sync(end.file)
        except RecordFailedError as err:
            self._latch(err)
            raise
        return TornLineKept(file=f"torn/{name}", length_bytes=len(tail), sha256=sha256)

    def _remove_empty(self, end: _Place) -> None:
        """Remove files behind the end that an append left empty when it failed (J3)."""
        empty = [name for name, start in self._behind(end) if start == 0]
        for name in empty:
            self._directory.remove_empty(name)
        if empty:
            self._sync_names()

    def _sync_names(self) -> None:
        try:
            self._directory.sync_names()
        except RecordFailedError as err:
            self._latch(err)
            raise

    def _latch(self, err: RecordFailedError) -> None:
        self._latched = f"the journal is out of use until it is opened again: {err}"


def _is_sound(line: bytes) -> bool:
    frame = read_frame(line)
    return frame is not None and frame.is_sound


def _before_first(name: str) -> int:
    """Return the number of the record before the first one of a file."""
    return (first_record(name) or 1) - 1
