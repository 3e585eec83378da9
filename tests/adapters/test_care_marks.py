"""The udev rule finds the marks of drives in care, and no others."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.adapters.care_marks import keep_marks, marks_of
from refreshd.cards import Carrier, Evidence

RULES = Path(__file__).resolve().parents[2] / "systemd" / "65-refreshd.rules"

DRIVE = Evidence(
    carrier=Carrier.BLOCK,
    size_bytes=4_000_000_000_000,
    logical_bytes=512,
    physical_bytes=4096,
    wwn="naa.5000c50000000001",
    model="ACME ARCHIVE 4T",
    serial="USB0001",
    signatures=("ext4:6d1a0f0e-6b0c-4c7e-9a3e-0c5b4d1f7a52", "vfat:ABCD-1234"),
    has_own_names=True,
)


def looked_for(properties: dict[str, str]) -> set[str]:
    """Return the files that the rule looks for, given what udev knows of a device."""
    found = set()
    for line in RULES.read_text(encoding="utf-8").splitlines():
        asked = re.match(r'ENV\{(\w+)\}=="\?\*", TEST=="([^"]+)"', line)
        if asked and properties.get(asked[1]):
            path = re.sub(r"\$env\{(\w+)\}", lambda name: properties.get(name[1], ""), asked[2])
            assert path.startswith("/var/lib/refreshd/in-care/")
            found.add(path.rpartition("/")[2])
    return found


def test_the_rule_finds_a_drive_by_its_own_names() -> None:
    """Properties as udev of Debian 12 gave them for a drive behind a bridge that passes it on."""
    properties = {
        "ID_MODEL": "ACME_ARCHIVE_4T",
        "ID_SERIAL": "ACME_ARCHIVE_4T_USB0001",
        "ID_SERIAL_SHORT": "USB0001",
        "ID_WWN": "0x5000c50000000001",
        "ID_WWN_WITH_EXTENSION": "0x5000c50000000001",
        "ID_FS_UUID": "6d1a0f0e-6b0c-4c7e-9a3e-0c5b4d1f7a52",
    }
    silent = {name: properties[name] for name in ("ID_MODEL", "ID_SERIAL_SHORT")}

    assert looked_for(properties) & marks_of(DRIVE)
    assert looked_for(silent) & marks_of(replace(DRIVE, wwn=None))


def test_the_rule_finds_a_drive_that_cannot_say_who_it_is_by_its_content() -> None:
    """A bridge without pass-through gives a serial of its own; the file system is the drive's."""
    nameless = replace(DRIVE, wwn=None, model="USB DISK", serial=None, has_own_names=False)

    assert looked_for({"ID_FS_UUID": "ABCD-1234"}) & marks_of(nameless)
    assert looked_for({"ID_PART_TABLE_UUID": "6d1a0f0e-6b0c-4c7e-9a3e-0c5b4d1f7a52"}) & marks_of(
        nameless
    )


def test_a_stranger_is_left_to_the_desktop() -> None:
    """A stick with the same model, a copy of the content: neither is the drive in care."""
    stranger = {
        "ID_MODEL": "ACME_ARCHIVE_4T",
        "ID_SERIAL_SHORT": "USB0002",
        "ID_WWN_WITH_EXTENSION": "0x5000c50000000002",
        "ID_FS_UUID": "ABCD-1234",
    }

    assert not looked_for(stranger) & marks_of(DRIVE)


def test_the_rule_tells_the_desktop(tmp_path: Path) -> None:
    """What is found comes to the property that desktops ask for."""
    assert 'ENV{REFRESHD_IN_CARE}=="1", ENV{UDISKS_IGNORE}="1"' in RULES.read_text(encoding="utf-8")


def test_marks_follow_the_cards(tmp_path: Path) -> None:
    """A drive that is withdrawn is again one as any other."""
    folder, other = tmp_path / "in-care", replace(DRIVE, wwn=None, serial="K08")
    keep_marks(folder, [DRIVE, other])
    both = {file.name for file in folder.iterdir()}
    keep_marks(folder, [other])

    assert both == marks_of(DRIVE) | marks_of(other)
    assert {file.name for file in folder.iterdir()} == marks_of(other)


@pytest.mark.parametrize("carrier", [Carrier.IMAGE, Carrier.FOLDER])
def test_what_is_no_disk_has_no_mark(carrier: Carrier) -> None:
    """Udev never sees an image file or a folder."""
    assert marks_of(replace(DRIVE, carrier=carrier)) == frozenset()


@given(st.text(max_size=300), st.text(max_size=300))
def test_no_drive_can_name_a_file_elsewhere(model: str, serial: str) -> None:
    """I8: a drive whose serial is a path makes no file but a mark."""
    for mark in marks_of(replace(DRIVE, wwn=f"naa.{serial}", model=model, serial=serial)):
        assert re.fullmatch(r"(wwn|serial|content)-[0-9A-Za-z#+\-.:=@_]*", mark)
        assert len(mark.encode()) <= 255
