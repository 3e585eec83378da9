"""What a bridge says of a drive is not taken for the drive's own word.

The answers are those of USB bridges in a virtual machine with Linux 6.1, 2026-11.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from refreshd.adapters import block
from refreshd.cards import Carrier, DriveCard, Evidence
from refreshd.errors import DriveGoneError, MistakenDriveError
from refreshd.kernel import sg_io
from refreshd.kernel.block_tree import Identity, is_usb_path
from refreshd.quantities import MIB, DriveNumber, MediumKind
from refreshd.wiring.search import could_be

SIZE = 1000 * MIB
CARD = DriveCard(
    DriveNumber("K07"),
    "R1-B1-S1",
    "Tide tables",
    MediumKind.HARD_DISK,
    Evidence(Carrier.BLOCK, SIZE, 512, 4096, wwn="naa.5000", model="M", serial="S1"),
    4 * MIB,
    date(2026, 1, 1),
)
ON_USB = "/sys/devices/pci0000:00/0000:00:04.0/usb1/1-1/1-1:1.0/host7/target7:0:0/7:0:0:0/block/sdf"
ON_SATA = "/sys/devices/pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0/block/sda"
OPENED = block._Self(0x810, 7, SIZE, Identity("naa.5000", "M", "S1"), has_answered=True)
BRIDGE_SPEAKS = replace(OPENED, identity=Identity(None, "BRIDGE", None), has_answered=False)


def test_a_usb_disk_is_known_by_its_bus() -> None:
    """Its words in sysfs may be those of the bridge; a disk on SATA speaks for itself."""
    assert is_usb_path(Path(ON_USB))
    assert not is_usb_path(Path(ON_SATA))


def test_a_silent_disk_of_the_right_size_is_looked_at() -> None:
    """Behind a bridge the kernel does not know the drive's name: only asking it will tell."""
    assert could_be(Identity(), SIZE, CARD)
    assert not could_be(Identity(), 2 * SIZE, CARD)


def test_a_disk_that_names_itself_otherwise_is_left_asleep() -> None:
    """To open a drive may spin it up; one that is surely another is not touched."""
    assert not could_be(Identity("naa.6000", "M", "S2"), SIZE, CARD)
    assert could_be(Identity("naa.5000", "M", "S1"), SIZE, CARD)


def test_a_drive_that_falls_silent_is_in_trouble_and_no_other_drive() -> None:
    """A dock that passes nothing on any more: to be plugged in again, and the pass goes on."""
    with pytest.raises(DriveGoneError, match="who it is"):
        block._refuse_other("/dev/sdf", OPENED, BRIDGE_SPEAKS)


def test_a_drive_that_says_another_name_is_another_drive() -> None:
    """I2: the dock stayed, the drive in it was exchanged; nothing more is written."""
    other = replace(OPENED, identity=Identity("naa.6000", "M", "S2"))

    with pytest.raises(MistakenDriveError, match=r"naa\.6000"):
        block._refuse_other("/dev/sdf", OPENED, other)


def test_the_same_words_are_the_same_drive() -> None:
    """Nothing is raised."""
    block._refuse_other("/dev/sdf", OPENED, replace(OPENED))


@pytest.mark.parametrize(
    ("status", "sense", "is_later"),
    [
        (0x02, "7000060000000000000000002900", True),  # unit attention: it was reset
        (0x02, "72062900", True),  # the same in the descriptor format
        (0x08, "0000", True),  # busy
        (0x02, "7000050000000000000000002000", False),  # it does not know the command
        (0x02, "72052000", False),
        (0x00, "0000", False),  # it answered with nothing
    ],
)
def test_a_question_that_was_put_off_is_asked_again(
    status: int, sense: str, *, is_later: bool
) -> None:
    """Source: SPC, sense keys 5h and 6h, additional codes 20h and 29h; SAM, status busy."""
    sent = sg_io.Sent(status=status, sense=bytes.fromhex(sense).ljust(18, b"\0"))

    assert sent.is_later is is_later
