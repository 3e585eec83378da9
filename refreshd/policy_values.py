"""How each value that holds for a drive is read from text, written back, and described."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Annotated

from pydantic import BeforeValidator, PlainSerializer

from refreshd.durations import (
    DURATION_EXAMPLES,
    DURATION_PATTERN,
    WAIT_EXAMPLES,
    WAIT_PATTERN,
    Duration,
    parse_duration,
    parse_wait_s,
    wait_text,
)
from refreshd.policy_readers import (
    none_or,
    or_none,
    or_none_schema,
    text_schema,
    true_or_false,
    within,
    written,
)
from refreshd.quantities import GIB, KIB, MIB, DriveNumber
from refreshd.sizes import (
    RATE_EXAMPLES,
    RATE_PATTERN,
    SIZE_PATTERN,
    parse_rate,
    parse_size,
    rate_text,
    size_text,
)

CHUNK_BYTES_MIN = 64 * KIB
CHUNK_BYTES_MAX = 64 * MIB
SEGMENT_BYTES_MAX = GIB
READBACK_LAG_BYTES_MIN = MIB
READBACK_LAG_BYTES_MAX = 64 * GIB
RATE_BYTES_PER_S_MIN = 10**6
WITH_ITS_VISITS = "with its visits"
"""How the file says that nobody is asked to bring a drive out for a health reading alone."""

CELSIUS_PATTERN = r"^(-?[0-9]{1,3}) ?\u00b0?C$"
CELSIUS_MIN, CELSIUS_MAX = 20, 70
SAMPLE_S_MIN, SAMPLE_S_MAX = 10, 30

DRIVE_NUMBER_PATTERN = r"^[A-Za-z0-9]([A-Za-z0-9._-]{0,30}[A-Za-z0-9])?$"
"""An accession number: it is written on a case, typed on a command line, part of file names."""


def _chunk_size(text: str) -> int:
    size = within(parse_size, CHUNK_BYTES_MIN, CHUNK_BYTES_MAX)(text)
    if size & (size - 1):
        raise ValueError('Allowed: a power of two, such as "1 MiB", "4 MiB" or "16 MiB"')
    return size


def is_drive_number(text: str) -> bool:
    """Say whether a text can be an accession number."""
    return re.fullmatch(DRIVE_NUMBER_PATTERN, text, re.ASCII) is not None


def read_drive_number(text: str) -> DriveNumber:
    """Return the accession number that a text is, or raise ValueError saying what is allowed."""
    if not is_drive_number(text):
        raise ValueError(
            "no accession number. Allowed: 1 to 32 letters, digits, dots, hyphens and "
            "underscores, the first and the last a letter or digit, such as K07"
        )
    return DriveNumber(text)


Interval = Annotated[
    Duration,
    BeforeValidator(written(parse_duration, "a duration", "3 years")),
    PlainSerializer(str, return_type=str),
    text_schema(DURATION_PATTERN, DURATION_EXAMPLES),
]
LeastAge = Annotated[
    Duration | None,
    BeforeValidator(written(or_none(parse_duration), "a duration", "30 days")),
    none_or(str),
    or_none_schema(DURATION_PATTERN, DURATION_EXAMPLES),
]
ChunkSize = Annotated[
    int,
    BeforeValidator(written(_chunk_size, "a size", "4 MiB")),
    PlainSerializer(size_text, return_type=str),
    text_schema(SIZE_PATTERN, ("1 MiB", "4 MiB", "16 MiB")),
]
SegmentSize = Annotated[
    int,
    BeforeValidator(
        written(within(parse_size, CHUNK_BYTES_MIN, SEGMENT_BYTES_MAX), "a size", "64 MiB")
    ),
    PlainSerializer(size_text, return_type=str),
    text_schema(SIZE_PATTERN, ("64 MiB", "128 MiB")),
]
Lag = Annotated[
    int,
    BeforeValidator(
        written(
            within(parse_size, READBACK_LAG_BYTES_MIN, READBACK_LAG_BYTES_MAX),
            "a size",
            "512 MiB",
        )
    ),
    PlainSerializer(size_text, return_type=str),
    text_schema(SIZE_PATTERN, ("512 MiB", "1 GiB")),
]
RateLimit = Annotated[
    int | None,
    BeforeValidator(
        written(or_none(within(parse_rate, RATE_BYTES_PER_S_MIN, None)), "a rate", "150 MB/s")
    ),
    none_or(rate_text),
    or_none_schema(RATE_PATTERN, RATE_EXAMPLES),
]
Wait = Annotated[
    int,
    BeforeValidator(written(parse_wait_s, "a waiting time", "10 minutes")),
    PlainSerializer(wait_text, return_type=str),
    text_schema(WAIT_PATTERN, WAIT_EXAMPLES),
]
YesNo = Annotated[bool, BeforeValidator(true_or_false)]


class Unproved(StrEnum):
    """What becomes of a drive that never passed its acceptance test."""

    SAY = "say"
    REFUSE = "refuse"


def _celsius(text: str) -> int:
    """Read whole degrees, such as ``50 °C``; ``50 C`` for keyboards that have no degree sign."""
    found = re.fullmatch(CELSIUS_PATTERN, text, re.ASCII)
    degrees = None if found is None else int(found[1])
    if degrees is None or not CELSIUS_MIN <= degrees <= CELSIUS_MAX:
        raise ValueError(
            f"Allowed: whole degrees Celsius from {CELSIUS_MIN} to {CELSIUS_MAX}, such as"
            ' "50 °C", or "50 C" where the keyboard has no degree sign'
        )
    return degrees


def _sample_every(text: str) -> int:
    seconds = parse_wait_s(text)
    if not SAMPLE_S_MIN <= seconds <= SAMPLE_S_MAX:
        raise ValueError(f"Allowed: {SAMPLE_S_MIN} to {SAMPLE_S_MAX} seconds")
    return seconds


def _health_interval(text: str) -> Duration | None:
    if text == WITH_ITS_VISITS:
        return None
    try:
        return parse_duration(text)
    except ValueError as err:
        raise ValueError(f'{err}, or "{WITH_ITS_VISITS}"') from err


def _health_interval_text(value: Duration | None) -> str:
    return WITH_ITS_VISITS if value is None else str(value)


Celsius = Annotated[
    int,
    BeforeValidator(written(_celsius, "a temperature", "50 °C")),
    PlainSerializer(lambda degrees: f"{degrees} °C", return_type=str),
    text_schema(CELSIUS_PATTERN, ("45 °C", "50 °C")),
]
SampleEvery = Annotated[
    int,
    BeforeValidator(written(_sample_every, "a time", "15 seconds")),
    PlainSerializer(wait_text, return_type=str),
    text_schema(WAIT_PATTERN, ("15 seconds",)),
]
HealthInterval = Annotated[
    Duration | None,
    BeforeValidator(written(_health_interval, "a duration", "4 months")),
    PlainSerializer(_health_interval_text, return_type=str),
    text_schema(f"{DURATION_PATTERN}|^{WITH_ITS_VISITS}$", ("4 months", WITH_ITS_VISITS)),
]
AttachedEvery = Annotated[
    int | None,
    BeforeValidator(written(or_none(parse_wait_s), "a time", "24 hours")),
    none_or(wait_text),
    or_none_schema(WAIT_PATTERN, WAIT_EXAMPLES),
]
