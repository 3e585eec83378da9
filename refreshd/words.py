"""Figures as people read them, rounded. Exact ones are in `sizes` and `durations`."""

from __future__ import annotations

from refreshd.durations import counted

MINUTE_S = 60
HOUR_S = 3600
DAY_S = 24 * HOUR_S
_UNITS = ("bytes", "kB", "MB", "GB", "TB", "PB")
_STEP = 1000
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
    return counted(round(seconds / DAY_S), "day")


def clock_words(seconds: float) -> str:
    """Return a length of time as ``h:mm:ss``."""
    whole = int(seconds)
    return f"{whole // HOUR_S}:{whole % HOUR_S // MINUTE_S:02d}:{whole % MINUTE_S:02d}"


def share_words(part: int, whole: int) -> str:
    """Return which share of a drive something is, never rounded to nothing or to all of it."""
    share = 100 * part / whole
    if part == whole:
        return "all of the drive"
    if share < 0.1:  # noqa: PLR2004 - the smallest share that one decimal can show.
        return "less than 0.1 % of the drive"
    return f"{min(share, 99.9):.1f} % of the drive"
