"""The four things that need root, asked of a short-lived process that is root.

The service itself is not root. It may ask, over a Unix socket of systemd's, which processes hold
a disk open for writing, that a disk be switched off, what an NVMe drive says of its health, and
that an NVMe drive test itself. One connection is one question: a line

    writers NODE
    power-off NODE SEQUENCE
    nvme-pages NODE SEQUENCE
    nvme-self-test NODE SEQUENCE short|extended

and one line of JSON as answer (see `Answer`). `refreshd.privileged` answers. Both sides read the
line with `parse`, which lets through nothing but the name of a device right below /dev.
"""

from __future__ import annotations

import base64
import json
import re
import socket
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from refreshd.errors import RefusedError, RootSideAwayError
from refreshd.health_cards import PageName, SelfTestKind
from refreshd.kernel import nvme
from refreshd.kernel.openers import Writer

SOCKET = Path("/run/refreshd-helper/socket")
LINE_BYTES_MAX = 128
_ANSWER_BYTES_MAX = 64 * 1024
_WAIT_S_MAX = 60.0
"""A process is started for each question, on a server that may be busy; a flush may take long."""

STARTED, NOT_STARTED = "started", "not started"
"""What is answered where a self-test was asked for."""

_NODE = r"/dev/[A-Za-z][A-Za-z0-9_-]{0,30}"
_WRITERS = re.compile(rf"writers ({_NODE})\n")
_SEQUENCE = r"[0-9]{1,19}"
_POWER_OFF = re.compile(rf"power-off ({_NODE}) ({_SEQUENCE})\n")
_NVME_NODE = r"/dev/nvme[0-9]{1,4}n[0-9]{1,4}"
"""A namespace, which is what holds the content. Source: Linux drivers/nvme/host/core.c."""

_NVME_PAGES = re.compile(rf"nvme-pages ({_NVME_NODE}) ({_SEQUENCE})\n")
_NVME_SELF_TEST = re.compile(rf"nvme-self-test ({_NVME_NODE}) ({_SEQUENCE}) (short|extended)\n")


@dataclass(frozen=True, slots=True)
class AskWriters:
    """Which processes hold this disk, or what stands on it, open for writing?"""

    node: str

    @property
    def line(self) -> str:
        """The question as it travels."""
        return f"writers {self.node}\n"


@dataclass(frozen=True, slots=True)
class AskPowerOff:
    """Switch this disk off, if it is still the one with this disk sequence number."""

    node: str
    disk_sequence: int

    @property
    def line(self) -> str:
        """The question as it travels."""
        return f"power-off {self.node} {self.disk_sequence}\n"


@dataclass(frozen=True, slots=True)
class AskNvmePages:
    """What does this NVMe drive say of its health, if it still has this disk sequence number?"""

    node: str
    disk_sequence: int

    @property
    def line(self) -> str:
        """The question as it travels."""
        return f"nvme-pages {self.node} {self.disk_sequence}\n"


@dataclass(frozen=True, slots=True)
class AskNvmeSelfTest:
    """Let this NVMe drive test itself, if it still has this disk sequence number."""

    node: str
    disk_sequence: int
    kind: SelfTestKind

    @property
    def line(self) -> str:
        """The question as it travels."""
        return f"nvme-self-test {self.node} {self.disk_sequence} {self.kind}\n"


Question = AskWriters | AskPowerOff | AskNvmePages | AskNvmeSelfTest


