"""A disk that lies the way disks do, for tests and for the rehearsal.

The fault model:

- writes go to a volatile cache; a flush makes them durable. When the power fails, each physical
  sector with unflushed writes holds any one of its versions (old, or any of the new ones), or
  a tear of two of them at a 512-byte boundary, or cannot be read until it is written again;
- a read of a bad sector fails, once or until the sector is written;
- the N-th operation of a kind fails, once or from then on; a failed flush loses any of the
  unflushed writes; a failed write leaves its range in any of those states;
- a drive's own cache of the last bytes that went over it answers reads, so that what it tells
  may differ from what the medium holds: a write may be stored wrongly, dropped, or land
  elsewhere, unseen until the cache has moved on;
- a reading may be flipped on its way once (memory, cable, bridge);
- the drive is gone from some operation on.

Everything is decided by arguments and by the random generator given; nothing by chance.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from random import Random

from refreshd.errors import require
from refreshd.quantities import SECTOR_BYTES_MIN, Geometry


class PowerCutError(BaseException):
    """The power failed. Not an `Exception`: no code of the program can catch it by mistake."""


class DiskFault(Exception):  # noqa: N818 - a fact about the disk, mapped to an error by its user.
    """An operation failed. `kind` says how; the port's adapter turns it into its error."""

    def __init__(self, kind: Kind, op: Op, start: int, length: int) -> None:
        super().__init__(f"{kind} on {op} of {length} bytes at {start}")
        self.kind = kind
        self.op = op
        self.start = start
        self.length = length


class Op(StrEnum):
    """What was asked of the disk."""

    READ = "read"
    WRITE = "write"
    FLUSH = "flush"


class Kind(StrEnum):
    """How it failed."""

    IO_ERROR = "input/output error"
    NO_SPACE = "no space left on device"
    GONE = "no such device"


@dataclass
class PowerLine:
    """The socket that everything in one simulated room hangs on; counts the steps of I/O."""

    cut_at_step: int | None = None
    steps: int = 0

    def step(self) -> None:
        """Count one step; the power fails at the chosen one."""
        self.steps += 1
        if self.steps == self.cut_at_step:
            raise PowerCutError(f"power cut at step {self.steps}")


@dataclass(frozen=True)
class Failure:
    """The `nth` operation (from 1) of the kinds in `ops` fails; all after it, if `is_forever`."""

    nth: int
    ops: frozenset[Op]
    kind: Kind = Kind.IO_ERROR
    is_forever: bool = False


Choose = Callable[[int, int], tuple[str, int, int]]
"""Given a physical sector and its number of unflushed versions, return its fate.

``("version", i, _)``: version i (0 is what was there before); ``("torn", i, at)``: version i up
to byte `at`, the version before from there; ``("unreadable", _, _)``.
"""


KEPT = 0.35
OLDER = 0.35
TORN = 0.15
"""Chances of an unflushed sector when the power fails; the rest cannot be read afterwards."""

TAKEN = 0.5
"""Chance of each sector of a failed write to have been taken all the same."""


def random_fates(random: Random) -> Choose:
    """Return a chooser: kept and dropped 35 % each, 15 % torn, 15 % unreadable."""

    def choose(_sector: int, versions: int) -> tuple[str, int, int]:
        dice = random.random()
        if dice < KEPT:
            return "version", versions, 0
        if dice < KEPT + OLDER:
            return "version", random.randrange(versions), 0
        if dice < KEPT + OLDER + TORN:
            return "torn", random.randint(1, versions), random.randint(0, 8) * SECTOR_BYTES_MIN
        return "unreadable", 0, 0

    return choose


