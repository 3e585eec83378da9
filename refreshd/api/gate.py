"""The gate before every path: who may pass, how much may be said, and in which time.

Rules:

1. Whoever may not look gets one and the same answer to everything (`refusal`): not which paths
   there are, nor which methods.
2. Looking is GET and HEAD. Everything else is acting, and needs that right, so that no path can
   forget to ask.
3. A body is read here, up to a size and a time, before anything behind the gate is woken.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from refreshd.api.limits import Limits
from refreshd.api.peers import Caller, Doorkeeper, Peer
from refreshd.api.refusal import REFUSAL_BODY, REFUSAL_HEADERS
from refreshd.errors import RefusedError, UsageError
from refreshd.messages import told
from refreshd.reception.wire import Failure

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_DIGITS_MAX = 18
LOOKING = frozenset({"GET", "HEAD"})
BEHALF = b"refreshd-behalf"
BEHALF_CHARACTERS_MAX = 64


class _TooMuchError(Exception):
    """A body is larger than anything that is asked here."""


class Gate:
    """An ASGI application before another."""

    def __init__(self, app: App, door: Doorkeeper, limits: Limits) -> None:
        self._app = app
        self._door = door
        self._limits = limits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request pass, or answer it here."""
        caller = await self._caller(scope)
        if caller is None or scope["type"] != "http":
            await _answer(send, 403, REFUSAL_BODY, REFUSAL_HEADERS)
            return
        if scope["method"] not in LOOKING and not caller.may_act:
            await _fail(send, 403, _MAY_NOT_ACT)
            return
        limits = self._limits
        try:
            async with asyncio.timeout(limits.body_s):
                body = await _body(scope, receive, limits.body_bytes)
        except TimeoutError:
            await _fail(send, 408, UsageError(f"the body did not come in {limits.body_s:.0f} s"))
        except _TooMuchError:
            await _fail(send, 413, UsageError(f"a body holds at most {limits.body_bytes} bytes"))
        except ConnectionError:
            return
        else:
            scope["state"]["caller"] = caller
            await self._app(scope, _Replay(body, receive), send)

    async def _caller(self, scope: Scope) -> Caller | None:
        peer = scope.get("state", {}).get("peer")
        if not isinstance(peer, Peer):
            return None
        # The user database may be on a network: the loop of the daemon does not wait for it.
        caller = await asyncio.to_thread(self._door.caller, peer)
        return caller if caller is None else _on_behalf(caller, scope)


_MAY_NOT_ACT = RefusedError(
    "you may look, but not act: that takes the group that the policy names in [access] act_group"
)


def _on_behalf(caller: Caller, scope: Scope) -> Caller:
    """Name the person behind root, as `sudo` told the command line; nobody else is believed."""
    claimed = dict(scope["headers"]).get(BEHALF, b"").decode("utf-8", "replace")
    is_fit = claimed.isprintable() and 0 < len(claimed) <= BEHALF_CHARACTERS_MAX
    if not caller.is_root or not is_fit or claimed == caller.name:
        return caller
    return Caller(caller.uid, f"{claimed} as {caller.name}", caller.may_act)


async def _body(scope: Scope, receive: Receive, bytes_max: int) -> bytes:
    announced = dict(scope["headers"]).get(b"content-length", b"0")
    if announced.isdigit() and (len(announced) > _DIGITS_MAX or int(announced) > bytes_max):
        raise _TooMuchError
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise ConnectionError  # whoever asked is gone
        body += message.get("body", b"")
        if len(body) > bytes_max:
            raise _TooMuchError
        if not message.get("more_body", False):
            return bytes(body)


class _Replay:
    """Gives a body that was read already, then hears only whether the peer is still there."""

    def __init__(self, body: bytes, receive: Receive) -> None:
        self._body: bytes | None = body
        self._receive = receive

    async def __call__(self) -> Message:
        if self._body is None:
            return await self._receive()
        body, self._body = self._body, None
        return {"type": "http.request", "body": body, "more_body": False}


async def _fail(send: Send, status: int, error: RefusedError | UsageError) -> None:
    body = Failure(error=told(error)).model_dump_json().encode()
    headers = (
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    )
    await _answer(send, status, body, headers)


async def _answer(
    send: Send, status: int, body: bytes, headers: tuple[tuple[bytes, bytes], ...]
) -> None:
    await send({"type": "http.response.start", "status": status, "headers": list(headers)})
    await send({"type": "http.response.body", "body": body})
