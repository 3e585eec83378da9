"""Marks of partition tables and file systems, from bytes made here, hostile ones included."""

from __future__ import annotations

import struct
import uuid
import zlib
from collections.abc import Callable
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.errors import UnreadableError
from refreshd.quantities import KIB, MIB, Span
from refreshd.signatures import member_of, probe

SIZE = MIB


def reader(content: bytes) -> Callable[[int, int], bytes]:
    """Read from bytes."""
    return lambda start, length: content[start : start + length]


def image(*pieces: tuple[int, bytes], size: int = SIZE) -> bytes:
    """Make an image of zeros with some bytes in it."""
    content = bytearray(size)
    for at, piece in pieces:
        content[at : at + len(piece)] = piece
    return bytes(content)


def ext4(at: int, name: uuid.UUID) -> list[tuple[int, bytes]]:
    """Return the bytes that make an ext4 superblock of a file system at `at`."""
    return [
        (at + 1024 + 0x38, b"\x53\xef"),
        (at + 1024 + 0x60, struct.pack("<I", 0x40)),
        (at + 1024 + 0x68, name.bytes),
    ]


def mbr(*entries: tuple[int, int, int], number: int = 0x1234ABCD) -> list[tuple[int, bytes]]:
    """Return the bytes of a boot record with entries of type, first sector, count."""
    found = [(440, struct.pack("<I", number)), (510, b"\x55\xaa")]
    for n, (kind, first, count) in enumerate(entries):
        raw = struct.pack("<BBBBBBBBII", 0, 0, 0, 0, kind, 0, 0, 0, first, count)
        found.append((446 + 16 * n, raw))
    return found


def gpt(disk: uuid.UUID, first: int, last: int, *, at: int = 1) -> list[tuple[int, bytes]]:
    """Return the bytes of a GPT of one partition, with its protective record."""
    entry = uuid.UUID(int=1).bytes_le + uuid.UUID(int=2).bytes_le + struct.pack("<QQ", first, last)
    head = bytearray(92)
    head[:16] = b"EFI PART" + struct.pack("<II", 0x10000, 92)
    head[56:72] = disk.bytes_le
    struct.pack_into("<QII", head, 72, 2, 128, 128)
    struct.pack_into("<I", head, 16, zlib.crc32(bytes(head)))
    return [*mbr((0xEE, 1, 100), number=0), (at * 512, bytes(head)), (1024, entry)]


NAME, DISK = uuid.UUID(int=77), uuid.UUID(int=99)


def test_a_blank_medium_has_no_marks() -> None:
    """Nothing is made up."""
    assert probe(reader(bytes(SIZE)), SIZE, 512) == ()


def test_a_file_system_in_a_partition_is_found() -> None:
    """A whole-disk image is known by its disk id and by the file systems in it."""
    content = image(*mbr((0x83, 64, 1000)), *ext4(64 * 512, NAME))

    assert probe(reader(content), SIZE, 512) == (f"ext4:{NAME}", "mbr:1234abcd")


def test_a_file_system_in_a_logical_partition_is_found() -> None:
    """The chain of extended boot records is followed."""
    chain = [(128 * 512 + at, raw) for at, raw in mbr((0x83, 8, 500), number=0)]
    content = image(*mbr((0x05, 128, 1000)), *chain, *ext4((128 + 8) * 512, NAME))

    assert f"ext4:{NAME}" in probe(reader(content), SIZE, 512)


def test_a_chain_that_bites_its_tail_ends() -> None:
    """I8: a boot record that names itself as the next one does not hang the probe."""
    loop = [(at + 128 * 512, raw) for at, raw in mbr((0, 0, 0), (0x05, 0, 10), number=0)]
    content = image(*mbr((0x05, 128, 1000)), *loop)

    assert probe(reader(content), SIZE, 512) == ("mbr:1234abcd",)


def test_the_copy_of_a_gpt_serves_when_the_first_is_damaged() -> None:
    """A drive is still known when its second sector has decayed."""
    last = SIZE // 512 - 1
    content = image(*gpt(DISK, 64, 500, at=last), *ext4(64 * 512, NAME))

    assert probe(reader(content), SIZE, 512) == (f"ext4:{NAME}", f"gpt:{DISK}")


def test_a_gpt_header_with_a_wrong_checksum_is_none() -> None:
    """A damaged id is no id: it would make two drives of one."""
    content = image(*gpt(DISK, 64, 500), (512 + 60, b"!"))

    assert not any(mark.startswith("gpt:") for mark in probe(reader(content), SIZE, 512))


