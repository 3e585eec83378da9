"""Which disk is asked in which language, over a handle that leads to it and no other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.examiner import SilentExaminer, examiner_of, how_asked
from refreshd.adapters.examiner.disk import Disk, celsius_below
from refreshd.adapters.examiner.nvme import NvmeExaminer
from refreshd.adapters.examiner.scsi_disk import ScsiExaminer
from refreshd.adapters.image import ImageFile
from refreshd.errors import DriveGoneError
from refreshd.health_cards import Route, SelfTestKind, Vital
from refreshd.kernel.block_tree import Node
from refreshd.quantities import MIB
from refreshd.wiring.examining import examiner_for
from refreshd.wiring.media import open_medium
from tests import loops


@pytest.fixture
def node(tmp_path: Path) -> Iterator[str]:
    """Give a loop device."""
    with loops.attached(loops.noise_file(tmp_path / "drive.img", MIB)) as attached:
        yield attached


def sequence_of(node: str) -> int | None:
    """Return the disk sequence number as sysfs tells it."""
    return Node(Path(node).stat().st_rdev).sequence


def test_a_silent_drive_answers_nothing_and_says_why() -> None:
    """Silent is not healthy."""
    examiner = SilentExaminer("a memory card answers no health commands")

    assert examiner.read().route is Route.SILENT
    assert examiner.read().silence == "a memory card answers no health commands"
    assert examiner.vital() == Vital(None)
    assert examiner.is_asleep() is None
    assert examiner.start_self_test(SelfTestKind.SHORT) is False
    assert examiner.self_test() is None
    assert examiner.self_test_minutes(SelfTestKind.SHORT) is None


@pytest.mark.root
def test_a_loop_device_has_no_health_of_its_own(node: str) -> None:
    """Nothing is sent to it, and the medium over which a pass works is not disturbed."""
    medium = open_medium(node)
    try:
        examiner = examiner_for(medium)
        assert examiner is not None
        assert examiner.read().silence == "an image file has no health of its own"
    finally:
        medium.close()


def test_an_image_file_and_a_folder_have_nobody_to_ask(tmp_path: Path) -> None:
    """They lie on some drive, of which they say nothing."""
    image = ImageFile.open(str(loops.noise_file(tmp_path / "drive.img", MIB)))
    folder = open_medium(str(tmp_path))
    try:
        assert examiner_for(image) is None
        assert examiner_for(folder) is None
    finally:
        image.close()
        folder.close()


@pytest.mark.root
def test_what_takes_no_scsi_commands_is_silent_and_no_failure(node: str) -> None:
    """The kernel says so; the question never reached anybody."""
    disk = Disk(node, sequence_of(node))
    found = ScsiExaminer(disk).read()

    assert found.route is Route.SILENT
    assert "the kernel passes no commands to it" in found.silence
    assert ScsiExaminer(disk).is_asleep() is None


@pytest.mark.root
def test_another_disk_at_the_node_is_not_asked_in_its_place(node: str) -> None:
    """D2: the health of one drive on the card of another would be worse than none."""
    sequence = sequence_of(node)
    assert sequence is not None

    with pytest.raises(DriveGoneError, match="another disk stands there"):
        ScsiExaminer(Disk(node, sequence + 1)).read()


def test_a_drive_without_a_node_is_gone(tmp_path: Path) -> None:
    """Unplugged before it was asked, or between two questions."""
    place = str(tmp_path / "sdx")

    with pytest.raises(DriveGoneError, match="ENOENT"):
        examiner_of(place, 7)
    with pytest.raises(DriveGoneError, match="ENOENT"):
        ScsiExaminer(Disk(place, 7)).read()


# --- The kernel's own sensor.


@pytest.mark.parametrize(
    "place",
    ["device/hwmon/hwmon3", "device/hwmon0", "device/nvme0/hwmon2"],
)
def test_the_sensor_of_the_very_disk_is_read(place: str, tmp_path: Path) -> None:
    """The three places are those of Linux 6.1: drivetemp, nvme, nvme of several controllers."""
    (tmp_path / place).mkdir(parents=True)
    (tmp_path / place / "temp1_input").write_text("49850\n", encoding="ascii")

    assert celsius_below(tmp_path) == 50


@pytest.mark.parametrize("said", ["", "warm\n", "-128000\n", "300000\n", "\u0663\u0663000\n"])
def test_a_sensor_that_says_nonsense_says_nothing(said: str, tmp_path: Path) -> None:
    """A pass neither rests nor goes on for a temperature that cannot be."""
    (tmp_path / "device/hwmon0").mkdir(parents=True)
    (tmp_path / "device/hwmon0/temp1_input").write_text(said, encoding="utf-8")

    assert celsius_below(tmp_path) is None


def test_the_sensor_of_another_disk_is_not_taken_for_this_ones(tmp_path: Path) -> None:
    """Whatever else warms the server stands elsewhere in sysfs."""
    (tmp_path / "host0/device/hwmon0").mkdir(parents=True)
    (tmp_path / "host0/device/hwmon0/temp1_input").write_text("61000\n", encoding="ascii")
    (tmp_path / "disk").mkdir()

    assert celsius_below(tmp_path / "disk") is None


@pytest.mark.parametrize(
    ("name", "scsi_type", "kind"),
    [
        ("sda", "0", ScsiExaminer),
        ("sr0", "5", SilentExaminer),  # to an optical drive A1h is an order to erase
        ("sdb", "14", SilentExaminer),  # a simplified disk
        ("sdc", None, SilentExaminer),
        ("nvme0n1", None, NvmeExaminer),
        ("loop0", None, SilentExaminer),
        ("vda", None, SilentExaminer),
    ],
)
def test_only_what_is_a_disk_is_sent_commands(name: str, scsi_type: str | None, kind: type) -> None:
    """E1: what other devices make of the same bytes is not known, or is known and harmful."""
    found = how_asked(Disk(f"/dev/{name}", 7), name, scsi_type)

    assert type(found) is kind
