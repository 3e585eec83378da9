"""Which places of a drive are looked at, and where the markers of the capacity check go. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from refreshd.quantities import KIB, MIB, Geometry, Span

SPREAD_PLACES = 2048
"""So many places are spread over the drive: 20 s of seeking on a rotating disk (10 ms each)."""

STEP_BYTES_MIN = 256 * KIB
"""Places closer together than this tell nothing new on a small drive."""

PLACE_BYTES = 4 * KIB
EDGE_BYTES = MIB
"""Partition tables, file systems and their copies have their marks at both ends."""

END_SHARE = 4
"""Markers fill at most this part of a drive at its end: a quarter."""


def place_bytes(geometry: Geometry) -> int:
    """Return the length of one place: whole physical blocks."""
    return max(PLACE_BYTES, geometry.physical_bytes)


def step_bytes(geometry: Geometry) -> int:
    """Return the distance from one spread place to the next, in whole places."""
    place = place_bytes(geometry)
    step = max(STEP_BYTES_MIN, -(-geometry.size_bytes // SPREAD_PLACES))
    return -(-step // place) * place


def spread_places(geometry: Geometry) -> tuple[Span, ...]:
    """
    Return the places that are looked at between the two ends, in order.

    They are spread evenly, and there is one on each side of every power of two: a drive that
    claims too much mostly holds a power of two.
    """
    place = place_bytes(geometry)
    last = (geometry.size_bytes - 1) // place * place
    starts = set(range(0, last + 1, step_bytes(geometry))) | {last}
    power = max(MIB, place)
    while power <= last:
        starts |= {power - place, power}
        power *= 2
    size = geometry.size_bytes
    return tuple(Span(at, min(place, size - at)) for at in sorted(starts))


def end_region(geometry: Geometry, lag_bytes: int) -> Span | None:
    """
    Return the run of neighbouring markers at the end of the drive; None on a tiny one.

    It is as long as one step, at least: wherever a drive that wraps round would put it, a spread
    marker lies there and is written over. It is as long as the read-back lag, so that no cache
    still holds the spread markers when they are read.
    """
    place, step = place_bytes(geometry), step_bytes(geometry)
    length = max(step, min(lag_bytes, geometry.size_bytes // END_SHARE))
    start = (geometry.size_bytes - length) // place * place
    if start <= step:
        return None
    return Span(start, geometry.size_bytes - start)


def edges(geometry: Geometry) -> Iterator[Span]:
    """Yield both ends of a drive."""
    size, sector = geometry.size_bytes, geometry.logical_bytes
    length = min(EDGE_BYTES, size) // sector * sector
    yield Span(0, length)
    if size > length:
        start = max(length, size - length)
        yield Span(start, size - start)
