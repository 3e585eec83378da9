"""How much anybody may ask for: small, since every question is; nobody can use up the daemon."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """
    What a connection may cost. Chosen, no source; far above what the command line needs.

    Args:
        head_s: Time for a request line and its headers, some hundred bytes.
        body_s: Time for a body.
        body_bytes: Longest body; the longest that makes sense names a thousand findings.
        connections: At the same time, of all users together.
        connections_a_user: At the same time, of one user who is not root.

    """

    head_s: float = 10.0
    body_s: float = 10.0
    body_bytes: int = 64 * 1024
    connections: int = 256
    connections_a_user: int = 32
