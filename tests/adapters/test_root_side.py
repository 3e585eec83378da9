"""The root side answers one user, four questions, and switches off no disk by mistake."""

from __future__ import annotations

import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.adapters.in_use import reason_in_use, unseen_note
from refreshd.errors import RefusedError, RootSideAwayError
from refreshd.health_cards import PageName, SelfTestKind
from refreshd.kernel import nvme
from refreshd.kernel.root_side import (
    Answer,
    AskNvmePages,
    AskNvmeSelfTest,
    AskPowerOff,
    AskWriters,
    ask_nvme_pages,
    ask_nvme_self_test,
    ask_power_off,
    ask_writers,
    parse,
    with_pages,
)
from refreshd.privileged import (
    Switch,
    answer_one,
    off_switch,
    pull,
    read_nvme,
    switch_off,
    told_in_log,
)
from refreshd.quantities import MIB
from tests import loops


@contextmanager
def root_side(address: Path, allowed_uid: int) -> Iterator[Path]:
    """Answer connections at `address` as systemd and the unit do, one after the other."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(address))
        listener.listen()

        def answer() -> None:
            while True:
                try:
                    connection, _ = listener.accept()
                except OSError:
                    return
                with connection:
                    answer_one(connection, allowed_uid)

        answering = Thread(target=answer)
        answering.start()
        try:
            yield address
        finally:
            listener.shutdown(socket.SHUT_RDWR)
            answering.join()


def asked(line: bytes, allowed_uid: int) -> bytes:
    """Put raw bytes to the root side, and return what comes back."""
    ours, theirs = socket.socketpair()
    with ours:
        ours.sendall(line)
        ours.shutdown(socket.SHUT_WR)
        with theirs:
            answer_one(theirs, allowed_uid)
        try:
            return ours.recv(65536)
        except ConnectionResetError:
            return b""  # Closed without having been read.


@contextmanager
def opened_elsewhere(node: str, mode: str) -> Iterator[int]:
    """Let another process hold a node open until the end; yield its number."""
    code = f"import os; os.open({node!r}, {mode}); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        yield holder.pid
        holder.communicate("\n")


@pytest.fixture
def node(tmp_path: Path) -> Iterator[str]:
    """Give a loop device."""
    file = loops.noise_file(tmp_path / "drive.img", MIB)
    with loops.attached(file) as attached:
        yield attached


@pytest.fixture
def switch(tmp_path: Path) -> Switch:
    """Give a switch that does nothing but show whether it was pulled."""
    file = tmp_path / "delete"
    file.write_bytes(b"")
    return Switch(file, "switched off")


def sequence_of(node: str) -> int:
    """Return the disk sequence number as sysfs tells it."""
    return int((Path("/sys/block") / Path(node).name / "diskseq").read_text(encoding="ascii"))


# --- Who is answered, and what.


def test_a_stranger_is_not_answered() -> None:
    """P1: a process of another user learns nothing, and nothing happens for it."""
    assert asked(b"writers /dev/null\n", os.geteuid() + 1) == b""
    assert asked(b"writers /dev/null\n", os.geteuid()) != b""


@given(st.binary(max_size=200))
def test_nothing_but_the_four_questions_is_understood(line: bytes) -> None:
    """P2, I8: whatever else is sent is refused in one sentence."""
    if parse(line.decode("ascii", "replace")) is None:
        assert b"no question that is answered here" in asked(line, os.geteuid())


@pytest.mark.parametrize(
    "line",
    [
        "power-off /dev/sdb\n",
        "power-off /dev/sdb 7",
        "power-off /dev/sdb 7\nwriters /dev/sdb\n",
        "power-off /dev/sdb -7\n",
        "power-off /dev/sdb \u0667\n",
        "power-off /dev/../sys/power/state 7\n",
        "power-off /dev/mapper/x 7\n",
        "power-off  /dev/sdb 7\n",
        "writers /dev/sdb\nwriters /dev/sdc\n",
        "writers sdb\n",
        "writers /dev/\n",
        "writers /dev/sdb \n",
        "writers /dev/" + "s" * 32 + "\n",
        "nvme-pages /dev/nvme0n1\n",
        "nvme-pages /dev/nvme0 7\n",
        "nvme-pages /dev/sdb 7\n",
        "nvme-pages /dev/nvme0n1p1 7\n",
        "nvme-pages /dev/nvme0n1 7 short\n",
        "nvme-pages /dev/nvme0n1 7 06\n",
        "nvme-self-test /dev/nvme0n1 7\n",
        "nvme-self-test /dev/nvme0n1 7 other\n",
        "nvme-self-test /dev/nvme0n1 7 format\n",
        "nvme-self-test /dev/nvme0n1 short\n",
        "nvme-self-test /dev/sdb 7 short\n",
    ],
)
def test_a_question_that_is_not_quite_one_is_none(line: str) -> None:
    """P2: no path but a name right below /dev, no second line, no other digits."""
    assert parse(line) is None


@given(
    st.from_regex(r"/dev/[A-Za-z][A-Za-z0-9_-]{0,30}", fullmatch=True),
    st.integers(min_value=0, max_value=2**63 - 1),
)
def test_a_question_arrives_as_it_was_meant(node: str, sequence: int) -> None:
    """Both ends read the line with the same function."""
    assert parse(AskWriters(node).line) == AskWriters(node)
    assert parse(AskPowerOff(node, sequence).line) == AskPowerOff(node, sequence)


@given(
    st.from_regex(r"/dev/nvme[0-9]{1,4}n[0-9]{1,4}", fullmatch=True),
    st.integers(min_value=0, max_value=2**63 - 1),
    st.sampled_from([SelfTestKind.SHORT, SelfTestKind.EXTENDED]),
)
def test_a_question_about_health_arrives_as_it_was_meant(
    node: str, sequence: int, kind: SelfTestKind
) -> None:
    """The same, and no other kind of test can be asked for."""
    assert parse(AskNvmePages(node, sequence).line) == AskNvmePages(node, sequence)
    assert parse(AskNvmeSelfTest(node, sequence, kind).line) == AskNvmeSelfTest(
        node, sequence, kind
    )


def test_a_line_without_an_end_is_not_waited_for() -> None:
    """Whoever sends on and on is refused when it was more than any question has."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(b"writers /dev/" + b"s" * 1024)
        answer_one(theirs, os.geteuid())

        assert b"no question that is answered here" in ours.recv(65536)


