"""What the service says reaches the system's log with fields, or stderr without."""

from __future__ import annotations

import io
import logging
import os
import socket
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.adapters.journald import (
    FIELDS_KEY,
    JournaldHandler,
    LogFields,
    PrefixedHandler,
    handler_for,
    message_id,
)


@pytest.fixture
def journald(tmp_path: Path) -> Iterator[socket.socket]:
    """Stand in for journald's end of the socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "journal"))
        listener.settimeout(0)
        yield listener


def record(
    message: str, level: int = logging.INFO, fields: LogFields | None = None
) -> logging.LogRecord:
    """Return a log record as `logging` makes it."""
    made = logging.LogRecord("refreshd", level, __file__, 1, message, None, None)
    if fields is not None:
        setattr(made, FIELDS_KEY, fields)
    return made


def parsed(raw: bytes) -> dict[str, str]:
    """Read a message as journald does."""
    fields = {}
    while raw:
        line, _, rest = raw.partition(b"\n")
        name, sign, value = line.partition(b"=")
        if not sign:
            (length,) = struct.unpack_from("<Q", rest)
            value, rest = rest[8 : 8 + length], rest[8 + length + 1 :]
        fields[name.decode()] = value.decode()
        raw = rest
    return fields


def heard(listener: socket.socket) -> dict[str, str]:
    """Take one message, in a datagram or in a file in memory."""
    raw, handles, _, _ = socket.recv_fds(listener, 1 << 20, 1)
    if not handles:
        return parsed(raw)
    with os.fdopen(handles[0], "rb") as file:
        file.seek(0)
        return parsed(file.read())


def test_a_message_carries_what_it_is_about(journald: socket.socket, tmp_path: Path) -> None:
    """An administrator asks journalctl for one drive, or for one kind of event."""
    handler = JournaldHandler(tmp_path / "journal", io.StringIO())
    about = LogFields("drive-arrived", "K07", 12, 2048)
    handler.emit(record("K07 is here.", logging.WARNING, about))
    handler.close()

    assert heard(journald) == {
        "MESSAGE": "K07 is here.",
        "PRIORITY": "4",
        "SYSLOG_IDENTIFIER": "refreshd",
        "MESSAGE_ID": message_id("drive-arrived"),
        "REFRESHD_EVENT": "drive-arrived",
        "REFRESHD_DRIVE": "K07",
        "REFRESHD_PASS": "12",
        "REFRESHD_LBA": "2048",
    }


def test_a_line_feed_in_a_message_forges_no_field(journald: socket.socket, tmp_path: Path) -> None:
    """I8: a drive's own words may stand in a message."""
    handler = JournaldHandler(tmp_path / "journal", io.StringIO())
    handler.emit(record("ACME\nPRIORITY=0\nREFRESHD_DRIVE=K99"))
    handler.close()
    told = heard(journald)

    assert told["MESSAGE"] == "ACME\nPRIORITY=0\nREFRESHD_DRIVE=K99"
    assert told["PRIORITY"] == "6"
    assert "REFRESHD_DRIVE" not in told


def test_a_message_too_long_for_a_datagram_arrives(journald: socket.socket, tmp_path: Path) -> None:
    """A traceback or the end of a worker's words may be long."""
    handler = JournaldHandler(tmp_path / "journal", io.StringIO())
    handler.emit(record("x" * 8_000_000))
    handler.close()

    assert len(heard(journald)["MESSAGE"]) == 8_000_000


def test_without_journald_it_is_said_on_the_stream(tmp_path: Path) -> None:
    """A message is never lost because the log is away."""
    stream = io.StringIO()
    handler = JournaldHandler(tmp_path / "nobody", stream)
    handler.emit(record("one\ntwo", logging.ERROR))
    handler.close()

    assert stream.getvalue() == "<3>one\n<3>two\n"


def test_the_handler_fits_how_the_service_was_started(
    journald: socket.socket, tmp_path: Path
) -> None:
    """Source: systemd.exec(5), JOURNAL_STREAM: device and inode of the stream it collects."""
    with (tmp_path / "stderr").open("w", encoding="utf-8") as stream:
        found = os.fstat(stream.fileno())
        under_systemd = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
        kinds = [
            type(handler_for({}, stream, tmp_path / "journal")),
            type(handler_for({"JOURNAL_STREAM": "8:1"}, stream, tmp_path / "journal")),
            type(handler_for(under_systemd, stream, tmp_path / "nobody")),
        ]
        native = handler_for(under_systemd, stream, tmp_path / "journal")
        native.close()

    assert kinds == [logging.StreamHandler, logging.StreamHandler, PrefixedHandler]
    assert isinstance(native, JournaldHandler)


@pytest.mark.parametrize(
    ("level", "priority"),
    [(logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (25, 6), (logging.DEBUG, 7)],
)
def test_levels_become_priorities(level: int, priority: int) -> None:
    """Source: syslog(3)."""
    stream = io.StringIO()
    PrefixedHandler(stream).emit(record("said", level))

    assert stream.getvalue() == f"<{priority}>said\n"


def test_an_event_kind_keeps_its_message_id_for_ever() -> None:
    """Saved searches and alerts of administrators name these numbers."""
    assert message_id("drive-arrived") == "fd9688c60ff85ec1b3028c0f02d31ee8"
    assert message_id("finding-opened") == "3bcb7bf522555288bad194884332369e"
