"""Which drive is this? Evidence in, one card or a refusal that tells every fact."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from random import Random

import pytest

from refreshd.cards import Carrier, DriveCard, Evidence
from refreshd.drive import (
    END_BYTES_MAX,
    LOOP_MODEL,
    WINDOW_CHUNKS,
    WINDOWS,
    Sampler,
    Sampling,
    check_accession,
    choose_sample,
    identify,
    identify_as,
    sample,
)
from refreshd.errors import MistakenDriveError, UnknownDriveError
from refreshd.quantities import MIB, Digest, DriveNumber, MediumKind

SIZE = 1000 * MIB
DISK = Evidence(
    Carrier.BLOCK,
    SIZE,
    512,
    4096,
    wwn="naa.5000",
    model="M",
    serial="S1",
    signatures=("ext4:a", "gpt:a"),
)
OTHER_DISK = replace(DISK, wwn="naa.6000", serial="S2", signatures=("ext4:b", "gpt:b"))
IMAGE = Evidence(Carrier.IMAGE, SIZE, 512, 4096, signatures=("ext4:i",))


def card(number: str, evidence: Evidence, *, taken_in: bool = True) -> DriveCard:
    """Make a card of an invented drive."""
    return DriveCard(
        DriveNumber(number),
        "R1-B1-S1",
        f"Title of {number}",
        MediumKind.HARD_DISK,
        evidence,
        4 * MIB,
        date(2026, 1, 1),
        is_taken_in=taken_in,
    )


def never_asked(card: DriveCard) -> Sampling:
    """Fail if the content is sampled where names settle the matter: reading is wear."""
    raise AssertionError(f"sampled {card.number}")


def content_of(*numbers: str) -> Sampler:
    """Sample a medium that carries the content of these drives and of no others."""
    return lambda card: Sampling(32, 32 if card.number in numbers else 0)


K07, K09, K11 = card("K07", DISK), card("K09", OTHER_DISK), card("K11", IMAGE)
SHELF = (K07, K09, K11)


def test_a_world_wide_name_finds_the_drive() -> None:
    """The usual case needs no reading."""
    assert identify(DISK, SHELF, never_asked) is K07


def test_model_and_serial_find_a_drive_that_gives_no_world_wide_name() -> None:
    """A dock that passes on the serial alone is enough."""
    assert identify(replace(DISK, wwn=None), SHELF, never_asked) is K07


def test_a_serial_alone_is_not_enough_without_the_model() -> None:
    """Two makers may count alike."""
    evidence = replace(DISK, wwn=None, model="N", signatures=())

    with pytest.raises(UnknownDriveError):
        identify(evidence, SHELF, content_of())


def test_an_image_is_known_by_its_file_system() -> None:
    """A medium that gives no identity is known by its marks."""
    assert identify(IMAGE, SHELF, never_asked) is K11


def test_an_image_without_marks_is_known_by_its_chunks() -> None:
    """Reformatted, or of an unknown file system: most sampled chunks must match."""
    evidence = replace(IMAGE, signatures=())

    assert identify(evidence, SHELF, content_of("K11")) is K11
    with pytest.raises(UnknownDriveError):
        identify(evidence, SHELF, lambda _: Sampling(32, 16))


def test_nothing_compared_proves_nothing() -> None:
    """I4: a drive of which nothing is recorded is not recognised by that."""
    with pytest.raises(UnknownDriveError, match="accession"):
        identify(replace(IMAGE, signatures=()), SHELF, lambda _: Sampling(0, 0))


def test_an_unknown_drive_is_told_how_to_take_it_into_care() -> None:
    """The refusal says what to do."""
    evidence = replace(DISK, wwn="naa.7", serial="S7", signatures=("xfs:z",))

    with pytest.raises(UnknownDriveError, match="refreshd accession"):
        identify(evidence, SHELF, content_of())


def test_a_withdrawn_drive_is_not_in_care() -> None:
    """It was taken off the shelf, so it is unknown."""
    gone = replace(K07, withdrawn_on=date(2026, 2, 2))

    with pytest.raises(UnknownDriveError):
        identify(DISK, (gone,), content_of("K07"))


def test_the_same_serial_with_another_size_is_a_contradiction() -> None:
    """The sentence has both sizes."""
    with pytest.raises(MistakenDriveError, match=f"{SIZE} bytes and this has {2 * SIZE}"):
        identify(replace(DISK, size_bytes=2 * SIZE), SHELF, content_of("K07"))


@pytest.mark.parametrize("change", [-512, 512, -END_BYTES_MAX])
def test_a_size_that_differs_at_the_very_end_is_asked_about(change: int) -> None:
    """Bridges hide or add sectors: not called impossible, and not passed over either.

    No bridge stands before an image file: something was done to the file itself.
    """
    for evidence, why in ((DISK, "bridge that hides or adds"), (IMAGE, "file cut short")):
        with pytest.raises(MistakenDriveError, match=why):
            identify(replace(evidence, size_bytes=SIZE + change), SHELF, content_of())


def test_a_size_that_differs_at_the_end_with_other_content_is_a_contradiction() -> None:
    """Only matching content makes the end a matter of bridges."""
    evidence = replace(DISK, size_bytes=SIZE - 512, signatures=("xfs:z",))

    with pytest.raises(MistakenDriveError, match="contradiction"):
        identify(evidence, SHELF, content_of())


def test_a_serial_of_one_drive_with_the_content_of_another_is_refused() -> None:
    """Both drives are named."""
    with pytest.raises(MistakenDriveError, match=r"K07.*K09"):
        identify(replace(DISK, signatures=OTHER_DISK.signatures), SHELF, never_asked)


def test_a_dock_that_gives_one_serial_to_two_drives_is_found_out() -> None:
    """The serial fits, nothing of the content does: another drive in the same dock."""
    recorded = card("K07", replace(DISK, wwn=None))
    found = replace(DISK, wwn=None, signatures=("xfs:z",))

    with pytest.raises(MistakenDriveError, match="same dock"):
        identify(found, (recorded,), content_of())


def test_a_reformatted_drive_with_its_own_serial_is_still_itself() -> None:
    """Its chunks mostly match, or its world-wide name fits: the pass tells what changed."""
    recorded = card("K07", replace(DISK, wwn=None))

    assert (
        identify(replace(DISK, wwn=None, signatures=()), (recorded,), content_of("K07")) is recorded
    )
    assert identify(replace(DISK, signatures=()), SHELF, never_asked) is K07


def test_two_drives_that_claim_one_serial_are_refused() -> None:
    """Evidence that fits two drives in care is no identity; both are named."""
    with pytest.raises(MistakenDriveError, match=r"K07.*K08"):
        identify(DISK, (K07, card("K08", DISK)), never_asked)


def test_a_clone_in_a_card_reader_fits_two_drives_and_is_refused() -> None:
    """Byte-identical clones cannot be told apart without a serial."""
    clone = card("K12", IMAGE)

    with pytest.raises(MistakenDriveError, match=r"K11.*K12"):
        identify(IMAGE, (K11, clone), content_of("K11", "K12"))


def test_drives_with_one_common_mark_are_told_apart_by_their_chunks() -> None:
    """A cloned partition table alone makes no clone."""
    sister = card("K12", replace(IMAGE, signatures=("ext4:i", "mbr:1")))

    assert identify(IMAGE, (K11, sister), content_of("K12")) is sister


def test_content_of_one_drive_under_another_serial_is_refused() -> None:
    """A clone, or the drive in another dock: it is asked, not guessed."""
    found = replace(DISK, wwn=None, serial="DOCK")

    with pytest.raises(MistakenDriveError, match=r"clone, or the same drive in another dock"):
        identify(found, SHELF, content_of("K07"))


@pytest.mark.parametrize(
    "copy",
    [
        replace(IMAGE, signatures=DISK.signatures),
        replace(DISK, wwn=None, serial=None, model=LOOP_MODEL),
    ],
)
def test_a_copy_in_a_file_is_not_the_drive(copy: Evidence) -> None:
    """I4: refreshing a file must not date the drive that it was copied from."""
    with pytest.raises(MistakenDriveError, match="copy in a file"):
        identify(copy, SHELF, never_asked)


def test_a_drive_in_a_card_reader_is_known_by_its_marks() -> None:
    """A reader that gives no identity at all is no contradiction."""
    found = replace(DISK, wwn=None, serial=None, model=None)

    assert identify(found, SHELF, never_asked) is K07


def test_a_mounted_folder_of_a_drive_in_care_is_that_drive() -> None:
    """Its file system tells who it is; its size is not that of the drive."""
    folder = replace(IMAGE, carrier=Carrier.FOLDER, size_bytes=SIZE // 2, signatures=("ext4:a",))

    assert identify(folder, SHELF, never_asked) is K07
    with pytest.raises(MistakenDriveError, match=r"K07.*in care already"):
        accession("K20", folder, SHELF)


def test_another_drive_than_the_one_asked_for_is_named() -> None:
    """`refresh K07` with K09 plugged in writes nothing."""
    assert identify_as(DriveNumber("K07"), DISK, SHELF, never_asked) is K07
    with pytest.raises(MistakenDriveError, match="this is K09"):
        identify_as(DriveNumber("K07"), OTHER_DISK, SHELF, never_asked)


def test_what_fits_no_drive_is_not_proposed_for_taking_in_where_one_was_asked_for() -> None:
    """It may be the drive itself, written over; taking it in anew would hide that."""
    stranger = replace(IMAGE, signatures=("xfs:stranger",))

    with pytest.raises(UnknownDriveError, match="so it is not K07") as refused:
        identify_as(DriveNumber("K07"), stranger, SHELF, content_of())

    assert "accession" not in str(refused.value)


# ── accession ──

NEW = replace(DISK, wwn="naa.8", serial="S8", signatures=("xfs:n",))


def accession(
    number: str, evidence: Evidence, shelf: tuple[DriveCard, ...], *same: str
) -> DriveCard | None:
    """Check an accession on a medium that carries the content of some drives."""
    return check_accession(DriveNumber(number), evidence, shelf, content_of(*same))


def test_a_new_drive_may_be_taken_in() -> None:
    """Nothing speaks against it."""
    assert accession("K20", NEW, SHELF) is None


def test_a_drive_is_not_taken_in_twice() -> None:
    """The drive in care is named."""
    with pytest.raises(MistakenDriveError, match=r"K07.*in care already"):
        accession("K20", DISK, SHELF)


def test_a_byte_identical_clone_in_a_file_is_not_taken_in() -> None:
    """Nobody could tell the two apart at the next visit."""
    with pytest.raises(MistakenDriveError, match="byte-identical clone"):
        accession("K20", replace(IMAGE, signatures=()), SHELF, "K11")


def test_a_sibling_copy_with_a_world_wide_name_of_its_own_may_be_taken_in() -> None:
    """Two names of the world are two drives, whatever they hold, unless a bridge made one up."""
    known = replace(DISK, has_own_names=True)
    sibling = replace(known, wwn="naa.8", serial="S8")
    shelf = (card("K07", known),)

    assert accession("K20", sibling, shelf, "K07") is None
    with pytest.raises(MistakenDriveError, match="another dock"):
        accession("K20", replace(sibling, has_own_names=False), shelf, "K07")


def test_a_sibling_copy_with_a_serial_of_its_own_may_be_taken_in() -> None:
    """A serial that a drive gave past its bridge is as good, on a drive without such a name."""
    known = replace(DISK, wwn=None, has_own_names=True)

    for sibling in (replace(known, serial="S8"), replace(known, serial="S8", wwn="naa.8")):
        assert accession("K20", sibling, (card("K07", known),), "K07") is None


@pytest.mark.parametrize("is_known_own", [True, False])
def test_a_sibling_copy_with_a_serial_of_its_dock_is_not_taken_in(*, is_known_own: bool) -> None:
    """It may be the same drive in another dock: then one drive would be counted as two copies."""
    known = replace(DISK, wwn=None, has_own_names=is_known_own)
    found = replace(DISK, wwn=None, has_own_names=not is_known_own, serial="DOCK-1")

    with pytest.raises(MistakenDriveError, match="another dock"):
        accession("K20", found, (card("K07", known),), "K07")


def test_a_drive_of_another_size_is_another_drive_only_by_its_own_names() -> None:
    """The same serial is a contradiction, and no second drive."""
    known = replace(DISK, wwn=None, has_own_names=True)

    with pytest.raises(MistakenDriveError, match="contradiction"):
        accession("K20", replace(known, size_bytes=SIZE * 2), (card("K07", known),), "K07")


def test_two_empty_drives_are_no_clones_of_each_other() -> None:
    """Zeros are what every new drive holds."""
    empty = replace(DISK, wwn=None, signatures=())
    shelf = (card("K07", empty),)

    found = check_accession(
        DriveNumber("K08"),
        replace(empty, serial="S9"),
        shelf,
        lambda _: Sampling(32, 32, is_telling=False),
    )

    assert found is None


def test_a_number_is_given_once() -> None:
    """Also after its drive was withdrawn: the journal speaks of it for ever."""
    with pytest.raises(MistakenDriveError, match="K07 is the number of another drive"):
        accession("K07", NEW, SHELF)
    with pytest.raises(MistakenDriveError, match="K07 is the number of another drive"):
        accession("K07", NEW, (replace(K07, withdrawn_on=date(2026, 2, 2)),))


def test_an_interrupted_accession_is_taken_up_again() -> None:
    """Recognised by its names, or, with nothing recorded yet, by nothing that contradicts."""
    begun = card("K11", replace(IMAGE, signatures=()), taken_in=False)

    assert accession("K07", DISK, (card("K07", DISK, taken_in=False),)) is not None
    assert (
        check_accession(begun.number, begun.evidence, (begun,), lambda _: Sampling(0, 0)) is begun
    )
    with pytest.raises(MistakenDriveError):
        check_accession(
            begun.number,
            replace(begun.evidence, size_bytes=SIZE * 2),
            (begun,),
            lambda _: Sampling(0, 0),
        )


# ── samples ──


def digests(*values: int) -> bytes:
    """Pack digests; 0 is no digest."""
    return b"".join(value.to_bytes(16, "big") for value in values)


def by_chunk(*values: int) -> dict[int, bytes]:
    """Return digests by chunk number."""
    return {n: digests(value) for n, value in enumerate(values)}


def sampled(values: Sequence[int], observed: Callable[[int], Digest | None]) -> Sampling:
    """Sample a drive whose recorded digests are these."""
    return sample(digests(*values), observed)


def test_a_sample_leaves_out_what_every_empty_drive_has() -> None:
    """Zeros do not tell drives apart, and are taken only where there is nothing else."""
    assert choose_sample(by_chunk(9, 9, 1, 2, 9, 3)) == (2, 3, 5)
    assert choose_sample(by_chunk(9, 9)) == (0, 1)
    assert choose_sample({}) == ()


def test_a_sample_is_spread_over_the_drive() -> None:
    """One corner of a drive says little about the rest."""
    assert choose_sample(by_chunk(*range(1, 1001)), 10) == tuple(range(0, 1000, 100))


def test_a_sample_counts_what_could_be_read_and_what_matched() -> None:
    """An unreadable chunk neither fits nor contradicts; nor does one without a digest."""
    seen = {0: digests(1), 1: digests(7), 4: digests(4)}

    found = sampled((1, 2, 0, 3, 4), lambda n: Digest(seen[n]) if n in seen else None)

    assert found == Sampling(compared=3, matched=2)


def test_a_sample_of_an_empty_drive_tells_that_it_is_not_telling() -> None:
    """All zeros match all zeros: the caller must know how little that says."""
    zero = Digest(digests(9))

    assert sampled((9,) * 50, lambda _: zero) == Sampling(32, 32, is_telling=False)
    assert sampled((), lambda _: zero) == Sampling(0, 0, is_telling=False)


def test_a_third_of_the_chunks_edited_leaves_a_drive_recognisable() -> None:
    """An edited image is still itself; the seed is 5."""
    edited = set(Random(5).sample(range(300), 100))

    def observed(chunk: int) -> Digest:
        return Digest(digests(1000 + chunk if chunk in edited else chunk + 1))

    assert sampled(range(1, 301), observed).is_mostly_same


def test_a_large_drive_is_sampled_in_windows_from_end_to_end() -> None:
    """A 20 TB drive has 4.8 million digests; they are not all taken apart."""
    chunks, seen = WINDOWS * WINDOW_CHUNKS * 4, set[int]()

    def observed(chunk: int) -> Digest:
        seen.add(chunk)
        return Digest(digests(chunk + 1))

    assert sampled(range(1, chunks + 1), observed) == Sampling(32, 32)
    assert min(seen) == 0
    assert max(seen) > chunks * 0.9
