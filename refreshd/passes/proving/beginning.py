"""
Whether a drive may be proved, and how: by what stands on it, and by what somebody asked for (P1).

    what stands on it         asked for                what becomes of it
    nothing, or our pattern   nothing, or --erase      written over, read back and compared
    anything                  --read-only              read
    content                   nothing                  read, and it is said how it could be written
    content                   --erase                  refused: which drive it is, was not said
    content                   --erase, and which       written over

An unfinished proving is taken up by its own plan, where the drive still is as it was left. One
that erases content needs the two words again where content is left on it and it may have been
elsewhere: the same file system may hold other files by now. Whoever names a drive with
`--erase-drive` is never taken to mean another one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.drive import LOOP_MODEL
from refreshd.durations import counted
from refreshd.errors import RefusedError, UsageError
from refreshd.health_cards import SelfTestKind
from refreshd.passes.proving.looking import Look
from refreshd.ports import ProvingWish
from refreshd.proving_cards import Proving, ProvingPlan, ProvingStep, StepResult
from refreshd.quantities import MIB, Outcome
from refreshd.words import size_words

CHUNK_BYTES = 4 * MIB
"""What is written and read at a time. The policy's chunk has no say: nothing of it is kept."""


@dataclass(frozen=True, slots=True)
class Making:
    """What the pattern of a new proving is made from: 32 hex digits, and bytes a chunk."""

    seed: str
    chunk_bytes: int = CHUNK_BYTES


@dataclass(frozen=True, slots=True)
class Found:
    """A drive as it lies there. `objection`: why it takes no writing; None: it does."""

    place: str
    evidence: Evidence
    presence: Presence
    look: Look
    objection: str | None = None

    @property
    def is_file(self) -> bool:
        """Say whether it is a file, attached to a loop device or not."""
        evidence = self.evidence
        return evidence.carrier is Carrier.IMAGE or evidence.model == LOOP_MODEL

    @property
    def has_names(self) -> bool:
        """Say whether the drive itself says who it is."""
        return _names_itself(self.evidence)


def _names_itself(evidence: Evidence) -> bool:
    return evidence.has_own_names and bool(evidence.wwn or evidence.serial)


def second_word(evidence: Evidence) -> str:
    """
    Return by what somebody says for the second time which drive may be written over.

    The serial that is printed on it; the size in bytes where it has none, or one that the bridge
    may have made up and gives to every drive in it.
    """
    if evidence.has_own_names and evidence.serial:
        return evidence.serial
    return str(evidence.size_bytes)


def plan_for(found: Found, wish: ProvingWish, making: Making) -> ProvingPlan:
    """
    Return what is to be done with a drive.

    Raises:
        RefusedError: It carries content, and that it may go was not said twice; or it takes no
            writing.
        UsageError: The wishes contradict each other.

    """
    refuse_contradictions(wish)
    _refuse_other_name(found, wish)
    is_writing = not wish.is_reading_only
    if found.look.has_content and is_writing:
        is_writing = wish.is_erasing
        if wish.is_erasing:
            _refuse_other_word(found, wish)
    if is_writing and found.objection is not None:
        raise RefusedError(
            f"{found.place} cannot be proved by writing: {found.objection}. Nothing was written; "
            "name a whole drive, or give --read-only"
        )
    tests = (SelfTestKind.SHORT, SelfTestKind.EXTENDED)
    return ProvingPlan(
        is_writing=is_writing,
        is_erasing=is_writing and found.look.has_content,
        self_tests=tests[:1] if wish.leaves_out_extended_test else tests,
        seed=making.seed,
        chunk_bytes=making.chunk_bytes,
    )


def refuse_contradictions(wish: ProvingWish) -> None:
    """Raise UsageError for wishes that no drive could fulfil together."""
    if wish.is_erasing and wish.is_reading_only:
        raise UsageError("--erase writes over the drive, --read-only writes nothing; give one")
    if wish.erase_drive and not wish.is_erasing:
        raise UsageError("--erase-drive says which drive --erase is about; give both, or neither")


def how_to_erase(found: Found) -> str:
    """Return the words that let a proving write over what a drive carries."""
    return f'--erase --erase-drive "{second_word(found.evidence)}"'


def _refuse_other_name(found: Found, wish: ProvingWish) -> None:
    """Raise RefusedError for somebody who means another drive, whatever stands on this one."""
    if wish.erase_drive and not _is_named(found, wish):
        raise RefusedError(
            f'{found.place}: --erase-drive says "{wish.erase_drive}", which is not this drive. '
            f"Nothing was written. This one is named by {how_to_erase(found)}"
        )


def _refuse_other_word(found: Found, wish: ProvingWish) -> None:
    """Raise RefusedError unless it was said twice, and of this drive, that its content may go."""
    if _is_named(found, wish):
        return
    raise RefusedError(
        f"{found.place} carries content: {found.look.content_words()}. --erase alone does not say "
        f"which drive is meant. Nothing was written. If all of that may be lost for good, say so "
        f"twice: {how_to_erase(found)}"
    )


def _is_named(found: Found, wish: ProvingWish) -> bool:
    return wish.erase_drive.strip() == second_word(found.evidence)


def identity_of(found: Found) -> tuple[StepResult, ...]:
    """Return what is known of which drive this is, and what could not be read of it."""
    unreadable = found.look.unreadable
    if not unreadable:
        return (_named(found),)
    said = (
        f"{counted(len(unreadable), 'place')} could not be read when it was looked over, the "
        f"first at byte {unreadable[0].start}."
    )
    return (_named(found), StepResult(ProvingStep.IDENTITY, Outcome.WARNING, (said,)))


