"""What the service tells systemd, and what it is asked for by it.

One datagram a message, lines of ``NAME=value``, to the socket that NOTIFY_SOCKET names: a path,
or an abstract name behind ``@``. Without that variable nothing is sent and nothing fails, so
`refreshd serve` runs in a terminal as well. Source: sd_notify(3), sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from typing import Self

_STATUS_CHARACTERS_MAX = 256
"""A status is one line of `systemctl status`."""

WAIT_S_MAX = 2.0
"""How long a message may wait for room in systemd's queue: its own default for a stuck socket is
to wait for ever, and then the loop that answers the watchdog would hang with it."""


class Notifier:
    """Tells systemd how the service is. No call fails: an unheard word must not end a visit."""

    def __init__(
        self,
        address: str | None,
        watchdog_s: float | None = None,
        wait_s_max: float = WAIT_S_MAX,
    ) -> None:
        """Speak to `address`; None: to nobody."""
        self._address = _socket_name(address) if address else None
        self._wait_s_max = wait_s_max
        self.watchdog_s = watchdog_s
        """Within so many seconds `watchdog` must be called, better twice; None: never."""

    @classmethod
    def from_environment(cls, environ: Mapping[str, str], pid: int | None = None) -> Self:
        """Return the one that this process was started with; `pid` is that of this process."""
        return cls(environ.get("NOTIFY_SOCKET"), _watchdog_s(environ, pid or os.getpid()))

    @property
    def is_heard(self) -> bool:
        """Say whether anybody listens."""
        return self._address is not None

    def ready(self) -> bool:
        """Say that the service is there; ends `reloading`, too."""
        return self._send("READY=1")

    def status(self, sentence: str) -> bool:
        """Say in one sentence what the service is doing."""
        return self._send(f"STATUS={_one_line(sentence)}")

    def watchdog(self) -> bool:
        """Say that the loop still turns."""
        return self._send("WATCHDOG=1")

    def reloading(self, monotonic_usec: int) -> bool:
        """Say that the policy is being read anew; `ready` must follow.

        `monotonic_usec` is CLOCK_MONOTONIC now, in microseconds: systemd 253 and later want it.
        """
        return self._send("RELOADING=1", f"MONOTONIC_USEC={monotonic_usec}")

    def stopping(self) -> bool:
        """Say that the service is on its way out."""
        return self._send("STOPPING=1")

    def extend_timeout(self, seconds: float) -> bool:
        """Ask for so much more time before systemd loses patience; counts from now."""
        return self._send(f"EXTEND_TIMEOUT_USEC={round(seconds * 1_000_000)}")

    def _send(self, *lines: str) -> bool:
        """Send one message; return whether systemd's socket took it."""
        if self._address is None:
            return False
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.settimeout(self._wait_s_max)
            try:
                sender.sendto("\n".join(lines).encode(), self._address)
            except OSError:
                return False  # The socket is gone or full; whoever asked for messages will see.
        return True


def _socket_name(address: str) -> str | None:
    """Return an address as the kernel takes it; None for one that is neither path nor abstract."""
    if address.startswith("@"):
        return "\0" + address[1:]
    return address if address.startswith("/") else None


def _one_line(sentence: str) -> str:
    """Keep a sentence from ending the line: what follows would be another message."""
    return "".join(c if c.isprintable() else " " for c in sentence)[:_STATUS_CHARACTERS_MAX]


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float | None:
    """Return how often systemd wants a sign of life from this very process, in seconds."""
    usec, meant = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not usec.isdecimal() or int(usec) == 0 or (meant and meant != str(pid)):
        return None
    return int(usec) / 1_000_000
