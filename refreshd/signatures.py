"""Find partition tables and file systems by their own marks, in bytes that nobody vouches for.

Pure: bytes come from a reader, and nothing here trusts them (I8). Every count, offset and
number of reads is bounded, whatever the bytes say; a range that cannot be read holds no mark.

Each signature is ``kind:id``, the id written as other tools of the system write it. They
travel with the content: a byte-identical clone has the same ones.
"""

from __future__ import annotations

import re
import struct
import uuid
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from refreshd.errors import UnreadableError
from refreshd.quantities import KIB, Span

ReadBytes = Callable[[int, int], bytes]
"""Returns bytes of the medium from a start and a length; shorter at its end."""

PARTS_MAX = 128
"""Source: UEFI 2.10, 5.3.3: a GPT reserves room for at least 128 entries; enough for MBR too."""

_HEAD_BYTES = 68 * KIB
"""Reaches every mark that lies at the front, the superblock of btrfs at 64 KiB included."""

_PIECE_BYTES = 4 * KIB

_PLAIN_ID = re.compile(rb"[0-9A-Za-z-]+")


@dataclass(frozen=True, slots=True)
class _Bytes:
    """A bounded view of the medium: reads never leave the span, and never raise."""

    read: ReadBytes
    span: Span

    def at(self, offset: int, length: int) -> bytes:
        """Return bytes of the view; empty when out of it or unreadable."""
        if not 0 <= offset < self.span.length:
            return b""
        try:
            return self.read(self.span.start + offset, min(length, self.span.length - offset))
        except UnreadableError:
            return b""

    def head(self) -> bytes:
        """Return the first bytes; pieces that cannot be read are zeros."""
        whole = self.at(0, _HEAD_BYTES)
        if whole:
            return whole
        pieces = (self.at(start, _PIECE_BYTES) for start in range(0, _HEAD_BYTES, _PIECE_BYTES))
        return b"".join(piece.ljust(_PIECE_BYTES, b"\0") for piece in pieces)


def probe(read: ReadBytes, size_bytes: int, logical_bytes: int) -> tuple[str, ...]:
    """Return the signatures of a whole medium and of the partitions in it, sorted.

    Args:
        read: Reads bytes; may raise UnreadableError, which is taken as "no mark here".
        size_bytes: Size of the medium.
        logical_bytes: Its logical sector. An image is also tried as one of 512 or 4096 bytes.

    """
    disk = _Bytes(read, Span(0, size_bytes))
    found = set(_content_marks(disk))
    is_boot_sector = any(mark.startswith(("vfat:", "ntfs:", "exfat:")) for mark in found)
    if not is_boot_sector:
        table, parts = _partition_table(disk, logical_bytes)
        found.update(table)
        for span in parts:
            found.update(_content_marks(_Bytes(read, span)))
    return tuple(sorted(found))


def member_of(signatures: tuple[str, ...]) -> tuple[str, ...]:
    """Return the signatures that make the drive a member of a set: md, LVM, ZFS."""
    return tuple(mark for mark in signatures if mark.startswith(("md:", "lvm2:", "zfs:")))


# ── partition tables ──


def _partition_table(disk: _Bytes, logical_bytes: int) -> tuple[set[str], tuple[Span, ...]]:
    """Return the marks of the partition table and the partitions that lie within the disk."""
    for sector in dict.fromkeys((logical_bytes, 512, 4096)):
        gpt = _gpt(disk, sector)
        if gpt:
            return {f"gpt:{gpt[0]}"}, gpt[1]
    return _mbr(disk, logical_bytes)


