"""The connection layer of uvicorn: each connection knows its peer, and none holds up another.

Rules:

1. Who is at the other end is read from the kernel when the connection is made, before a byte of
   it is looked at, and travels with each request (`scope["state"]["peer"]`).
2. What is no HTTP gets the same answer as a stranger: nobody learns what listens here.
3. A user has so many connections and no more; a head that does not come in time is not waited for.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from refreshd.api.limits import Limits
from refreshd.api.peers import Peer, peer_of
from refreshd.api.refusal import REFUSAL_BYTES

STRANGER = Peer(uid=-1, groups=frozenset())
"""Where the kernel does not say who it is: nobody, with no right."""


class PeerProtocol(H11Protocol):
    """HTTP/1.1 over a connection whose peer is known."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
        limits: Limits = Limits(),  # noqa: B008 - frozen; uvicorn makes connections without it
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._limits = limits
        self.peer = STRANGER
        self._impatience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as H11Protocol
        """Ask the kernel who it is."""
        super().connection_made(transport)
        try:
            self.peer = peer_of(transport.get_extra_info("socket"))
        except OSError:
            transport.abort()  # It is gone already, or cannot be told: nothing is answered.
            return
        self.app_state = {**self.app_state, "peer": self.peer}
        if self._are_too_many():
            transport.abort()
            return
        self._be_impatient()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        self._be_patient()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; until a whole head is there the time runs."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._be_patient()
        elif self._impatience is None:
            self._be_impatient()

    def on_response_complete(self) -> None:
        """Be as impatient with a next head that has begun as with the first."""
        super().on_response_complete()
        if self.conn.trailing_data[0] and self._impatience is None:
            self._be_impatient()

    def send_400_response(self, msg: str) -> None:  # noqa: ARG002 - the peer is told nothing.
        """Answer what is no HTTP as any stranger is answered."""
        self.transport.write(REFUSAL_BYTES)
        self.transport.close()

    def _are_too_many(self) -> bool:
        if len(self.connections) > self._limits.connections:
            return True
        others = (one for one in self.connections if isinstance(one, PeerProtocol))
        same = sum(one.peer.uid == self.peer.uid for one in others)
        return self.peer.uid != 0 and same > self._limits.connections_a_user

    def _be_impatient(self) -> None:
        self._impatience = self.loop.call_later(self._limits.head_s, self._give_up)

    def _be_patient(self) -> None:
        if self._impatience is not None:
            self._impatience.cancel()
            self._impatience = None

    def _give_up(self) -> None:
        self._impatience = None
        if self.cycle is None or self.cycle.response_complete:
            self.transport.abort()
