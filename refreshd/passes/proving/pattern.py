"""What a proving writes: every sector of 512 bytes differs from every other, and says whose it is.

Layout of a sector, little-endian:

    bytes 0 to 7     mark: what it was written for
    bytes 8 to 23    seed of the proving
    bytes 24 to 31   number of the sector, counted from 0 in units of 512 bytes
    bytes 32 to 511  filling

The filling is a stretch of SHAKE-128 output made from mark and seed, shifted from chunk to
chunk, so that it cannot be compressed and no two chunks are alike. Making it costs one copy of
memory and four strided assignments for a chunk: 4 GB/s on one core (measured 2026-11, see
tests/benchmarks/proving.py), where a generator of random numbers gives a tenth of that.
"""

from __future__ import annotations

import hashlib
import struct
import sys
from array import array
from dataclasses import dataclass
from enum import StrEnum

from refreshd.errors import require

SECTOR_BYTES = 512
STAMP_BYTES = 32
SEED_DIGITS = 32
WORD_BYTES = 8
_WORDS = SECTOR_BYTES // WORD_BYTES
_STAMP = struct.Struct("<8s16sQ")
_SPREAD = 0x9E3779B97F4A7C15
"""The golden ratio in 64 bits: its multiples spread evenly. Source: Knuth, TAOCP 3, 6.4."""


class Use(StrEnum):
    """What a sector was written for; P3 wants them to differ."""

    MARKER = "marker"
    FILL = "fill"

    @property
    def mark(self) -> bytes:
        """The first eight bytes of the sector."""
        return {Use.MARKER: b"RfshdMk1", Use.FILL: b"RfshdPv1"}[self]


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a sector says about itself. `sector` counts 512 bytes."""

    use: Use
    seed: str
    sector: int


def read_stamp(sector: bytes | memoryview) -> Stamp | None:
    """Return what a sector says about itself; None: no proving wrote it."""
    mark, seed, number = _STAMP.unpack_from(sector)
    for use in Use:
        if mark == use.mark:
            return Stamp(use, seed.hex(), number)
    return None


class Pattern:
    """
    The pattern of one proving for one use. May be shared between lanes.

    Args:
        seed: 32 hex digits.
        use: What the sectors are for.
        chunk_bytes: After so many bytes the filling is shifted; a multiple of 512.

    """

    def __init__(self, seed: str, use: Use, chunk_bytes: int) -> None:
        require(len(seed) == SEED_DIGITS, "a seed has 32 hex digits")
        require(chunk_bytes % SECTOR_BYTES == 0, "a chunk is whole sectors")
        self.seed = seed
        self.use = use
        self._chunk_bytes = chunk_bytes
        raw = bytes.fromhex(seed)
        self._pool = memoryview(hashlib.shake_128(use.mark + raw).digest(2 * chunk_bytes))
        head = struct.unpack("=3Q", use.mark + raw)
        count = chunk_bytes // SECTOR_BYTES
        self._heads = tuple(memoryview(array("Q", [word]) * count) for word in head)

    def fill(self, into: memoryview, start: int) -> None:
        """Make what belongs at byte `start` of the drive; both are whole sectors."""
        require(start % SECTOR_BYTES == 0, "the pattern begins at a sector")
        require(len(into) % SECTOR_BYTES == 0, "the pattern is whole sectors")
        done = 0
        while done < len(into):
            chunk, inside = divmod(start + done, self._chunk_bytes)
            length = min(self._chunk_bytes - inside, len(into) - done)
            self._fill_part(into[done : done + length], chunk, inside)
            done += length

    def bytes_at(self, start: int, length: int) -> bytes:
        """Return what belongs at byte `start`."""
        made = bytearray(length)
        self.fill(memoryview(made), start)
        return bytes(made)

    def _fill_part(self, into: memoryview, chunk: int, inside: int) -> None:
        at = self._shift(chunk) + inside
        into[:] = self._pool[at : at + len(into)]
        words, count = into.cast("Q"), len(into) // SECTOR_BYTES
        for place, head in enumerate(self._heads):
            words[place::_WORDS] = head[:count]
        first = (chunk * self._chunk_bytes + inside) // SECTOR_BYTES
        numbers = array("Q", range(first, first + count))
        if sys.byteorder == "big":
            numbers.byteswap()
        words[len(self._heads) :: _WORDS] = memoryview(numbers)

    def _shift(self, chunk: int) -> int:
        """Return by how many bytes the filling of a chunk is shifted; less than a chunk."""
        spread = (chunk + 1) * _SPREAD % (1 << 64)
        return (spread >> 16) % (self._chunk_bytes // WORD_BYTES) * WORD_BYTES
