"""What a picture is made of, as frozen values. Where it comes to lie is the drawers' affair."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

ROOM_ABOVE = 1.05
"""A line does not touch the frame."""


class Scale(StrEnum):
    """What stands along an axis, which decides on ticks and on their words."""

    DAYS = "days"  # proleptic ordinals, told as calendar dates
    SECONDS = "seconds"  # since something began
    BYTES = "bytes"  # places on a drive
    RATE = "bytes per second"
    CELSIUS = "degrees Celsius"
    COUNT = "count"


_SPAN_OF_ONE = {Scale.RATE: 1e6, Scale.BYTES: 1e6}
"""How long an axis is on which everything is at zero."""


class Dot(NamedTuple):
    """One value; `y` None: there is none here, and the line is broken."""

    x: float
    y: float | None


class Band(NamedTuple):
    """A stretch of the x axis that is marked, and why."""

    begin: float
    end: float
    label: str


class Place(NamedTuple):
    """A single value that is pointed out."""

    x: float
    y: float


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity over the x axis. `title` names it with its unit."""

    title: str
    scale: Scale
    dots: tuple[Dot, ...]
    bands: tuple[Band, ...] = ()
    pointed_out: tuple[Place, ...] = ()
    from_zero: bool = True  # else the axis begins near the lowest value

    @property
    def values(self) -> tuple[float, ...]:
        """All values that there are."""
        return tuple(dot.y for dot in self.dots if dot.y is not None)

    def runs(self) -> Iterator[tuple[Place, ...]]:
        """Yield the stretches without a gap, in order of x."""
        run: list[Place] = []
        for x, y in sorted(self.dots, key=lambda dot: dot.x):
            if y is not None:
                run.append(Place(x, y))
            elif run:
                yield tuple(run)
                run = []
        if run:
            yield tuple(run)

    def y_range(self) -> tuple[float, float]:
        """Return lowest and highest of the y axis, never the same."""
        values = self.values or (0.0,)
        low = min(0.0, *values) if self.from_zero else min(values)
        high = max(values)
        if high <= low:
            span = _SPAN_OF_ONE.get(self.scale, 1.0)
            return (low, low + span) if self.from_zero else (low - span, high + span)
        margin = (high - low) * (ROOM_ABOVE - 1)
        return (low if self.from_zero else low - margin), high + margin


@dataclass(frozen=True, slots=True)
class Picture:
    """Panels above each other over one x axis.

    Args:
        name: Of its file, without ending: letters, digits and hyphens.
        title: What it is of, on one line.
        description: What it shows, in sentences.
        x_title: What stands along the x axis.
        x_scale: Of the x axis.
        panels: From the top; at least one.

    """

    name: str
    title: str
    description: str
    x_title: str
    x_scale: Scale
    panels: tuple[Panel, ...]

    def x_range(self) -> tuple[float, float]:
        """Return where the x axis begins and ends, never the same."""
        xs = [dot.x for panel in self.panels for dot in panel.dots]
        xs += [x for panel in self.panels for band in panel.bands for x in band[:2]]
        low, high = min(xs, default=0.0), max(xs, default=0.0)
        if self.x_scale is not Scale.DAYS:
            low = min(0.0, low)
        if high > low:
            return low, high
        return (low - 1.0, low + 1.0) if self.x_scale is Scale.DAYS else (low, low + 1.0)
