"""How each value of the policy is read from text, written back, and described to an editor.

A value is written as people do, ``"3 years"`` or ``"64 MiB"``, in quotes and with its unit: a
bare number would leave open what it counts. Every refusal says what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Annotated, TypeVar

from pydantic import (
    BeforeValidator,
    PlainSerializer,
    WithJsonSchema,
)

from refreshd.durations import (
    DURATION_EXAMPLES,
    DURATION_PATTERN,
    WAIT_EXAMPLES,
    WAIT_PATTERN,
    Duration,
    is_shorter,
    parse_duration,
    parse_wait_s,
    wait_text,
)
from refreshd.hours import QUIET_SPAN_PATTERN, QuietSpan, parse_quiet_span
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
BAYS_MAX = 64
NONE = "none"
"""How the file says that there is no limit, to undo one of a weaker table."""

DRIVE_NUMBER_PATTERN = r"^[A-Za-z0-9]([A-Za-z0-9._-]{0,30}[A-Za-z0-9])?$"
"""An accession number: it is written on a case, typed on a command line, part of file names."""

Given = TypeVar("Given")


def _written(parse: Callable[[str], Given], kind: str, example: str) -> Callable[[object], Given]:
    """Make a reader that takes only text, since a bare number has no unit."""

    def read(value: object) -> Given:
        if not isinstance(value, str):
            raise ValueError(f'{kind} is written in quotes, with its unit: "{example}"')  # noqa: TRY004 - pydantic collects ValueErrors.
        return parse(value)

    return read


def _within(parse: Callable[[str], int], least: int, most: int | None) -> Callable[[str], int]:
    """Make a reader that also holds a size within bounds."""

    def read(text: str) -> int:
        size = parse(text)
        if size < least or (most is not None and size > most):
            above = f"at least {size_text(least)}"
            raise ValueError(f"Allowed: {above}" + (f", at most {size_text(most)}" if most else ""))
        return size

    return read


def _or_none(parse: Callable[[str], Given]) -> Callable[[str], Given | None]:
    """Make a reader that also knows the word for "no limit"."""

    def read(text: str) -> Given | None:
        if text == NONE:
            return None
        try:
            return parse(text)
        except ValueError as err:
            raise ValueError(f'{err}, or "{NONE}"') from err

    return read


def _chunk_size(text: str) -> int:
    size = _within(parse_size, CHUNK_BYTES_MIN, CHUNK_BYTES_MAX)(text)
    if size & (size - 1):
        raise ValueError('Allowed: a power of two, such as "1 MiB", "4 MiB" or "16 MiB"')
    return size


def _directory(value: object) -> PurePosixPath:
    if not isinstance(value, str) or not value.startswith("/") or "\0" in value:
        raise ValueError('Allowed: an absolute path in quotes, such as "/srv/refreshd/staging"')
    return PurePosixPath(value)


def _true_or_false(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("Allowed: true or false, without quotes")  # noqa: TRY004 - see above.
    return value


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


def _text_schema(pattern: str, examples: tuple[str, ...]) -> WithJsonSchema:
    """Describe a value to an editor: as text with a pattern, not as what it is read into."""
    return WithJsonSchema({"type": "string", "pattern": pattern, "examples": list(examples)})


def _or_none_schema(pattern: str, examples: tuple[str, ...]) -> WithJsonSchema:
    return _text_schema(f"{pattern}|^{NONE}$", (*examples, NONE))


def _none_or(text: Callable[[Given], str]) -> PlainSerializer:
    def write(value: Given | None) -> str:
        return NONE if value is None else text(value)

    return PlainSerializer(write, return_type=str)


Interval = Annotated[
    Duration,
    BeforeValidator(_written(parse_duration, "a duration", "3 years")),
    PlainSerializer(str, return_type=str),
    _text_schema(DURATION_PATTERN, DURATION_EXAMPLES),
]
LeastAge = Annotated[
    Duration | None,
    BeforeValidator(_written(_or_none(parse_duration), "a duration", "30 days")),
    _none_or(str),
    _or_none_schema(DURATION_PATTERN, DURATION_EXAMPLES),
]
ChunkSize = Annotated[
    int,
    BeforeValidator(_written(_chunk_size, "a size", "4 MiB")),
    PlainSerializer(size_text, return_type=str),
    _text_schema(SIZE_PATTERN, ("1 MiB", "4 MiB", "16 MiB")),
]
SegmentSize = Annotated[
    int,
    BeforeValidator(
        _written(_within(parse_size, CHUNK_BYTES_MIN, SEGMENT_BYTES_MAX), "a size", "64 MiB")
    ),
    PlainSerializer(size_text, return_type=str),
    _text_schema(SIZE_PATTERN, ("64 MiB", "128 MiB")),
]
Lag = Annotated[
    int,
    BeforeValidator(
        _written(
            _within(parse_size, READBACK_LAG_BYTES_MIN, READBACK_LAG_BYTES_MAX),
            "a size",
            "512 MiB",
        )
    ),
    PlainSerializer(size_text, return_type=str),
    _text_schema(SIZE_PATTERN, ("512 MiB", "1 GiB")),
]
RateLimit = Annotated[
    int | None,
    BeforeValidator(
        _written(_or_none(_within(parse_rate, RATE_BYTES_PER_S_MIN, None)), "a rate", "150 MB/s")
    ),
    _none_or(rate_text),
    _or_none_schema(RATE_PATTERN, RATE_EXAMPLES),
]
Wait = Annotated[
    int,
    BeforeValidator(_written(parse_wait_s, "a waiting time", "10 minutes")),
    PlainSerializer(wait_text, return_type=str),
    _text_schema(WAIT_PATTERN, WAIT_EXAMPLES),
]
YesNo = Annotated[bool, BeforeValidator(_true_or_false)]


def _bays(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= BAYS_MAX:
        raise ValueError(f"Allowed: a whole number from 1 to {BAYS_MAX}, without quotes")
    return value


def _list_of(
    parse: Callable[[str], Given], example: str, least: int
) -> Callable[[object], tuple[Given, ...]]:
    """Make a reader of a list of texts."""

    def read(value: object) -> tuple[Given, ...]:
        if not isinstance(value, list | tuple) or len(value) < least:
            raise ValueError(f"Allowed: a list such as {example}")
        if not all(isinstance(one, str) for one in value):
            raise ValueError(f"Allowed: texts in quotes, such as {example}")
        return tuple(parse(one) for one in value)

    return read


def _reminders(value: object) -> tuple[Duration, ...]:
    found = _list_of(parse_duration, '["1 week", "2 weeks", "4 weeks"]', 1)(value)
    if any(not is_shorter(one, other) for one, other in pairwise(found)):
        raise ValueError("Allowed: each time longer than the one before")
    return found


def _group(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(GROUP_PATTERN, value, re.ASCII):
        raise ValueError('Allowed: the name of a group of this server, such as "refreshd"')
    return value


def _address(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(ADDRESS_PATTERN, value, re.ASCII):
        raise ValueError(
            'Allowed: an address in quotes with its kind in front, such as "mailto://..."'
        )
    return value


GROUP_PATTERN = r"^[a-z_][a-z0-9_-]{0,31}$"
"""Source: useradd(8) of Debian, names of accounts and groups."""

ADDRESS_PATTERN = r"^[a-z][a-z0-9+.-]*://[!-~]+$"

Bays = Annotated[
    int,
    BeforeValidator(_bays),
    WithJsonSchema({"type": "integer", "minimum": 1, "maximum": BAYS_MAX}),
]
QuietHours = Annotated[
    tuple[QuietSpan, ...],
    BeforeValidator(_list_of(parse_quiet_span, '["22:00-06:00"]', 0)),
    PlainSerializer(lambda spans: [str(span) for span in spans], return_type=list[str]),
    WithJsonSchema({"type": "array", "items": {"type": "string", "pattern": QUIET_SPAN_PATTERN}}),
]
LongestVisit = Annotated[
    int | None,
    BeforeValidator(_written(_or_none(parse_wait_s), "a time", "10 hours")),
    _none_or(wait_text),
    _or_none_schema(WAIT_PATTERN, WAIT_EXAMPLES),
]
Reminders = Annotated[
    tuple[Duration, ...],
    BeforeValidator(_reminders),
    PlainSerializer(lambda times: [str(one) for one in times], return_type=list[str]),
    WithJsonSchema({"type": "array", "items": {"type": "string", "pattern": DURATION_PATTERN}}),
]
AccountGroup = Annotated[
    str, BeforeValidator(_group), WithJsonSchema({"type": "string", "pattern": GROUP_PATTERN})
]
ChannelAddress = Annotated[
    str | None,
    BeforeValidator(_address),
    WithJsonSchema({"type": "string", "pattern": ADDRESS_PATTERN}),
]
SecretFile = Annotated[
    PurePosixPath | None,
    BeforeValidator(_directory),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "pattern": "^/", "examples": ["/etc/refreshd/mail.url"]}),
]
Directory = Annotated[
    PurePosixPath | None,
    BeforeValidator(_directory),
    PlainSerializer(lambda path: "STATE/staging" if path is None else str(path), return_type=str),
    WithJsonSchema({"type": "string", "pattern": "^/", "examples": ["/srv/refreshd/staging"]}),
]
