"""The chain of the journal: canonical JSON, digests, and strict reading."""

from __future__ import annotations

import hashlib
import json
import struct
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd import chain
from refreshd.cards import Presence
from refreshd.chain import canonical, decode, digest_of, encode, next_entry, read_frame
from refreshd.errors import InvariantBrokenError, JournalDamagedError
from refreshd.events import CardCorrected, DriveAccessioned, Entry, JournalOpened, PassBegun
from refreshd.quantities import PassId, PassKind
from tests.journals import BEGINS, K07, chained, some_entries, some_lines

EURO = "\u20ac"


def test_canonical_json_is_that_of_the_standards_first_example() -> None:
    """RFC 8785 sections 3.2.2 and 3.2.4, sample object and its UTF-8 bytes (from memory)."""
    sample = json.loads(
        r"""{
          "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
          "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
          "literals": [null, true, false]
        }"""
    )
    expected = bytes.fromhex(
        "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e"
        "756d62657273223a5b3333333333333333332e333333333333332c31652b3330"
        "2c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac24"
        "5c75303030665c6e4127425c225c5c5c5c5c222f227d"
    )

    assert canonical(sample) == expected


def test_keys_are_sorted_by_utf16_units() -> None:
    """RFC 8785 section 3.2.3, the sorting example (from memory)."""
    sample = {
        EURO: "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    order = [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]

    assert list(json.loads(canonical(sample)).values()) == order


@pytest.mark.parametrize(
    ("bits", "expected"),
    [
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("8000000000000001", "-5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555553", "333333333.3333332"),
        ("41b3de4355555555", "333333333.3333333"),
        ("41b3de4355555557", "333333333.33333343"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_the_standards_samples(bits: str, expected: str) -> None:
    """RFC 8785 appendix B, number serialization samples (from memory)."""
    value = struct.unpack(">d", bytes.fromhex(bits))[0]

    assert canonical({"n": value}) == f'{{"n":{expected}}}'.encode()


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"\xbd", "68325720aabd7c82f30f554b313d0570c95accbb7dc4b5aae11204c08ffe732b"),
        (b"a" * 10**6, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
        (bytes(4096), "ad7facb2586fc6e966c004d7d1d16b024f5805ff7cb47c7a85dabd8b48892ca7"),
    ],
)
def test_sha256_is_that_of_the_published_examples(message: bytes, expected: str) -> None:
    """FIPS 180-4 example messages ("", abc, 448 bit, bd, a million a; the zeros computed)."""
    assert hashlib.sha256(message).hexdigest() == expected


def test_the_first_entry_names_sixty_four_zeros() -> None:
    """I5: a journal begins with record 1 and a link to nothing."""
    first, second = some_entries(2)

    assert (first.sequence, first.previous) == (1, "0" * 64)
    assert (second.sequence, second.previous) == (2, first.digest)


def test_a_digest_can_be_recomputed_with_nothing_but_json_and_sha256() -> None:
    """A successor needs this program for nothing: parse, drop `digest`, sort, hash."""
    for line in some_lines(8):
        value = json.loads(line)
        claimed = value.pop("digest")
        plain = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

        assert hashlib.sha256(plain.encode()).hexdigest() == claimed


def test_a_line_is_read_back_as_the_entry_that_it_was() -> None:
    """Writing and reading are each other's inverse, and the frame agrees with both."""
    for entry in some_entries(12):
        line = encode(entry)
        frame = read_frame(line)

        assert decode(line) == entry
        assert frame is not None
        assert (frame.sequence, frame.previous) == (entry.sequence, entry.previous)
        assert frame.computed == frame.digest == entry.digest == digest_of(entry)


def test_a_time_is_cut_to_whole_seconds_never_rounded_up() -> None:
    """I4: a recorded time may be older than the truth, never newer."""
    entry = next_entry(None, BEGINS + timedelta(microseconds=999_999), JournalOpened(program="x"))

    assert entry.at == BEGINS


def test_a_time_that_is_not_utc_stops_the_program() -> None:
    """I4: a local time would be hours newer or older than it says."""
    local = BEGINS.astimezone(timezone(timedelta(hours=2)))

    with pytest.raises(InvariantBrokenError, match="UTC"):
        next_entry(None, local, JournalOpened(program="x"))
    with pytest.raises(InvariantBrokenError, match="UTC"):
        next_entry(None, BEGINS.replace(tzinfo=None), JournalOpened(program="x"))


def _sealed(change: dict[str, Any], event: dict[str, Any] | None = None) -> bytes:
    """Return a line with a true digest over changed content."""
    value = json.loads(encode(chained([JournalOpened(program="x")])[0])) | change
    value["event"] |= event or {}
    del value["digest"]
    digest = hashlib.sha256(rfc8785.dumps(value)).hexdigest()
    return rfc8785.dumps(value | {"digest": digest}) + b"\n"


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (_sealed({"label": "accession"}), "has label"),
        (_sealed({}, {"kind": "drive-polished"}), "cannot be understood"),
        (_sealed({}, {"colour": "grey"}), "cannot be understood"),
        (_sealed({}, {"outcome": "perhaps"}), "cannot be understood"),
        (_sealed({}, {"drive": 7.5}), "cannot be understood"),
        (_sealed({}).replace(b"\n", b" \n"), "is not a journal record"),
        (_sealed({})[:-1], "is not a journal record"),
        (b"\n", "is not a journal record"),
        (b"", "is not a journal record"),
        (_sealed({}).replace(b"refreshd", b"rafreshd").replace(b'"x"', b'"y"'), "digest"),
    ],
)
def test_a_line_that_is_not_exactly_ours_is_refused(line: bytes, why: str) -> None:
    """I5: an unknown kind, a wrong label or a changed byte is an error, never a guess."""
    with pytest.raises(JournalDamagedError, match=why):
        decode(line)


