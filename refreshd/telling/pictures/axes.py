"""Where an axis has ticks, and what stands beside them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from refreshd.telling.pictures.chart import Scale
from refreshd.words import DAY_S, HOUR_S, MINUTE_S

_SECOND_STEPS = (
    1, 2, 5, 10, 20, 30, MINUTE_S, 2 * MINUTE_S, 5 * MINUTE_S, 10 * MINUTE_S, 20 * MINUTE_S,
    30 * MINUTE_S, HOUR_S, 2 * HOUR_S, 4 * HOUR_S, 6 * HOUR_S, 12 * HOUR_S, DAY_S, 2 * DAY_S,
    5 * DAY_S, 10 * DAY_S,
)  # fmt: skip
_DAY_STEPS = (1, 2, 5, 10)
_MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200, 2400, 6000, 12000)
_MONTH_DAYS = 30.4375
_UNITS = ("bytes", "kB", "MB", "GB", "TB", "PB", "EB")
_KILO = 1000.0
_TICKS_MAX = 10
_LONG = 1_000_000_000_000
"""From here on a count is told by its first digits: all of them would not fit beside an axis."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on an axis and its words."""

    at: float
    words: str


def ticks(scale: Scale, low: float, high: float, wanted: int) -> tuple[Tick, ...]:
    """Return at most about `wanted` ticks from `low` to `high`, which differ.

    Each place is a round figure of its scale; there may be one only, or on a calendar of a few
    days none.
    """
    if scale is Scale.DAYS:
        return tuple(_calendar(low, high, wanted))
    if scale is Scale.SECONDS:
        step = _first_above((high - low) / wanted, _SECOND_STEPS)
        return tuple(Tick(at, _seconds_words(at, step)) for at in _multiples(low, high, step))
    step = _round_step((high - low) / wanted)
    if scale in {Scale.COUNT, Scale.CELSIUS}:
        step = max(1.0, step)
    unit = _unit_of(max(abs(low), abs(high))) if scale in {Scale.BYTES, Scale.RATE} else 0
    if unit:
        step = _round_step((high - low) / wanted / _KILO**unit) * _KILO**unit
    return tuple(Tick(at, _words(scale, at, unit)) for at in _multiples(low, high, step))


def fitting(
    scale: Scale, low: float, high: float, room: float, width_of: Callable[[str], float]
) -> tuple[Tick, ...]:
    """
    Return the ticks of an x axis whose words do not run into each other.

    Args:
        scale: Of the axis.
        low: Where it begins.
        high: Where it ends, above `low`.
        room: Its length, in the unit of `width_of`.
        width_of: Says how wide words are, with the gap that is to stand after them.

    """
    for wanted in range(_TICKS_MAX, 0, -1):
        found = ticks(scale, low, high, wanted)
        if len(found) <= 1:
            break
        if not _overlap(found, room / (high - low), width_of):
            return found
    ends = _ends(scale, low, high)
    return ends[:1] if _overlap(ends, room / (high - low), width_of) else ends


def _ends(scale: Scale, low: float, high: float) -> tuple[Tick, ...]:
    """Return the first and the last whole step of an axis, for want of anything rounder."""
    if scale is not Scale.DAYS:
        return ticks(scale, low, high, 1)[:2]
    days = dict.fromkeys((math.ceil(low), math.floor(high)))
    return tuple(Tick(one, _day(one).isoformat()) for one in days)


def _overlap(found: Sequence[Tick], room_each: float, width_of: Callable[[str], float]) -> bool:
    places = [(one.at * room_each, width_of(one.words) / 2) for one in found]
    return any(
        at + half > next_at - next_half for (at, half), (next_at, next_half) in pairwise(places)
    )


def _multiples(low: float, high: float, step: float) -> Iterator[float]:
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return (number * step for number in range(first, last + 1))


def _round_step(least: float) -> float:
    """Return the least of 1, 2 and 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(
        (digit * power for digit in (1, 2, 5) if digit * power >= least * (1 - 1e-9)), 10 * power
    )


def _first_above(least: float, steps: Sequence[float]) -> float:
    found = next((step for step in steps if step >= least), None)
    return found or math.ceil(least / steps[-1]) * steps[-1]


def _unit_of(highest: float) -> int:
    unit = 0
    while highest >= _KILO and unit < len(_UNITS) - 1:
        highest, unit = highest / _KILO, unit + 1
    return unit


def _words(scale: Scale, at: float, unit: int) -> str:
    if scale in {Scale.BYTES, Scale.RATE}:
        per = "/s" if scale is Scale.RATE else ""
        return "0" if at == 0 else f"{at / _KILO**unit:.6g} {_UNITS[unit]}{per}"
    if scale is Scale.CELSIUS:
        return f"{at:.0f} °C"
    return f"{at:.3g}" if abs(at) >= _LONG else f"{round(at):,}"


def _seconds_words(at: float, step: float) -> str:
    """Say a time since the beginning in the unit of its step."""
    if at == 0:
        return "0"
    if step % DAY_S == 0:
        return f"{at / DAY_S:.0f} d"
    if step % HOUR_S == 0:
        return f"{at / HOUR_S:.0f} h"
    if step % MINUTE_S == 0:
        hours, minutes = divmod(round(at / MINUTE_S), 60)
        return f"{hours} h {minutes:02d}" if hours else f"{minutes} min"
    minutes, seconds = divmod(round(at), 60)
    return f"{minutes} min {seconds:02d}" if minutes else f"{seconds} s"


def _calendar(low: float, high: float, wanted: int) -> Iterator[Tick]:
    """Yield days, first days of months or of years, as fit between two proleptic ordinals."""
    least = (high - low) / wanted
    begin, end = _day(math.ceil(low)), _day(math.floor(high))
    days = next((step for step in _DAY_STEPS if step >= least), None)
    if days is not None:
        for ordinal in range(math.ceil(low), math.floor(high) + 1, days):
            yield Tick(ordinal, _day(ordinal).isoformat())
        return
    months = int(_first_above(least / _MONTH_DAYS, _MONTH_STEPS))
    first = -(-(begin.year * 12 + begin.month - 1) // months) * months
    for month in range(first, end.year * 12 + end.month, months):
        year, of_year = divmod(month, 12)
        if not date.min.year <= year <= date.max.year:
            continue
        at = date(year, of_year + 1, 1)
        if begin <= at <= end:
            yield Tick(at.toordinal(), f"{at.year}" if months % 12 == 0 else f"{at:%Y-%m}")


def _day(ordinal: int) -> date:
    return date.fromordinal(min(max(ordinal, 1), date.max.toordinal()))
