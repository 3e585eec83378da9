"""No drive with content is written over unless that was said twice, and of this very drive (P1)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.drive import LOOP_MODEL
from refreshd.errors import RefusedError, UsageError
from refreshd.passes.proving.beginning import Found, identity_of, second_word
from refreshd.passes.proving.looking import Look
from refreshd.passes.proving.places import spread_places
from refreshd.ports import ProvingWish
from refreshd.proving_cards import ProvingStep
from refreshd.quantities import KIB, MIB, Outcome
from refreshd.simulated.disk import Op
from tests.fakes.proving_room import ProvingRoom, outcome_of, said

EXT4 = ("ext4:7e3a1b52-3c1d-4f58-9a58-0c2f6b1e9d01",)
ERASE = ProvingWish(is_erasing=True)
TWICE = ProvingWish(is_erasing=True, erase_drive="SIM0001")


def _written(room: ProvingRoom) -> list[tuple[Op, int, int]]:
    return [one for one in room.disk.log if one[0] is Op.WRITE]


def _with_file_system() -> ProvingRoom:
    room = ProvingRoom()
    room.drive.signatures = EXT4
    return room


def _with_noise_at(start: int, length: int) -> ProvingRoom:
    room = ProvingRoom()
    room.disk.medium[start : start + length] = Random(start).randbytes(length)
    return room


SOMEWHERE = spread_places(ProvingRoom().disk.geometry)[17].start

CONTENTS: dict[str, Callable[[], ProvingRoom]] = {
    "file system": _with_file_system,
    "first sector": lambda: _with_noise_at(0, 512),
    "inside the first MiB": lambda: _with_noise_at(700 * KIB, 512),
    "inside the last MiB": lambda: _with_noise_at(8 * MIB - 700 * KIB, 512),
    "last sector": lambda: _with_noise_at(8 * MIB - 512, 512),
    "between": lambda: _with_noise_at(SOMEWHERE, 512),
    "everywhere": lambda: _with_noise_at(0, 8 * MIB),
}


@pytest.mark.parametrize("kind", CONTENTS)
def test_content_is_only_read_when_nobody_says_that_it_may_go(kind: str) -> None:
    """Whatever there is on a drive, a proving by itself writes nothing."""
    room = CONTENTS[kind]()
    before = room.disk.content()

    certificate = room.prove()

    assert _written(room) == []
    assert room.disk.content() == before
    assert not certificate.plan.is_writing
    assert certificate.outcome is Outcome.WARNING
    assert any('--erase-drive "SIM0001"' in one for one in room.attendant.sentences)


@pytest.mark.parametrize("kind", CONTENTS)
@pytest.mark.parametrize("other", ["", "SIM0002", "sim0001", "8388608"])
def test_content_is_not_written_over_on_one_word(kind: str, other: str) -> None:
    """--erase alone, or with the serial of another drive, is refused, with the exact words."""
    room = CONTENTS[kind]()
    before = room.disk.content()

    with pytest.raises(RefusedError) as refused:
        room.prove(replace(ERASE, erase_drive=other))

    assert '--erase --erase-drive "SIM0001"' in str(refused.value)
    assert "Nothing was written" in str(refused.value)
    assert room.disk.content() == before
    assert room.ledger.entries == []


def test_the_refusal_says_what_was_found() -> None:
    """The owner sees the file systems and the places, and can tell which drive this is."""
    room = _with_file_system()
    room.disk.medium[0:512] = b"x" * 512

    with pytest.raises(RefusedError) as refused:
        room.prove(ERASE)

    assert EXT4[0] in str(refused.value)
    assert "data at 1 of" in str(refused.value)
    assert "byte 0" in str(refused.value)


@pytest.mark.parametrize("kind", CONTENTS)
def test_content_goes_when_that_was_said_twice(kind: str) -> None:
    """With the serial as it is printed, the drive is written over and proved."""
    room = CONTENTS[kind]()

    # A drive that is written over has no file system any more.
    room.at_step(ProvingStep.WRITE, 0, lambda: setattr(room.drive, "signatures", ()))
    certificate = room.prove(TWICE)

    assert certificate.plan.is_erasing
    assert certificate.outcome is Outcome.SUCCESS


def test_a_drive_that_cannot_be_read_in_places_may_carry_content() -> None:
    """What nobody can look at is not blank: it is written over on two words, like content."""
    room = ProvingRoom()
    room.disk.bad.add(SOMEWHERE // 512)

    certificate = room.prove()

    assert _written(room) == []
    assert not certificate.plan.is_writing
    assert certificate.outcome is Outcome.FAIL
    with pytest.raises(RefusedError, match=rf"1 place that cannot be read.*byte {SOMEWHERE}\)"):
        room.prove(ERASE)
    assert room.prove(TWICE).plan.is_writing


def test_who_names_another_drive_is_refused_whatever_stands_on_this_one() -> None:
    """P1: a serial that does not fit tells that somebody stands before another drive."""
    room = ProvingRoom()
    wish = ProvingWish(is_erasing=True, erase_drive="SIM0002")

    with pytest.raises(RefusedError, match=r'"SIM0002", which is not this drive.*"SIM0001"'):
        room.prove(wish)
    assert _written(room) == []
    assert room.ledger.unfinished_provings() == ()


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_a_blank_drive_is_written_without_further_words(byte: int) -> None:
    """A factory-new drive, and erased flash, carry nothing that anybody could miss."""
    room = ProvingRoom()
    room.disk.medium[:] = bytes([byte]) * len(room.disk.medium)

    certificate = room.prove()

    assert certificate.plan.is_writing
    assert not certificate.plan.is_erasing


def test_one_other_byte_value_is_content() -> None:
    """Only zeros and ones are what drives hold where nothing was written."""
    room = ProvingRoom()
    room.disk.medium[:] = b"\x20" * len(room.disk.medium)

    assert not room.prove().plan.is_writing


def test_a_drive_that_was_proved_before_may_be_proved_again() -> None:
    """The pattern of an earlier proving is no content; the next one has a seed of its own."""
    room = ProvingRoom()
    room.prove()

    certificate = room.prove(seed="f" * 32)

    assert certificate.plan.is_writing
    assert certificate.outcome is Outcome.SUCCESS
    assert certificate.id == "P2"


def test_what_only_reads_may_be_asked_of_an_empty_drive() -> None:
    """--read-only holds for any drive."""
    room = ProvingRoom()

    room.prove(ProvingWish(is_reading_only=True))

    assert _written(room) == []


@pytest.mark.parametrize(
    "wish",
    [
        ProvingWish(is_erasing=True, is_reading_only=True),
        ProvingWish(erase_drive="SIM0001"),
    ],
)
def test_wishes_that_contradict_each_other_are_refused(wish: ProvingWish) -> None:
    """Nobody guesses which of two was meant."""
    with pytest.raises(UsageError):
        ProvingRoom().prove(wish)


def test_a_place_that_cannot_be_read_is_told_of() -> None:
    """A new drive that cannot be read before anything was written to it is worth a warning."""
    room = ProvingRoom()
    room.disk.bad.add(SOMEWHERE // 512)

    certificate = room.prove()

    assert outcome_of(certificate, ProvingStep.IDENTITY) is Outcome.WARNING
    assert f"the first at byte {SOMEWHERE}" in said(certificate, ProvingStep.IDENTITY)


def _evidence(**facts: object) -> Evidence:
    base = Evidence(Carrier.BLOCK, 64_000_000, 512, 4096, None, "CARD", "S1", has_own_names=True)
    return replace(base, **facts)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("evidence", "word"),
    [
        (_evidence(), "S1"),
        (_evidence(serial=None), "64000000"),
        (_evidence(has_own_names=False), "64000000"),
    ],
)
def test_the_second_word_is_the_serial_or_else_the_size(evidence: Evidence, word: str) -> None:
    """The serial of a dock is that of every drive in it, and so names none."""
    assert second_word(evidence) == word


@pytest.mark.parametrize(
    ("evidence", "outcome", "tells"),
    [
        (_evidence(), Outcome.SUCCESS, "It says of itself: model CARD, serial S1"),
        (_evidence(has_own_names=False), Outcome.WARNING, "may be those of the dock"),
        (_evidence(model=None, serial=None), Outcome.WARNING, "says nothing of which drive"),
        (_evidence(model=LOOP_MODEL), Outcome.WARNING, "A file of"),
        (_evidence(carrier=Carrier.IMAGE), Outcome.WARNING, "A file of"),
    ],
)
def test_it_is_said_how_far_the_names_can_be_trusted(
    evidence: Evidence, outcome: Outcome, tells: str
) -> None:
    """A certificate is of use only if it can be told of which drive it is."""
    (result,) = identity_of(Found("/dev/sdx", evidence, Presence(), Look(())))

    assert result.outcome is outcome
    assert tells in result.sentences[0]
