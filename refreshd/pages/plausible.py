"""What a number can be if it is what its name says; beyond, it is not reported. Pure."""

from __future__ import annotations

from refreshd.health_cards import NUMBER_MAX, Measure

HOURS_MAX = 30 * 8766
"""Thirty years without a rest: longer than any drive that can say so has been on."""

_CELSIUS_LOWEST, _CELSIUS_HIGHEST = -60, 150
"""Chosen: beyond what a drive survives switched on."""

_SHARE_MAX = 100
_ENDURANCE_MAX = 255
"""It goes on past 100. Source: NVMe base specification, ACS: one byte."""

_RANGES = {
    Measure.POWER_ON_HOURS: (0, HOURS_MAX),
    Measure.HEAD_FLYING_HOURS: (0, HOURS_MAX),
    Measure.CELSIUS: (_CELSIUS_LOWEST, _CELSIUS_HIGHEST),
    Measure.CELSIUS_HIGHEST: (_CELSIUS_LOWEST, _CELSIUS_HIGHEST),
    Measure.CELSIUS_LOWEST: (_CELSIUS_LOWEST, _CELSIUS_HIGHEST),
    Measure.CELSIUS_LIMIT: (_CELSIUS_LOWEST, _CELSIUS_HIGHEST),
    Measure.SPARE_LEFT: (0, _SHARE_MAX),
    Measure.SPARE_LEAST: (0, _SHARE_MAX),
    Measure.ENDURANCE_USED: (0, _ENDURANCE_MAX),
}


def why_not(measure: Measure, value: int) -> str:
    """Return why a value cannot be what it is called; empty: it can."""
    lowest, highest = _RANGES.get(measure, (0, NUMBER_MAX))
    if lowest <= value <= highest:
        return ""
    return f"it would be {value}, which is not possible"
