"""Seeded protocol bugs: each line that the engine's promises hang on, broken, must be noticed.

A bug is planted in the engine, and accidents are tried until one does harm: data lost, wrong
bytes on the drive, a date that is not true, a finding lost or made up, an error that ends the
pass for good. At most 1,000 simulated power cuts or runs; the same accidents do no harm to the
engine as it is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

import pytest

from refreshd.errors import FlushFailedError
from refreshd.fixity import digest
from refreshd.passes import recovery, refresh
from refreshd.passes.checkpoints import Checkpoints
from refreshd.passes.metered import MeteredMedium
from refreshd.passes.readback import Awaiting, ReadBack
from refreshd.passes.reading import ChunkReader, Elsewhere, Reading
from refreshd.passes.recovery import Doubt
from refreshd.passes.refresh import RefreshPass, Segment
from refreshd.passes.ring import FIXED_BYTES, MAGIC, Header, StagedSegment, StagingRing
from refreshd.passes.visit import Suspect, Visit
from refreshd.passes.writing import SegmentWriter
from refreshd.quantities import Digest
from refreshd.simulated.drive import SimulatedStaging
from tests.fakes import trials
from tests.fakes.trials import Trial, outcome_of

CUTS_MAX = 1000
"""Most bugs are caught within a few dozens."""

SOUND_TRIES = 120

Patch = pytest.MonkeyPatch
CUTS = trials.cut_trial(trials.SHORT)
CUTS_LONG = trials.cut_trial(trials.LONG)
CUTS_WIDE = trials.cut_trial(trials.WIDE_HEADERS)
CUTS_WRONG_STAGING = trials.cut_trial(trials.SHORT, trials.wrong_staging)


@dataclass(frozen=True)
class Bug:
    """A line left out or broken, and the accident that shows it."""

    plant: Callable[[Patch], None]
    trial: Trial
    cuts_each: int = 1  # at most, in one try


def nothing(*_args: object, **_more: object) -> None:
    """Do nothing, in the place of something."""


def drive_not_flushed(patch: Patch) -> None:
    """What was written stays in the drive's volatile cache."""
    patch.setattr(MeteredMedium, "flush", nothing)


def staging_not_flushed(patch: Patch) -> None:
    """The staged copy stays in the volatile cache of the server's disk."""
    patch.setattr(SimulatedStaging, "flush", nothing)


def no_staging(patch: Patch) -> None:
    """The drive is written to without any copy (I1)."""
    patch.setattr(StagingRing, "stage", nothing)
    patch.setattr(StagingRing, "seal", lambda _ring, slot, header: StagedSegment(slot, header))


def staged_copy_not_compared(patch: Patch) -> None:
    """S3: the staged copy is taken for good without being read back."""

    def seal(ring: StagingRing, slot: int, header: Header) -> StagedSegment:
        room = bytearray(ring._header_bytes)
        encoded = header.encode()
        room[: len(encoded)] = encoded
        ring._file.write(ring._slot_start(slot), memoryview(room))
        ring._file.flush()
        return StagedSegment(slot, header)

    patch.setattr(StagingRing, "seal", seal)


def header_checksum_not_checked(patch: Patch) -> None:
    """S2: a torn header is read as if it were whole."""
    decode = Header.decode

    def decode_anything(raw: bytes) -> Header | None:
        length = int.from_bytes(raw[FIXED_BYTES - 8 : FIXED_BYTES], "little")
        checked = raw[FIXED_BYTES - 8 : FIXED_BYTES + length]
        if not raw.startswith(MAGIC):
            return None
        return decode(MAGIC + hashlib.sha256(checked).digest() + checked)

    patch.setattr(Header, "decode", staticmethod(decode_anything))


