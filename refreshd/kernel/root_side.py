"""The two things that need root, asked of a short-lived process that is root.

The service itself is not root. It may ask, over a Unix socket of systemd's, which processes hold
a disk open for writing, and that a disk be switched off. One connection is one question: a line

    writers NODE
    power-off NODE SEQUENCE

and one line of JSON as answer (see `Answer`). `refreshd.privileged` answers. Both sides read the
line with `parse`, which lets through nothing but the name of a device right below /dev.
"""

from __future__ import annotations

import json
import re
import socket
from dataclasses import asdict, dataclass
from pathlib import Path

from refreshd.errors import RefusedError, RootSideAwayError
from refreshd.kernel.openers import Writer

SOCKET = Path("/run/refreshd-helper/socket")
LINE_BYTES_MAX = 128
_ANSWER_BYTES_MAX = 64 * 1024
_WAIT_S_MAX = 60.0
"""A process is started for each question, on a server that may be busy; a flush may take long."""

_NODE = r"/dev/[A-Za-z][A-Za-z0-9_-]{0,30}"
_WRITERS = re.compile(rf"writers ({_NODE})\n")
_POWER_OFF = re.compile(rf"power-off ({_NODE}) ([0-9]{{1,19}})\n")


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


Question = AskWriters | AskPowerOff


def parse(line: str) -> Question | None:
    """Return the question in a line; None for anything else."""
    if asked := _WRITERS.fullmatch(line):
        return AskWriters(asked[1])
    if asked := _POWER_OFF.fullmatch(line):
        return AskPowerOff(asked[1], int(asked[2]))
    return None


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a question: what was done in words, who writes, or why not."""

    how: str = ""
    writers: tuple[Writer, ...] = ()
    refused: str = ""

    @property
    def line(self) -> str:
        """The answer as it travels."""
        return json.dumps(asdict(self)) + "\n"


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


def _asked(question: Question, address: Path) -> Answer:
    """Ask, and return what was answered; a refusal is raised."""
    if parse(question.line) != question:
        raise RefusedError(f"{question.node}: no whole disk right below /dev")
    try:
        raw = _exchanged(question.line.encode(), address)
        answer = _read(raw)
    except (OSError, ValueError, TypeError, KeyError) as err:
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
    return Answer(str(said["how"]), tuple(writers), str(said["refused"]))