def test_an_answer_without_an_end_is_not_read_for_ever(tmp_path: Path) -> None:
    """A root side that went mad costs the service no memory."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(tmp_path / "socket"))
        listener.listen()

        def tell_endlessly() -> None:
            connection, _ = listener.accept()
            with connection, suppress(OSError):
                for _ in range(1024):
                    connection.sendall(b" " * 4096)

        telling = Thread(target=tell_endlessly)
        telling.start()
        with pytest.raises(RootSideAwayError, match="has no end"):
            ask_writers("/dev/sdb", tmp_path / "socket")
        telling.join()


def test_where_nobody_answers_it_is_said(tmp_path: Path) -> None:
    """The service goes on without the root side, but never believes that it looked."""
    with pytest.raises(RootSideAwayError, match=r"start refreshd-helper\.socket"):
        ask_writers("/dev/sdb", tmp_path / "nobody")


def test_an_answer_that_is_none_is_not_believed(tmp_path: Path) -> None:
    """An empty answer must not be taken for "nobody writes"."""
    with (
        root_side(tmp_path / "socket", os.geteuid() + 1) as address,
        pytest.raises(RootSideAwayError),
    ):
        ask_writers("/dev/sdb", address)


def test_a_name_that_could_lead_elsewhere_is_not_asked_about(tmp_path: Path) -> None:
    """The asking end refuses what the answering end would."""
    with pytest.raises(RefusedError, match="no whole disk right below /dev"):
        ask_power_off("/dev/../etc", 1, tmp_path / "nobody")


# --- What an NVMe drive says.

HEALTH = bytes(range(256)) * 2
READ = nvme.Pages(
    {PageName.NVME_HEALTH: HEALTH, PageName.NVME_IDENTIFY: b"\x01" * 4096},
    {PageName.NVME_SELF_TEST_LOG: "the drive lists no self-tests"},
)


@contextmanager
def telling(address: Path, line: bytes) -> Iterator[Path]:
    """Answer one connection at `address` with a line, whatever it asks."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(address))
        listener.listen()

        def tell() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.recv(1024)
                connection.sendall(line)

        answering = Thread(target=tell)
        answering.start()
        yield address
        answering.join()


