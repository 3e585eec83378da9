"""Figures as people read them, rounded. Exact ones are in `sizes` and `durations`."""

from __future__ import annotations

from refreshd.durations import counted
from refreshd.quantities import MediumKind

MINUTE_S = 60
HOUR_S = 3600
DAY_S = 24 * HOUR_S
_UNITS = ("bytes", "kB", "MB", "GB", "TB", "PB")
_STEP = 1000
_MONTH_DAYS = 30.4375
_YEAR_DAYS = 365.25
_TWO_DIGITS = 10


def size_words(size_bytes: float) -> str:
    """Return a size in decimal units as drives are sold, such as ``4.0 TB``."""
    amount, unit = float(size_bytes), 0
    while amount >= _STEP and unit < len(_UNITS) - 1:
        amount, unit = amount / _STEP, unit + 1
    if unit == 0:
        return counted(int(size_bytes), "byte")
    return (
        f"{amount:.1f} {_UNITS[unit]}" if amount < _TWO_DIGITS else f"{amount:.0f} {_UNITS[unit]}"
    )


def medium_words(medium: MediumKind) -> str:
    """Return a kind of medium as one would say it, such as ``hard disk``."""
    return medium.value.upper() if medium is MediumKind.SSD else medium.value.replace("-", " ")


def rate_words(bytes_per_s: float) -> str:
    """Return a rate, such as ``150 MB/s``."""
    return f"{size_words(bytes_per_s)}/s"


def duration_words(seconds: float) -> str:
    """Return a length of time as one would say it, such as ``18 hours``."""
    if seconds < MINUTE_S:
        return "less than a minute"
    if seconds < 2 * HOUR_S:
        return counted(round(seconds / MINUTE_S), "minute")
    if seconds < 3 * DAY_S:
        return counted(round(seconds / HOUR_S), "hour")
    days = seconds / DAY_S
    if days < 2 * _MONTH_DAYS:
        return counted(round(days), "day")
    if days < 2 * _YEAR_DAYS:
        return counted(round(days / _MONTH_DAYS), "month")
    return counted(round(days / _YEAR_DAYS), "year")


def about_words(seconds: float) -> str:
    """Return a duration that is only expected, such as ``about 20 hours``."""
    said = duration_words(seconds)
    return said if seconds < MINUTE_S else f"about {said}"


def measured_words(seconds: float) -> str:
    """Return a length of time that was measured, such as ``3 hours 20 minutes``."""
    if seconds < 0.05:  # noqa: PLR2004 - what one decimal would show as nothing.
        return "less than 0.1 seconds"
    if seconds < MINUTE_S:
        return f"{seconds:.1f} seconds"
    if seconds < HOUR_S:
        return _two_units(*divmod(int(seconds), MINUTE_S), "minute", "second")
    return _two_units(*divmod(round(seconds / MINUTE_S), 60), "hour", "minute")


def _two_units(large: int, small: int, unit: str, part: str) -> str:
    """Say both, or the larger alone where the smaller is nothing."""
    return f"{counted(large, unit)} {counted(small, part)}" if small else counted(large, unit)


OWN_TEST = "self-test"
"""How a pass ends what it says it does while the drive tests itself."""


def is_own_test(doing: str) -> bool:
    """Say whether a drive tests itself: then its share is one of that test, and no bytes go."""
    return doing.endswith(OWN_TEST)


def share_words(part: int, whole: int) -> str:
    """Return which share of a drive something is, never rounded to nothing or to all of it."""
    share = 100 * part / whole
    if part == whole:
        return "all of the drive"
    if share < 0.1:  # noqa: PLR2004 - the smallest share that one decimal can show.
        return "less than 0.1 % of the drive"
    return f"{min(share, 99.9):.1f} % of the drive"
