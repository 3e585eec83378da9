"""Rounded figures, and how long a pass is expected to take."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from refreshd.cards import Carrier, DriveCard, Evidence, PassHistory
from refreshd.expectation import TYPICAL_BYTES_PER_S, expect, expect_s
from refreshd.quantities import DriveNumber, MediumKind, Outcome, PassId, PassKind
from refreshd.words import (
    duration_words,
    measured_words,
    medium_words,
    rate_words,
    share_words,
    size_words,
)

SIZE = 4 * 10**12
CARD = DriveCard(
    DriveNumber("K07"),
    "R1",
    "plates",
    MediumKind.HARD_DISK,
    Evidence(Carrier.BLOCK, SIZE, 512, 4096),
    4 << 20,
    datetime(2031, 3, 14, tzinfo=UTC).date(),
)


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (65536, "66 kB"),
        (4 * 10**12, "4.0 TB"),
        (20 * 10**12, "20 TB"),
    ],
)
def test_sizes_are_told_in_decimal_units(size: int, words: str) -> None:
    """Drives are sold in units of ten."""
    assert size_words(size) == words


def test_rates_are_sizes_a_second() -> None:
    """A rate has the unit of a size."""
    assert rate_words(150_000_000) == "150 MB/s"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (3, "less than a minute"),
        (60, "1 minute"),
        (7199, "120 minutes"),
        (64800, "18 hours"),
        (4 * 86400, "4 days"),
        (90 * 86400, "3 months"),
        (1096 * 86400, "3 years"),
    ],
)
def test_durations_are_told_as_one_would_say_them(seconds: int, words: str) -> None:
    """Nobody plans in seconds."""
    assert duration_words(seconds) == words


def test_measured_times_are_told_closely() -> None:
    """What was measured is told in the two largest units."""
    assert measured_words(0.24) == "0.2 seconds"
    assert measured_words(252) == "4 minutes 12 seconds"
    assert measured_words(65100) == "18 hours 5 minutes"
    assert measured_words(0.01) == "less than 0.1 seconds"
    assert measured_words(300) == "5 minutes"
    assert measured_words(7200) == "2 hours"


def test_a_share_is_never_rounded_to_nothing_or_to_all() -> None:
    """512 bytes of 4 TB are not 0 %, and a drive but for one sector is not all of it."""
    assert share_words(512, SIZE) == "less than 0.1 % of the drive"
    assert share_words(SIZE - 512, SIZE) == "99.9 % of the drive"
    assert share_words(SIZE, SIZE) == "all of the drive"


def test_media_are_told_without_hyphens() -> None:
    """The option's value and the word of a sentence differ."""
    assert [medium_words(one) for one in MediumKind] == [
        "hard disk",
        "shingled disk",
        "SSD",
        "flash",
    ]


def test_a_refresh_moves_three_times_the_drive() -> None:
    """Read, write, read back; a closing pass reads once more."""
    fixity = expect(PassKind.FIXITY, CARD, SIZE, None, ())
    refresh = expect(PassKind.REFRESH, CARD, SIZE, None, ())
    closing = expect(PassKind.REFRESH, CARD, SIZE, None, (), is_closing=True)

    moved = [one.bytes_to_move for one in (fixity, refresh, closing)]
    assert moved == [SIZE, 3 * SIZE, 4 * SIZE]
    assert refresh.seconds == -(-3 * SIZE // TYPICAL_BYTES_PER_S[MediumKind.HARD_DISK])
    assert "typical rate of a hard disk" in refresh.sentence
    assert "if all of it is rewritten" in refresh.sentence
    assert "if all of it" not in fixity.sentence


def test_the_rate_limit_counts_where_it_is_lower() -> None:
    """The sentence names what decides."""
    limited = expect(PassKind.FIXITY, CARD, SIZE, 50_000_000, ())

    assert (limited.bytes_per_s, limited.basis) == (50_000_000, "the rate limit of the policy")
    assert expect(PassKind.FIXITY, CARD, SIZE, 10**9, ()).bytes_per_s == 150_000_000


def test_the_duration_alone_is_the_one_of_the_sentence() -> None:
    """Planning asks for ten thousand drives, and needs no words."""
    for kind in (PassKind.FIXITY, PassKind.REFRESH):
        for limit in (None, 50_000_000):
            said = expect(kind, CARD, SIZE, limit, (), is_closing=True).seconds
            assert expect_s(kind, CARD, SIZE, limit, 0, is_closing=True) == said

    assert expect_s(PassKind.FIXITY, CARD, SIZE, None, 200_000_000) == -(-SIZE // 200_000_000)


EARLIER = PassHistory(
    PassId("K07/2"),
    CARD.number,
    PassKind.FIXITY,
    begun_at=datetime(2031, 3, 14, tzinfo=UTC),
    ended_at=datetime(2031, 4, 3, tzinfo=UTC),
    outcome=Outcome.SUCCESS,
    reached_end=True,
    checked_bytes=SIZE,
    rewritten_bytes=0,
    findings=0,
)


def test_the_drives_own_rate_counts_before_a_typical_one() -> None:
    """Interruptions only slow a pass down, so the fastest one tells most."""
    slow = EARLIER
    begun = slow.begun_at
    fast = replace(slow, ended_at=begun + timedelta(seconds=20_000))
    given_up = replace(slow, ended_at=begun + timedelta(seconds=100), reached_end=False)
    too_short = replace(slow, ended_at=begun + timedelta(seconds=1))

    expected = expect(PassKind.FIXITY, CARD, SIZE, None, (slow, fast, given_up, too_short))

    assert (expected.bytes_per_s, expected.seconds) == (200_000_000, 20_000)
    assert "earlier passes" in expected.sentence


def test_a_rate_far_below_its_kind_is_no_rate_of_the_drive() -> None:
    """The one earlier pass lay interrupted for weeks; the estimate does not follow it."""
    interrupted = replace(
        EARLIER,
        kind=PassKind.REFRESH,
        ended_at=EARLIER.begun_at + timedelta(days=90),
        rewritten_bytes=SIZE,
    )

    expected = expect(PassKind.FIXITY, CARD, SIZE, None, (interrupted,))

    assert expected.bytes_per_s == TYPICAL_BYTES_PER_S[MediumKind.HARD_DISK]
