"""What stands in sectors that should hold the pattern: the kind of fault, in sentences. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from refreshd.durations import counted
from refreshd.passes.proving.pattern import SECTOR_BYTES, Pattern, Stamp, read_stamp
from refreshd.quantities import Span

FLIPPED_BITS_MAX = 1024
"""Unrelated bytes differ in about half of a sector's 4096 bits, 2048 give or take 130 (binomial,
four standard deviations). Half of that is still called flipped bits."""

SENTENCES_A_CHUNK = 4
"""More kinds of fault in one chunk add nothing to a verdict; they are counted."""

_BLANKS = (bytes(SECTOR_BYTES), b"\xff" * SECTOR_BYTES)


class Holds(StrEnum):
    """What a sector holds in place of its own pattern."""

    OTHER_PLACE = "the pattern of another place"
    MARKER = "a marker from before"
    EARLIER = "the pattern of another proving"
    FLIPPED = "flipped bits"
    BLANK = "one byte value throughout"
    FOREIGN = "something else"


ELSEWHERE = frozenset({Holds.BLANK, Holds.FOREIGN})
"""What another machine may have written. It knows no pattern, and flips no single bits (P5)."""


@dataclass(frozen=True, slots=True)
class Misread:
    """
    Neighbouring sectors with the same fault.

    `distance`: for the pattern of another place, how many bytes further on that place lies
    (below 0: before). `bits`: how many are flipped, in all sectors together.
    """

    span: Span
    holds: Holds
    distance: int = 0
    bits: int = 0
    seed: str = ""


def misread(
    start: int, found: memoryview, pattern: Pattern, unread: Iterable[Span] = ()
) -> tuple[Misread, ...]:
    """
    Find the sectors that do not hold what belongs there, and say what they hold.

    Args:
        start: Byte of the drive at which `found` begins.
        found: What was read.
        pattern: What was written.
        unread: Spans of the drive in which `found` says nothing, since they were not readable.

    """
    wanted = pattern.bytes_at(start, len(found))
    if found.tobytes() == wanted:
        return ()
    skipped = {
        sector
        for span in unread
        for sector in range(span.start // SECTOR_BYTES, -(-span.end // SECTOR_BYTES))
    }
    joined: list[Misread] = []
    for at in range(0, len(found), SECTOR_BYTES):
        own, raw = wanted[at : at + SECTOR_BYTES], bytes(found[at : at + SECTOR_BYTES])
        if raw == own or (start + at) // SECTOR_BYTES in skipped:
            continue
        one = _sector(start + at, raw, own, pattern)
        if joined and _continues(joined[-1], one):
            one = _joined(joined.pop(), one)
        joined.append(one)
    return tuple(joined)


def _continues(last: Misread, one: Misread) -> bool:
    same = (last.holds, last.distance, last.seed) == (one.holds, one.distance, one.seed)
    return same and last.span.end == one.span.start


def _joined(last: Misread, one: Misread) -> Misread:
    span = Span(last.span.start, last.span.length + one.span.length)
    return Misread(span, last.holds, last.distance, last.bits + one.bits, last.seed)


def _sector(place: int, raw: bytes, own: bytes, pattern: Pattern) -> Misread:
    span = Span(place, SECTOR_BYTES)
    if raw in _BLANKS:
        return Misread(span, Holds.BLANK)
    if is_flipped(raw, own):
        return Misread(span, Holds.FLIPPED, bits=_bits_between(raw, own))
    stamp = read_stamp(raw)
    if stamp is None:
        return Misread(span, Holds.FOREIGN)
    return _stamped(span, stamp, pattern)


def is_flipped(raw: bytes, own: bytes) -> bool:
    """Say whether a sector is another one in which some bits tipped over."""
    return _bits_between(raw, own) <= FLIPPED_BITS_MAX


def _bits_between(raw: bytes, own: bytes) -> int:
    return (int.from_bytes(raw, "little") ^ int.from_bytes(own, "little")).bit_count()


def _stamped(span: Span, stamp: Stamp, pattern: Pattern) -> Misread:
    if stamp.seed != pattern.seed:
        return Misread(span, Holds.EARLIER, seed=stamp.seed)
    distance = stamp.sector * SECTOR_BYTES - span.start
    if stamp.use is not pattern.use:
        return Misread(span, Holds.MARKER, distance)
    if distance == 0:
        return Misread(span, Holds.FOREIGN)  # its own stamp over a strange filling: torn
    return Misread(span, Holds.OTHER_PLACE, distance)


def sentences(found: Iterable[Misread], *, was_elsewhere: bool) -> Iterator[str]:
    """Tell what is wrong, one sentence for each run of sectors, a few at most."""
    runs = tuple(found)
    for one in runs[:SENTENCES_A_CHUNK]:
        yield f"{_where(one.span)} {_what(one, was_elsewhere=was_elsewhere)}."
    more = sum(one.span.length for one in runs[SENTENCES_A_CHUNK:]) // SECTOR_BYTES
    if more:
        yield f"Near byte {runs[0].span.start} {counted(more, 'further sector')} differ."


def _where(span: Span) -> str:
    many = span.length // SECTOR_BYTES
    return f"From byte {span.start} on, {counted(many, 'sector')} of {SECTOR_BYTES} bytes:"


def _what(one: Misread, *, was_elsewhere: bool) -> str:
    match one.holds:
        case Holds.OTHER_PLACE:
            return (
                f"what was written to byte {one.span.start + one.distance} stands here, so that "
                "a write went astray or the drive holds less than it claims"
            )
        case Holds.MARKER:
            return (
                "a marker of the capacity check still stands here, so that what was written "
                "later is lost"
            )
        case Holds.EARLIER:
            return "the pattern of another proving stands here, so that this one's write is lost"
        case Holds.FLIPPED:
            return f"{counted(one.bits, 'bit')} flipped in what was written"
        case Holds.BLANK | Holds.FOREIGN:
            what = "one and the same byte" if one.holds is Holds.BLANK else "something else"
            if was_elsewhere:
                return (
                    f"{what} stands here; the drive was unplugged in the middle of the proving, "
                    "so that this may have been written elsewhere"
                )
            return f"{what} stands here, not what was written"
