"""What a disk says of itself in sysfs, from pages made here after the standards."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from refreshd.kernel.block_tree import (
    Identity,
    _own_serial,
    _world_wide,
    identity_from_ata,
    is_own_word,
)

SERIAL = b"RD-TEST12345678"
MODEL = b"REFRESHD TEST MODEL 16TB"


def swapped(text: bytes, length: int) -> bytes:
    """Store text as ATA does: padded with spaces, each pair of bytes swapped."""
    padded = text.ljust(length)
    return b"".join(bytes((padded[n + 1], padded[n])) for n in range(0, length, 2))


def ata_sector() -> bytearray:
    """Make an IDENTIFY sector of an invented drive. Layout: ACS, IDENTIFY DEVICE."""
    sector = bytearray(512)
    sector[20:40] = swapped(SERIAL, 20)
    sector[54:94] = swapped(MODEL, 40)
    struct.pack_into("<4H", sector, 216, 0x5000, 0xC500, 0xA1B2, 0xC3D4)
    sector[510] = 0xA5
    sector[511] = -sum(sector) % 256
    return sector


def test_a_drive_behind_a_bridge_is_known_by_its_own_words() -> None:
    """The bridge's serial is not asked where the drive's IDENTIFY data is passed on."""
    expected = Identity("naa.5000c500a1b2c3d4", MODEL.decode(), SERIAL.decode())

    assert identity_from_ata(bytes(ata_sector())) == expected


def test_strings_are_stored_with_swapped_bytes() -> None:
    """Worked example: an odd length leaves a space before the last character."""
    assert swapped(SERIAL, 20) == b"DRT-SE1T325476 8    "


def test_a_damaged_identify_sector_is_no_identity() -> None:
    """The integrity word must fit: half a serial would name another drive."""
    page = ata_sector()
    page[25] ^= 1

    assert identity_from_ata(bytes(page)) == Identity()


def test_only_a_whole_page_of_this_very_size_is_a_disks_own_word() -> None:
    """Rubbish from a bridge, and the drive in another bay, must not pass for the drive's names."""
    size = 1 << 40
    sector = ata_sector()
    struct.pack_into("<H", sector, 166, 0x4400)  # word 83: the long count is valid
    struct.pack_into("<Q", sector, 200, size // 512)
    sector[511] = 0
    sector[511] = -sum(sector) % 256
    page = bytes(sector)

    assert is_own_word(page, size)
    assert is_own_word(page, size - 4096)  # a bridge keeps some sectors at the end to itself
    assert not is_own_word(page, 2 * size)
    assert not is_own_word(page[:-1] + b"\x01", size)
    assert not is_own_word(b"\x5a" * 512, size)


def test_a_page_without_a_name_names_nobody() -> None:
    """The names would be taken from the bridge, and pass for those of the drive."""
    sector = bytearray(512)
    sector[54:94] = swapped(MODEL, 40)
    sector[510] = 0xA5
    sector[511] = -sum(sector) % 256

    assert not is_own_word(bytes(sector), 1 << 40)


@given(st.binary(max_size=600))
def test_hostile_pages_never_crash_and_give_plain_text(page: bytes) -> None:
    """I8: a drive is untrusted input; what it says goes to terminals and logs."""
    for raw in (page, page[:510].ljust(512, b"\x1b"), bytes(ata_sector()[:40]) + page):
        found = identity_from_ata(raw)
        texts = [found.wwn, found.model, found.serial, _own_serial(b"\0\x80" + raw)]

        assert all(text is None or text.isprintable() for text in texts)


def test_names_of_the_world_are_told_from_names_that_bridges_make_up() -> None:
    """A `t10.` name is vendor, model and serial in one string, often the bridge's."""
    assert _world_wide("naa.5000C500A1B2C3D4") == "naa.5000c500a1b2c3d4"
    assert _world_wide("eui.0025385b71b00000") == "eui.0025385b71b00000"
    assert _world_wide("t10.ATA     BRIDGE 000000001") is None
    assert _world_wide(None) is None
