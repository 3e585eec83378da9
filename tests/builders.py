"""Builders of values that tests of several modules need. The drives and people are invented."""

from __future__ import annotations

import hashlib
from copy import copy
from datetime import UTC, date, datetime, timedelta
from random import Random

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.events import (
    ChunksProved,
    DigestsRecorded,
    DriveAccessioned,
    DriveArrived,
    Entry,
    Event,
    FindingOpened,
    PassBegun,
    PassEnded,
    RewriteRun,
    SlipIssued,
)
from refreshd.quantities import (
    DIGEST_BYTES,
    MIB,
    DriveNumber,
    Errand,
    FindingId,
    FindingKind,
    MediumKind,
    PassId,
    PassKind,
    SlipNumber,
)

K07 = DriveNumber("K07")
CHUNK_BYTES = 4 * MIB
STAY = Presence("boot-a", 41)


class Scribe:
    """Chains events into entries, one a minute, each naming the digest of the one before.

    That is all a catalogue looks at; the digests are not those of RFC 8785.
    """

    def __init__(self, begins: datetime = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)) -> None:
        self._sequence = 0
        self._previous = "0" * 64
        self.at = begins

    def fork(self) -> Scribe:
        """Return a scribe that goes on from here without this one knowing."""
        return copy(self)

    def entry(self, event: Event) -> Entry:
        """Return the next entry."""
        self._sequence += 1
        self.at += timedelta(minutes=1)
        digest = hashlib.sha256(f"{self._sequence} {self._previous} {event}".encode()).hexdigest()
        entry = Entry(
            sequence=self._sequence,
            at=self.at,
            label=event.label,
            event=event,
            previous=self._previous,
            digest=digest,
        )
        self._previous = digest
        return entry

    def entries(self, *events: Event) -> list[Entry]:
        """Return the next entries."""
        return [self.entry(event) for event in events]


def some_digests(count: int, seed: int = 7) -> bytes:
    """Return packed digests that look like digests."""
    return Random(seed).randbytes(count * DIGEST_BYTES)


def accessioned(
    chunks: int, number: DriveNumber = K07, *, chunk_bytes: int = CHUNK_BYTES
) -> DriveAccessioned:
    """Take a drive of so many chunks into care; the last one is half a chunk."""
    size = chunks * chunk_bytes - chunk_bytes // 2
    return DriveAccessioned(
        drive=number,
        shelfmark="R2-B04-S3",
        title="Glass plates of the harbour survey",
        medium=MediumKind.HARD_DISK,
        evidence=Evidence(
            Carrier.IMAGE, size, 512, 4096, serial="QX-1187", signatures=("gpt:5f0e", "ext4:aa31")
        ),
        chunk_bytes=chunk_bytes,
        claimed_written_on=date(2021, 5, 1),
    )


def begun(number: int, kind: PassKind, drive: DriveNumber = K07) -> PassBegun:
    """Begin the pass of that number."""
    return PassBegun(
        drive=drive,
        pass_id=PassId(f"{drive}/{number}"),
        pass_kind=kind,
        presence=STAY,
        segment_chunks=16,
    )


def ended(
    begun_event: PassBegun, checked_on: date | None, *, reached_end: bool = True
) -> PassEnded:
    """End a pass."""
    return PassEnded(
        drive=begun_event.drive,
        pass_id=begun_event.pass_id,
        pass_kind=begun_event.pass_kind,
        reached_end=reached_end,
        checked_on=checked_on,
        findings=0,
    )


def taken_in(chunks: int, drive: DriveNumber = K07, on: date = date(2026, 3, 1)) -> list[Event]:
    """Return the events that take a drive into care completely."""
    accession = begun(1, PassKind.ACCESSION, drive)
    digests = DigestsRecorded(
        drive=drive, pass_id=accession.pass_id, first_chunk=0, digests=some_digests(chunks)
    )
    return [accessioned(chunks, drive), accession, digests, ended(accession, on)]


def proved(
    pass_event: PassBegun, first: int, count: int, on: date, *, holes: tuple[int, int] | None = None
) -> ChunksProved:
    """Checkpoint a run of rewritten chunks."""
    return ChunksProved(
        drive=pass_event.drive,
        pass_id=pass_event.pass_id,
        next_chunk=first + count,
        rewritten=(RewriteRun(first_chunk=first, count=count, written_on=on),),
        holes=() if holes is None else (holes,),
        bytes_rewritten=count * CHUNK_BYTES,
    )


def opened(
    finding: int,
    chunk: int,
    kind: FindingKind = FindingKind.MISMATCH,
    pass_id: PassId | None = None,
    drive: DriveNumber = K07,
) -> FindingOpened:
    """Open a finding on one whole chunk."""
    return FindingOpened(
        drive=drive,
        pass_id=pass_id,
        finding_id=FindingId(f"F{finding}"),
        finding_kind=kind,
        start_byte=chunk * CHUNK_BYTES,
        length_bytes=CHUNK_BYTES,
        observed=some_digests(1, finding) if kind is FindingKind.MISMATCH else None,
        note="two readings agreed",
    )


def arrived(drive: DriveNumber = K07, presence: Presence = STAY) -> DriveArrived:
    """Plug a drive in."""
    return DriveArrived(drive=drive, place="/dev/sdb", presence=presence)


def issued(
    number: int,
    drive: DriveNumber = K07,
    errand: Errand = Errand.REFRESH,
    reissue_of: SlipNumber | None = None,
) -> SlipIssued:
    """Ask for a drive."""
    return SlipIssued(
        drive=drive,
        slip=SlipNumber(number),
        errand=errand,
        reason="Its oldest chunk was last written on 2023-05-01.",
        due_on=date(2026, 5, 1),
        grace_ends_on=date(2026, 8, 1),
        expected_s=64_800,
        reissue_of=reissue_of,
    )
