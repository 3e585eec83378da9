"""What a proving writes, and how it reads what it finds in place of it."""

from __future__ import annotations

import zlib
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.passes.proving.explaining import Holds, Misread, misread, sentences
from refreshd.passes.proving.pattern import SECTOR_BYTES, STAMP_BYTES, Pattern, Use, read_stamp
from refreshd.quantities import KIB, Span
from tests.fakes.proving_room import SEED

CHUNK = 64 * KIB
FILL = Pattern(SEED, Use.FILL, CHUNK)


def test_every_sector_says_its_own_place() -> None:
    """P3: the stamp of a sector is its number on the drive, whatever chunk it lies in."""
    start = 5 * CHUNK - 3 * SECTOR_BYTES
    made = FILL.bytes_at(start, 6 * SECTOR_BYTES)

    stamps = [read_stamp(made[at : at + SECTOR_BYTES]) for at in range(0, len(made), SECTOR_BYTES)]

    first = start // SECTOR_BYTES
    assert [one.sector for one in stamps if one] == list(range(first, first + 6))
    assert {(one.seed, one.use) for one in stamps if one} == {(SEED, Use.FILL)}


def test_the_stamp_is_laid_out_as_it_is_written_down() -> None:
    """Mark, seed and number stand little-endian where the module says, for whoever has only it."""
    made = FILL.bytes_at(7 * SECTOR_BYTES, SECTOR_BYTES)

    wanted = b"RfshdPv1" + bytes.fromhex(SEED) + (7).to_bytes(8, "little")
    assert made[:STAMP_BYTES] == wanted


@given(start=st.integers(0, 5000), length=st.integers(1, 300), cut=st.integers(0, 300))
def test_the_pattern_does_not_depend_on_how_it_is_asked_for(
    start: int, length: int, cut: int
) -> None:
    """A piece is the same whether it is made alone or within a longer one."""
    cut = min(cut, length)
    whole = FILL.bytes_at(start * SECTOR_BYTES, length * SECTOR_BYTES)
    head = FILL.bytes_at(start * SECTOR_BYTES, cut * SECTOR_BYTES)
    tail = FILL.bytes_at((start + cut) * SECTOR_BYTES, (length - cut) * SECTOR_BYTES)

    assert head + tail == whole


def test_the_filling_cannot_be_compressed() -> None:
    """A drive that compresses what it stores gains nothing but the stamps."""
    made = FILL.bytes_at(0, 4 * CHUNK)

    # 24 of 512 bytes are the same in each sector, the number nearly so.
    assert len(zlib.compress(made, 9)) > 0.93 * len(made)


def test_hardly_any_two_sectors_are_alike_even_without_their_stamps() -> None:
    """A drive that keeps one copy of what is alike has to keep them all."""
    made = FILL.bytes_at(0, 64 * CHUNK)

    bodies = {
        made[at + STAMP_BYTES : at + SECTOR_BYTES] for at in range(0, len(made), SECTOR_BYTES)
    }
    assert len(bodies) > 0.9 * len(made) // SECTOR_BYTES


def test_markers_and_pattern_differ_in_every_sector() -> None:
    """P3: a lost write cannot hide behind the marker that was written there before."""
    marker = Pattern(SEED, Use.MARKER, CHUNK)

    for sector in range(256):
        place = sector * SECTOR_BYTES
        assert marker.bytes_at(place, SECTOR_BYTES) != FILL.bytes_at(place, SECTOR_BYTES)


def test_another_seed_gives_another_pattern() -> None:
    """A pattern of an earlier proving is not taken for this one's."""
    other = Pattern("f" * 32, Use.FILL, CHUNK)

    assert other.bytes_at(0, CHUNK) != FILL.bytes_at(0, CHUNK)


@settings(max_examples=300)
@given(st.binary(min_size=SECTOR_BYTES, max_size=SECTOR_BYTES))
def test_foreign_bytes_are_never_taken_for_the_pattern(raw: bytes) -> None:
    """I8: whatever stands in a sector is explained, and never as held."""
    found = misread(0, memoryview(bytearray(raw)), FILL)

    assert len(found) == 1
    assert found[0].span == Span(0, SECTOR_BYTES)


