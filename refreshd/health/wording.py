"""How amounts and dates are said in sentences about a drive's health."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from refreshd.health.history import Fall
from refreshd.health_cards import Measure
from refreshd.words import DAY_S

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
"""Not from `calendar`, which speaks the language of whoever started the program."""

NAMES: Mapping[Measure, tuple[str, str]] = {
    Measure.POWER_ON_HOURS: ("hour of running", "hours of running"),
    Measure.POWER_CYCLES: ("power-on", "power-ons"),
    Measure.SPINDLE_STARTS: ("spindle start", "spindle starts"),
    Measure.HEAD_LOADS: ("loading of the heads", "loadings of the heads"),
    Measure.HEAD_FLYING_HOURS: ("hour of flying heads", "hours of flying heads"),
    Measure.MOVED_SECTORS: ("sector moved to spares", "sectors moved to spares"),
    Measure.WAITING_SECTORS: ("sector waiting to be moved", "sectors waiting to be moved"),
    Measure.BAD_SECTORS: (
        "sector that the drive itself found unreadable",
        "sectors that the drive itself found unreadable",
    ),
    Measure.REPORTED_ERRORS: (
        "unreadable sector reported to a host",
        "unreadable sectors reported to a host",
    ),
    Measure.READ_RECOVERIES: ("read recovery attempt", "read recovery attempts"),
    Measure.START_RETRIES: (
        "spin-up that had to be tried again",
        "spin-ups that had to be tried again",
    ),
    Measure.START_FAILURES: ("failed start of the spindle", "failed starts of the spindle"),
    Measure.PATH_ERRORS: ("transfer error on the cable", "transfer errors on the cable"),
    Measure.RESETS: ("reset in mid-command", "resets in mid-command"),
    Measure.UNCORRECTED_READS: ("uncorrected read error", "uncorrected read errors"),
    Measure.UNCORRECTED_WRITES: ("uncorrected write error", "uncorrected write errors"),
    Measure.UNCORRECTED_VERIFIES: ("uncorrected verify error", "uncorrected verify errors"),
    Measure.CORRECTED_BY_REREADING: (
        "read error corrected with delay",
        "read errors corrected with delay",
    ),
    Measure.MINUTES_TOO_HOT: (
        "minute above the drive's temperature limit",
        "minutes above the drive's temperature limit",
    ),
    Measure.MINUTES_TOO_COLD: (
        "minute below the drive's temperature limit",
        "minutes below the drive's temperature limit",
    ),
    Measure.MEDIA_ERRORS: (
        "error of data or medium that could not be mended",
        "errors of data or medium that could not be mended",
    ),
    Measure.UNSAFE_SHUTDOWNS: ("power cut without warning", "power cuts without warning"),
}
"""What one, and what several of a measure are called; only of those that are counts."""


def figure(number: int) -> str:
    """Return a number as people read it, such as ``17,520``."""
    return f"{number:,}"


def amount(measure: Measure, number: int) -> str:
    """Return a count with its name in the right number, such as ``1 sector moved to spares``."""
    one, several = NAMES[measure]
    return f"{figure(number)} {one if number == 1 else several}"


def several(measure: Measure) -> str:
    """Return the name of a count, such as ``sectors moved to spares``."""
    return NAMES[measure][1]


def month(at: datetime) -> str:
    """Return a month, such as ``March 2027``."""
    return f"{_MONTHS[at.month - 1]} {at.year}"


def day(at: datetime) -> str:
    """Return a day, such as ``3 March 2027``."""
    return f"{at.day} {month(at)}"


def since(then: datetime, at: datetime) -> str:
    """Return since when, seen from `at`: a month, or where that says too little, a day."""
    if then.date() == at.date():
        return "since earlier that day"
    return f"since {_when(then, at)}"


def back_in(then: datetime, at: datetime) -> str:
    """Return at which time, seen from `at`, such as ``in March 2027`` or ``on 3 March 2027``."""
    if then.date() == at.date():
        return "earlier that day"
    said = _when(then, at)
    return f"in {said}" if said == month(then) else f"on {said}"


def fell(fall: Fall) -> str:
    """Return that something changed which cannot change so in one drive."""
    before, after = fall.before, fall.after
    return (
        f"Its {fall.measure.value} went from {figure(before.value)} "
        f"{back_in(before.at, after.at)} to {figure(after.value)} {back_in(after.at, before.at)}"
    )


def sentence(text: str) -> str:
    """Return a text with a capital letter and a full stop."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


def _when(then: datetime, at: datetime) -> str:
    is_close = abs((at - then).total_seconds()) < 28 * DAY_S or month(then) == month(at)
    return day(then) if is_close else month(then)
