"""What the service says, with fields that can be searched, in the system's own log.

The native protocol of journald: one datagram a message, of fields ``NAME=value`` and a line
feed, or, where the value holds line feeds, the name, a line feed, its length as 64 bits in
little-endian order, the value, a line feed. A message that does not fit a datagram goes as a
sealed file in memory. Source: systemd, "Native Journal Protocol", docs/JOURNAL_NATIVE_PROTOCOL.

The system's log is a copy for the administrator. The record is our own journal (I5).
"""

from __future__ import annotations

import array
import errno
import fcntl
import logging
import os
import socket
import struct
import sys
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

SOCKET = Path("/run/systemd/journal/socket")
IDENTIFIER = "refreshd"
FIELDS_KEY = "refreshd"
"""Name under which `logging` carries `LogFields`: ``log.info(…, extra={FIELDS_KEY: fields})``."""

_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG = 7
"""Source: syslog(3), the levels that journald stores as PRIORITY."""

_OUR_NAMES = uuid.UUID("6d1a0f0e-6b0c-4c7e-9a3e-0c5b4d1f7a52")
_SEND_BUFFER_BYTES = 1024 * 1024
_WAIT_S_MAX = 2.0
_SEALS = fcntl.F_SEAL_SHRINK | fcntl.F_SEAL_GROW | fcntl.F_SEAL_WRITE | fcntl.F_SEAL_SEAL


def message_id(kind: str) -> str:
    """
    Return the MESSAGE_ID of an event kind of the journal: 32 lower-case hex digits.

    Made from the kind's name, which is part of the journal's format and never changes, so that
    no kind can be without one. Source: RFC 9562, UUID version 5, in a name space of our own;
    sd-journal(3), MESSAGE_ID.
    """
    return uuid.uuid5(_OUR_NAMES, kind).hex


@dataclass(frozen=True, slots=True)
class LogFields:
    """What a message is about. ``None``: about nothing of that sort."""

    kind: str | None = None  # of the event, such as ``drive-arrived``
    drive: str | None = None
    pass_id: int | None = None
    lba: int | None = None  # place on the drive, in logical sectors


class JournaldHandler(logging.Handler):
    """Sends log records to journald; what it does not take is written to a stream instead."""

    def __init__(self, address: Path = SOCKET, otherwise: TextIO | None = None) -> None:
        """Speak to the socket at `address`."""
        super().__init__()
        self._address = str(address)
        self._otherwise = PrefixedHandler(otherwise or sys.stderr)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.settimeout(_WAIT_S_MAX)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)

    def emit(self, record: logging.LogRecord) -> None:
        """Send one record."""
        try:
            self._send(b"".join(_encoded(dict(fields_of(record, self.format(record))))))
        except OSError:
            self._otherwise.emit(record)  # No journald, or it is stuck: said all the same.

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()
        super().close()

    def _send(self, message: bytes) -> None:
        try:
            self._socket.sendto(message, self._address)
        except OSError as err:
            if err.errno not in {errno.EMSGSIZE, errno.ENOBUFS}:
                raise
            self._send_as_file(message)

    def _send_as_file(self, message: bytes) -> None:
        flags = os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING
        with os.fdopen(os.memfd_create("refreshd-message", flags), "wb") as file:
            file.write(message)
            file.flush()
            fcntl.fcntl(file, fcntl.F_ADD_SEALS, _SEALS)
            handle = array.array("i", [file.fileno()])
            rights = [(socket.SOL_SOCKET, socket.SCM_RIGHTS, handle)]
            self._socket.sendmsg([], rights, 0, self._address)


class PrefixedHandler(logging.StreamHandler[TextIO]):
    """Writes lines that journald reads the priority from, for a stream that it collects.

    Source: sd-daemon(3): a line that begins with its level in angle brackets.
    """

    def format(self, record: logging.LogRecord) -> str:
        """Put the priority before each line, since journald takes each for a message."""
        mark = f"<{priority_of(record.levelno)}>"
        return "\n".join(mark + line for line in super().format(record).splitlines())


def handler_for(
    environ: Mapping[str, str], stream: TextIO, address: Path = SOCKET
) -> logging.Handler:
    """
    Return the handler that fits how this process was started.

    Under systemd, whose JOURNAL_STREAM names the stream: journald, or the stream with priorities
    where the socket is not reachable. In a terminal: plain lines.
    """
    if not _is_collected(environ.get("JOURNAL_STREAM", ""), stream):
        return logging.StreamHandler(stream)
    return JournaldHandler(address, stream) if address.is_socket() else PrefixedHandler(stream)


def _is_collected(named: str, stream: TextIO) -> bool:
    """Say whether journald collects a stream. Source: systemd.exec(5), JOURNAL_STREAM."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return named == f"{found.st_dev}:{found.st_ino}"


def fields_of(record: logging.LogRecord, message: str) -> Iterator[tuple[str, str]]:
    """Yield the fields of a log record by name."""
    yield "MESSAGE", message
    yield "PRIORITY", str(priority_of(record.levelno))
    yield "SYSLOG_IDENTIFIER", IDENTIFIER
    about = getattr(record, FIELDS_KEY, None)
    if not isinstance(about, LogFields):
        return
    if about.kind is not None:
        yield "MESSAGE_ID", message_id(about.kind)
    for name, value in (
        ("REFRESHD_EVENT", about.kind),
        ("REFRESHD_DRIVE", about.drive),
        ("REFRESHD_PASS", about.pass_id),
        ("REFRESHD_LBA", about.lba),
    ):
        if value is not None:
            yield name, str(value)


def priority_of(level: int) -> int:
    """Return the syslog priority of a level of `logging`."""
    return next((number for limit, number in _PRIORITIES if level >= limit), _DEBUG)


def _encoded(fields: Mapping[str, str]) -> Iterator[bytes]:
    """Yield fields as journald reads them; a line feed in a value makes no new field (I8)."""
    for name, value in fields.items():
        raw = value.encode("utf-8", "backslashreplace")
        if b"\n" in raw:
            yield name.encode() + b"\n" + struct.pack("<Q", len(raw)) + raw + b"\n"
        else:
            yield name.encode() + b"=" + raw + b"\n"