def test_pages_cross_the_socket_byte_for_byte(tmp_path: Path) -> None:
    """What the service decodes are the very bytes that the drive gave to root."""
    line = with_pages(READ).line.encode()
    with telling(tmp_path / "socket", line) as address:
        found = ask_nvme_pages("/dev/nvme0n1", 7, address)

    assert found == READ
    assert len(line) < 64 * 1024


@pytest.mark.parametrize(
    "said",
    [
        {"ata smart data": "AAAA"},
        {"nvme health log": "AAAA"},
        {"nvme health log": "not base64!"},
        {"nvme health log": None},
        {"no such page": "AAAA"},
        ["nvme health log"],
    ],
)
def test_pages_that_cannot_be_are_not_believed(said: object, tmp_path: Path) -> None:
    """I8: another page, another length or another text is no answer, and no health."""
    line = json.dumps({**json.loads(Answer(how="read").line), "pages": said}).encode()
    with (
        telling(tmp_path / "socket", line) as address,
        pytest.raises(RootSideAwayError),
    ):
        ask_nvme_pages("/dev/nvme0n1", 7, address)


def test_pages_do_not_stand_in_the_log() -> None:
    """A drive is asked every few seconds while it works; the log would be nothing else."""
    told = told_in_log(with_pages(READ))

    assert "lists no self-tests" in told
    assert len(told) < 400


@pytest.mark.root
def test_another_disk_at_the_node_of_an_nvme_drive_is_not_asked(node: str) -> None:
    """P3: the drive was unplugged, and the next one got its name."""
    with pytest.raises(RefusedError, match="another disk stands there"):
        read_nvme(node, sequence_of(node) - 1)


@pytest.mark.root
def test_what_takes_no_admin_commands_is_refused_in_words(node: str) -> None:
    """A disk of another kind gives no page and no health."""
    with pytest.raises(RefusedError, match="asking it about itself"):
        read_nvme(node, sequence_of(node))


def test_a_node_that_is_gone_is_refused_across_the_socket(tmp_path: Path) -> None:
    """Pulled out between the look and the question: nothing is started, nothing is claimed."""
    with root_side(tmp_path / "socket", os.geteuid()) as address:
        with pytest.raises(RefusedError, match="ENOENT asking it"):
            ask_nvme_pages("/dev/nvme77n1", 1, address)
        with pytest.raises(RefusedError, match="ENOENT asking it"):
            ask_nvme_self_test("/dev/nvme77n1", 1, SelfTestKind.SHORT, address)


@pytest.mark.parametrize(("how", "is_started"), [("started", True), ("not started", False)])
def test_a_self_test_is_started_only_where_it_is_said(
    how: str, tmp_path: Path, *, is_started: bool
) -> None:
    """Whoever waits for its end must not wait for a test that never began."""
    with telling(tmp_path / "socket", Answer(how=how).line.encode()) as address:
        assert ask_nvme_self_test("/dev/nvme0n1", 7, SelfTestKind.SHORT, address) is is_started


# --- Who writes.


@pytest.mark.root
def test_a_writer_is_named_across_the_socket(node: str, tmp_path: Path) -> None:
    """What the service may not see itself, the root side tells it."""
    with root_side(tmp_path / "socket", os.geteuid()) as address:
        assert ask_writers(node, address) == ()
        with opened_elsewhere(node, "os.O_RDWR") as pid:
            (writer,) = ask_writers(node, address)

    assert (writer.pid, writer.path) == (pid, node)


