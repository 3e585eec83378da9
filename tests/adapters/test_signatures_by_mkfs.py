"""Marks as real tools write them, with blkid of util-linux as a second opinion."""

from __future__ import annotations

from pathlib import Path

import pytest

from refreshd.quantities import MIB
from refreshd.signatures import probe
from tests import loops

MAKERS: dict[str, tuple[int, tuple[str, ...]]] = {
    "ext2": (16, ("mkfs.ext2", "-q", "-F")),
    "ext3": (16, ("mkfs.ext3", "-q", "-F")),
    "ext4": (16, ("mkfs.ext4", "-q", "-F")),
    "xfs": (320, ("mkfs.xfs", "-q", "-f")),
    "btrfs": (128, ("mkfs.btrfs", "-q", "-f")),
    "ntfs": (16, ("mkfs.ntfs", "-q", "-F", "-s", "512")),
    "exfat": (16, ("mkfs.exfat",)),
    "fat12": (2, ("mkfs.vfat", "-F", "12")),
    "fat16": (16, ("mkfs.vfat", "-F", "16")),
    "fat32": (64, ("mkfs.vfat", "-F", "32")),
    "swap": (16, ("mkswap",)),
}
"""Size in MiB and the tool that makes it."""

OUR_NAMES = {"crypto_LUKS": "luks", "LVM2_member": "lvm2", "linux_raid_member": "md"}


def blank(path: Path, mib: int) -> Path:
    """Make a sparse file."""
    with path.open("wb") as file:
        file.truncate(mib * MIB)
    return path


def probed(path: Path, sector: int = 512) -> tuple[str, ...]:
    """Probe a file."""
    with path.open("rb") as file:

        def read(start: int, length: int) -> bytes:
            file.seek(start)
            return file.read(length)

        return probe(read, path.stat().st_size, sector)


def second_opinion(path: Path, *options: str) -> str:
    """Return what blkid says, in our form."""
    said = loops.run("blkid", "-p", "-o", "export", *options, path)
    facts = dict(line.split("=", 1) for line in said.splitlines() if "=" in line)
    return f"{OUR_NAMES.get(facts['TYPE'], facts['TYPE'])}:{facts['UUID']}"


@pytest.mark.parametrize("kind", MAKERS)
def test_a_file_system_is_known_by_the_id_that_its_maker_gave(kind: str, tmp_path: Path) -> None:
    """Our reading of the format and that of util-linux agree."""
    mib, words = MAKERS[kind]
    loops.need(words[0])
    loops.need("blkid")
    path = blank(tmp_path / "fs.img", mib)
    loops.run(*words, path)

    assert probed(path) == (second_opinion(path),)


@pytest.mark.parametrize("version", ["luks1", "luks2"])
def test_an_encrypted_volume_is_known_without_its_key(version: str, tmp_path: Path) -> None:
    """LUKS tells who it is in the clear."""
    loops.need("cryptsetup")
    path, key = blank(tmp_path / "luks.img", 20), tmp_path / "key"
    key.write_text("not a secret")
    cheap = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000")
    words = ("cryptsetup", "luksFormat", "--type", version, "--batch-mode", *cheap)
    loops.run(*words, path, key)

    assert probed(path) == (second_opinion(path),)


@pytest.mark.root
def test_an_lvm_member_is_known(tmp_path: Path) -> None:
    """The label of a physical volume carries its id."""
    loops.need("pvcreate")
    path = blank(tmp_path / "pv.img", 16)
    with loops.attached(path) as node:
        only = f'devices {{ filter = [ "a|^{node}$|", "r|.*|" ] use_devicesfile = 0 }}'
        loops.run("pvcreate", "--config", only, "--yes", node)

    assert probed(path) == (second_opinion(path),)


@pytest.mark.parametrize("sector", [512, pytest.param(4096, marks=pytest.mark.root)])
def test_a_gpt_disk_is_known_with_what_is_in_it(sector: int, tmp_path: Path) -> None:
    """Two partitions with file systems, on 512 and on 4096 byte sectors."""
    loops.need("sgdisk")
    path = blank(tmp_path / "disk.img", 64)
    if sector == 512:
        loops.run("sgdisk", "--new=1:2048:+16M", "--new=2:0:+16M", path)
    else:
        _table_by_parted_on_4096(path)
    guid = second_opinion_of_table(path, sector)
    starts = (MIB, 17 * MIB)
    makers = (("mkfs.ext4", "-q", "-F", "-b", "4096"), ("mkfs.vfat", "-F", "16"))
    for start, words in zip(starts, makers, strict=True):
        _into(path, start, words)

    found = probed(path, sector)

    assert f"gpt:{guid}" in found
    assert {mark.split(":")[0] for mark in found} == {"gpt", "ext4", "vfat"}
    for start, kind in zip(starts, ("ext4", "vfat"), strict=True):
        opinion = second_opinion(path, "--offset", str(start), "--size", str(16 * MIB))
        assert opinion in found
        assert opinion.startswith(kind)


def _table_by_parted_on_4096(path: Path) -> None:
    """Make a GPT on 4096-byte sectors, which needs a device that has them."""
    loops.need("parted")
    with loops.attached(path, sector=4096) as node:
        parts = ("mkpart", "one", "1MiB", "17MiB", "mkpart", "two", "17MiB", "33MiB")
        loops.run("parted", "--script", node, "mklabel", "gpt", *parts)


def second_opinion_of_table(path: Path, sector: int) -> str:
    """Return the disk id that blkid reads."""
    words = ("blkid", "-p", "-o", "value", "-s", "PTUUID")
    if sector == 512:
        return loops.run(*words, path)
    with loops.attached(path, sector=sector) as node:
        return loops.run(*words, node)


def _into(path: Path, start: int, words: tuple[str, ...]) -> None:
    """Make a file system of 16 MiB and put it into a larger image."""
    part = blank(path.with_suffix(".part"), 16)
    loops.run(*words, part)
    with path.open("r+b") as file:
        file.seek(start)
        file.write(part.read_bytes())


def test_an_mbr_disk_is_known_with_its_logical_partitions(tmp_path: Path) -> None:
    """The old table: a primary and a logical partition."""
    loops.need("parted")
    path = blank(tmp_path / "disk.img", 64)
    primary = ("mkpart", "primary", "1MiB", "17MiB")
    extended = ("mkpart", "extended", "17MiB", "60MiB", "mkpart", "logical", "18MiB", "34MiB")
    loops.run("parted", "--script", path, "mklabel", "msdos", *primary, *extended)
    _into(path, MIB, ("mkfs.ext4", "-q", "-F"))
    _into(path, 18 * MIB, ("mkfs.ext2", "-q", "-F"))

    table = f"mbr:{loops.run('blkid', '-p', '-o', 'value', '-s', 'PTUUID', path)}"

    places = ("--size", str(16 * MIB), "--offset")
    inside = [second_opinion(path, *places, str(at * MIB)) for at in (1, 18)]
    assert probed(path) == tuple(sorted((table, *inside)))


def test_a_wiped_image_has_no_marks(tmp_path: Path) -> None:
    """The check can fail: without the superblock nothing is found."""
    path = blank(tmp_path / "fs.img", 16)
    loops.run("mkfs.ext4", "-q", "-F", path)
    with path.open("r+b") as file:
        file.write(bytes(8192))

    assert probed(path) == ()
