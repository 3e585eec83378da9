"""Is there anything on the drive? A look at both ends and at places spread between them (P1).

A look is no proof: what lies between two places is not seen. It is made at as many places as a
minute of seeking allows, beside the marks of partition tables and file systems, and whoever
knows better can let the drive only be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from refreshd.cards import Evidence
from refreshd.durations import counted
from refreshd.errors import UnreadableError
from refreshd.passes.metered import MeteredMedium
from refreshd.passes.proving.explaining import is_flipped
from refreshd.passes.proving.pattern import SECTOR_BYTES, Pattern, Stamp, Use, read_stamp
from refreshd.passes.proving.places import PLACE_BYTES, edges, spread_places
from refreshd.ports import Lanes
from refreshd.quantities import Geometry, Span

_BLANKS = (bytes(SECTOR_BYTES), b"\xff" * SECTOR_BYTES)
"""What a drive holds where nothing was ever written: zeros, on erased flash all bits set."""

PLACES_NAMED = 3


@dataclass(frozen=True, slots=True)
class PlaceSeen:
    """What one place holds, all its sectors together."""

    span: Span
    is_readable: bool = True
    is_foreign: bool = False  # a sector of it is neither blank nor ours
    has_blank: bool = False
    stamps: frozenset[Stamp] = frozenset()

    def is_filled_by(self, seed: str) -> bool:
        """Say whether every sector carries the pattern of that proving."""
        is_whole = not (self.is_foreign or self.has_blank) and bool(self.stamps)
        return is_whole and all(
            stamp.seed == seed and stamp.use is Use.FILL for stamp in self.stamps
        )


@dataclass(frozen=True, slots=True)
class Look:
    """What a look over the drive found."""

    seen: tuple[PlaceSeen, ...]
    signatures: tuple[str, ...] = ()

    @property
    def foreign(self) -> tuple[Span, ...]:
        """The places that hold something that no proving wrote."""
        return tuple(one.span for one in self.seen if one.is_foreign)

    @property
    def unreadable(self) -> tuple[Span, ...]:
        """The places that cannot be read, which says nothing of what they hold."""
        return tuple(one.span for one in self.seen if not one.is_readable)

    @property
    def has_content(self) -> bool:
        """
        Say whether there is anything that somebody may want to keep.

        What cannot be read may be that, too, save on a drive that a proving has begun to fill.
        """
        return bool(self.signatures or self.foreign or (self.unreadable and not self.seeds))

    @property
    def seeds(self) -> frozenset[str]:
        """The provings whose pattern is on it."""
        return frozenset(stamp.seed for one in self.seen for stamp in one.stamps)

    def content_words(self) -> str:
        """Say what was found, as the end of a sentence."""
        found = []
        if self.signatures:
            found.append(" ".join(self.signatures))
        if self.foreign:
            named = ", ".join(str(span.start) for span in self.foreign[:PLACES_NAMED])
            more = " and further on" if len(self.foreign) > PLACES_NAMED else ""
            found.append(
                f"data at {len(self.foreign)} of {counted(len(self.seen), 'place')} looked at "
                f"(byte {named}{more})"
            )
        if self.unreadable:
            named = ", ".join(str(span.start) for span in self.unreadable[:PLACES_NAMED])
            more = " and further on" if len(self.unreadable) > PLACES_NAMED else ""
            found.append(
                f"{counted(len(self.unreadable), 'place')} that cannot be read, and may hold "
                f"anything (byte {named}{more})"
            )
        return "; ".join(found)


def look_over(
    metered: MeteredMedium, lanes: Lanes, evidence: Evidence, known: Sequence[Pattern] = ()
) -> Look:
    """
    Look at both ends and at places between; write nothing.

    Args:
        metered: The drive.
        lanes: What reaches it.
        evidence: What it says of itself; its signatures are content.
        known: What unfinished provings write: a sector of theirs in which a few bits tipped over
            is a fault of the drive, not something that somebody put there.

    """
    geometry = metered.geometry
    spans = sorted(set(chain(_pieces(geometry), spread_places(geometry))))
    seen = lanes.each(lambda span: _seen(metered, lanes, span, known), spans)
    return Look(tuple(seen), evidence.signatures)


def _pieces(geometry: Geometry) -> tuple[Span, ...]:
    """Return both ends in pieces; a place in front of the last one may be cut short."""
    piece = max(PLACE_BYTES, geometry.logical_bytes)
    return tuple(
        Span(at, min(piece, edge.end - at))
        for edge in edges(geometry)
        for at in range(edge.start, edge.end, piece)
    )


def _seen(metered: MeteredMedium, lanes: Lanes, span: Span, known: Sequence[Pattern]) -> PlaceSeen:
    into = lanes.scratch(span.length, "place")
    try:
        metered.read(span.start, into)
    except UnreadableError:
        return PlaceSeen(span, is_readable=False)
    return what_stands(span, bytes(into), known)


def what_stands(span: Span, found: bytes, known: Sequence[Pattern] = ()) -> PlaceSeen:
    """Return what a place holds."""
    stamps, has_blank, is_foreign = set(), False, False
    for at in range(0, len(found), SECTOR_BYTES):
        sector = found[at : at + SECTOR_BYTES]
        stamp = read_stamp(sector) or _damaged(span.start + at, sector, known)
        if sector in _BLANKS:
            has_blank = True
        elif stamp is not None:
            stamps.add(stamp)
        else:
            is_foreign = True
    return PlaceSeen(span, is_foreign=is_foreign, has_blank=has_blank, stamps=frozenset(stamps))


def _damaged(place: int, sector: bytes, known: Sequence[Pattern]) -> Stamp | None:
    """Return the stamp that a sector had before bits of it tipped over; None: it had none."""
    for pattern in known:
        if is_flipped(sector, pattern.bytes_at(place, SECTOR_BYTES)):
            return Stamp(pattern.use, pattern.seed, place // SECTOR_BYTES)
    return None