@pytest.mark.root
def test_whoever_asks_is_no_writer_beside_itself(node: str) -> None:
    """The worker that asks may hold the disk already."""
    address = f"\0refreshd-tests-asking{os.getpid()}"
    ask = (
        "import os, socket, sys; os.open(sys.argv[1], os.O_RDWR); "
        f"peer = socket.socket(socket.AF_UNIX); peer.connect({address!r}); "
        "peer.sendall(f'writers {sys.argv[1]}\\n'.encode()); "
        "sys.stdout.write(peer.recv(4096).decode())"
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(address)
        listener.listen()
        with subprocess.Popen(
            [sys.executable, "-c", ask, node], stdout=subprocess.PIPE, text=True
        ) as asking:
            connection, _ = listener.accept()
            with connection:
                answer_one(connection, os.geteuid())
            told, _ = asking.communicate()

    assert told == Answer(how="looked").line


@pytest.mark.root
def test_a_guard_without_root_asks_the_root_side(node: str) -> None:
    """A program of another user that writes keeps a pass of the service away, too."""
    address = f"\0refreshd-tests-guard{os.getpid()}"
    code = (
        "import os, sys; from pathlib import Path; "
        "from refreshd.adapters.in_use import _all_writers; "
        "os.setgid(6); os.setuid(65534); "
        f"sys.stdout.write(str([w.pid for w in _all_writers(sys.argv[1], Path({address!r}))]))"
    )
    with root_side(Path(address), 65534), opened_elsewhere(node, "os.O_RDWR") as pid:
        done = subprocess.run(
            [sys.executable, "-c", code, node], check=True, capture_output=True, text=True
        )

    assert done.stdout == f"[{pid}]"


# --- Switching off.


@pytest.mark.root
def test_a_refusal_crosses_the_socket(node: str, tmp_path: Path) -> None:
    """Whoever asked is told in the same sentence, and never takes it for done."""
    with (
        root_side(tmp_path / "socket", os.geteuid()) as address,
        pytest.raises(RefusedError, match="not on USB or SATA"),
    ):
        ask_power_off(node, sequence_of(node), address)


@pytest.mark.root
def test_what_memory_still_holds_for_a_disk_reaches_it_first(
    node: str, switch: Switch, tmp_path: Path
) -> None:
    """A plain writer has gone, and its bytes wait in the page cache as long as somebody reads."""
    with opened_elsewhere(node, "os.O_RDONLY"):
        Path(node).write_bytes(b"x" * 4096)
        pull(switch, node, sequence_of(node))

        assert (tmp_path / "drive.img").read_bytes()[:4096] == b"x" * 4096


@pytest.mark.root
def test_a_device_with_the_number_of_a_disk_is_none(node: str, tmp_path: Path) -> None:
    """Character and block devices are numbered apart."""
    os.mknod(tmp_path / "tape", 0o600 | stat.S_IFCHR, Path(node).stat().st_rdev)
    with pytest.raises(RefusedError, match="no whole disk"):
        switch_off(str(tmp_path / "tape"), 1)


@pytest.mark.root
def test_the_disk_that_is_meant_is_switched_off(node: str, switch: Switch) -> None:
    """The switch is pulled, once."""
    pull(switch, node, sequence_of(node))

    assert switch.file.read_bytes() == b"1"


@pytest.mark.root
def test_another_disk_at_the_same_node_is_not_switched_off(node: str, switch: Switch) -> None:
    """P3: the drive was unplugged, and the next one got its name."""
    with pytest.raises(RefusedError, match="another disk stands there"):
        pull(switch, node, sequence_of(node) - 1)

    assert switch.file.read_bytes() == b""


@pytest.mark.root
def test_a_disk_that_something_has_claimed_is_not_switched_off(node: str, switch: Switch) -> None:
    """P3, P4: a pass that has just begun holds it, and nothing that was looked at shows that."""
    with (
        opened_elsewhere(node, "os.O_RDONLY | os.O_EXCL"),
        pytest.raises(RefusedError, match="claimed"),
    ):
        pull(switch, node, sequence_of(node))

    assert switch.file.read_bytes() == b""


@pytest.mark.root
def test_a_disk_in_use_is_not_switched_off(node: str, tmp_path: Path) -> None:
    """P4: each reason that keeps a pass away keeps the switch away, too."""
    loops.run("mkfs.ext4", "-q", "-F", node)
    with loops.mounted(node, tmp_path / "mnt"), pytest.raises(RefusedError, match="is mounted on"):
        switch_off(node, sequence_of(node))
    with opened_elsewhere(node, "os.O_RDWR"), pytest.raises(RefusedError, match="open for writing"):
        switch_off(node, sequence_of(node))


@pytest.mark.root
def test_a_disk_that_is_not_meant_to_be_unplugged_is_not_switched_off(node: str) -> None:
    """P5: a loop device, a virtual disk, an NVMe disk on the board."""
    with pytest.raises(RefusedError, match="not on USB or SATA and not removable"):
        switch_off(node, sequence_of(node))


@pytest.mark.parametrize("node", ["/dev/null", "/dev/stdin"])
def test_what_is_no_disk_is_not_switched_off(node: str) -> None:
    """The numbers of a character device may be those of a disk."""
    with pytest.raises(RefusedError, match="no whole disk"):
        switch_off(node, 1)


def test_a_node_that_is_gone_is_refused_in_words() -> None:
    """Whoever releases a drive goes on: it was pulled out meanwhile."""
    with pytest.raises(RefusedError, match="ENOENT switching it off"):
        switch_off("/dev/no-such-disk", 1)


def disk_in(root: Path, path: str, *, removable: str = "0", number: int = 0) -> Path:
    """Make a folder as sysfs has one for a SCSI disk, and return it."""
    device = root / path / f"host{number}" / f"target{number}:0:0" / f"{number}:0:0:0"
    disk = device / "block" / f"sd{'abc'[number]}"
    disk.mkdir(parents=True)
    (device / "delete").touch()
    (disk / "device").symlink_to(device)
    (disk / "removable").write_text(f"{removable}\n", encoding="ascii")
    return disk


def usb_in(root: Path, path: str) -> Path:
    """Make a folder as sysfs has one for a USB device, and return it."""
    usb = root / path
    usb.mkdir(parents=True)
    (usb / "idVendor").touch()
    (usb / "remove").touch()
    return usb


def test_a_lone_disk_on_usb_is_switched_off_at_its_port(tmp_path: Path) -> None:
    """The nearest USB device is the drive's bridge; the hub above it stays."""
    usb_in(tmp_path, "usb2")
    bridge = usb_in(tmp_path, "usb2/2-1")
    disk = disk_in(tmp_path, "usb2/2-1/2-1:1.0")

    assert off_switch(disk) == Switch(bridge / "remove", "powered off at its USB port")


def test_the_other_drive_of_a_dock_stays_on(tmp_path: Path) -> None:
    """A dock with two bays is one USB device: to remove it would take the other drive along."""
    usb_in(tmp_path, "usb2/2-1")
    disk = disk_in(tmp_path, "usb2/2-1/2-1:1.0")
    disk_in(tmp_path, "usb2/2-1/2-1:1.0", number=1)
    found = off_switch(disk)

    assert found is not None
    assert found.file.samefile(disk / "device" / "delete")


def test_a_disk_on_sata_is_taken_off_its_bus(tmp_path: Path) -> None:
    """A drive in a hot-plug tray hangs on the same controller as the others."""
    found = off_switch(disk_in(tmp_path, "pci0000:00/0000:00:1f.2/ata3"))

    assert found is not None
    assert found.words == "taken off its bus"


@pytest.mark.parametrize(("removable", "may_go"), [("0", False), ("1", True)])
def test_another_disk_may_go_only_if_it_says_so(
    tmp_path: Path, removable: str, *, may_go: bool
) -> None:
    """P5: a disk of a storage network or a virtual one is nobody's to unplug."""
    disk = disk_in(tmp_path, "pci0000:00/virtio2", removable=removable)

    assert (off_switch(disk) is not None) == may_go


# --- What the guards make of it.


@pytest.mark.root
def test_a_guard_that_is_blind_says_so(node: str, tmp_path: Path) -> None:
    """Without root and without a root side, a writer of another user is not seen."""
    code = (
        "import os, sys; from refreshd.adapters.in_use import unseen_note, reason_in_use; "
        "os.setgid(6); os.setuid(65534); "
        "sys.stdout.write(f'{unseen_note(sys.argv[1])}|{reason_in_use(sys.argv[1])}')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, node], check=True, capture_output=True, text=True
    )
    note, _, reason = done.stdout.partition("|")

    assert "cannot be seen" in note
    assert reason == "None"


@pytest.mark.root
def test_root_sees_by_itself(node: str) -> None:
    """Where nothing is hidden there is nothing to say."""
    assert unseen_note(node) is None
    assert reason_in_use(node) is None
