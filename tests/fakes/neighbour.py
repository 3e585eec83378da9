"""Another user of this server, in a process of his own, with bytes to say to a socket."""

from __future__ import annotations

import grp
import pwd
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

LOOKING = "games"
ACTING = "daemon"
"""Groups that every Debian has; who is in them by the user database differs."""

_TALK = """
import os, socket, sys
uid, gid, path = int(sys.argv[1]), int(sys.argv[2]), sys.argv[4]
os.setgroups([int(one) for one in sys.argv[3].split(",") if one])
os.setgid(gid)
os.setuid(uid)
said = sys.stdin.buffer.read()
with socket.socket(socket.AF_UNIX) as line:
    line.settimeout(20)
    try:
        line.connect(path)
    except PermissionError:
        sys.exit(13)
    try:
        line.sendall(said)
        if sys.argv[5] == "True":
            line.shutdown(socket.SHUT_WR)
    except (BrokenPipeError, ConnectionResetError):
        pass
    while True:
        try:
            part = line.recv(65536)
        except ConnectionResetError:
            break
        if not part:
            break
        sys.stdout.buffer.write(part)
"""

NOT_LET_IN = 13


@dataclass(frozen=True)
class Neighbour:
    """Somebody with a user number, a group and more groups, as the kernel sees them."""

    uid: int
    gid: int
    groups: tuple[int, ...] = ()

    def says(self, path: Path, said: bytes, *, ends: bool = False) -> tuple[int, bytes]:
        """Connect, say something (and no more, if it `ends`), return exit code and answer."""
        groups = ",".join(map(str, self.groups))
        done = subprocess.run(
            [sys.executable, "-c", _TALK, *map(str, (self.uid, self.gid, groups, path, ends))],
            input=said,
            capture_output=True,
            check=False,
            timeout=60,
        )
        assert done.returncode in {0, NOT_LET_IN}, done.stderr
        return done.returncode, done.stdout

    def asks(self, path: Path, method: str, target: str, body: bytes = b"") -> tuple[int, bytes]:
        """Ask by HTTP, and return the status and the body of the answer."""
        _, answer = self.says(path, request(method, target, body))
        head, _, rest = answer.partition(b"\r\n\r\n")
        return int(head.split()[1]), rest


def request(method: str, target: str, body: bytes = b"") -> bytes:
    """Return a whole request."""
    lines = [f"{method} {target} HTTP/1.1", "Host: anything", "Connection: close"]
    if body:
        lines += ["Content-Type: application/json", f"Content-Length: {len(body)}"]
    return "\r\n".join([*lines, "", ""]).encode() + body


def number_of_group(name: str) -> int:
    """Return the number of a group."""
    return grp.getgrnam(name).gr_gid


NOBODY = pwd.getpwnam("nobody")
STRANGER = Neighbour(NOBODY.pw_uid, NOBODY.pw_gid)
LOOKER = Neighbour(NOBODY.pw_uid, NOBODY.pw_gid, (number_of_group(LOOKING),))
ACTOR = Neighbour(NOBODY.pw_uid, NOBODY.pw_gid, (number_of_group(ACTING),))
ROOT = Neighbour(0, 0)
