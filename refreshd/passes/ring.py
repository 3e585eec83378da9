"""The staging ring: verified copies of the segments whose rewrite is not yet proved.

A slot is a header and room for one segment. The header names the pass, the drive, the first
chunk and the recorded digests of the chunks it holds, under a checksum of its own; the
digests come from the catalogue, never from the buffer, so a copy that went bad on the way
cannot vouch for itself.

S1  A payload may be overwritten only once the segment it held is checkpointed.
S2  Header and payload share one flush. A torn header fails its checksum, a torn payload its
    digests; both are then no copy, and the drive was not yet written to.
S3  `seal` reads header and payload back and compares before it hands out a `StagedSegment`,
    and nothing is written to the drive without one (I1).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

from refreshd.cards import Presence
from refreshd.errors import StagingFailedError, require
from refreshd.fixity import digest
from refreshd.ports import Lanes, StagingFile
from refreshd.quantities import DIGEST_BYTES, ChunkGrid, Digest, PassId

MAGIC = b"refreshd staged segment 1\n"
CHECKSUM_BYTES = 32
LENGTH_BYTES = 8
FIXED_BYTES = len(MAGIC) + CHECKSUM_BYTES + LENGTH_BYTES


@dataclass(frozen=True, slots=True)
class Header:
    """What a slot holds. `digests` are the recorded ones, in the order of `chunks`."""

    pass_id: PassId
    first_chunk: int
    chunks: tuple[int, ...]
    digests: tuple[Digest, ...]
    presence: Presence

    def encode(self) -> bytes:
        """Return magic, checksum, length and a JSON object."""
        body = json.dumps(
            {
                "pass": self.pass_id,
                "first_chunk": self.first_chunk,
                "chunks": [chunk - self.first_chunk for chunk in self.chunks],
                "digests": b"".join(self.digests).hex(),
                "boot_id": self.presence.boot_id,
                "disk_sequence": self.presence.disk_sequence,
            },
            separators=(",", ":"),
        ).encode()
        checked = len(body).to_bytes(LENGTH_BYTES, "little") + body
        return MAGIC + hashlib.sha256(checked).digest() + checked

    @staticmethod
    def decode(raw: bytes) -> Header | None:
        """Return the header, or None when these bytes are none or are torn."""
        if not raw.startswith(MAGIC):
            return None
        checksum = raw[len(MAGIC) : len(MAGIC) + CHECKSUM_BYTES]
        length = int.from_bytes(raw[FIXED_BYTES - LENGTH_BYTES : FIXED_BYTES], "little")
        checked = raw[FIXED_BYTES - LENGTH_BYTES : FIXED_BYTES + length]
        if len(checked) != LENGTH_BYTES + length or hashlib.sha256(checked).digest() != checksum:
            return None
        body = json.loads(checked[LENGTH_BYTES:])
        packed = bytes.fromhex(body["digests"])
        return Header(
            pass_id=PassId(body["pass"]),
            first_chunk=body["first_chunk"],
            chunks=tuple(body["first_chunk"] + offset for offset in body["chunks"]),
            digests=tuple(
                Digest(packed[at : at + DIGEST_BYTES]) for at in range(0, len(packed), DIGEST_BYTES)
            ),
            presence=Presence(body["boot_id"], body["disk_sequence"]),
        )


@dataclass(frozen=True, slots=True)
class StagedSegment:
    """Proof that verified copies of these chunks are durable in a slot. Made by `seal` alone."""

    slot: int
    header: Header

    def digest_of(self, chunk: int) -> Digest:
        """Return the recorded digest of a chunk that was staged."""
        return self.header.digests[self.header.chunks.index(chunk)]


@dataclass(frozen=True, slots=True)
class Survey:
    """Slots with a whole header, and those of which nobody can say what they hold."""

    held: tuple[tuple[int, Header], ...]
    unreadable: tuple[int, ...]


def round_up(length: int, block: int) -> int:
    """Return `length` rounded up to whole blocks."""
    return -(-length // block) * block


class StagingRing:
    """Slots on a preallocated file. Payload writes may come from several lanes at once."""

    def __init__(
        self, file: StagingFile, grid: ChunkGrid, segment_chunks: int, lanes: Lanes
    ) -> None:
        self._file = file
        self._grid = grid
        self._lanes = lanes
        self._header_bytes = header_room(segment_chunks, file.block_bytes)
        self._slot_bytes = slot_room(grid.chunk_bytes, segment_chunks, file.block_bytes)
        self.slot_count = file.size_bytes // self._slot_bytes

    def stage(self, slot: int, place: int, data: memoryview) -> None:
        """Write one verified chunk as the `place`-th of its segment. Not durable before `seal`."""
        self._file.write(self._payload_start(slot, place), self._padded(data))

    def seal(self, slot: int, header: Header) -> StagedSegment:
        """Write the header, flush once, read everything back and compare (S2, S3).

        Raises StagingFailedError before anything was written to the drive.
        """
        room = self._lanes.scratch(self._header_bytes, "header")
        encoded = header.encode()
        require(len(encoded) <= len(room), "a staged header fits its room")
        room[:] = encoded + bytes(len(room) - len(encoded))
        self._file.write(self._slot_start(slot), room)
        self._file.flush()
        if self.header(slot) != header:
            raise StagingFailedError("the staged header does not read back as it was written")
        staged = StagedSegment(slot, header)

        def is_good(chunk: int) -> bool:
            recorded = staged.digest_of(chunk)
            return self.load(slot, header.first_chunk, chunk, recorded) is not None

        for chunk, good in zip(
            header.chunks, self._lanes.each(is_good, header.chunks), strict=True
        ):
            if not good:
                raise StagingFailedError(
                    f"the staged copy of chunk {chunk} does not read back as it was verified; "
                    "the server's disk or memory cannot be trusted, the drive was not written to"
                )
        return staged

    def header(self, slot: int) -> Header | None:
        """Read a slot's header from the disk; None when there is none or it is torn."""
        room = self._lanes.scratch(self._header_bytes, "header")
        self._read(self._slot_start(slot), room)
        return Header.decode(bytes(room))

    def make_durable(self) -> None:
        """Flush copies that a killed process may have left in the cache of the server's disk."""
        self._file.flush()

    def survey(self) -> Survey:
        """Look at every slot.

        A cut while a header was being written may leave its sector unreadable.
        """
        held, unreadable = [], []
        for slot in range(self.slot_count):
            try:
                header = self.header(slot)
            except StagingFailedError:
                unreadable.append(slot)
                continue
            if header is not None:
                held.append((slot, header))
        return Survey(tuple(held), tuple(unreadable))

    def load(self, slot: int, first_chunk: int, chunk: int, recorded: Digest) -> memoryview | None:
        """Read a staged chunk into this lane's buffer; None unless it matches `recorded`."""
        length = self._grid.span(chunk).length
        room = self._staged_room()
        into = room[: round_up(length, self._file.block_bytes)]
        self._read(self._payload_start(slot, chunk - first_chunk), into)
        return into[:length] if digest(into[:length]) == recorded else None

    def load_any(self, copies: Sequence[StagedSegment], chunk: int) -> memoryview | None:
        """Read a staged chunk from the first slot that holds it whole; None if none does."""
        for copy in copies:
            try:
                data = self.load(copy.slot, copy.header.first_chunk, chunk, copy.digest_of(chunk))
            except StagingFailedError:
                continue
            if data is not None:
                return data
        return None

    def keep_aside(self, name: str, data: memoryview) -> str:
        """Move staged bytes out of the ring, durably; return their path."""
        return self._file.keep_aside(name, data)

    def _read(self, start: int, into: memoryview) -> None:
        """Read from the file, twice if need be.

        After a passing error a copy would be taken for none, and be written over.
        """
        try:
            self._file.read(start, into)
        except StagingFailedError:
            self._file.read(start, into)

    def _staged_room(self) -> memoryview:
        length = round_up(self._grid.chunk_bytes, self._file.block_bytes)
        return self._lanes.scratch(length, "staged")

    def _slot_start(self, slot: int) -> int:
        return slot * self._slot_bytes

    def _payload_start(self, slot: int, place: int) -> int:
        return self._slot_start(slot) + self._header_bytes + place * self._grid.chunk_bytes

    def _padded(self, data: memoryview) -> memoryview:
        """Return `data` itself, or, for a short last chunk, a copy of whole blocks."""
        whole = round_up(len(data), self._file.block_bytes)
        if whole == len(data):
            return data
        room = self._staged_room()
        room[: len(data)] = data
        room[len(data) : whole] = bytes(whole - len(data))
        return room[:whole]


def header_room(segment_chunks: int, block_bytes: int) -> int:
    """Return the bytes that a header of so many chunks needs, in whole blocks.

    A chunk takes 32 characters of digest and up to 8 of its offset; 512 hold the rest.
    """
    return round_up(512 + 40 * segment_chunks, block_bytes)


def slot_room(chunk_bytes: int, segment_chunks: int, block_bytes: int) -> int:
    """Return the bytes of one slot."""
    return header_room(segment_chunks, block_bytes) + round_up(
        chunk_bytes * segment_chunks, block_bytes
    )


def slots_wanted(lag_bytes: int, segment_bytes: int, drive_bytes: int) -> int:
    """Return how many slots a ring should have: the lag, and eight more to checkpoint in.

    With the usual 512 MiB and 64 MiB that is 16 slots, about 1 GiB; never more than the
    medium holds, plus one.
    """
    whole_drive = -(-drive_bytes // segment_bytes)
    return min(-(-lag_bytes // segment_bytes) + 8, whole_drive + 1)
