"""Which drive is this? Evidence in, one card out, or a refusal with every fact in it. Pure.

A drive is known by its world-wide name, else by model and serial. Partition-table and
file-system UUIDs confirm it. A medium that gives neither (image file, loop device, card
reader) is known by those UUIDs, else by sampled chunk digests of which most must match.
Contradictions, and evidence that fits two drives in care, are no identity.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from refreshd.cards import Carrier, DriveCard, Evidence
from refreshd.errors import MistakenDriveError, UnknownDriveError
from refreshd.quantities import DIGEST_BYTES, MIB, NO_DIGEST, Digest, DriveNumber

LOOP_MODEL = "loop device"
"""What a loop device gives as its model: it is a file, and can be a copy of any drive."""

SAMPLE_CHUNKS = 32
"""Enough that a drive with 40 % of its chunks edited is still recognised 9 times in 10, and
that chance matches do not count (digests of 128 bits do not match by chance)."""

END_BYTES_MAX = 64 * MIB
"""How much a bridge may hide or add at the end; they keep configuration there. Chosen, no
source: generous beside the few MiB seen in practice, and far below any step between models."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """How many recorded chunk digests were compared with the medium, and how many matched."""

    compared: int
    matched: int
    is_telling: bool = True  # False: only bytes that any empty drive has were compared

    @property
    def is_mostly_same(self) -> bool:
        """Whether most matched; nothing compared proves nothing."""
        return self.matched * 2 > self.compared


Sampler = Callable[[DriveCard], Sampling]
"""Compares the medium at hand with what is recorded of one drive."""


class _Device(Enum):
    """What world-wide name, model and serial say about two pieces of evidence."""

    SAME = auto()
    OTHER = auto()
    SILENT = auto()


def identify(evidence: Evidence, cards: Sequence[DriveCard], sampled: Sampler) -> DriveCard:
    """
    Return the one drive in care that the evidence is of.

    Args:
        evidence: What the medium at hand says.
        cards: All drives in care.
        sampled: Compares the medium with one drive's recorded digests. Asked only where names
            and UUIDs do not settle it.

    Raises:
        MistakenDriveError: The evidence contradicts itself or a card, or fits two drives.
        UnknownDriveError: It fits none.

    """
    in_care = [card for card in cards if card.withdrawn_on is None]
    same = [card for card in in_care if _device(card.evidence, evidence) is _Device.SAME]
    if len(same) > 1:
        raise MistakenDriveError(
            f"{_told(evidence)}: this fits {_named(same)}, and one drive cannot be both; look at "
            "the labels, and withdraw the number that is wrong"
        )
    if same:
        return _confirmed(evidence, same[0], in_care, sampled)
    return _by_content(evidence, in_care, sampled)


def identify_as(
    number: DriveNumber, evidence: Evidence, cards: Sequence[DriveCard], sampled: Sampler
) -> DriveCard:
    """Return the drive that was asked for, or say which other one this is, or that it is none."""
    try:
        found = identify(evidence, cards, sampled)
    except UnknownDriveError as err:
        raise UnknownDriveError(f"{_told(evidence)}: {_NONE_FITS.format(number)}") from err
    if found.number != number:
        raise MistakenDriveError(
            f"{_told(evidence)}: this is {found.number} ({found.title}), not {number}; nothing "
            f"was written. Plug in {number}, or name {found.number}"
        )
    return found


def check_accession(
    number: DriveNumber, evidence: Evidence, cards: Sequence[DriveCard], sampled: Sampler
) -> DriveCard | None:
    """
    Return the card to take up again, or None if this is a drive that is new to the shelf.

    Raises:
        MistakenDriveError: The number is taken, or this drive, or a byte-identical clone of
            it, is in care already.

    """
    in_care = [card for card in cards if card.withdrawn_on is None]
    in_care = [card for card in in_care if not _is_surely_other(card, evidence)]
    unfinished = next((c for c in in_care if c.number == number and not c.is_taken_in), None)
    try:
        found = identify(evidence, in_care, sampled)
    except UnknownDriveError:
        if unfinished and _may_be_taken_up(unfinished, evidence, sampled):
            return unfinished
        _refuse_taken_number(number, cards)
        return None
    if unfinished and found.number == number:
        return unfinished
    raise MistakenDriveError(
        f"{_told(evidence)}: {found.number} ({found.title}) is in care already, and this is the "
        "same drive, or a byte-identical clone of it, whose copies nobody could tell apart; "
        f"use {found.number}, or give the clone identifiers of its own before taking it in"
    )


def _is_surely_other(card: DriveCard, evidence: Evidence) -> bool:
    """Say whether this is another drive for certain, whatever it holds.

    Two names that the drives themselves gave are two drives. Those of a bridge, the name of the
    world included, prove less: the same drive has others in another dock.
    """
    is_own = card.evidence.has_own_names and evidence.has_own_names
    return is_own and _device(card.evidence, evidence) is _Device.OTHER


def _refuse_taken_number(number: DriveNumber, cards: Iterable[DriveCard]) -> None:
    """Refuse to give one number to two drives, also after the first was withdrawn."""
    for card in cards:
        if card.number == number:
            raise MistakenDriveError(
                f"{number} is the number of another drive ({card.title}, {card.shelfmark}: "
                f"{_told(card.evidence)}); choose a number that no drive has"
            )


def _may_be_taken_up(card: DriveCard, evidence: Evidence, sampled: Sampler) -> bool:
    """Say whether an accession that recorded nothing yet may begin again on this medium."""
    return (
        _device(card.evidence, evidence) is not _Device.OTHER
        and card.evidence.carrier is evidence.carrier
        and card.evidence.size_bytes == evidence.size_bytes
        and card.evidence.signatures == evidence.signatures
        and sampled(card).compared == 0
    )


# ── the device names itself ──


def _device(card: Evidence, found: Evidence) -> _Device:
    """Compare what two pieces of evidence say about the device itself."""
    if card.wwn and found.wwn:
        return _Device.SAME if card.wwn == found.wwn else _Device.OTHER
    if card.serial and found.serial:
        is_same = (card.model, card.serial) == (found.model, found.serial)
        return _Device.SAME if is_same else _Device.OTHER
    return _Device.SILENT


def _confirmed(
    evidence: Evidence, card: DriveCard, in_care: Sequence[DriveCard], sampled: Sampler
) -> DriveCard:
    """Return the card whose device names fit, once size and content do not contradict them."""
    if card.evidence.size_bytes != evidence.size_bytes:
        _refuse_size(evidence, card, sampled)
    if _shares(card, evidence):
        return card
    others = [other for other in in_care if other is not card and _shares(other, evidence)]
    if others:
        raise MistakenDriveError(
            f"{_told(evidence)}: model and serial fit {card.number}, but the partition table and "
            f"file systems are those of {_named(others)}; a clone, or a dock that gives its own "
            "serial. Nothing was written; look which drive this is"
        )
    if card.evidence.signatures and not _is_world_wide(card, evidence):
        _refuse_foreign_content(evidence, card, sampled(card))
    return card


def _is_world_wide(card: DriveCard, evidence: Evidence) -> bool:
    """Say whether a world-wide name fits, which no dock shares between drives."""
    return card.evidence.wwn is not None and card.evidence.wwn == evidence.wwn


def _refuse_foreign_content(evidence: Evidence, card: DriveCard, sampling: Sampling) -> None:
    """Refuse a drive with the right serial and nothing of the right content."""
    if sampling.compared and not sampling.is_mostly_same:
        raise MistakenDriveError(
            f"{_told(evidence)}: model and serial fit {card.number}, but its partition table and "
            f"file systems ({_marks(card.evidence)}) are not there and only {sampling.matched} of "
            f"{sampling.compared} sampled chunks match: another drive in the same dock, or one "
            "that was written over. Nothing was written; look which drive this is"
        )


_BRIDGE = (
    "A bridge that hides or adds sectors at the end does this: is this another dock than last "
    "time? Nothing was written; bring the drive in the dock it was taken in with"
)
_NONE_FITS = "no drive in care fits this, so it is not {0}, or {0} was written over; look which"
_CUT_IMAGE = "Was the file cut short, or added to? Nothing was written; put a whole copy in place"


def _refuse_size(evidence: Evidence, card: DriveCard, sampled: Sampler) -> None:
    """Refuse a drive of another size; a difference at the very end is asked about."""
    recorded, found = card.evidence.size_bytes, evidence.size_bytes
    sizes = f"{card.number} was taken in with {recorded} bytes and this has {found}"
    is_at_end = abs(recorded - found) <= END_BYTES_MAX
    if is_at_end and (_shares(card, evidence) or sampled(card).is_mostly_same):
        why = _CUT_IMAGE if evidence.carrier is Carrier.IMAGE else _BRIDGE
        raise MistakenDriveError(f"{_told(evidence)}: much fits {card.number}, but {sizes}. {why}")
    raise MistakenDriveError(
        f"{_told(evidence)}: the identity fits {card.number}, but {sizes}; that is a "
        "contradiction. Nothing was written; look which drive this is"
    )


# ── only the content names it ──


def _shares(card: DriveCard, evidence: Evidence) -> bool:
    """Say whether a partition-table or file-system UUID of the card is on the medium."""
    return not set(card.evidence.signatures).isdisjoint(evidence.signatures)


def _by_content(evidence: Evidence, in_care: Sequence[DriveCard], sampled: Sampler) -> DriveCard:
    """Return the drive whose content this medium carries."""
    fits = [card for card in in_care if _shares(card, evidence)]
    if len(fits) > 1:
        fits = _narrowed(evidence, fits, sampled)
    if not fits:
        near = [card for card in in_care if _is_near_size(card, evidence)]
        fits = [card for card in near if _carries(evidence, card, sampled(card))]
    if not fits:
        raise UnknownDriveError(
            f"{_told(evidence)}: no drive in care fits this; to take it into care, run "
            "`refreshd accession` with its path, a number, a shelfmark and a title"
        )
    if len(fits) > 1:
        raise MistakenDriveError(
            f"{_told(evidence)}: this fits {_named(fits)} alike; byte-identical clones cannot be "
            "told apart by their content. Nothing was written; bring the drive in a dock that "
            "passes on its serial"
        )
    return _accepted(evidence, fits[0], sampled)


def _narrowed(evidence: Evidence, fits: Sequence[DriveCard], sampled: Sampler) -> list[DriveCard]:
    """Return those of several drives with common UUIDs whose chunks match as well."""
    device_known = [c for c in fits if _device(c.evidence, evidence) is not _Device.OTHER]
    chosen = [card for card in device_known or fits if sampled(card).is_mostly_same]
    return chosen or list(fits)


def _carries(evidence: Evidence, card: DriveCard, sampling: Sampling) -> bool:
    """Say whether the chunks are those of the card.

    Zeros and other bytes that repeat all over a drive count only where nothing contradicts:
    two new, empty drives are no clones of each other.
    """
    if sampling.is_telling:
        return sampling.is_mostly_same
    is_silent = _device(card.evidence, evidence) is _Device.SILENT
    is_same_size = card.evidence.size_bytes == evidence.size_bytes
    return sampling.is_mostly_same and is_silent and is_same_size


def _is_near_size(card: DriveCard, evidence: Evidence) -> bool:
    """Say whether the sizes differ by no more than a bridge may hide."""
    return abs(card.evidence.size_bytes - evidence.size_bytes) <= END_BYTES_MAX


def _accepted(evidence: Evidence, card: DriveCard, sampled: Sampler) -> DriveCard:
    """Return the card that the content fits, unless the device says that it is a copy."""
    if _device(card.evidence, evidence) is _Device.OTHER:
        raise MistakenDriveError(
            f"{_told(evidence)}: the content is that of {card.number}, but {card.number} was taken "
            f"in as {_told(card.evidence)}: a clone, or the same drive in another dock. Nothing "
            "was written; bring the drive in the dock it was taken in with. A clone can be taken "
            "in in a dock that passes on the serials of the drives themselves"
        )
    if _is_only_a_copy(card.evidence, evidence):
        raise MistakenDriveError(
            f"{_told(evidence)}: this carries the content of {card.number}, but {card.number} is a "
            f"drive with a name of its own ({_told(card.evidence)}) and this is a copy in a file. "
            "Nothing was written; bring the drive itself"
        )
    # A mounted folder knows the size of its file system, which is not that of the drive.
    has_sizes = Carrier.FOLDER not in {card.evidence.carrier, evidence.carrier}
    if has_sizes and card.evidence.size_bytes != evidence.size_bytes:
        _refuse_size(evidence, card, sampled)
    return card


def _is_only_a_copy(card: Evidence, found: Evidence) -> bool:
    """Say whether a drive that names itself is met as an image file or a loop device.

    Dating such a copy's rewrite on the drive's card would claim what never happened (I4).
    """
    names_itself = card.wwn is not None or card.serial is not None
    is_file = found.carrier is Carrier.IMAGE or found.model == LOOP_MODEL
    return names_itself and is_file


# ── samples ──


WINDOWS, WINDOW_CHUNKS = 64, 256
"""Digests are looked at in so many windows: memory stays flat on a drive of millions of chunks."""


def sample(digests: bytes, observed: Callable[[int], Digest | None]) -> Sampling:
    """
    Compare a sample of recorded digests with the medium.

    Args:
        digests: Recorded digests from chunk 0 on, packed.
        observed: Reads and digests one chunk; None if it cannot be read, or lies past the end.

    """
    recorded = _spread(digests)
    readings = [(chunk, observed(chunk)) for chunk in choose_sample(recorded)]
    readable = [(chunk, found) for chunk, found in readings if found is not None]
    matched = sum(recorded[chunk] == found for chunk, found in readable)
    return Sampling(len(readable), matched, is_telling=bool(_unique(recorded)))


def _spread(digests: bytes) -> dict[int, bytes]:
    """Return recorded digests by chunk number: all of a small drive, windows of a large one."""
    chunks, each = len(digests) // DIGEST_BYTES, WINDOW_CHUNKS
    starts = [max(0, chunks - each) * n // (WINDOWS - 1) for n in range(WINDOWS)]
    chosen = (
        range(chunks) if chunks <= WINDOWS * each else (s + n for s in starts for n in range(each))
    )
    found = {n: digests[n * DIGEST_BYTES : (n + 1) * DIGEST_BYTES] for n in chosen}
    return {chunk: digest for chunk, digest in found.items() if digest != NO_DIGEST}


def choose_sample(recorded: Mapping[int, bytes], count: int = SAMPLE_CHUNKS) -> tuple[int, ...]:
    """
    Return chunk numbers, spread evenly, whose recorded digests tell one drive from another.

    Digests that more than one chunk has (zeros above all, which every empty drive has) say
    little: they are taken only where there are no others.
    """
    telling = _unique(recorded) or list(recorded)
    if not telling or count < 1:
        return ()
    step = max(1.0, len(telling) / count)
    return tuple(telling[int(at * step)] for at in range(min(count, len(telling))))


def _unique(recorded: Mapping[int, bytes]) -> list[int]:
    """Return the chunks whose digest no other chunk at hand has."""
    times = Counter(recorded.values())
    return [chunk for chunk, digest in recorded.items() if times[digest] == 1]


# ── words ──


def _told(evidence: Evidence) -> str:
    """Return what a medium says of itself as words."""
    names = [
        f"world-wide name {evidence.wwn}" if evidence.wwn else "",
        f"model {evidence.model}" if evidence.model else "",
        f"serial {evidence.serial}" if evidence.serial else "no serial",
        f"{evidence.size_bytes} bytes",
        _marks(evidence),
    ]
    told = ", ".join(name for name in names if name)
    return f"{evidence.carrier.words} ({told})"


def _marks(evidence: Evidence) -> str:
    """Return partition-table and file-system ids as words."""
    return " ".join(evidence.signatures) or "no partition table or file system known"


def _named(cards: Iterable[DriveCard]) -> str:
    """Return several drives as words."""
    return " and ".join(f"{card.number} ({card.title})" for card in cards)