def test_a_true_digest_over_other_spelling_is_refused() -> None:
    """The bytes must be the canonical ones, also where the digest fits the bytes as they are."""
    line = encode(chained([CardCorrected(drive=K07, title="Slides")])[0])
    frame = read_frame(line)
    assert frame is not None
    spelt = line.replace(b'"title":"Slides"', b'"title":"\\u0053lides"')
    other = read_frame(spelt)
    assert other is not None
    resealed = spelt.replace(frame.digest.encode(), other.computed.encode(), 1)

    with pytest.raises(JournalDamagedError, match="canonical"):
        decode(resealed)


OF_AN_EARLIER_VERSION = (
    b'{"at":"2026-11-25T14:49:04Z","digest":"843ec82dcd927f94cd8814b03c86700837ce182e2c8de5a08b67'
    b'38f047d24f3f","event":{"chunk_bytes":4194304,"claimed_written_on":"2023-05-01","drive":"K07"'
    b',"evidence":{"carrier":"block","is_rotational":true,"logical_bytes":512,"model":"loop device"'
    b',"physical_bytes":512,"serial":null,"signatures":["ext4:0af1da3a-482c-4c10-844c-b33337e8e2d2'
    b'"],"size_bytes":734003200,"wwn":null},"kind":"drive-accessioned","medium":"hard-disk","outcom'
    b'e":"success","shelfmark":"R2-B04-S3","title":"Choir recordings 1998 to 2004"},"label":"access'
    b'ion","previous":"fcf35ff0a660c9f0c581f271d92aafb85cfa197139ccb925570cb77729afc6e3","sequence"'
    b":2}\n"
)
"""Written before evidence said whether a drive gave its names itself. Never to be changed."""


def test_a_line_of_an_earlier_version_is_still_read() -> None:
    """I5: what a later version knows more of does not turn an old record into a damaged one."""
    event = decode(OF_AN_EARLIER_VERSION).event

    assert isinstance(event, DriveAccessioned)
    assert event.evidence.has_own_names is False


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@given(title=TEXT, policy=st.dictionaries(TEXT, TEXT, max_size=4), chunks=st.integers(0, 2**53 - 1))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_the_fast_check_agrees_with_canonical_json(
    title: str, policy: dict[str, str], chunks: int
) -> None:
    """Whatever text and numbers an event holds, its own line is read back as canonical."""
    begun = PassBegun(
        drive=K07,
        pass_id=PassId("K07/1"),
        pass_kind=PassKind.REFRESH,
        presence=Presence("boot", 1),
        segment_chunks=chunks,
        policy=policy,
    )
    for entry in chained([CardCorrected(drive=K07, title=title), begun]):
        assert decode(encode(entry)) == entry


def test_keys_that_the_two_encoders_sort_differently_go_the_slow_way() -> None:
    """RFC 8785 section 3.2.3: U+10000 sorts before U+FFFF there, after it by code points."""
    policy = {"\U00010000": "a", "\uffff": "b"}
    begun = PassBegun(
        drive=K07,
        pass_id=PassId("K07/1"),
        pass_kind=PassKind.REFRESH,
        presence=Presence(),
        segment_chunks=1,
        policy=policy,
    )
    (entry,) = chained([begun])
    line = encode(entry)

    assert line.index("\U00010000".encode()) < line.index("\uffff".encode())
    assert decode(line) == entry


def test_an_integer_beyond_2_to_the_53_is_no_canonical_json() -> None:
    """RFC 8785 section 3.2.2.3: readers in other languages would round it."""
    entry = chained([JournalOpened(program="x")])[0]
    huge_line = (
        _sealed({})
        .replace(b'"journal-opened"', b'"catalogue-brought-up"')
        .replace(b'"program":"x"', b'"from_sequence":0,"to_sequence":9007199254740992')
    )

    with pytest.raises(rfc8785.IntegerDomainError):
        encode(Entry.model_validate_json(huge_line))
    assert not chain._is_canonical(huge_line)
    assert datetime(1, 1, 1, tzinfo=UTC) < entry.at