def test_a_leftover_gpt_at_the_end_is_no_identity() -> None:
    """A drive that was given another partition table is not known by the old one's copy."""
    content = image(*gpt(DISK, 64, 500, at=SIZE // 512 - 1), *mbr((0x83, 64, 1000)))

    assert "mbr:1234abcd" in probe(reader(content), SIZE, 512)
    assert f"gpt:{DISK}" not in probe(reader(content), SIZE, 512)


def test_an_image_of_a_4096_byte_disk_is_found_on_512_byte_sectors() -> None:
    """An image file does not say which sectors its disk had."""
    wide = [(at * 8 if at in {512, 1024} else at, raw) for at, raw in gpt(DISK, 64, 100)]

    assert f"gpt:{DISK}" in probe(reader(image(*wide)), SIZE, 512)


def test_partitions_outside_of_the_medium_are_left_alone() -> None:
    """I8: a table that points past the end, or at itself, leads nowhere."""
    content = image(*mbr((0x83, 4_000_000, 1000), (0x83, 0, 50), (0x83, 2**32 - 1, 2**32 - 1)))

    assert probe(reader(content), SIZE, 512) == ("mbr:1234abcd",)


def test_an_md_member_is_known_by_its_set() -> None:
    """Source of the layouts: Linux md_p.h, versions 0.90, 1.0, 1.1 and 1.2."""
    new = b"\xfc\x4e\x2b\xa9" + bytes(12) + NAME.bytes
    old = bytearray(b"\xfc\x4e\x2b\xa9" + bytes(124))
    for at, n in ((0x14, 0), (0x34, 4), (0x38, 8), (0x3C, 12)):
        old[at : at + 4] = NAME.bytes[n : n + 4][::-1]

    for content in (
        image((0, new)),
        image((4 * KIB, new)),
        image((SIZE - 8 * KIB, new)),
        image((SIZE - 64 * KIB, bytes(old))),
    ):
        assert member_of(probe(reader(content), SIZE, 512)) == (f"md:{NAME}",)


def test_a_zfs_member_is_known_by_its_pool() -> None:
    """Layout from memory of the ZFS on-disk specification: name, type 8, one element, value."""
    pair = b"\0\0\0\x09pool_guid\0\0\0" + struct.pack(">IIQ", 8, 1, 123456789)
    content = image((16 * KIB + 400, pair))

    assert probe(reader(content), SIZE, 512) == ("zfs:123456789",)


def test_an_unreadable_superblock_is_no_mark_and_no_failure() -> None:
    """A decayed sector hides one mark; the rest of the drive still tells who it is."""
    content = image(*mbr((0x83, 64, 1000)), *ext4(64 * 512, NAME))
    bad = Span(64 * 512 + 4096, 512)

    def read(start: int, length: int) -> bytes:
        if Span(start, length).overlaps(bad):
            raise UnreadableError("test", bad, "EIO")
        return content[start : start + length]

    assert probe(read, SIZE, 512) == (f"ext4:{NAME}", "mbr:1234abcd")


def _is_harmless(marks: tuple[str, ...]) -> bool:
    return all(
        len(m) < 80 and all(c.isascii() and (c.isalnum() or c in ":-") for c in m) for m in marks
    )


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=4096), st.integers(0, SIZE))
def test_hostile_bytes_never_crash_the_probe(content: bytes, size: int) -> None:
    """I8: whatever the bytes and the claimed size, an answer comes and it is plain text."""
    marks = probe(reader(content), max(1, size), 512)

    assert _is_harmless(marks)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from(("mbr", "gpt", "ext4", "all")))
def test_spoilt_tables_never_crash_the_probe(seed: int, base: str) -> None:
    """I8: true structures with bytes changed reach deeper than noise does; reads stay bounded."""
    random = Random(seed)
    pieces = {
        "mbr": mbr((0x83, 64, 1000), (0x05, 128, 1000)),
        "gpt": gpt(DISK, 64, 500),
        "ext4": ext4(0, NAME),
    }
    chosen = [p for name, some in pieces.items() if base in {name, "all"} for p in some]
    content = bytearray(image(*chosen, size=256 * KIB))
    for _ in range(random.randrange(1, 40)):
        content[random.choice((random.randrange(4096), random.randrange(len(content))))] = (
            random.randrange(256)
        )
    if base == "gpt":  # The checksum is made right again, or nothing behind it would be reached.
        content[528:532] = bytes(4)
        content[528:532] = struct.pack("<I", zlib.crc32(bytes(content[512:604])))
    asked: list[int] = []

    def read(start: int, length: int) -> bytes:
        assert start >= 0
        assert length >= 0
        asked.append(length)
        return bytes(content[start : start + length])

    assert _is_harmless(probe(read, len(content), 512))
    assert len(asked) < 20_000
    assert sum(asked) < 256 * MIB
