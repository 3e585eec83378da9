"""
The chain of the journal: how an event becomes a line, and a line an event again.

A line is the RFC 8785 canonical JSON of an `Entry` and a newline. Canonical JSON sorts the
keys, so every line of every journal has the same frame::

    {"at":"2026-01-02T03:04:05Z","digest":"<64 hex>","event":{...},
     "label":"...","previous":"<64 hex>","sequence":17}

and the bytes that `digest` is made of (the object without `digest`) are the bytes of the line
with ``"digest":"...",`` cut out. That is why a digest can be checked without parsing JSON.

Bytes inside an event are base64 in the URL-safe alphabet. Source: RFC 8785 (2020) sections
3.2.2 and 3.2.3; RFC 4648 section 5; FIPS 180-4 for SHA-256.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785
from pydantic import TypeAdapter, ValidationError

from refreshd.cards import Evidence
from refreshd.errors import JournalDamagedError, require
from refreshd.events import Entry, Event
from refreshd.quantities import MIB

FIRST_PREVIOUS = "0" * 64
"""Stands where the digest of the entry before would, in the first entry."""

LINE_BYTES_MAX = 16 * MIB
"""Longest line, so that a damaged file cannot fill the memory: digests of 3 TB in one event."""

_INTEGER_MAX = 2**53 - 1
"""Largest integer of canonical JSON. Source: RFC 8785 section 3.2.2.3, IEEE 754 double."""

_HEAD = re.compile(rb'\{"at":"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}Z","digest":"([0-9a-f]{64})",')
_TAIL = re.compile(rb',"previous":"([0-9a-f]{64})","sequence":([1-9][0-9]{0,15})\}\n\Z')
_AT_END = len('{"at":"2026-01-02T03:04:05Z",')
_DIGEST_END = _AT_END + len('"digest":"",') + 64
_TAIL_BYTES_MAX = len(',"previous":"","sequence":}\n') + 64 + 16

_EVIDENCE = TypeAdapter(Evidence)

_dump = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
).encode


@dataclass(frozen=True, slots=True)
class Frame:
    """What can be known of a line without looking into its event.

    `digest` is the one that the line claims, `computed` the one that its bytes have.
    """

    sequence: int
    previous: str
    digest: str
    computed: str

    @property
    def is_sound(self) -> bool:
        """Say whether the line's bytes are those that its digest was made of."""
        return self.digest == self.computed


def canonical(value: Mapping[str, Any]) -> bytes:
    """Return the RFC 8785 canonical JSON of an object, in UTF-8."""
    return rfc8785.dumps(dict(value))


def evidence_digest(evidence: Evidence) -> str:
    """Return SHA-256, in lower-case hex, of the canonical JSON of what a medium says of itself."""
    return hashlib.sha256(canonical(_EVIDENCE.dump_python(evidence, mode="json"))).hexdigest()


def next_entry(last: Entry | None, at: datetime, event: Event) -> Entry:
    """
    Make the entry that follows `last` (None: the first one of a journal).

    Args:
        last: The head of the journal.
        at: The time for the record: aware, UTC; fractions of a second are cut off, since a
            recorded time may be older than the truth but never newer (I4).
        event: What happened.
    """
    require(at.utcoffset() == UTC.utcoffset(None), f"a record's time is in UTC, not {at!r}")
    unsealed = Entry(
        sequence=1 if last is None else last.sequence + 1,
        at=at.replace(microsecond=0),
        label=event.label,
        event=event,
        previous=FIRST_PREVIOUS if last is None else last.digest,
        digest="",
    )
    return unsealed.model_copy(update={"digest": digest_of(unsealed)})


def digest_of(entry: Entry) -> str:
    """Return SHA-256, in lower-case hex, of the canonical JSON of an entry without its digest."""
    unsealed = entry.model_dump(mode="json", exclude={"digest"})
    return hashlib.sha256(canonical(unsealed)).hexdigest()


def encode(entry: Entry) -> bytes:
    """Return the line of an entry, its newline included."""
    line = canonical(entry.model_dump(mode="json")) + b"\n"
    require(len(line) <= LINE_BYTES_MAX, f"a journal line of {len(line)} bytes is too long")
    return line


def read_frame(line: bytes) -> Frame | None:
    """Read the frame of a line (newline included) and digest its bytes; None: no such frame."""
    head = _HEAD.match(line)
    tail = _TAIL.search(line, max(0, len(line) - _TAIL_BYTES_MAX))
    if head is None or tail is None or tail.start() < head.end():
        return None
    content = hashlib.sha256(line[:_AT_END])
    content.update(memoryview(line)[_DIGEST_END:-1])
    return Frame(
        sequence=int(tail[2]),
        previous=tail[1].decode("ascii"),
        digest=head[1].decode("ascii"),
        computed=content.hexdigest(),
    )


def decode(line: bytes) -> Entry:
    """
    Read a line back, strictly: it must be the canonical JSON of what it says, no other spelling.

    A key that was added since, with a value for where it is missing, may be missing: a journal is
    read for decades, by versions that know more than the one that wrote it.

    Raises:
        JournalDamagedError: Saying what is wrong; the caller knows in which file and line.
    """
    frame = read_frame(line)
    if frame is None:
        raise JournalDamagedError("is not a journal record")
    if not frame.is_sound:
        raise JournalDamagedError("does not have the digest that it claims")
    return decode_sound(line)


def decode_sound(line: bytes) -> Entry:
    """Do the rest of `decode` for a line whose frame was found sound already."""
    try:
        entry = Entry.model_validate_json(line)
    except ValidationError as err:
        first = err.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise JournalDamagedError(
            f"cannot be understood by this version ({place}: {first['msg']})"
        ) from err
    if entry.label != entry.event.label:
        raise JournalDamagedError(f"has label {entry.label!r}, its event {entry.event.label!r}")
    if not _is_canonical(line):
        raise JournalDamagedError("is not canonical JSON (RFC 8785)")
    return entry


def _is_canonical(line: bytes) -> bool:
    """Say whether `line` is the canonical JSON of the values in it, and a newline.

    The standard library's encoder in C is six times as fast as the canonical one, and makes
    the same bytes of anything that holds no fraction, no integer beyond 2^53 and no key
    outside of ASCII (keys are sorted by UTF-16 units there, by code points here). A test holds
    the two against each other. Whatever might be otherwise goes the slow way.
    """
    plain = json.loads(line)
    if line.isascii() and not _has_trap(plain):
        return (_dump(plain) + "\n").encode("ascii") == line
    try:
        return canonical(plain) + b"\n" == line
    except rfc8785.CanonicalizationError:
        return False


def _has_trap(value: dict[str, Any] | list[Any]) -> bool:
    """Say whether a number in `value` might be written differently by the two encoders."""
    for part in value.values() if isinstance(value, dict) else value:
        kind = type(part)  # isinstance costs a third of the time of a whole verification
        if kind is str or kind is bool or part is None:
            continue
        if kind is int:
            if abs(part) > _INTEGER_MAX:
                return True
        elif (kind is not dict and kind is not list) or _has_trap(part):
            return True
    return False
