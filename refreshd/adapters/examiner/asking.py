"""Questions to one disk, one after the other, and what came of each: a page, or why there is none.

A1  What is no whole answer is no page: too short, nothing but zeros, or the same as an earlier
    page, which some bridges give to whatever they do not understand.
A2  After one question without any answer nothing more is asked: each of them keeps the drive from
    its work for as long as the time limit, and the kernel resets it at the end.
A3  A disk that is gone is an error, DriveGoneError; everything else is an answer in words.
"""

from __future__ import annotations

import errno
from collections.abc import Callable

from refreshd.health_cards import PageName, RawPages, Route
from refreshd.kernel import direct_io, sg_io
from refreshd.kernel.sg_io import Send, Sent

TIMEOUT_MS = 30_000
"""As long as the kernel gives a read or a write. Source: Linux drivers/scsi/sd.h, SD_TIMEOUT."""

NO_RIGHT = "this process may not send commands to it: needs CAP_SYS_RAWIO"
NO_COMMANDS = "the kernel passes no commands to it"

_MEANINGFUL_BYTES = 16
"""Two logs that are both empty may be the same bytes: a revision and a checksum. Beyond so many
bytes that are not zero, two different pages of one drive never are (common practice, no source)."""


FAULTS = direct_io.UNREADABLE | direct_io.SERVER_SIDE | {errno.EBUSY, errno.EINTR}
"""The server or the way failed to pass a question on: no reason to end a pass."""


class Line:
    """One open handle on a disk, over which questions go. `is_mute`: nothing more is asked (A2)."""

    def __init__(self, send: Send) -> None:
        """Take over a way to send; nothing is asked yet."""
        self._send = send
        self.is_mute = False
        self.has_no_right = False
        self._fault = ""

    def asked(self, cdb: bytes, data_bytes: int = 0) -> Sent | None:
        """Send one command; None: not sent, since nobody takes it, or not from us, or A2."""
        if self.is_mute:
            return None
        try:
            sent = sg_io.asked(self._send, cdb, data_bytes, TIMEOUT_MS)
        except OSError as err:
            if err.errno in sg_io.NO_RIGHT:
                self.has_no_right = True
                return None
            if err.errno in FAULTS:
                self._fault = f"the question did not get through ({direct_io.error_name(err)})"
            elif err.errno not in sg_io.NOBODY:
                raise
            return None
        self.is_mute = sent.is_timed_out
        return sent

    @property
    def why_unsent(self) -> str:
        """Say why a command was not sent."""
        if self.is_mute:
            return "not asked, since a question before it got no answer in time"
        return NO_RIGHT if self.has_no_right else self._fault or NO_COMMANDS


class Answers:
    """The pages that came over one line, and why others did not."""

    def __init__(self, line: Line, route: Route, form: Callable[[bytes], bytes] = bytes) -> None:
        """Begin with none. `form` gives a command the form in which it is sent."""
        self._line, self._route, self._form = line, route, form
        self.pages: dict[PageName, bytes] = {}
        self.refusals: dict[PageName, str] = {}

    def ask(self, name: PageName, cdb: bytes, data_bytes: int, *, is_whole: bool = True) -> bytes:
        """
        Ask for a page, and keep it or why there is none. Return it; empty where there is none.

        Args:
            name: Under which name it is kept.
            cdb: The command.
            data_bytes: How much may come.
            is_whole: Whether less than that is no page; else the page says how long it is.

        """
        try:
            page = self.sector(cdb, data_bytes, is_whole=is_whole)
            self._refuse_repetition(page)
        except NoPageError as err:
            self.refusals[name] = str(err)
            return b""
        self.pages[name] = page
        return page

    def ask_status(self, name: PageName, cdb: bytes) -> None:
        """Ask for what comes back as sense data, and keep all of it."""
        sent = self._line.asked(self._form(cdb))
        if sent is None:
            self.refusals[name] = self._line.why_unsent
        elif sent.is_good:
            self.refusals[name] = "the bridge gives no registers of the drive back"
        elif sent.has_sense and sent.key in _NO_ERRORS:
            self.pages[name] = sent.sense
        else:
            self.refusals[name] = sent.words

    def sector(self, cdb: bytes, data_bytes: int, *, is_whole: bool = True) -> bytes:
        """
        Return what a command brought.

        Raises:
            NoPageError: Nothing that could be a page.

        """
        sent = self._line.asked(self._form(cdb), data_bytes)
        if sent is None:
            raise NoPageError(self._line.why_unsent)
        if not sent.is_good:
            raise NoPageError(sent.words)
        if is_whole and len(sent.data) < data_bytes:
            raise NoPageError(f"{len(sent.data)} of {data_bytes} bytes came")
        if not any(sent.data):
            raise NoPageError("nothing but zeros came" if sent.data else "nothing came")
        return sent.data

    def refuse(self, why: str, *names: PageName) -> None:
        """Keep why pages are not asked for."""
        self.refusals.update(dict.fromkeys(names, why))

    def told(self, hwmon_celsius: int | None) -> RawPages:
        """Return what was answered."""
        return RawPages(
            self._route, dict(self.pages), dict(self.refusals), hwmon_celsius=hwmon_celsius
        )

    def _refuse_repetition(self, page: bytes) -> None:
        """Raise if these very bytes came to another question."""
        if len(page) - page.count(0) <= _MEANINGFUL_BYTES:
            return
        for name, earlier in self.pages.items():
            if page == earlier:
                raise NoPageError(f"the same bytes came as for {name}: an answer to nothing asked")


_NO_ERRORS = frozenset({0x0, 0x1})
"""No sense and recovered error, with which registers come back. Source: SAT, CK_COND."""


class NoPageError(Exception):
    """No page came. Answer: say so, as the message does. Never leaves this package."""