def _named(found: Found) -> StepResult:
    evidence = found.evidence
    size = f"{size_words(evidence.size_bytes)} ({evidence.size_bytes} bytes)"
    if found.is_file:
        said = f"A file of {size}, no drive: what is tested is the disk on which it lies."
        return StepResult(ProvingStep.IDENTITY, Outcome.WARNING, (said,))
    names = evidence.name_words
    if found.has_names:
        said = f"It says of itself: {names}; {size}."
        return StepResult(ProvingStep.IDENTITY, Outcome.SUCCESS, (said,))
    if not names:
        said = (
            f"It says nothing of which drive it is; {size}. Nobody can tell later on that this "
            "certificate is about it: write the number of the proving on it."
        )
    else:
        said = (
            f"It is said to be {names}; {size}. These names may be those of the dock or case that "
            "it stands in and not its own, so that nobody can tell later on for certain that this "
            "certificate is about it: write the number of the proving on it."
        )
    return StepResult(ProvingStep.IDENTITY, Outcome.WARNING, (said,))


# ── an unfinished proving ──


class Standing(StrEnum):
    """What becomes of an unfinished proving when its drive is there again."""

    GOES_ON = "goes on"
    CHANGED = "the drive does not hold any more what the proving had left on it"
    ASKED_ANEW = "another one was asked for"
    LOST = "the pattern is not on the drive any more"


def unfinished_of(found: Found, provings: Sequence[Proving]) -> Proving | None:
    """Return the unfinished proving of this very drive, the latest of several."""
    own = [one for one in provings if _is_of(one, found)]
    return own[-1] if own else None


def _is_of(proving: Proving, found: Found) -> bool:
    """Say whether a proving is of this drive: by its names, its stay, or the pattern on it."""
    before, now = proving.evidence, found.evidence
    if (before.carrier, before.size_bytes) != (now.carrier, now.size_bytes):
        return False
    if _names_itself(before) and _names_itself(now):
        return before.is_surely_of(now)
    is_same_stay = proving.presence.is_same_stay(found.presence)
    is_same_content = (
        not proving.plan.is_writing
        and bool(now.signatures)
        and (before.signatures == now.signatures)
    )
    return is_same_stay or is_same_content or proving.plan.seed in found.look.seeds


def standing_of(proving: Proving, found: Found, wish: ProvingWish) -> Standing:
    """
    Say whether an unfinished proving goes on.

    Raises:
        RefusedError: What was asked for is not what it does.

    """
    if wish.is_anew:
        return Standing.ASKED_ANEW
    _refuse_other_name(found, wish)
    _refuse_other_plan(proving, found, wish)
    if not proving.plan.is_writing or _is_past(proving.step, ProvingStep.READ):
        return Standing.GOES_ON  # whatever stands on it now: nothing more is written
    if proving.step is ProvingStep.READ:
        if found.look.signatures:
            return Standing.CHANGED
        return _as_written(proving, found, found.evidence.size_bytes)
    standing = Standing.GOES_ON
    if proving.step is ProvingStep.WRITE:
        standing = _as_written(proving, found, proving.next_byte)
    return standing if standing is not Standing.GOES_ON else _may_be_written(proving, found, wish)


def _is_past(now: ProvingStep, step: ProvingStep) -> bool:
    steps = list(ProvingStep)
    return steps.index(now) > steps.index(step)


def _refuse_other_plan(proving: Proving, found: Found, wish: ProvingWish) -> None:
    is_other = (wish.is_reading_only and proving.plan.is_writing) or (
        wish.is_erasing and not proving.plan.is_writing
    )
    if is_other:
        does = "writes over it" if proving.plan.is_writing else "only reads it"
        raise RefusedError(
            f"{found.place} is in the middle of proving {proving.id}, which {does}. Leave the "
            "option out to go on with that, or give --anew to begin another one"
        )


def _as_written(proving: Proving, found: Found, end: int) -> Standing:
    """Say whether what was written before byte `end` still stands where it was looked at."""
    written = [one for one in found.look.seen if one.span.end <= end and one.is_readable]
    if any(one.is_foreign for one in written):
        return Standing.CHANGED
    is_there = [one.is_filled_by(proving.plan.seed) for one in written]
    # Single places may be faults of the drive, which the reading is there to find.
    if is_there and sum(is_there) * 2 < len(is_there):
        return Standing.LOST
    return Standing.GOES_ON


def _may_be_written(proving: Proving, found: Found, wish: ProvingWish) -> Standing:
    """Say whether what was not written over yet may still be (P1)."""
    if not set(found.look.signatures) <= set(proving.evidence.signatures):
        return Standing.CHANGED
    if not proving.plan.is_erasing and found.look.has_content:
        return Standing.CHANGED
    is_same_stay = proving.presence.is_same_stay(found.presence)
    if found.look.has_content and not is_same_stay and not _is_named(found, wish):
        raise RefusedError(
            f"{found.place} is in the middle of proving {proving.id}, which writes over all that "
            f"it carries: {found.look.content_words()}. It may have been elsewhere since that was "
            "allowed, and hold other things by now. Nothing was written. If all of that may be "
            f"lost for good, say so again: {how_to_erase(found)}; else give --anew --read-only"
        )
    return Standing.GOES_ON