def staged_payload_not_checked(patch: Patch) -> None:
    """S2: whatever lies in the slot is taken for the staged copy."""

    def load(
        ring: StagingRing, slot: int, first_chunk: int, chunk: int, _recorded: Digest
    ) -> memoryview:
        length = ring._grid.span(chunk).length
        into = memoryview(bytearray(-(-length // 512) * 512))
        ring._file.read(ring._payload_start(slot, chunk - first_chunk), into)
        return into[:length]

    patch.setattr(StagingRing, "load", load)


def slot_reused_before_checkpoint(patch: Patch) -> None:
    """R4: a slot is free as soon as its segment was written."""
    written = Checkpoints.written

    def free_at_once(
        self: Checkpoints, first: int, end: int, holes: frozenset[int], chunks: tuple[int, ...]
    ) -> None:
        slot = self._free[0]
        written(self, first, end, holes, chunks)
        self._segments[first].slot = None
        self._free.insert(0, slot)

    patch.setattr(Checkpoints, "written", free_at_once)


def checkpoint_before_readback(patch: Patch) -> None:
    """R3: a chunk is dated when it was written, and read back only later."""
    await_proof = ReadBack.await_proof

    def dated_at_once(
        self: ReadBack, staged: StagedSegment, written_on: date, mended: str | None
    ) -> None:
        for chunk in staged.header.chunks:
            self._checkpoints.proved(staged.header.first_chunk, chunk, written_on)
        self._checkpoints.record()
        await_proof(self, staged, written_on, mended)

    patch.setattr(ReadBack, "await_proof", dated_at_once)
    patch.setattr(ReadBack, "_enter", nothing)


def write_before_seal(patch: Patch) -> None:
    """The drive is written to while the staged copy is not durable yet."""
    write = SegmentWriter.write
    seal = StagingRing.seal
    patch.setattr(StagingRing, "seal", lambda _ring, slot, header: StagedSegment(slot, header))

    def write_then_seal(
        self: SegmentWriter, staged: StagedSegment, buffer: memoryview
    ) -> str | None:
        mended = write(self, staged, buffer)
        seal(self._ring, staged.slot, staged.header)
        return mended

    patch.setattr(SegmentWriter, "write", write_then_seal)


def differing_chunk_written(patch: Patch) -> None:
    """I2: what does not match its record is rewritten all the same."""
    patch.setattr(RefreshPass, "_is_wanted", lambda _self, _segment, _reading: True)


def differing_chunk_written_with_its_own_digest(patch: Patch) -> None:
    """I2: the digest that was read takes the place of the recorded one."""
    is_wanted = RefreshPass._is_wanted

    def wanted(self: RefreshPass, segment: Segment, reading: Reading) -> bool:
        if reading.digest is None:
            return False
        recorded = list(segment.recorded)
        recorded[reading.chunk - segment.first] = reading.digest
        object.__setattr__(segment, "recorded", tuple(recorded))
        return is_wanted(self, segment, reading)

    patch.setattr(RefreshPass, "_is_wanted", wanted)


def unreadable_sector_written(patch: Patch) -> None:
    """I2: what cannot be read is taken for what it should be, and written from the buffer."""
    read_into = ChunkReader.read_into

    def never_unreadable(self: ChunkReader, chunk: int, buffer: memoryview) -> Reading:
        reading = read_into(self, chunk, buffer)
        if reading.digest is None:
            return Reading(chunk, digest(buffer[: self._grid.span(chunk).length]))
        return reading

    patch.setattr(ChunkReader, "read_into", never_unreadable)
    differing_chunk_written_with_its_own_digest(patch)


def no_recovery(patch: Patch) -> None:
    """A pass goes on from its checkpoint without looking at what was in doubt."""
    patch.setattr(refresh, "recover", nothing)


def put_back_without_proof(patch: Patch) -> None:
    """What differs is put back though the drive was elsewhere."""
    patch.setattr(recovery, "_is_unedited", lambda _visit, _ring, _doubts: True)


def unreadable_put_back_without_proof(patch: Patch) -> None:
    """Unreadable sectors are put back though an edit was made elsewhere."""

    def only_unreadable(_visit: Visit, _ring: StagingRing, doubts: list[Doubt]) -> bool:
        return all(doubt.reading.digest is None for doubt in doubts)

    patch.setattr(recovery, "_is_unedited", only_unreadable)


def edit_among_the_doubtful_overlooked(patch: Patch) -> None:
    """A readable chunk that differs is put back because all the others match."""
    patch.setattr(recovery, "_is_only_unreadable", lambda _visit, _ring, _doubt: True)


def digests_from_the_buffer(patch: Patch) -> None:
    """The staged copy vouches for itself: its digests are computed anew before sealing."""
    seal = StagingRing.seal

    def seal_what_is_there(ring: StagingRing, slot: int, header: Header) -> StagedSegment:
        digests = []
        for chunk in header.chunks:
            data = memoryview(bytearray(ring._grid.span(chunk).length))
            ring._file.read(ring._payload_start(slot, chunk - header.first_chunk), data)
            digests.append(digest(data))
        return seal(ring, slot, replace(header, digests=tuple(digests)))

    patch.setattr(StagingRing, "seal", seal_what_is_there)


def no_second_reading(patch: Patch) -> None:
    """R2: a chunk that differs once is damaged."""

    def same_again(
        _self: Visit, suspects: Sequence[Suspect], _mark: int, _busy: Collection[int] = ()
    ) -> Iterator[Suspect]:
        for suspect in suspects:
            yield replace(suspect, second=Reading(suspect.chunk, suspect.first))

    patch.setattr(Visit, "read_again", same_again)


def path_doubt_ignored(patch: Patch) -> None:
    """R2: the visit writes on after two readings of the same bytes differed."""
    settle = Visit.settle

    def never_in_doubt(self: Visit, suspect: Suspect) -> bool:
        settle(self, suspect)
        return False

    patch.setattr(Visit, "settle", never_in_doubt)
    patch.setattr(refresh, "sample_differs", lambda _visit: False)


def readback_without_lag(patch: Patch) -> None:
    """I3: the drive's own cache answers the read-back."""
    await_proof = ReadBack.await_proof

    def prove_at_once(
        self: ReadBack, staged: StagedSegment, written_on: date, mended: str | None
    ) -> None:
        await_proof(self, staged, written_on, mended)
        self.drain()

    patch.setattr(Elsewhere, "outlast", nothing)
    patch.setattr(ReadBack, "await_proof", prove_at_once)


def identity_not_proved_again(patch: Patch) -> None:
    """After an I/O error the drive is taken for the same one."""

    def open_once(self: MeteredMedium) -> None:
        if not self._is_writable:
            self._medium.allow_writing()
            self._is_writable = True
        self._is_doubted = False

    patch.setattr(MeteredMedium, "open_for_writing", open_once)


def failed_flush_asked_again(patch: Patch) -> None:
    """A failed flush is asked again, and nobody reads back what it lost.

    Asking again alone does no harm in this model: the read-back finds what the flush lost, and
    the staged copy is still there. The rule is for kernels that forget an error once told.
    """
    flush = SegmentWriter._flush

    def ask_again(self: SegmentWriter) -> None:
        try:
            flush(self)
        except FlushFailedError:
            flush(self)

    def believe(self: ReadBack, waiting: Awaiting) -> None:
        for chunk in waiting.chunks:
            self._enter(waiting, chunk)

    patch.setattr(SegmentWriter, "_flush", ask_again)
    patch.setattr(ReadBack, "_prove", believe)


def recovery_not_flushed(patch: Patch) -> None:
    """What recovery puts back stays in the drive's volatile cache."""

    def unflushed(self: SegmentWriter, staged: StagedSegment, chunks: Sequence[int]) -> None:
        self._open()
        for chunk in chunks:
            data = self._ring.load_any([staged], chunk)
            if data is not None:
                self._write_chunk(chunk, data)

    patch.setattr(SegmentWriter, "write_again", unflushed)


def leftovers_not_flushed(patch: Patch) -> None:
    """What a killed process left in the drive's cache is taken to be on the medium."""
    patch.setattr(SegmentWriter, "flush_leftovers", nothing)


def holes_written(patch: Patch) -> None:
    """Holes of an image file are filled with the zeros that they were read as."""
    patch.setattr(MeteredMedium, "data_spans", lambda _self, span: (span,))


def checkpoint_before_its_findings(patch: Patch) -> None:
    """I5: a checkpoint passes a finding that is not written down yet."""
    event = Checkpoints._event

    def record(self: Checkpoints) -> None:
        settled = self._settled()
        if not settled:
            return
        self._visit.bench.ledger.record(event(self, settled))
        self._visit.book.settle()
        for first in settled:
            segment = self._segments.pop(first)
            self._next_chunk = segment.end
            if segment.slot is not None:
                self._free.append(segment.slot)

    patch.setattr(Checkpoints, "record", record)


def dated_by_its_proof(patch: Patch) -> None:
    """I4: a chunk gets the day of its read-back, which is later than that of its write."""
    proved = Checkpoints.proved

    def proved_today(self: Checkpoints, first: int, chunk: int, _written_on: date) -> None:
        proved(self, first, chunk, self._visit.today())

    patch.setattr(Checkpoints, "proved", proved_today)


def buffer_not_digested_before_the_write(patch: Patch) -> None:
    """Memory that flips after the staged copy was made is written to the drive."""

    def write_blindly(self: SegmentWriter, staged: StagedSegment, buffer: memoryview) -> None:
        grid = self._visit.card.grid
        self._open()
        for chunk in staged.header.chunks:
            at = (chunk - staged.header.first_chunk) * grid.chunk_bytes
            self._write_chunk(chunk, buffer[at : at + grid.span(chunk).length])
        self._flush()

    patch.setattr(SegmentWriter, "write", write_blindly)


BUGS = [
    Bug(drive_not_flushed, CUTS, 4),
    Bug(staging_not_flushed, CUTS, 4),
    Bug(no_staging, CUTS, 4),
    Bug(staged_copy_not_compared, CUTS_WRONG_STAGING, 4),
    Bug(header_checksum_not_checked, CUTS_WIDE, 4),
    Bug(staged_payload_not_checked, trials.rotting_staging_trial),
    Bug(slot_reused_before_checkpoint, trials.cached_drive_trial),
    Bug(checkpoint_before_readback, trials.dated_trial),
    Bug(write_before_seal, CUTS, 4),
    Bug(differing_chunk_written, trials.damaged_chunk_trial),
    Bug(differing_chunk_written_with_its_own_digest, trials.damaged_chunk_trial),
    Bug(unreadable_sector_written, trials.damaged_chunk_trial),
    Bug(no_recovery, CUTS, 4),
    Bug(put_back_without_proof, trials.elsewhere_trial),
    Bug(unreadable_put_back_without_proof, trials.elsewhere_trial),
    Bug(edit_among_the_doubtful_overlooked, trials.elsewhere_trial),
    Bug(digests_from_the_buffer, trials.flipped_memory_trial),
    Bug(no_second_reading, trials.path_trial),
    Bug(path_doubt_ignored, trials.path_trial),
    Bug(readback_without_lag, trials.cached_drive_trial),
    Bug(identity_not_proved_again, trials.exchanged_trial),
    Bug(failed_flush_asked_again, trials.failed_flush_trial),
    Bug(recovery_not_flushed, trials.cut_in_recovery_trial, 2),
    Bug(leftovers_not_flushed, trials.killed_trial, 2),
    Bug(holes_written, trials.holes_trial),
    Bug(checkpoint_before_its_findings, trials.finding_and_cut_trial),
    Bug(dated_by_its_proof, trials.passing_days_trial),
    Bug(buffer_not_digested_before_the_write, trials.flipped_memory_and_cut_trial),
]


@pytest.mark.cuts
@pytest.mark.parametrize("bug", BUGS, ids=[bug.plant.__name__ for bug in BUGS])
def test_a_seeded_protocol_bug_is_caught(bug: Bug, monkeypatch: Patch) -> None:
    """Every line that I1 to I6 hang on is missed when it is gone."""
    trials.length_of(trials.SHORT)  # measured on the sound engine
    bug.plant(monkeypatch)
    tries = CUTS_MAX // bug.cuts_each

    caught = next(
        ((seed, harm) for seed in range(tries) if (harm := outcome_of(bug.trial, seed))), None
    )

    assert caught is not None, f"{tries} tries, {CUTS_MAX} cuts, did not show it"
    print(f"{bug.plant.__name__}: caught at try {caught[0] + 1}: {caught[1]}")  # noqa: T201 - asked for with -rA


TRIALS = list({id(bug.trial): bug for bug in BUGS}.values())


@pytest.mark.cuts
@pytest.mark.parametrize("bug", TRIALS, ids=[f"as-for-{bug.plant.__name__}" for bug in TRIALS])
def test_the_sound_engine_comes_to_no_harm_by_the_same_accidents(bug: Bug) -> None:
    """The trials blame nothing on an engine that is in order."""
    harms = {seed: harm for seed in range(SOUND_TRIES) if (harm := outcome_of(bug.trial, seed))}

    assert harms == {}
