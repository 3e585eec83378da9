"""Fixity: make and compare digests of chunks. The only module that knows xxHash."""

from __future__ import annotations

import xxhash

from refreshd.quantities import Digest


def digest(content: memoryview | bytes | bytearray) -> Digest:
    """Return the XXH3-128 digest of `content`, seed 0, in canonical (big-endian) form.

    Source: xxHash specification, canonical representation; check values in the tests.
    """
    return Digest(xxhash.xxh3_128_digest(content))
