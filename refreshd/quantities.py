"""Measures and ids that every other module speaks in. Imports nothing of the package."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import NewType

DriveNumber = NewType("DriveNumber", str)
"""Accession number of a drive, as written on its case, such as ``K07``."""

PassId = NewType("PassId", str)
"""One pass over one drive, ``K07/3``: the third pass of drive K07."""

FindingId = NewType("FindingId", str)
"""One finding of the shelf, ``F12``."""

ProvingId = NewType("ProvingId", str)
"""One acceptance test of a drive that is not in care yet, ``P3``: the third of the shelf."""

SlipNumber = NewType("SlipNumber", int)
"""One slip of the shelf, counted from 1; said as ``slip 12``. A number is never given twice."""

Digest = NewType("Digest", bytes)
"""An XXH3-128 digest in canonical form: 16 bytes, most significant first."""

DIGEST_BYTES = 16
NO_DIGEST = Digest(bytes(DIGEST_BYTES))
"""Stands in a packed run of digests for a chunk that could not be read when it was recorded."""

SECTOR_BYTES_MIN = 512
"""The smallest logical sector that Linux block devices have."""

KIB = 1024
MIB = 1024 * KIB
GIB = 1024 * MIB


class MediumKind(StrEnum):
    """What holds the bits. The policy has rules by medium."""

    HARD_DISK = "hard-disk"
    SHINGLED_DISK = "shingled-disk"
    SSD = "ssd"
    FLASH = "flash"


class PassKind(StrEnum):
    """What a pass over a drive is for."""

    ACCESSION = "accession"
    FIXITY = "fixity"
    REFRESH = "refresh"
    HEALTH = "health"  # a health reading alone: a minute, and no chunk is read
    PROVING = "proving"  # of a drive that is not in care yet

    @property
    def words(self) -> str:
        """Return it as one would say it, such as ``fixity pass``."""
        said = {PassKind.HEALTH: "health reading", PassKind.PROVING: "proving"}
        return said.get(self, f"{self.value} pass")


class Errand(StrEnum):
    """What a slip asks a drive out for."""

    FIXITY = "fixity"
    REFRESH = "refresh"
    ACCESSION = "accession"  # it is in care, but was not recorded to its end yet
    HEALTH = "health"  # only asked how it is
    PUT_AWAY = "put away"  # it was here without a slip, and should go back

    @property
    def pass_kind(self) -> PassKind | None:
        """The pass that the visit is for; None: it is only to be put away."""
        return None if self is Errand.PUT_AWAY else PassKind(self.value)


class FindingKind(StrEnum):
    """What is wrong with a range of a drive."""

    MISMATCH = "mismatch"
    UNREADABLE = "unreadable"


class Outcome(StrEnum):
    """How an event ended. Source: PREMIS event outcome vocabulary (suc, war, fai), labels."""

    SUCCESS = "success"
    WARNING = "warning"
    FAIL = "fail"


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A range of bytes on a medium: ``start`` and ``length``, both in bytes."""

    start: int
    length: int

    def __post_init__(self) -> None:
        if self.start < 0 or self.length <= 0:
            raise ValueError(f"a span needs start >= 0 and length > 0, not {self}")

    @property
    def end(self) -> int:
        """First byte after the span."""
        return self.start + self.length

    def overlaps(self, other: Span) -> bool:
        """Say whether the two spans share a byte."""
        return self.start < other.end and other.start < self.end


@dataclass(frozen=True, slots=True)
class Geometry:
    """Size and sector sizes of a medium, in bytes. Physical is what a write really touches."""

    size_bytes: int
    logical_bytes: int
    physical_bytes: int

    def __post_init__(self) -> None:
        for name in ("logical_bytes", "physical_bytes"):
            value = getattr(self, name)
            if value < SECTOR_BYTES_MIN or value & (value - 1):
                raise ValueError(f"{name} must be a power of two from 512 up, not {value}")
        if self.size_bytes <= 0 or self.size_bytes % self.logical_bytes:
            raise ValueError(
                f"size {self.size_bytes} must be a positive multiple of {self.logical_bytes}"
            )

    def is_whole_blocks(self, span: Span) -> bool:
        """Say whether a write of `span` touches no physical block that it does not fill.

        The last block may be cut short by the end of the medium.
        """
        block = self.physical_bytes
        return span.start % block == 0 and (span.end % block == 0 or span.end == self.size_bytes)


@dataclass(frozen=True, slots=True)
class ChunkGrid:
    """How a medium is divided: chunks of ``chunk_bytes``, the last one possibly shorter."""

    size_bytes: int
    chunk_bytes: int

    @property
    def count(self) -> int:
        """Number of chunks."""
        return -(-self.size_bytes // self.chunk_bytes)

    def span(self, chunk: int) -> Span:
        """Return the bytes of one chunk."""
        start = chunk * self.chunk_bytes
        return Span(start, min(self.chunk_bytes, self.size_bytes - start))

    def run(self, first: int, end: int) -> Span:
        """Return the bytes of chunks ``first`` to ``end`` - 1."""
        start = first * self.chunk_bytes
        return Span(start, min(end * self.chunk_bytes, self.size_bytes) - start)

    def chunks_of(self, span: Span) -> range:
        """Return the chunks that a span touches."""
        return range(span.start // self.chunk_bytes, -(-span.end // self.chunk_bytes))


def proving_serial(proving: ProvingId) -> int:
    """Return 3 for proving P3."""
    return int(proving.removeprefix("P"))


def join_spans(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Join spans that touch or overlap; sorted by start."""
    joined: list[Span] = []
    for span in sorted(spans):
        if joined and span.start <= joined[-1].end:
            last = joined.pop()
            span = Span(last.start, max(last.end, span.end) - last.start)  # noqa: PLW2901
        joined.append(span)
    return tuple(joined)


def runs(chunks: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Return ``(first, count)`` for each run of neighbouring chunk numbers."""
    found: list[tuple[int, int]] = []
    for chunk in sorted(chunks):
        if found and found[-1][0] + found[-1][1] == chunk:
            first, count = found.pop()
            found.append((first, count + 1))
        else:
            found.append((chunk, 1))
    return tuple(found)