def _found(**changes: bytes) -> bytearray:
    content = bytearray(FILL.bytes_at(CHUNK, 8 * SECTOR_BYTES))
    for place, raw in changes.items():
        at = int(place.removeprefix("at_")) * SECTOR_BYTES
        content[at : at + len(raw)] = raw
    return content


def _only(content: bytearray, pattern: Pattern = FILL) -> Misread:
    (one,) = misread(CHUNK, memoryview(content), pattern)
    return one


def test_what_is_held_is_no_fault() -> None:
    """The pattern itself is explained by nothing."""
    assert misread(CHUNK, memoryview(_found()), FILL) == ()


def test_the_pattern_of_another_place_is_named_with_its_distance() -> None:
    """A write that went astray shows where it was meant to go."""
    raw = FILL.bytes_at(9 * CHUNK + 2 * SECTOR_BYTES, 3 * SECTOR_BYTES)

    one = _only(_found(at_2=raw))

    assert (one.holds, one.distance) == (Holds.OTHER_PLACE, 8 * CHUNK)
    assert one.span == Span(CHUNK + 2 * SECTOR_BYTES, 3 * SECTOR_BYTES)
    (told,) = sentences([one], was_elsewhere=True)
    assert f"what was written to byte {9 * CHUNK + 2 * SECTOR_BYTES} stands here" in told


def test_a_marker_that_was_not_written_over_is_a_lost_write() -> None:
    """The capacity check's marker under the pattern shows that a write was dropped."""
    marker = Pattern(SEED, Use.MARKER, CHUNK)
    raw = marker.bytes_at(CHUNK + SECTOR_BYTES, SECTOR_BYTES)

    assert _only(_found(at_1=raw)).holds is Holds.MARKER


def test_the_pattern_of_an_earlier_proving_is_a_lost_write() -> None:
    """So does what an earlier proving left there."""
    earlier = Pattern("a" * 32, Use.FILL, CHUNK)

    one = _only(_found(at_1=earlier.bytes_at(CHUNK + SECTOR_BYTES, SECTOR_BYTES)))

    assert (one.holds, one.seed) == (Holds.EARLIER, "a" * 32)


@pytest.mark.parametrize("bits", [1, 2, 77, 400])
def test_flipped_bits_are_counted(bits: int) -> None:
    """Bits that tipped over are told from bytes that were never written."""
    content, random = _found(), Random(bits)
    for bit in random.sample(range(SECTOR_BYTES * 8), bits):
        content[3 * SECTOR_BYTES + bit // 8] ^= 1 << bit % 8

    one = _only(content)

    assert (one.holds, one.bits) == (Holds.FLIPPED, bits)


@pytest.mark.parametrize(
    ("raw", "holds"),
    [
        (bytes(SECTOR_BYTES), Holds.BLANK),
        (b"\xff" * SECTOR_BYTES, Holds.BLANK),
        (Random(4).randbytes(SECTOR_BYTES), Holds.FOREIGN),
    ],
)
def test_what_may_be_from_elsewhere_says_so_only_where_it_may(raw: bytes, holds: Holds) -> None:
    """P5: zeros and foreign bytes may have been written elsewhere, if the drive was there."""
    one = _only(_found(at_0=raw))

    assert one.holds is holds
    (stayed,) = sentences([one], was_elsewhere=False)
    (left,) = sentences([one], was_elsewhere=True)
    assert "elsewhere" not in stayed
    assert "may have been written elsewhere" in left


def test_what_could_not_be_read_is_not_explained() -> None:
    """Bytes that a failed reading left in the buffer say nothing of the drive."""
    content = _found(at_4=b"\x01" * SECTOR_BYTES)

    unread = [Span(CHUNK + 4 * SECTOR_BYTES, SECTOR_BYTES)]

    assert misread(CHUNK, memoryview(content), FILL, unread) == ()
