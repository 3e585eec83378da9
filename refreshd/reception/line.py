"""The way to the daemon: HTTP over its Unix socket; what goes wrong there, and what it refuses."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import httpx
from pydantic import BaseModel, TypeAdapter, ValidationError

from refreshd.errors import (
    DaemonUnreachableError,
    InvariantBrokenError,
    RefreshdError,
    RefusedError,
)
from refreshd.messages import ErrorTold, raised
from refreshd.ports import Attendant
from refreshd.reception.wire import BEHALF_HEADER, PREFIX, Failure, Told

CONNECT_S_MAX = 5.0
FIRST_S_MAX = 60.0
"""The first question needs no disk, but makes the daemon load what answers it: half a second, and
thirty on a slow server that is at work on a drive (measured in an emulated machine, 2026-11)."""

ANSWER_S_MAX = 90.0
"""The lock of the shelf is waited for up to 60 seconds; what takes longer is told in a stream."""

SILENCE_S_MAX = 30.0
"""A stream beats every second; after so long without one the daemon hangs."""

T = TypeVar("T")
Query = dict[str, str | int | bool]


class Line:
    """
    A connection to a daemon.

    Args:
        path: Its socket.
        attendant: Hears what is said beside an answer.
        behalf: The person behind root, as sudo names him; empty: nobody.

    """

    def __init__(self, path: Path, attendant: Attendant, behalf: str = "") -> None:
        self.path = path
        self._attendant = attendant
        self._said: set[str] = set()
        self._client = httpx.Client(
            transport=httpx.HTTPTransport(uds=str(path), retries=0),
            base_url=f"http://refreshd{PREFIX}",
            timeout=httpx.Timeout(ANSWER_S_MAX, connect=CONNECT_S_MAX),
            headers=[(BEHALF_HEADER.encode(), behalf.encode())] if behalf else None,
            trust_env=False,  # a proxy of the environment has no business here
        )

    def knock(self) -> None:
        """
        Find out whether a daemon is there at all, and lets this user in.

        Raises:
            DaemonUnreachableError: Nobody answers.
            RefusedError: The socket may not be opened.

        """
        # By hand: the library under httpx leaves its socket open where nobody answers.
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(CONNECT_S_MAX)
            try:
                line.connect(str(self.path))
            except PermissionError as err:
                raise RefusedError(
                    f"{self.path}: this user may not talk to the daemon; ask the administrator to "
                    "be in the group that its policy names, and log in anew"
                ) from err
            except OSError as err:
                raise DaemonUnreachableError(
                    f"no daemon answers at {self.path} ({err.strerror or err}); start it, or work "
                    "without one by --socket none"
                ) from err

    def close(self) -> None:
        """Close the connection."""
        self._client.close()

    def get(
        self,
        path: str,
        kind: type[Told[T]],
        query: Query | None = None,
        patience_s: float | None = ANSWER_S_MAX,
    ) -> T:
        """Ask for a look."""
        timeout = httpx.Timeout(patience_s, connect=CONNECT_S_MAX)
        with self._reaching():
            response = self._client.get(path, params=query, timeout=timeout)
        return self._answer(response, kind)

    def ask(self, method: str, path: str, kind: type[Told[T]], wish: BaseModel | None = None) -> T:
        """Ask for an act."""
        with self._reaching():
            response = self._client.request(method, path, **_body(wish))
        return self._answer(response, kind)

    def _answer(self, response: httpx.Response, kind: type[Told[T]]) -> T:
        if not response.is_success:
            raise _failure(response.content, self.path)
        told = read(TypeAdapter(kind), response.text)
        for sentence in told.said:
            if sentence not in self._said:  # A verb may ask twice; what is doubtful is said once.
                self._said.add(sentence)
                self._attendant.said(sentence)
        return told.answer

    @contextmanager
    def streaming(
        self, method: str, path: str, wish: BaseModel | None = None, query: Query | None = None
    ) -> Iterator[Iterator[str]]:
        """Ask for what is told line by line."""
        timeout = httpx.Timeout(SILENCE_S_MAX, connect=CONNECT_S_MAX)
        body = _body(wish)
        with (
            self._reaching(),
            self._client.stream(method, path, params=query, timeout=timeout, **body) as response,
        ):
            if not response.is_success:
                raise _failure(response.read(), self.path)
            yield response.iter_lines()

    @contextmanager
    def _reaching(self) -> Iterator[None]:
        try:
            yield
        except httpx.ConnectError as err:
            raise DaemonUnreachableError(
                f"no daemon answers at {self.path} any more ({err}); look at its log"
            ) from err
        except httpx.TimeoutException as err:
            raise DaemonUnreachableError(
                f"the daemon at {self.path} does not answer in time; its log may say why"
            ) from err
        except httpx.TransportError as err:
            raise DaemonUnreachableError(
                f"the daemon at {self.path} went away in mid-answer ({err}); what it was doing is "
                "checkpointed"
            ) from err


def _body(wish: BaseModel | None) -> dict[str, Any]:
    if wish is None:
        return {}
    return {
        "content": wish.model_dump_json(exclude_none=True),
        "headers": {"content-type": "application/json"},
    }


def read(adapter: TypeAdapter[T], text: str) -> T:
    """Read what the daemon said, or raise DaemonUnreachableError."""
    try:
        return adapter.validate_json(text)
    except ValidationError as err:
        raise DaemonUnreachableError(
            "the daemon answers in a way that this version does not understand; run the same "
            "version on both sides"
        ) from err


def _failure(body: bytes, path: Path) -> RefreshdError | InvariantBrokenError:
    try:
        return error_told(Failure.model_validate_json(body).error)
    except ValidationError:
        return DaemonUnreachableError(f"what answers at {path} is no refreshd of this version")


def error_told(error: ErrorTold) -> RefreshdError | InvariantBrokenError:
    """Return an error that the daemon told as the one it was."""
    if error.kind == InvariantBrokenError.__name__:
        return InvariantBrokenError(error.message)
    return raised(error)