def _gpt(disk: _Bytes, sector: int) -> tuple[str, tuple[Span, ...]] | None:
    """Read a GUID partition table, the copy at the end if the first one is damaged.

    Source: UEFI specification 2.10, 5.3.2 (header, table 5.5) and 5.3.3 (entries, table 5.6).
    """
    if not _is_protective(disk.at(0, 512)):
        return None  # Some other table was made since; the copy at the end is a leftover.
    for place in (1, disk.span.length // sector - 1):
        raw = disk.at(place * sector, 512)
        if len(raw) < 92 or raw[:8] != b"EFI PART":  # noqa: PLR2004 - header size in the standard.
            continue
        header_bytes, crc = struct.unpack_from("<II", raw, 12)
        if not 92 <= header_bytes <= len(raw):  # noqa: PLR2004 - header size in the standard.
            continue
        if zlib.crc32(raw[:16] + bytes(4) + raw[20:header_bytes]) != crc:
            continue
        guid = str(uuid.UUID(bytes_le=raw[56:72]))
        return guid, tuple(_gpt_parts(disk, raw, sector))
    return None


def _is_protective(raw: bytes) -> bool:
    """Say whether the first sector announces a GPT; one that cannot be read may have done so."""
    kinds = {raw[at + 4] for at in range(446, 510, 16)} if len(raw) == 512 else {0xEE}  # noqa: PLR2004
    return 0xEE in kinds  # noqa: PLR2004 - type of the protective entry in the standard.


def _gpt_parts(disk: _Bytes, header: bytes, sector: int) -> Iterator[Span]:
    """Yield the partitions that a GPT header leads to, at most PARTS_MAX."""
    entries_at, count, width = struct.unpack_from("<QII", header, 72)
    if not 128 <= width <= 4 * KIB:  # noqa: PLR2004 - smallest entry in the standard.
        return
    raw = disk.at(entries_at * sector, min(count, PARTS_MAX) * width)
    for start in range(0, len(raw) - 127, width):
        if any(raw[start : start + 16]):
            first, last = struct.unpack_from("<QQ", raw, start + 32)
            yield from _within(disk, first * sector, (last + 1) * sector)


def _within(disk: _Bytes, start: int, end: int) -> Iterator[Span]:
    """Yield a partition if it lies within the disk and does not begin at its very start."""
    end = min(end, disk.span.length)
    if 0 < start < end:
        yield Span(start, end - start)


def _mbr(disk: _Bytes, sector: int) -> tuple[set[str], tuple[Span, ...]]:
    """Read a master boot record and its chain of logical partitions.

    Source: UEFI specification 2.10, 5.2.1 (legacy MBR); entry type 05h, 0Fh, 85h: extended.
    """
    raw = disk.at(0, 512)
    if len(raw) < 512 or raw[510:] != b"\x55\xaa":  # noqa: PLR2004 - one sector.
        return set(), ()
    entries = [raw[at : at + 16] for at in range(446, 510, 16)]
    if any(entry[0] not in {0, 0x80} for entry in entries) or not any(e[4] for e in entries):
        return set(), ()  # A boot sector of another kind: its code is no table.
    parts: list[Span] = []
    for entry in entries:
        first, count = struct.unpack_from("<II", entry, 8)
        if entry[4] in {0x05, 0x0F, 0x85}:
            parts.extend(_logical_parts(disk, first, sector))
        elif entry[4] not in {0, 0xEE}:
            parts.extend(_within(disk, first * sector, (first + count) * sector))
    number = int.from_bytes(raw[440:444], "little")
    return ({f"mbr:{number:08x}"} if number else set()), tuple(parts[:PARTS_MAX])


def _logical_parts(disk: _Bytes, base: int, sector: int) -> Iterator[Span]:
    """Follow the chain of extended boot records; ends at a loop or after PARTS_MAX links."""
    at, seen = base, set[int]()
    while at not in seen and len(seen) < PARTS_MAX:
        seen.add(at)
        raw = disk.at(at * sector, 512)
        if len(raw) < 512 or raw[510:] != b"\x55\xaa":  # noqa: PLR2004 - one sector.
            return
        first, count = struct.unpack_from("<II", raw, 446 + 8)
        if raw[446 + 4]:
            yield from _within(disk, (at + first) * sector, (at + first + count) * sector)
        if not raw[462 + 4]:
            return
        at = base + int.from_bytes(raw[462 + 8 : 462 + 12], "little")


# ── file systems, encrypted volumes, members of sets ──


def _content_marks(part: _Bytes) -> Iterator[str]:
    """Yield the marks of whatever fills this part of the medium."""
    head = part.head()
    for find in (_ext, _xfs, _btrfs, _ntfs, _exfat, _fat, _luks, _swap, _lvm2, _md_at_front):
        mark = find(head)
        if mark:
            yield mark
    for find_far in (_md_at_end, _zfs):
        mark = find_far(part)
        if mark:
            yield mark


def _uuid(kind: str, raw: bytes) -> str | None:
    """Return a mark with a UUID; all zeros is no id."""
    return f"{kind}:{uuid.UUID(bytes=raw)}" if len(raw) == 16 and any(raw) else None  # noqa: PLR2004


def _ext(head: bytes) -> str | None:
    """Source: Linux Documentation/filesystems/ext4/super.rst, superblock at byte 1024."""
    block = head[1024:2048]
    if len(block) < 1024 or block[0x38:0x3A] != b"\x53\xef":  # noqa: PLR2004 - superblock size.
        return None
    compat, incompat, ro_compat = struct.unpack_from("<III", block, 0x5C)
    if incompat & ~0x16 or ro_compat & ~0x7:  # Beyond what ext3 knows.
        return _uuid("ext4", block[0x68:0x78])
    return _uuid("ext3" if compat & 0x4 else "ext2", block[0x68:0x78])


def _xfs(head: bytes) -> str | None:
    """Source: XFS Algorithms and Data Structures, superblock: magic at 0, UUID at 32."""
    return _uuid("xfs", head[32:48]) if head[:4] == b"XFSB" else None


def _btrfs(head: bytes) -> str | None:
    """Source: btrfs on-disk format, superblock at 64 KiB: fsid at 20h, magic at 40h."""
    block = head[64 * KIB :]
    return _uuid("btrfs", block[0x20:0x30]) if block[0x40:0x48] == b"_BHRfS_M" else None


def _ntfs(head: bytes) -> str | None:
    """Source: from memory: boot sector, name at 3, serial (u64) at 48h; checked with mkfs."""
    if head[3:11] != b"NTFS    " or head[510:512] != b"\x55\xaa":
        return None
    return f"ntfs:{int.from_bytes(head[0x48:0x50], 'little'):016X}"


def _exfat(head: bytes) -> str | None:
    """Source: exFAT file system specification, 3.1: name at 3, VolumeSerialNumber at 100."""
    if head[3:11] != b"EXFAT   " or head[510:512] != b"\x55\xaa":
        return None
    return f"exfat:{_dos_serial(head[100:104])}"


def _fat(head: bytes) -> str | None:
    """Source: FAT specification 1.03: BS_VolID at 27h (FAT12/16) or 43h (FAT32)."""
    if head[510:512] != b"\x55\xaa":
        return None
    if head[0x52:0x5A] == b"FAT32   " and head[0x42] in {0x28, 0x29}:
        return f"vfat:{_dos_serial(head[0x43:0x47])}"
    if head[0x36:0x3B] in {b"FAT12", b"FAT16"} and head[0x26] in {0x28, 0x29}:
        return f"vfat:{_dos_serial(head[0x27:0x2B])}"
    return None


def _dos_serial(raw: bytes) -> str:
    """Write a volume serial number as it is usually written, ``ABCD-1234``."""
    digits = f"{int.from_bytes(raw, 'little'):08X}"
    return f"{digits[:4]}-{digits[4:]}"


def _luks(head: bytes) -> str | None:
    """Source: LUKS1 and LUKS2 On-Disk Format Specification: magic at 0, UUID text at 168."""
    if head[:6] != b"LUKS\xba\xbe" or int.from_bytes(head[6:8], "big") not in {1, 2}:
        return None
    return _text_id("luks", head[168:208])


def _text_id(kind: str, raw: bytes) -> str | None:
    """Return a mark whose id is text on the medium; only harmless characters are let through."""
    text = raw.split(b"\0", 1)[0]
    return f"{kind}:{text.decode('ascii')}" if _PLAIN_ID.fullmatch(text) else None


def _swap(head: bytes) -> str | None:
    """Source: Linux include/linux/swap.h, union swap_header: mark ends the page, UUID at 1036."""
    for page in (4 * KIB, 8 * KIB, 16 * KIB, 64 * KIB):
        if head[page - 10 : page] == b"SWAPSPACE2":
            return _uuid("swap", head[1036:1052])
    return None


def _lvm2(head: bytes) -> str | None:
    """Source: LVM2 lib/format_text/layout.h: label in one of 4 sectors, then the PV's id."""
    for at in range(0, 2048, 512):
        label = head[at : at + 512]
        if label[:8] == b"LABELONE" and label[24:32] == b"LVM2 001":
            body = int.from_bytes(label[20:24], "little")
            raw = label[body : body + 32].decode("ascii", "replace")
            pieces = (raw[:6], raw[6:10], raw[10:14], raw[14:18], raw[18:22], raw[22:26], raw[26:])
            return _text_id("lvm2", "-".join(pieces).encode("ascii", "replace"))
    return None


_MD_MAGIC = b"\xfc\x4e\x2b\xa9"
"""Source: Linux include/uapi/linux/raid/md_p.h, MD_SB_MAGIC a92b4efch, little-endian."""


def _md_at_front(head: bytes) -> str | None:
    """Source: md_p.h, version 1: superblock 1.1 at 0, 1.2 at 4 KiB; set UUID at 16."""
    for at in (0, 4 * KIB):
        if head[at : at + 4] == _MD_MAGIC:
            return _uuid("md", head[at + 16 : at + 32])
    return None


def _md_at_end(part: _Bytes) -> str | None:
    """Source: md_p.h: version 1.0 at 8 KiB from the end, 0.90 at the last whole 64 KiB."""
    sectors = part.span.length // 512
    late = part.at(((sectors - 16) & ~7) * 512, 64)
    if late[:4] == _MD_MAGIC:
        return _uuid("md", late[16:32])
    old = part.at((part.span.length & ~(64 * KIB - 1)) - 64 * KIB, 128)
    if len(old) == 128 and old[:4] == _MD_MAGIC:  # noqa: PLR2004 - all that was asked for.
        words = (struct.unpack_from("<I", old, at)[0] for at in (0x14, 0x34, 0x38, 0x3C))
        return _uuid("md", b"".join(word.to_bytes(4, "big") for word in words))
    return None


_ZFS_GUID = b"\x00\x00\x00\x09pool_guid\x00\x00\x00\x00\x00\x00\x08\x00\x00\x00\x01"


def _zfs(part: _Bytes) -> str | None:
    """Source: from memory of the ZFS on-disk specification: label 0 holds name-value pairs in
    XDR form at 16 KiB: name, type 8 (unsigned 64 bit), one element, value.
    """  # noqa: D205 - the source is the sentence.
    pairs = part.at(16 * KIB, 112 * KIB)
    at = pairs.find(_ZFS_GUID)
    raw = pairs[at + len(_ZFS_GUID) : at + len(_ZFS_GUID) + 8] if at >= 0 else b""
    return f"zfs:{int.from_bytes(raw, 'big')}" if len(raw) == 8 else None  # noqa: PLR2004
