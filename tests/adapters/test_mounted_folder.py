"""A folder of a mounted drive: identity and inventory; nothing on it is followed or trusted."""

from __future__ import annotations

import hashlib
import os
import socket
from pathlib import Path

import pytest

from refreshd.adapters.folder import ItemKind, MountedFolder, summarise
from refreshd.cards import Carrier
from refreshd.errors import UsageError
from refreshd.events import EVENTS, InventoryTaken
from refreshd.fixity import digest
from refreshd.quantities import MIB, DriveNumber
from tests import loops


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Give a folder with one thing of every kind and odd names."""
    folder = tmp_path / "drive"
    (folder / "letters").mkdir(parents=True)
    (folder / "letters" / "one.txt").write_bytes(b"dear reader")
    (folder / "empty").touch()
    (folder / "link").symlink_to("/etc/passwd")
    (folder / "loop").symlink_to("..")
    os.mkfifo(folder / "pipe")
    Path(os.fsdecode(os.fsencode(folder) + b"/odd\n\xff%\tname")).write_bytes(b"x")
    return folder


def kinds(folder: Path) -> dict[bytes, ItemKind]:
    """Return what an inventory says of each name."""
    opened = MountedFolder.open(folder)
    found = {item.path: item.kind for item in opened.inventory()}
    opened.close()
    return found


def test_every_name_is_listed_and_no_link_followed(root: Path) -> None:
    """I8: links, pipes and odd names are recorded, and that is all."""
    assert kinds(root) == {
        b"empty": ItemKind.FILE,
        b"letters": ItemKind.FOLDER,
        b"letters/one.txt": ItemKind.FILE,
        b"link": ItemKind.LINK,
        b"loop": ItemKind.LINK,
        b"odd\n\xff%\tname": ItemKind.FILE,
        b"pipe": ItemKind.OTHER,
    }


def test_a_file_is_listed_with_its_size_time_and_digest(root: Path) -> None:
    """What a later inventory is compared with."""
    os.utime(root / "letters" / "one.txt", ns=(1, 1_700_000_000_123_456_789))
    opened = MountedFolder.open(root)
    (item,) = (item for item in opened.inventory() if item.path == b"letters/one.txt")
    opened.close()

    assert (item.size_bytes, item.mtime_ns) == (11, 1_700_000_000_123_456_789)
    assert item.digest == digest(b"dear reader")


def test_a_large_file_is_digested_in_pieces(root: Path) -> None:
    """Memory stays flat whatever lies on the drive."""
    content = loops.noise_file(root / "film", 9 * MIB + 1).read_bytes()
    opened = MountedFolder.open(root)
    (item,) = (item for item in opened.inventory() if item.path == b"film")
    opened.close()

    assert item.digest == digest(content)


def test_an_inventory_leaves_access_times_alone(root: Path) -> None:
    """Reading must not change what a later inventory sees, nor write to the drive."""
    os.utime(root / "letters" / "one.txt", ns=(1, 2))
    kinds(root)

    assert (root / "letters" / "one.txt").stat().st_atime_ns == 1


def test_a_listing_has_one_line_an_item_whatever_the_name(root: Path) -> None:
    """I8: a name with a line break cannot forge a line."""
    opened = MountedFolder.open(root)
    lines = [item.line for item in opened.inventory()]
    opened.close()

    assert all(line.count(b"\n") == 1 and line.endswith(b"\n") for line in lines)
    assert any(line.endswith(b"\todd%0a%ff%25%09name\n") for line in lines)


def test_an_inventory_adds_up_to_an_event_for_the_journal(root: Path) -> None:
    """The same tree gives the same digest of the listing; a changed byte shows."""
    opened = MountedFolder.open(root)
    first, second = summarise(opened.inventory()), summarise(opened.inventory())
    listing = hashlib.sha256(b"".join(item.line for item in opened.inventory())).hexdigest()
    (root / "letters" / "one.txt").write_bytes(b"dear Reader")
    third = summarise(opened.inventory())
    opened.close()
    event = InventoryTaken(
        drive=DriveNumber("K07"),
        files=first.files,
        file_bytes=first.file_bytes,
        other_items=first.other_items,
        unreadable_items=first.unreadable_items,
        listing_sha256=first.listing_sha256,
    )

    assert first == second
    assert (first.files, first.file_bytes, first.other_items) == (3, 12, 4)
    assert first.listing_sha256 == listing != third.listing_sha256
    assert EVENTS.validate_json(event.model_dump_json()) == event


def test_a_socket_is_recorded_and_not_opened(tmp_path: Path) -> None:
    """I8: opening one would block, or worse."""
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(tmp_path / "s"))
        assert kinds(tmp_path) == {b"s": ItemKind.OTHER}


def test_a_tree_without_a_bottom_comes_to_an_end(tmp_path: Path) -> None:
    """I8: deeper than any archive goes, and deeper than path names can say."""
    here = os.open(tmp_path, os.O_RDONLY)
    for _ in range(400):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)
    found = kinds(tmp_path)

    assert max(found.values(), key=str) is ItemKind.UNREADABLE
    assert len(found) == 251


def test_what_is_no_folder_is_refused_in_clear_words(tmp_path: Path) -> None:
    """Wrong words on the command line."""
    (tmp_path / "file").touch()

    for name in ("file", "nothing"):
        with pytest.raises(UsageError, match="no such folder"):
            MountedFolder.open(tmp_path / name)


@pytest.mark.root
def test_another_mount_in_the_folder_is_not_entered(root: Path) -> None:
    """What is mounted there is not on the drive, also when it is a piece of the same one."""
    with loops.mounted("none", root / "other", "-t", "tmpfs") as other:
        (other / "foreign").touch()
        (root / "bound").mkdir()
        with loops.mounted(root / "letters", root / "bound", "--bind"):
            found = kinds(root)

    assert found[b"other"] is ItemKind.MOUNT
    assert found[b"bound"] is ItemKind.MOUNT
    assert b"other/foreign" not in found
    assert b"bound/one.txt" not in found


@pytest.mark.root
def test_a_device_node_on_the_drive_is_recorded_and_not_opened(tmp_path: Path) -> None:
    """I8: a node on a foreign drive may name any disk of this server."""
    os.mknod(tmp_path / "disk", 0o600 | 0o060000, os.makedev(7, 200))

    assert kinds(tmp_path) == {b"disk": ItemKind.OTHER}


@pytest.mark.root
def test_a_folder_gives_the_size_of_the_drive_it_is_on(tmp_path: Path) -> None:
    """The file system's id names the drive; its size is that of what lies below."""
    disk = tmp_path / "disk.img"
    with disk.open("wb") as made:
        made.truncate(16 * MIB)
    loops.run("mkfs.ext4", "-q", "-F", "-U", "12345678-0000-0000-0000-00000000abcd", disk)
    with loops.attached(disk) as node, loops.mounted(node, tmp_path / "mnt") as point:
        opened = MountedFolder.open(point)
        evidence = opened.evidence()
        opened.close()

    assert evidence.carrier is Carrier.FOLDER
    assert evidence.size_bytes == 16 * MIB
    assert evidence.signatures == ("ext4:12345678-0000-0000-0000-00000000abcd",)