@dataclass
class SimulatedDisk:
    """The disk itself: what the medium holds, what is on its way there, and what goes wrong."""

    geometry: Geometry
    line: PowerLine = field(default_factory=PowerLine)
    cache_bytes: int = 0  # of the drive's own cache; 0: reads come from the medium
    random: Random = field(default_factory=lambda: Random(0))  # noqa: S311 - seeded

    def __post_init__(self) -> None:
        self.medium = bytearray(self.geometry.size_bytes)
        self.bad: set[int] = set()  # logical sectors that cannot be read until written
        self.failure: Failure | None = None
        self.is_gone = False
        self.stored_wrongly: dict[int, int] = {}  # physical sector: how many more times
        self.dropped: set[int] = set()  # physical sectors whose next write is dropped
        self.misdirected: dict[int, int] = {}  # physical sector: where its next write lands
        self.flipped_once: set[int] = set()  # physical sectors whose next reading is flipped
        self.flushes_nothing = False  # a protocol bug for tests of the tests
        self.log: list[tuple[Op, int, int]] = []
        self._pending: dict[int, list[bytes]] = {}
        self._cache: OrderedDict[int, bytes] = OrderedDict()
        self._counted = 0

    # What the port adapters call.

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into`, or raise DiskFault."""
        self._begin(Op.READ, start, len(into))
        logical = self.geometry.logical_bytes
        if self.bad:
            sectors = range(start // logical, -(-(start + len(into)) // logical))
            if not self.bad.isdisjoint(sectors):
                raise DiskFault(Kind.IO_ERROR, Op.READ, start, len(into))
        if not (self._pending or self.cache_bytes or self.flipped_once):
            into[:] = memoryview(self.medium)[start : start + len(into)]
            return
        for sector, at, piece in self._pieces(start, len(into)):
            content = self._content(sector)
            offset = start + at - sector * self.geometry.physical_bytes
            into[at : at + piece] = content[offset : offset + piece]
            if sector in self.flipped_once:
                self.flipped_once.discard(sector)
                into[at] ^= 1

    def write(self, start: int, data: memoryview) -> None:
        """Take `data` into the volatile cache, or raise DiskFault."""
        require(self._is_whole(start, len(data)), "only whole physical sectors are written")
        fault = self._fault(Op.WRITE, start, len(data))
        self.log.append((Op.WRITE, start, len(data)))
        if fault is not None and fault.kind is Kind.GONE:
            raise fault
        for sector, at, piece in self._pieces(start, len(data)):
            if fault is None or self.random.random() < TAKEN:
                self._take(sector, bytes(data[at : at + piece]))
        self.line.step()
        if fault is not None:
            raise fault

    def flush(self) -> None:
        """Make everything taken durable, or raise DiskFault and lose any of it."""
        fault = self._fault(Op.FLUSH, 0, 0)
        self.log.append((Op.FLUSH, 0, 0))
        self.line.step()
        if fault is not None:
            if fault.kind is not Kind.GONE:
                self._settle(random_fates(self.random), is_power_lost=False)
            raise fault
        if self.flushes_nothing:
            return
        self._settle(lambda _sector, versions: ("version", versions, 0), is_power_lost=False)

    # What a test or the rehearsal does to the disk.

    def lose_power(self, choose: Choose) -> tuple[object, ...]:
        """Decide what became of the unflushed writes; return the fates, for counting."""
        return self._settle(choose, is_power_lost=True)

    def content(self) -> bytes:
        """Return what the medium holds now, unflushed writes left out."""
        return bytes(self.medium)

    def unflushed(self) -> dict[int, int]:
        """Return how many unflushed versions each physical sector has."""
        return {sector: len(versions) for sector, versions in self._pending.items()}

    # How it works inside.

    def _begin(self, op: Op, start: int, length: int) -> None:
        fault = self._fault(op, start, length)
        self.line.step()
        if fault is not None:
            raise fault

    def _fault(self, op: Op, start: int, length: int) -> DiskFault | None:
        if self.is_gone:
            return DiskFault(Kind.GONE, op, start, length)
        failure = self.failure
        if failure is None or op not in failure.ops:
            return None
        self._counted += 1
        if self._counted == failure.nth or (failure.is_forever and self._counted > failure.nth):
            self.is_gone = failure.kind is Kind.GONE
            return DiskFault(failure.kind, op, start, length)
        return None

    def _is_whole(self, start: int, length: int) -> bool:
        physical = self.geometry.physical_bytes
        end = start + length
        return start % physical == 0 and (end % physical == 0 or end == self.geometry.size_bytes)

    def _pieces(self, start: int, length: int) -> list[tuple[int, int, int]]:
        """Return (physical sector, offset in the request, length) for each sector touched."""
        physical = self.geometry.physical_bytes
        pieces = []
        at = 0
        while at < length:
            sector, inside = divmod(start + at, physical)
            piece = min(physical - inside, length - at)
            pieces.append((sector, at, piece))
            at += piece
        return pieces

    def _stored(self, sector: int) -> bytes:
        start = sector * self.geometry.physical_bytes
        return bytes(self.medium[start : start + self.geometry.physical_bytes])

    def _content(self, sector: int) -> bytes:
        if sector in self._pending and not self.cache_bytes:
            return self._pending[sector][-1]
        if sector in self._cache:
            self._cache.move_to_end(sector)
            return self._cache[sector]
        content = self._pending[sector][-1] if sector in self._pending else self._stored(sector)
        self._remember(sector, content)
        return content

    def _remember(self, sector: int, content: bytes) -> None:
        if not self.cache_bytes:
            return
        self._cache[sector] = content
        self._cache.move_to_end(sector)
        while len(self._cache) * self.geometry.physical_bytes > self.cache_bytes:
            self._cache.popitem(last=False)

    def _take(self, sector: int, content: bytes) -> None:
        self._remember(sector, content)
        self._pending.setdefault(sector, []).append(content)
        per = self.geometry.physical_bytes // self.geometry.logical_bytes
        self.bad.difference_update(range(sector * per, (sector + 1) * per))

    def _settle(self, choose: Choose, *, is_power_lost: bool) -> tuple[object, ...]:
        fates = []
        for sector, versions in self._pending.items():
            fate, index, at = choose(sector, len(versions))
            history = [self._stored(sector), *versions]
            if fate == "unreadable":
                per = self.geometry.physical_bytes // self.geometry.logical_bytes
                self.bad.update(range(sector * per, (sector + 1) * per))
            elif fate == "torn":
                self._store(sector, history[index][:at] + history[index - 1][at:])
            elif index:
                self._store(sector, history[index])
            fates.append((sector, fate, index, at))
        self._pending.clear()
        if is_power_lost:
            self._cache.clear()
        return tuple(fates)

    def _store(self, sector: int, content: bytes) -> None:
        if sector in self.dropped:
            self.dropped.discard(sector)
            return
        sector_on_medium = self.misdirected.pop(sector, sector)
        if self.stored_wrongly.get(sector, 0) > 0:
            self.stored_wrongly[sector] -= 1
            content = bytes([content[0] ^ 0x10]) + content[1:]
        start = sector_on_medium * self.geometry.physical_bytes
        self.medium[start : start + len(content)] = content
