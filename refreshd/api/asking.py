"""What the paths share: who asks, how a drive is named, how an answer is streamed."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import Annotated, Any, Self

from fastapi import Depends, Path, Query, Request
from fastapi.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from refreshd.api.office import Office
from refreshd.api.peers import Caller
from refreshd.api.watching import Gallery, Watcher
from refreshd.errors import RefreshdError
from refreshd.events import Entry
from refreshd.messages import told
from refreshd.policy_values import DRIVE_NUMBER_PATTERN
from refreshd.reception.wire import Broken, Failure, JournalLine

LINES = "application/x-ndjson"

FAILURES: dict[int | str, dict[str, Any]] = {
    400: {"model": Failure, "description": "What was asked for makes no sense."},
    403: {"model": Failure, "description": "Whoever asks may not."},
    404: {"model": Failure, "description": "There is no such drive, or no such path."},
    408: {"model": Failure, "description": "The body did not come in time."},
    409: {"model": Failure, "description": "A guard refused; nothing was touched."},
    413: {"model": Failure, "description": "The body is too large."},
    422: {"model": Failure, "description": "The question is not formed as described here."},
    500: {"model": Failure, "description": "A fault of the daemon itself."},
    503: {"model": Failure, "description": "A drive or a disk failed, or the pass was stopped."},
}
"""Every answer but a good one has this form; `error.exit_code` is that of the command line."""


def _office(request: Request) -> Office:
    office = request.app.state.office
    if not isinstance(office, Office):
        raise TypeError("the application was made without an office")
    return office


def _caller(request: Request) -> Caller:
    caller = request.state.caller
    if not isinstance(caller, Caller):
        raise TypeError("the request came past the gate")
    return caller


TheOffice = Annotated[Office, Depends(_office)]
TheCaller = Annotated[Caller, Depends(_caller)]
Drive = Annotated[
    str, Path(pattern=DRIVE_NUMBER_PATTERN, description="Accession number, such as K07.")
]
AnyDrive = Annotated[
    str | None,
    Query(pattern=DRIVE_NUMBER_PATTERN, description="Accession number; left out: all drives."),
]


class LiveStream(StreamingResponse):
    """What a watcher hears, line by line; he is forgotten however the stream ends."""

    media_type: str | None = LINES
    let_go: Callable[[], None]

    @classmethod
    def of(cls, gallery: Gallery, watcher: Watcher) -> Self:
        """Return the stream of a watcher; he hears from this moment on."""
        gallery.let_in(watcher)
        stream = cls(_live(watcher))
        stream.let_go = lambda: gallery.forget(watcher)
        return stream

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the end, or until nobody reads."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self.let_go()


async def _live(watcher: Watcher) -> AsyncIterator[str]:
    async for line in watcher.lines():
        yield line.model_dump_json() + "\n"


class JournalStream(StreamingResponse):
    """Records of the journal, line by line, read in a thread while they are sent."""

    media_type: str | None = LINES

    @classmethod
    def of(
        cls, office: Office, first: tuple[Entry, ...], more: Callable[[], tuple[Entry, ...]]
    ) -> Self:
        """Return the stream that begins with what was read already."""
        return cls(_told_in_parts(office, first, more))


async def _told_in_parts(
    office: Office, first: tuple[Entry, ...], more: Callable[[], tuple[Entry, ...]]
) -> AsyncIterator[str]:
    part = first
    while part:
        yield await office.in_thread(office.readers, partial(_as_lines, part))
        try:
            part = await office.in_thread(office.readers, more)
        except RefreshdError as err:
            yield Broken(error=told(err)).model_dump_json() + "\n"
            return


def _as_lines(entries: tuple[Entry, ...]) -> str:
    return "".join(JournalLine(entry=one).model_dump_json() + "\n" for one in entries)
