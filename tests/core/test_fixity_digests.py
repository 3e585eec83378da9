"""Chunk digests against the published check values of XXH3-128."""

from __future__ import annotations

import pytest

from refreshd.fixity import Digester, digest

PRIME32, PRIME64 = 2654435761, 11400714785074694797


def published_input(length: int) -> bytes:
    """Make the input of the published table: xxHash reference repository, sanity check."""
    state, made = PRIME32, bytearray()
    for _ in range(length):
        made.append(state >> 56)
        state = state * PRIME64 % 2**64
    return bytes(made)


# Source: xxHash reference repository, sanity-check table (commit b2e9dbb0, October 2024), rows
# with seed 0; canonical form: high half first, most significant byte first (xxhash_spec.md).
PUBLISHED = {
    0: "99aa06d3014798d86001c324468d497f",
    1: "a6cd5e9392000f6ac44bdff4074eecdb",
    6: "082afe0b8162d12a3e7039bdda43cfc6",
    12: "6e3efd8fc7802b18061a192713f69ad9",
    24: "0ce966e4678d37611e7044d28b1b901d",
    48: "a002ac4e5478227ef942219aed80f67b",
    81: "4952f58181ab00425e8bafb9f95fb803",
    222: "337e09641b948717f1aebd597cec6b3a",
}

# Computed with xxhash 4.1.0, not published; the first three are common on the web.
COMPUTED = {
    b"a": "a96faf705af16834e6c632b61e964e1f",
    b"abc": "06b05ab6733a618578af5f94892f3950",
    b"123456789": "33119477ede5dcd5e9716427681d5860",
    bytes(512): "3258ca92e0a00944b2987a9d949e807c",
    bytes(4096): "3ee8dc4f9e7ee49593d76fe148c689ba",
    bytes(1 << 20): "b6ef17a3448492b6918780b90550bf34",
}

# Source: as above, XXH3-64 table, seed 0; beyond 240 bytes it is the low half of XXH3-128.
PUBLISHED_LOW_HALF = {
    403: "cdeb804d65c6dea4",
    512: "617e49599013cb6b",
    2048: "dd59e2c3a5f038e0",
    2367: "cb37aeb9e5d361ed",
}


@pytest.mark.parametrize(("length", "expected"), PUBLISHED.items())
def test_digests_are_the_published_ones(length: int, expected: str) -> None:
    """A successor can check our digests with any XXH3-128 tool."""
    assert digest(published_input(length)).hex() == expected


@pytest.mark.parametrize(("length", "expected"), PUBLISHED_LOW_HALF.items())
def test_long_digests_end_in_the_published_64_bits(length: int, expected: str) -> None:
    """The long path agrees with the published table where the two variants share bits."""
    assert digest(published_input(length)).hex()[16:] == expected


@pytest.mark.parametrize(("content", "expected"), COMPUTED.items())
def test_everyday_contents_keep_their_digest(content: bytes, expected: str) -> None:
    """A change of library must not change what old records mean."""
    assert digest(content).hex() == expected


def test_pieces_add_up_to_the_same_digest() -> None:
    """A file that is read in pieces has the digest of the whole."""
    content, digester = published_input(2367), Digester()
    for start in range(0, len(content), 100):
        digester.add(memoryview(content)[start : start + 100])

    assert digester.digest() == digest(content)
