"""Sizes and rates as people write them. Everywhere else they are whole bytes."""

from __future__ import annotations

import re

from refreshd.quantities import GIB, KIB, MIB

TIB = 1024 * GIB

UNITS = {
    "TiB": TIB,
    "TB": 10**12,
    "GiB": GIB,
    "GB": 10**9,
    "MiB": MIB,
    "MB": 10**6,
    "KiB": KIB,
    "kB": 10**3,
    "bytes": 1,
}
"""Bytes in each unit, largest first. Source: IEC 80000-13 (binary), SI (decimal)."""

SIZE_PATTERN = r"^ *[1-9][0-9]{0,17} *(TiB|TB|GiB|GB|MiB|MB|KiB|kB|bytes) *$"
SIZE_EXAMPLES = ("4 MiB", "64 MiB", "500 MB")
RATE_PATTERN = r"^ *[1-9][0-9]{0,17} *(TiB|TB|GiB|GB|MiB|MB|KiB|kB|bytes)/s *$"
RATE_EXAMPLES = ("150 MB/s", "100 MiB/s")

_SIZE = re.compile(r"([1-9][0-9]{0,17}) *([A-Za-z]+)", re.ASCII)
_RATE = re.compile(_SIZE.pattern + "/s", re.ASCII)


def parse_size(text: str) -> int:
    """
    Read a size such as ``64 MiB`` or ``500 MB``, and return it in bytes.

    Raises:
        ValueError: With a sentence that says what is allowed.
    """
    match = _SIZE.fullmatch(text.strip(" "))
    if match is None or match[2] not in UNITS:
        raise ValueError(f"no size. {_help(SIZE_EXAMPLES, '')}")
    return int(match[1]) * UNITS[match[2]]


def parse_rate(text: str) -> int:
    """
    Read a rate such as ``150 MB/s``, and return it in bytes per second.

    Raises:
        ValueError: With a sentence that says what is allowed.
    """
    match = _RATE.fullmatch(text.strip(" "))
    if match is None or match[2] not in UNITS:
        raise ValueError(f"no rate. {_help(RATE_EXAMPLES, '/s')}")
    return int(match[1]) * UNITS[match[2]]


def size_text(size_bytes: int) -> str:
    """Return a size exactly, in the unit that needs the fewest digits; `parse_size` reads it."""
    exact = (
        (size_bytes // length, unit) for unit, length in UNITS.items() if not size_bytes % length
    )
    number, unit = min(exact, key=lambda pair: pair[0])
    return f"{number} {unit}"


def rate_text(bytes_per_s: int) -> str:
    """Return a rate exactly, as `parse_rate` reads it."""
    return f"{size_text(bytes_per_s)}/s"


def _help(examples: tuple[str, ...], suffix: str) -> str:
    units = ", ".join(f"{unit}{suffix}" for unit in reversed(UNITS))
    quoted = ", ".join(f'"{example}"' for example in examples)
    return f"Allowed: a whole number and a unit ({units}), such as {quoted}"
