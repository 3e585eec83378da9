"""
A journal directory in memory, whose disk may fail and whose power may be cut.

Fault model, in the order of what is believed least:

- What was written and not synced is in a volatile cache. After a cut each such write was
  kept, dropped, torn at any byte, or stands as zeros from some byte on (the length of a file
  may reach the disk before its content).
- A created or removed name is volatile until `sync_names`; a file whose name was lost is
  gone, whatever was synced in it.
- A failed sync loses what it should have made durable, for good: the cache still shows it,
  and later syncs succeed without writing it. (Source: Linux kernel documentation,
  filesystems/vfs: an fsync that fails marks the pages clean; reproduced 2026-11.)
- Any operation fails at its N-th call, once or for ever. A failed write leaves a part.
- A cut comes at any operation: what it asked for is still volatile then.
- `keep_aside` is all or nothing: its real counterpart writes, syncs and renames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import product
from random import Random

from refreshd.errors import RecordFailedError
from refreshd.journal import first_record
from refreshd.simulated.disk import PowerCutError

SECTOR_BYTES = 512


@dataclass(slots=True)
class Faults:
    """What goes wrong. Operations that change something are counted from 1."""

    fail_at: int = 0  # 0: never
    for_ever: bool = False
    cause: str = "EIO"
    cut_at: int = 0  # 0: never
    calls: int = 0
    counts_reads: bool = False

    def next(self) -> bool:
        """Count an operation, and say whether it fails."""
        self.calls += 1
        return self.fail_at > 0 and (
            self.calls == self.fail_at or (self.for_ever and self.calls > self.fail_at)
        )

    @property
    def is_cut(self) -> bool:
        """Say whether the power goes at the operation just counted."""
        return self.cut_at > 0 and self.calls >= self.cut_at


@dataclass(frozen=True, slots=True)
class Pending:
    """A change of one file that is not durable: bytes at an offset, or (None) a new length."""

    start: int
    data: bytes | None

    def apply(self, content: bytearray) -> None:
        """Make the change."""
        if self.data is None:
            del content[self.start :]
            return
        content.extend(bytes(max(0, self.start - len(content))))
        content[self.start : self.start + len(self.data)] = self.data

    def outcomes(self, step: int) -> Iterator[Pending | None]:
        """Yield what a cut may leave of it; tears at every `step` bytes. None: nothing."""
        yield None
        yield self
        if self.data is None:
            return
        for at in range(step, len(self.data), step):
            yield Pending(self.start, self.data[:at])
            yield Pending(self.start, self.data[:at] + bytes(len(self.data) - at))
            yield Pending(self.start, bytes(at) + self.data[at:])
        yield Pending(self.start, bytes(len(self.data)))


@dataclass(slots=True)
class _File:
    durable: bytearray = field(default_factory=bytearray)
    seen: bytearray = field(default_factory=bytearray)
    pending: list[Pending] = field(default_factory=list)


class SimulatedJournalDirectory:
    """`JournalDirectory` with a volatile cache."""

    def __init__(self, faults: Faults | None = None) -> None:
        self.faults = faults or Faults()
        self.kept: dict[str, bytes] = {}
        self._files: dict[str, _File] = {}
        self._durable_names: dict[str, _File] = {}
        self._pending_names: list[tuple[str, _File | None]] = []

    @classmethod
    def holding(cls, files: dict[str, bytes]) -> SimulatedJournalDirectory:
        """Make a directory that durably holds these files."""
        made = cls()
        for name, content in files.items():
            made._files[name] = _File(bytearray(content), bytearray(content))
        made._durable_names = dict(made._files)
        return made

    def contents(self) -> dict[str, bytes]:
        """Return what a reader sees of every file now."""
        return {name: bytes(self._files[name].seen) for name in self.names()}

    def names(self) -> tuple[str, ...]:
        """Return the names of the journal's files, in order of their first record."""
        return tuple(sorted(self._files, key=lambda name: first_record(name) or 0))

    def size_bytes(self, name: str) -> int:
        """Return how long a file is."""
        return len(self._file(name).seen)

    def read(self, name: str, start: int, length: int) -> bytes:
        """Return bytes as the cache shows them."""
        if self.faults.counts_reads and self.faults.next():
            raise self._failure("reading", name)
        return bytes(self._file(name).seen[start : start + length])

    def write(self, name: str, start: int, data: bytes) -> None:
        """Write into the cache. A failed write leaves the first half."""
        fails = self.faults.next()
        self._change(name, Pending(start, data[: len(data) // 2] if fails else data))
        self._settle(f"writing {name}", fails=fails)

    def truncate(self, name: str, size_bytes: int) -> None:
        """Cut off in the cache."""
        fails = self.faults.next()
        if not fails:
            self._change(name, Pending(size_bytes, None))
        self._settle(f"truncating {name}", fails=fails)

    def sync(self, name: str) -> None:
        """Make a file's changes durable; when it fails they are lost and look written."""
        fails = self.faults.next()
        self._settle(f"syncing {name}", fails=fails, lost=self._file(name).pending.clear)
        file = self._file(name)
        for change in file.pending:
            change.apply(file.durable)
        file.pending.clear()

    def create(self, name: str) -> None:
        """Make an empty file whose name is volatile."""
        fails = self.faults.next()
        if not fails:
            if name in self._files:
                raise RecordFailedError(f"EEXIST creating {name}")
            self._files[name] = _File()
            self._pending_names.append((name, self._files[name]))
        self._settle(f"creating {name}", fails=fails)

    def remove_empty(self, name: str) -> None:
        """Remove a name, volatile."""
        fails = self.faults.next()
        if self._file(name).seen:
            raise RecordFailedError(f"{name} is not empty and stays")
        if not fails:
            del self._files[name]
            self._pending_names.append((name, None))
        self._settle(f"removing {name}", fails=fails)

    def sync_names(self) -> None:
        """Make names durable; when it fails the changes are lost and look made."""
        fails = self.faults.next()
        self._settle("syncing the directory", fails=fails, lost=self._pending_names.clear)
        for name, file in self._pending_names:
            _set_name(self._durable_names, name, file)
        self._pending_names.clear()

    def keep_aside(self, name: str, data: bytes) -> None:
        """Store bytes durably, all or nothing."""
        fails = self.faults.next()
        self._settle(f"keeping {name}", fails=fails)
        self.kept[name] = data

    # What a power cut leaves

    def after_cut(self, rng: Random) -> SimulatedJournalDirectory:
        """Return what a cut now leaves, by chance; tears at any byte or at a sector."""
        step = rng.choice((1, SECTOR_BYTES))
        names = [rng.random() < 1 / 2 for _ in self._pending_names]
        return self._left(names, lambda change: _one_of(change, step, rng))

    def after_every_cut(self, step: int) -> Iterator[SimulatedJournalDirectory]:
        """Yield everything that a cut now can leave, with tears at every `step` bytes."""
        changes = [change for file in self._files.values() for change in file.pending]
        outcomes = [tuple(change.outcomes(step)) for change in changes]
        name_choices = product((False, True), repeat=len(self._pending_names))
        for names in name_choices:
            for chosen in product(*outcomes):
                left = {id(change): kept for change, kept in zip(changes, chosen, strict=True)}
                yield self._left(names, lambda change, left=left: left[id(change)])  # type: ignore[misc]

    def _left(
        self, names: tuple[bool, ...] | list[bool], fate: Callable[[Pending], Pending | None]
    ) -> SimulatedJournalDirectory:
        kept_names = dict(self._durable_names)
        for is_kept, (name, file) in zip(names, self._pending_names, strict=True):
            if is_kept:
                _set_name(kept_names, name, file)
        contents: dict[str, bytes] = {}
        for name, file in kept_names.items():
            content = bytearray(file.durable)
            for change in file.pending:
                if (left := fate(change)) is not None:
                    left.apply(content)
            contents[name] = bytes(content)
        made = SimulatedJournalDirectory.holding(contents)
        made.kept = dict(self.kept)
        return made

    def _file(self, name: str) -> _File:
        if name not in self._files:
            raise RecordFailedError(f"ENOENT: there is no journal file {name}")
        return self._files[name]

    def _change(self, name: str, change: Pending) -> None:
        change.apply(self._file(name).seen)
        self._files[name].pending.append(change)

    def _settle(self, doing: str, *, fails: bool, lost: Callable[[], None] = lambda: None) -> None:
        if self.faults.is_cut:
            raise PowerCutError(f"power cut {doing}")
        if fails:
            lost()
            raise self._failure(doing, "the journal")

    def _failure(self, doing: str, what: str) -> RecordFailedError:
        return RecordFailedError(f"{self.faults.cause} {doing} ({what})")


def _set_name(names: dict[str, _File], name: str, file: _File | None) -> None:
    if file is None:
        names.pop(name, None)
    else:
        names[name] = file


def _one_of(change: Pending, step: int, rng: Random) -> Pending | None:
    outcomes = tuple(change.outcomes(step))
    return rng.choice(outcomes[: 2 if rng.random() < 1 / 2 else None])