def parse(line: str) -> Question | None:
    """Return the question in a line; None for anything else."""
    if asked := _WRITERS.fullmatch(line):
        return AskWriters(asked[1])
    if asked := _POWER_OFF.fullmatch(line):
        return AskPowerOff(asked[1], int(asked[2]))
    if asked := _NVME_PAGES.fullmatch(line):
        return AskNvmePages(asked[1], int(asked[2]))
    if asked := _NVME_SELF_TEST.fullmatch(line):
        return AskNvmeSelfTest(asked[1], int(asked[2]), SelfTestKind(asked[3]))
    return None


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a question: what was done in words, who writes, pages, or why not.

    `pages` are in base64 under their names; `unread` says why others are not there.
    """

    how: str = ""
    writers: tuple[Writer, ...] = ()
    refused: str = ""
    pages: Mapping[PageName, str] = field(default_factory=dict)
    unread: Mapping[PageName, str] = field(default_factory=dict)

    @property
    def line(self) -> str:
        """The answer as it travels."""
        return json.dumps(asdict(self)) + "\n"


def with_pages(read: nvme.Pages) -> Answer:
    """Return the answer that carries the pages of an NVMe drive."""
    encoded = {name: base64.b64encode(page).decode() for name, page in read.pages.items()}
    return Answer(how="read", pages=encoded, unread=read.refusals)


def ask_writers(node: str, address: Path = SOCKET) -> tuple[Writer, ...]:
    """
    Return the processes of all users that hold a disk open for writing, save our own.

    Raises:
        RootSideAwayError: Nobody answers, or not to us.
        RefusedError: The question was refused.

    """
    return _asked(AskWriters(node), address).writers


def ask_power_off(node: str, disk_sequence: int, address: Path = SOCKET) -> str:
    """
    Switch a disk off, and return in words how. Close the disk first: who holds it keeps it on.

    Raises:
        RootSideAwayError: Nobody answers, or not to us.
        RefusedError: It is another disk, is in use, or cannot be switched off.

    """
    return _asked(AskPowerOff(node, disk_sequence), address).how


def ask_nvme_pages(node: str, disk_sequence: int, address: Path = SOCKET) -> nvme.Pages:
    """
    Return the pages of an NVMe drive as they came.

    Raises:
        RootSideAwayError: Nobody answers, or not to us, or with pages that cannot be.
        RefusedError: It is another drive, or answers nothing.

    """
    answer = _asked(AskNvmePages(node, disk_sequence), address)
    pages = {name: base64.b64decode(page) for name, page in answer.pages.items()}
    return nvme.Pages(pages, answer.unread)


def ask_nvme_self_test(
    node: str, disk_sequence: int, kind: SelfTestKind, address: Path = SOCKET
) -> bool:
    """
    Let an NVMe drive test itself; False: it knows no such test, or refuses it.

    Raises:
        RootSideAwayError: Nobody answers, or not to us.
        RefusedError: It is another drive, or answers nothing.

    """
    return _asked(AskNvmeSelfTest(node, disk_sequence, kind), address).how == STARTED


def _asked(question: Question, address: Path) -> Answer:
    """Ask, and return what was answered; a refusal is raised."""
    if parse(question.line) != question:
        raise RefusedError(f"{question.node}: no whole disk right below /dev, or no such question")
    try:
        raw = _exchanged(question.line.encode(), address)
        answer = _read(raw)
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as err:
        raise RootSideAwayError(
            f"{address}: nobody answers there who may do what needs root ({err}); start "
            "refreshd-helper.socket"
        ) from err
    if answer.refused:
        raise RefusedError(answer.refused)
    return answer


def _exchanged(line: bytes, address: Path) -> bytes:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as asking:
        asking.settimeout(_WAIT_S_MAX)
        asking.connect(str(address))
        asking.sendall(line)
        asking.shutdown(socket.SHUT_WR)
        raw = b""
        while part := asking.recv(4096):
            raw += part
            if len(raw) > _ANSWER_BYTES_MAX:
                raise ValueError("the answer has no end")
    return raw


def _read(raw: bytes) -> Answer:
    said = json.loads(raw)
    writers = (Writer(int(w["pid"]), str(w["name"]), str(w["path"])) for w in said["writers"])
    pages = {PageName(name): _page(name, text) for name, text in said["pages"].items()}
    unread = {PageName(name): str(why) for name, why in said["unread"].items()}
    return Answer(str(said["how"]), tuple(writers), str(said["refused"]), pages, unread)


def _page(name: str, text: str) -> str:
    """Return a page as it travels, if it can be one: another length is another page."""
    if len(base64.b64decode(text, validate=True)) != nvme.PAGE_BYTES[PageName(name)]:
        raise ValueError(f"{name} has another length")
    return text
