"""Fixity: make and compare digests of chunks. The only module that knows xxHash."""

from __future__ import annotations

import xxhash

from refreshd.quantities import Digest


def digest(content: memoryview | bytes | bytearray) -> Digest:
    """Return the XXH3-128 digest of `content`, seed 0, in canonical (big-endian) form.

    Source: xxHash specification, canonical representation; check values in the tests.
    """
    return Digest(xxhash.xxh3_128_digest(content))


class Digester:
    """Makes the same digest as `digest` of content that comes in pieces."""

    def __init__(self) -> None:
        self._state = xxhash.xxh3_128()

    def add(self, piece: memoryview | bytes | bytearray) -> None:
        """Take in the next piece."""
        self._state.update(piece)

    def digest(self) -> Digest:
        """Return the digest of everything taken in so far."""
        return Digest(self._state.digest())
