"""Which vendor-specific SMART attributes are read, and when they are believed.

An attribute means what its vendor says. Few numbers mean the same on all drives, and of these,
some are packed with something else. A number is taken from an attribute only where its meaning
is settled and its value can be true; all the rest stays in the page as it came.

Source: common practice, no source, for numbers and names; Linux drivers/hwmon/drivetemp.c for
194 and 190; the other bounds are chosen, see each.
"""

from __future__ import annotations

from dataclasses import dataclass

from refreshd.health_cards import Measure
from refreshd.pages.ata_smart import Attribute, SmartData
from refreshd.pages.octets import BadPageError, little
from refreshd.pages.plausible import HOURS_MAX

_WORD, _DOUBLE_WORD = 0xFFFF, 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Settled:
    """One attribute whose meaning is settled. More than `highest` is another number packed in."""

    number: int
    measure: Measure
    highest: int
    is_of_disks_only: bool = False


SETTLED = (
    # Spares are some thousands; two counters packed side by side give more than 16 bits.
    Settled(5, Measure.MOVED_SECTORS, _WORD, is_of_disks_only=True),
    # Some vendors count minutes or half-minutes, or keep a fraction in the high bytes.
    Settled(9, Measure.POWER_ON_HOURS, HOURS_MAX),
    Settled(4, Measure.SPINDLE_STARTS, _DOUBLE_WORD, is_of_disks_only=True),
    Settled(10, Measure.START_RETRIES, _WORD, is_of_disks_only=True),
    Settled(12, Measure.POWER_CYCLES, _DOUBLE_WORD),
    Settled(187, Measure.REPORTED_ERRORS, _DOUBLE_WORD),
    Settled(193, Measure.HEAD_LOADS, _DOUBLE_WORD, is_of_disks_only=True),
    Settled(197, Measure.WAITING_SECTORS, _DOUBLE_WORD),
    Settled(198, Measure.BAD_SECTORS, _DOUBLE_WORD),
    Settled(199, Measure.PATH_ERRORS, _DOUBLE_WORD),
)
"""Not settled, and so kept raw: 1, 3 and 7 (scaled by some), 188 (three numbers packed), 192
(planned retracts in it or not), 196 (events, of which one may move many sectors), 240 (packed),
and all that solid-state drives say of wear, which each vendor numbers in its own way. On them 5
counts blocks of a size that nobody knows."""

TEMPERATURES = (194, 190)
_TEMPERATURE_LOWEST, _TEMPERATURE_HIGHEST = 1, 99
"""0 is what drives without a sensor give. Beyond, it is packed, or in tenths."""


def count(data: SmartData, settled: Settled) -> int | None:
    """
    Return what an attribute counts; None: the drive has none of this number.

    Raises:
        BadPageError: It stands there twice, or its value cannot be what it should mean.

    """
    row = _row(data, settled.number)
    if row is None:
        return None
    value = little(row.raw, 0, len(row.raw))
    if value > settled.highest:
        raise BadPageError(
            f"attribute {row.number} says {value}, which cannot be a count of "
            f"{settled.measure.value}; this vendor packs or scales it"
        )
    return value


def celsius(data: SmartData) -> int | None:
    """
    Return the temperature in whole °C, from attribute 194, else 190; None: it has neither.

    It is the lowest byte; of what vendors pack behind it, no two agree.

    Raises:
        BadPageError: It stands there twice, or cannot be a temperature.

    """
    row = next(filter(None, (_row(data, number) for number in TEMPERATURES)), None)
    if row is None:
        return None
    value = little(row.raw, 0, 2)
    if not _TEMPERATURE_LOWEST <= value <= _TEMPERATURE_HIGHEST:
        raise BadPageError(f"attribute {row.number} says {value}, which is no temperature in °C")
    return value


def _row(data: SmartData, number: int) -> Attribute | None:
    if number in data.doubled:
        raise BadPageError(f"attribute {number} stands in two rows")
    return data.attributes.get(number)
