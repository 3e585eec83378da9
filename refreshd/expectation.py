"""How long a pass will take, said before it starts, with what is assumed. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from refreshd.cards import DriveCard, PassHistory
from refreshd.quantities import MediumKind, PassKind
from refreshd.words import duration_words, medium_words, rate_words, size_words

TYPICAL_BYTES_PER_S: Mapping[MediumKind, int] = MappingProxyType(
    {
        MediumKind.HARD_DISK: 150_000_000,
        MediumKind.SHINGLED_DISK: 110_000_000,
        MediumKind.SSD: 400_000_000,
        MediumKind.FLASH: 25_000_000,
    }
)
"""Mean over a whole drive, reading and writing. Common practice, no source: 7200 rpm disks give
about 190 MB/s and 5400 rpm disks about 110 MB/s in the mean; sticks and cards are slower by far."""

TELLING_SECONDS = 10
"""A shorter pass says little of the drive: the journal counts whole seconds."""

SLOW_SHARE = 10
"""A rate below a tenth of what is typical is not believed. Chosen, no source."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a pass will move over the drive, in bytes, and how fast that will go.

    Not a limit: every differing chunk is read a second time, after as much else as the read-back
    lag; and chunks that are not due are only read.
    """

    bytes_to_move: int
    bytes_per_s: int
    basis: str
    condition: str = ""

    @property
    def seconds(self) -> int:
        """Return the expected duration in seconds, rounded up."""
        return -(-self.bytes_to_move // self.bytes_per_s)

    @property
    def sentence(self) -> str:
        """Say it, with what is assumed."""
        return (
            f"About {size_words(self.bytes_to_move)} go over the drive{self.condition}; at "
            f"{rate_words(self.bytes_per_s)} ({self.basis}) that takes "
            f"{duration_words(self.seconds)}."
        )


def expect(
    kind: PassKind,
    card: DriveCard,
    remaining_bytes: int,
    rate_bytes_per_s_max: int | None,
    earlier: Iterable[PassHistory],
    *,
    is_closing: bool = False,
) -> Expectation:
    """
    Work out how long a pass will take.

    Args:
        kind: A refresh reads, writes and reads back; the others read.
        card: The drive.
        remaining_bytes: What the pass has still to go over; less than the drive when it is
            taken up again.
        rate_bytes_per_s_max: Limit of the policy; None: no limit.
        earlier: Passes over this drive that have ended.
        is_closing: Whether all of the drive is read once more at the end.

    """
    own = max((own_rate(one) for one in earlier), default=0)
    to_move = _bytes_to_move(kind, card, remaining_bytes, is_closing=is_closing)
    rate, basis = _pace(card, rate_bytes_per_s_max, own)
    condition = " if all of it is rewritten" if kind is PassKind.REFRESH else ""
    return Expectation(to_move, rate, basis, condition)


def expect_s(
    kind: PassKind,
    card: DriveCard,
    remaining_bytes: int,
    rate_bytes_per_s_max: int | None,
    own_rate_bytes_per_s: int,
    *,
    is_closing: bool = False,
) -> int:
    """Return the same duration in seconds, where the drive's own rate is known; 0: it is not."""
    to_move = _bytes_to_move(kind, card, remaining_bytes, is_closing=is_closing)
    rate, _ = _pace(card, rate_bytes_per_s_max, own_rate_bytes_per_s)
    return -(-to_move // rate)


def _bytes_to_move(
    kind: PassKind, card: DriveCard, remaining_bytes: int, *, is_closing: bool
) -> int:
    times = 3 if kind is PassKind.REFRESH else 1
    return remaining_bytes * times + (card.evidence.size_bytes if is_closing else 0)


def _pace(card: DriveCard, rate_max: int | None, own: int) -> tuple[int, str]:
    """Return the rate that counts, in bytes per second, and what it rests on."""
    typical = TYPICAL_BYTES_PER_S[card.medium]
    # Far slower than its kind, it was an interrupted pass: the time between visits counted.
    is_own = own * SLOW_SHARE >= typical
    rate = own if is_own else typical
    if rate_max is not None and rate_max < rate:
        return rate_max, "the rate limit of the policy"
    if is_own:
        return rate, "the rate of its earlier passes"
    return rate, f"the typical rate of {_a(card.medium)}"


def _a(medium: MediumKind) -> str:
    return f"{'an' if medium is MediumKind.SSD else 'a'} {medium_words(medium)}"


def own_rate(done: PassHistory) -> int:
    """Return bytes per second of a pass that went over the whole drive; 0: it says nothing.

    An interruption makes a pass look slower than the drive is, never faster, so that the
    fastest of several is the drive's own rate.
    """
    seconds = (done.ended_at - done.begun_at).total_seconds()
    if not done.reached_end or seconds < TELLING_SECONDS:
        return 0
    return int((done.checked_bytes + 2 * done.rewritten_bytes) / seconds)
