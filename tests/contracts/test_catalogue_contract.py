"""What every catalogue does, the simulated and the real one alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest

from refreshd.cards import FindingState, LastRewrite, Presence
from refreshd.errors import InvariantBrokenError, RecordFailedError, UnknownDriveError, UsageError
from refreshd.events import (
    CardCorrected,
    ChunksProved,
    DigestsRecorded,
    DriveHeld,
    DriveWithdrawn,
    FindingAccepted,
    FindingClosed,
    FixityChecked,
    HoldLifted,
    JournalOpened,
    PassInterrupted,
    PassResumed,
    RewriteRun,
)
from refreshd.ports import CatalogueStore
from refreshd.quantities import (
    DIGEST_BYTES,
    DriveNumber,
    FindingId,
    FindingKind,
    Outcome,
    PassId,
    PassKind,
)
from refreshd.register import HOLE, NEVER, ROW_CHUNKS
from tests.builders import (
    CHUNK_BYTES,
    K07,
    Scribe,
    accessioned,
    begun,
    ended,
    opened,
    proved,
    some_digests,
    taken_in,
)

CHUNKS = 2 * ROW_CHUNKS + 40
K08 = DriveNumber("K08")
Keep = Callable[..., None]


def test_an_empty_catalogue_has_no_head_and_no_drives(store: CatalogueStore) -> None:
    """A new catalogue contains no entry, so the whole journal is still to be added."""
    assert store.head() is None
    assert store.drives() == ()
    assert store.findings() == ()
    assert store.next_finding_id() == "F1"


def test_the_transaction_carries_number_and_digest_of_its_last_entry(
    store: CatalogueStore, scribe: Scribe
) -> None:
    """I5: the head says which journal entry the catalogue contains last."""
    entries = scribe.entries(JournalOpened(program="refreshd 1"), accessioned(CHUNKS))
    store.apply(entries)

    assert store.head() == (2, entries[-1].digest)


def test_no_entries_change_nothing(store: CatalogueStore, keep: Keep) -> None:
    """Bringing up a catalogue that lacks nothing is no error."""
    keep(*taken_in(3))
    before = store.head()
    store.apply([])

    assert store.head() == before


def test_entries_that_leave_a_gap_are_refused(store: CatalogueStore, scribe: Scribe) -> None:
    """I5: an entry that does not follow the head is never added up."""
    store.apply(scribe.entries(JournalOpened(program="refreshd 1")))
    scribe.entry(accessioned(CHUNKS))
    with pytest.raises(InvariantBrokenError, match="entry 3 does not follow entry 1"):
        store.apply(scribe.entries(CardCorrected(drive=K07, title="x")))

    assert store.head() is not None
    assert store.drives() == ()


def test_an_entry_is_not_added_twice(store: CatalogueStore, scribe: Scribe) -> None:
    """I5: what the catalogue contains already is not added again."""
    entries = scribe.entries(JournalOpened(program="refreshd 1"), accessioned(CHUNKS))
    store.apply(entries)
    with pytest.raises(InvariantBrokenError, match="does not follow"):
        store.apply(entries[1:])


def test_an_entry_of_another_chain_is_refused(store: CatalogueStore, scribe: Scribe) -> None:
    """I5: the right number is not enough, the chain must fit too."""
    store.apply(scribe.entries(JournalOpened(program="refreshd 1")))
    entry = scribe.entry(accessioned(CHUNKS)).model_copy(update={"previous": "ab" * 32})
    with pytest.raises(InvariantBrokenError, match="does not follow"):
        store.apply([entry])


def test_one_broken_entry_keeps_all_of_its_transaction_out(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """I6: a catalogue is never between two entries."""
    keep(*taken_in(CHUNKS))
    head = store.head()
    good = CardCorrected(drive=K07, title="Never seen")
    with pytest.raises(InvariantBrokenError):
        store.apply(scribe.entries(good, opened(1, 5), opened(1, 6)))

    assert store.head() == head
    assert store.drive(K07).title != "Never seen"
    assert store.findings() == ()


def test_what_fails_before_the_commit_undoes_all_of_it(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """I5: what the journal could not take is not in the catalogue either."""
    keep(*taken_in(CHUNKS))
    head = store.head()

    def fail() -> None:
        raise RecordFailedError("the journal's disk is full")

    with pytest.raises(RecordFailedError, match="the journal's disk"):
        store.apply(scribe.fork().entries(opened(1, 5)), before_commit=fail)
    assert store.head() == head
    assert store.findings() == ()

    store.apply(scribe.entries(opened(1, 5)))

    assert len(store.findings()) == 1


def test_what_cannot_be_added_up_never_reaches_the_commit(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """I5: an event that breaks a rule must not get into the journal first."""
    keep(*taken_in(CHUNKS))
    asked: list[str] = []
    with pytest.raises(InvariantBrokenError):
        store.apply(
            scribe.entries(accessioned(CHUNKS)), before_commit=lambda: asked.append("journal")
        )

    assert asked == []


def test_a_new_drive_is_not_taken_in_yet(store: CatalogueStore, keep: Keep) -> None:
    """A drive whose chunks are not recorded cannot be called in care completely."""
    event = accessioned(CHUNKS)
    keep(event)
    card = store.drive(K07)

    assert not card.is_taken_in
    assert card.last_fixity is None
    assert card.evidence == event.evidence
    assert card.accessioned_on == date(2026, 3, 1)
    assert card.claimed_written_on == date(2021, 5, 1)
    assert card.grid.count == CHUNKS
    assert store.recorded_chunks(K07) == 0
    assert store.digests(K07, 0, 2) == bytes(2 * DIGEST_BYTES)


def test_an_accession_pass_that_reached_the_end_takes_the_drive_in(
    store: CatalogueStore, keep: Keep
) -> None:
    """Everything was read once: that is a fixity date, and no rewrite date (I4)."""
    keep(*taken_in(CHUNKS, on=date(2026, 3, 1)))
    card = store.drive(K07)

    assert card.is_taken_in
    assert card.last_fixity == date(2026, 3, 1)
    assert card.passes == 1
    assert store.unfinished_pass(K07, PassKind.ACCESSION) is None
    assert store.oldest_written(K07) == LastRewrite(None, 0)


def test_a_number_in_care_or_withdrawn_is_never_given_again(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """Two drives under one number could be mistaken for each other for decades."""
    keep(*taken_in(CHUNKS), *taken_in(CHUNKS, K08), DriveWithdrawn(drive=K08))
    for number in (K07, K08):
        with pytest.raises(InvariantBrokenError, match="is or was in care"):
            store.apply(scribe.fork().entries(accessioned(CHUNKS, number)))


def test_digests_come_back_as_they_were_recorded(store: CatalogueStore, keep: Keep) -> None:
    """Digests lie in packed rows, and runs across rows are put together again."""
    digests = some_digests(CHUNKS)
    keep(accessioned(CHUNKS), accession := begun(1, PassKind.ACCESSION))
    for first in range(0, CHUNKS, 48):
        part = digests[first * DIGEST_BYTES : (first + 48) * DIGEST_BYTES]
        keep(DigestsRecorded(drive=K07, pass_id=accession.pass_id, first_chunk=first, digests=part))

    assert store.recorded_chunks(K07) == CHUNKS
    assert store.digests(K07, 0, CHUNKS) == digests
    middle = slice((ROW_CHUNKS - 3) * DIGEST_BYTES, (ROW_CHUNKS + 5) * DIGEST_BYTES)
    assert store.digests(K07, ROW_CHUNKS - 3, 8) == digests[middle]


def test_an_accession_pass_goes_on_where_its_digests_end(store: CatalogueStore, keep: Keep) -> None:
    """I6: what is recorded of a new drive is not read again after a cut."""
    keep(accessioned(CHUNKS), accession := begun(1, PassKind.ACCESSION))
    keep(
        DigestsRecorded(
            drive=K07, pass_id=accession.pass_id, first_chunk=0, digests=some_digests(48)
        ),
        PassInterrupted(drive=K07, pass_id=accession.pass_id, reason="unplugged"),
    )
    state = store.unfinished_pass(K07, PassKind.ACCESSION)

    assert state is not None
    assert state.next_chunk == 48
    assert store.recorded_chunks(K07) == 48
    assert not store.drive(K07).is_taken_in


def test_digests_never_leave_a_gap(store: CatalogueStore, keep: Keep) -> None:
    """A chunk between recorded ones that was never read would pass for a recorded one."""
    keep(accessioned(CHUNKS), accession := begun(1, PassKind.ACCESSION))
    with pytest.raises(InvariantBrokenError, match="gap"):
        keep(
            DigestsRecorded(
                drive=K07, pass_id=accession.pass_id, first_chunk=1, digests=some_digests(1)
            )
        )


def test_an_accession_does_not_end_before_every_chunk_is_recorded(
    store: CatalogueStore, keep: Keep
) -> None:
    """A drive half taken in cannot be refreshed, so it must not count as taken in."""
    keep(accessioned(CHUNKS), accession := begun(1, PassKind.ACCESSION))
    with pytest.raises(InvariantBrokenError, match="no record"):
        keep(ended(accession, date(2026, 3, 1)))


def test_a_pass_given_up_dates_nothing(store: CatalogueStore, keep: Keep) -> None:
    """I4: a fixity date needs a pass that read everything."""
    keep(*taken_in(CHUNKS, on=date(2026, 3, 1)))
    fixity = begun(2, PassKind.FIXITY)
    keep(fixity, ended(fixity, date(2027, 3, 1), reached_end=False))

    assert store.drive(K07).last_fixity == date(2026, 3, 1)
    assert store.unfinished_pass(K07, PassKind.FIXITY) is None


def test_the_fixity_date_never_moves_backwards(store: CatalogueStore, keep: Keep) -> None:
    """A pass that began on an older day does not take a newer one's date away."""
    keep(*taken_in(CHUNKS, on=date(2026, 3, 1)))
    for number, day in ((2, date(2027, 3, 1)), (3, date(2026, 12, 31))):
        fixity = begun(number, PassKind.FIXITY)
        keep(fixity, ended(fixity, day))

    assert store.drive(K07).last_fixity == date(2027, 3, 1)
    assert store.drive(K07).passes == 3


def test_a_checkpoint_dates_rewritten_chunks_and_marks_holes(
    store: CatalogueStore, keep: Keep
) -> None:
    """A chunk's date is the day on which its write began; a hole has none."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    day = date(2026, 4, 2)
    keep(proved(refresh, ROW_CHUNKS - 2, 4, day, holes=(0, 3)))
    days = store.written_days(K07, 0, CHUNKS)
    state = store.unfinished_pass(K07, PassKind.REFRESH)

    assert list(days[:4]) == [HOLE, HOLE, HOLE, NEVER]
    assert list(days[ROW_CHUNKS - 3 : ROW_CHUNKS + 3]) == [
        NEVER, *[day.toordinal()] * 4, NEVER
    ]  # fmt: skip
    assert list(store.written_days(K07, ROW_CHUNKS + 1, 2)) == [day.toordinal(), NEVER]
    assert state is not None
    assert state.next_chunk == ROW_CHUNKS + 2
    assert state.rewritten_bytes == 4 * CHUNK_BYTES


def test_a_chunk_date_never_moves_backwards(store: CatalogueStore, keep: Keep) -> None:
    """A pass that began before midnight does not undo a date of after midnight."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    keep(
        proved(refresh, 0, 4, date(2026, 4, 2), holes=(9, 1)),
        proved(refresh, 2, 8, date(2026, 4, 1)),
    )
    early, late = date(2026, 4, 1).toordinal(), date(2026, 4, 2).toordinal()

    assert list(store.written_days(K07, 0, 11)) == [*[late] * 4, *[early] * 6, NEVER]


def test_a_checkpoint_of_another_pass_is_refused(store: CatalogueStore, keep: Keep) -> None:
    """A late checkpoint of a pass that is over must not date anything."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    keep(ended(refresh, None, reached_end=False))
    with pytest.raises(InvariantBrokenError, match="no unfinished pass"):
        keep(proved(refresh, 0, 4, date(2026, 4, 2)))


@pytest.mark.parametrize(("first", "count"), [(CHUNKS - 1, 2), (-1, 2), (0, 0)])
def test_a_run_beyond_the_drive_is_refused(
    store: CatalogueStore, keep: Keep, first: int, count: int
) -> None:
    """A date for a chunk that is not there would be a claim about nothing."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    run = RewriteRun(first_chunk=first, count=count, written_on=date(2026, 4, 2))
    with pytest.raises(InvariantBrokenError, match="do not lie on a drive"):
        keep(ChunksProved(drive=K07, pass_id=refresh.pass_id, next_chunk=1, rewritten=(run,)))


def test_a_resumed_pass_has_its_new_presence(store: CatalogueStore, keep: Keep) -> None:
    """The proof that the drive never left is about the stay it is in now."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    keep(proved(refresh, 0, 16, date(2026, 4, 2)))
    here = Presence("boot-b", 7)
    keep(PassResumed(drive=K07, pass_id=refresh.pass_id, presence=here, next_chunk=16))
    state = store.unfinished_pass(K07, PassKind.REFRESH)

    assert state is not None
    assert state.presence == here
    assert state.next_chunk == 16


def test_a_pass_never_resumes_beyond_its_checkpoint(store: CatalogueStore, keep: Keep) -> None:
    """I6: what no checkpoint settled is not skipped."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    with pytest.raises(InvariantBrokenError, match="beyond its last checkpoint"):
        keep(PassResumed(drive=K07, pass_id=refresh.pass_id, presence=Presence(), next_chunk=16))


def test_a_drive_has_one_unfinished_pass_of_a_kind_at_most(
    store: CatalogueStore, keep: Keep
) -> None:
    """Two refresh passes over one drive would write over each other's staged copies."""
    keep(*taken_in(CHUNKS), begun(2, PassKind.REFRESH))
    with pytest.raises(InvariantBrokenError, match="unfinished"):
        keep(begun(3, PassKind.REFRESH))


def test_a_fixity_pass_may_stand_beside_an_unfinished_refresh(
    store: CatalogueStore, keep: Keep
) -> None:
    """An interrupted yearly check does not keep a drive from being refreshed."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH), begun(3, PassKind.FIXITY))
    keep(proved(refresh, 0, 16, date(2026, 4, 2)))
    fixity = store.unfinished_pass(K07, PassKind.FIXITY)
    unfinished = store.unfinished_pass(K07, PassKind.REFRESH)

    assert fixity is not None
    assert (fixity.id, fixity.next_chunk) == ("K07/3", 0)
    assert unfinished is not None
    assert (unfinished.id, unfinished.next_chunk) == ("K07/2", 16)


def test_mismatches_of_a_pass_are_counted(store: CatalogueStore, keep: Keep) -> None:
    """The early stop counts the mismatches of this pass, not other findings."""
    keep(*taken_in(CHUNKS), fixity := begun(2, PassKind.FIXITY))
    keep(
        opened(1, 5, pass_id=fixity.pass_id),
        opened(2, 6, FindingKind.UNREADABLE, pass_id=fixity.pass_id),
        opened(3, 7, pass_id=PassId("K07/1")),
    )
    state = store.unfinished_pass(K07, PassKind.FIXITY)

    assert state is not None
    assert state.mismatches == 1


def test_open_findings_are_listed_by_drive_and_place(store: CatalogueStore, keep: Keep) -> None:
    """The archivist reads them drive by drive, along each drive."""
    keep(*taken_in(CHUNKS), *taken_in(CHUNKS, K08))
    keep(opened(1, 5, drive=K08), opened(2, 9), opened(3, 2))
    keep(FindingClosed(drive=K07, pass_id=None, finding_id=FindingId("F2"), how="mended"))

    assert [finding.id for finding in store.findings()] == ["F3", "F1"]
    assert [finding.id for finding in store.findings(K08)] == ["F1"]
    assert store.finding(K07, FindingId("F2")).state is FindingState.CLOSED
    assert store.next_finding_id() == "F4"


def test_a_finding_keeps_what_was_observed(store: CatalogueStore, keep: Keep) -> None:
    """`accept` needs the digest on which two readings agreed."""
    keep(*taken_in(CHUNKS), opened(1, 5))
    finding = store.finding(K07, FindingId("F1"))

    assert finding.observed == some_digests(1, 1)
    assert finding.note == "two readings agreed"
    assert finding.opened_on == date(2026, 3, 1)
    assert finding.span.start == 5 * CHUNK_BYTES


def test_a_finding_of_another_drive_is_not_found(store: CatalogueStore, keep: Keep) -> None:
    """Accepting a finding on the wrong drive would bless the wrong bytes."""
    keep(*taken_in(CHUNKS), *taken_in(CHUNKS, K08), opened(1, 5))
    with pytest.raises(UsageError, match="K08 has no finding F1"):
        store.finding(K08, FindingId("F1"))


def test_accepting_replaces_digests_and_leaves_days(store: CatalogueStore, keep: Keep) -> None:
    """I4: the new bytes were written by somebody else at a time nobody proved."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    keep(proved(refresh, 0, 8, date(2026, 4, 2)), opened(1, 5))
    before = store.digests(K07, 0, 8)
    new = some_digests(1, 99)
    keep(
        FindingAccepted(
            drive=K07, finding_id=FindingId("F1"), first_chunk=5, digests=new, said_by="owner"
        )
    )
    after = store.digests(K07, 0, 8)

    assert after[5 * 16 : 6 * 16] == new
    assert after[: 5 * 16] + after[6 * 16 :] == before[: 5 * 16] + before[6 * 16 :]
    assert store.written_days(K07, 5, 1)[0] == date(2026, 4, 2).toordinal()
    assert store.findings() == ()
    assert store.finding(K07, FindingId("F1")).state is FindingState.ACCEPTED


def test_a_settled_finding_is_not_settled_again(store: CatalogueStore, keep: Keep) -> None:
    """What was accepted must not turn into mended afterwards, nor the reverse."""
    keep(*taken_in(CHUNKS), opened(1, 5))
    closing = FindingClosed(drive=K07, pass_id=None, finding_id=FindingId("F1"), how="gone")
    keep(closing)
    with pytest.raises(InvariantBrokenError, match="no open finding"):
        keep(closing)


def test_the_last_rewrite_is_that_of_the_oldest_chunk_without_a_finding(
    store: CatalogueStore, keep: Keep
) -> None:
    """I4: never newer than the truth for any chunk that counts; the others are counted."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    old, new = date(2026, 4, 1), date(2026, 4, 3)
    keep(proved(refresh, 0, ROW_CHUNKS + 9, old), proved(refresh, ROW_CHUNKS + 9, 1015, new))
    assert store.oldest_written(K07).on is None  # the last 40 were never rewritten
    keep(proved(refresh, 2 * ROW_CHUNKS, 39, new))
    assert store.oldest_written(K07) == LastRewrite(None, 0)
    keep(opened(1, CHUNKS - 1))
    assert store.oldest_written(K07) == LastRewrite(old, 1)
    keep(proved(refresh, 0, ROW_CHUNKS + 9, new))
    assert store.oldest_written(K07) == LastRewrite(new, 1)


def test_holes_neither_hold_a_date_back_nor_make_one(store: CatalogueStore, keep: Keep) -> None:
    """I4: a drive of holes alone has no date, for nothing in it was ever proved."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    every = {"drive": K07, "pass_id": refresh.pass_id, "next_chunk": CHUNKS}
    keep(ChunksProved.model_validate({**every, "holes": ((0, CHUNKS),)}))

    assert store.oldest_written(K07) == LastRewrite(None, 0)

    keep(proved(refresh, 7, 1, date(2026, 4, 2)))

    assert store.oldest_written(K07) == LastRewrite(date(2026, 4, 2), 0)


def test_a_drive_with_findings_everywhere_has_no_date(store: CatalogueStore, keep: Keep) -> None:
    """I4: when no chunk counts, there is nothing to date."""
    keep(*taken_in(1), refresh := begun(2, PassKind.REFRESH))
    keep(proved(refresh, 0, 1, date(2026, 4, 2)), opened(1, 0))

    assert store.oldest_written(K07) == LastRewrite(None, 1)


def test_two_findings_in_one_chunk_hold_one_chunk(store: CatalogueStore, keep: Keep) -> None:
    """Held chunks are counted, not findings."""
    keep(*taken_in(CHUNKS), opened(1, 5), opened(2, 5, FindingKind.UNREADABLE))

    assert store.oldest_written(K07).held_chunks == 1


def test_a_hold_stands_until_it_is_lifted(store: CatalogueStore, keep: Keep) -> None:
    """Nothing is written to a held drive, so the hold must outlive the program."""
    keep(*taken_in(CHUNKS), DriveHeld(drive=K07, reason="does not hold what is written"))
    assert store.drive(K07).hold == "does not hold what is written"
    keep(HoldLifted(drive=K07, reason="cable replaced"))

    assert store.drive(K07).hold is None


def test_a_correction_leaves_the_rest_of_a_card(store: CatalogueStore, keep: Keep) -> None:
    """Moving a drive to another shelf does not touch its title."""
    keep(*taken_in(CHUNKS))
    before = store.drive(K07)
    keep(CardCorrected(drive=K07, shelfmark="R3-B01-S1", claimed_written_on=date(2020, 1, 1)))

    assert store.drive(K07) == replace(
        before, shelfmark="R3-B01-S1", claimed_written_on=date(2020, 1, 1)
    )


def test_a_withdrawn_drive_is_out_of_the_lists_but_known(store: CatalogueStore, keep: Keep) -> None:
    """The record of a drive outlives its care; its findings want no decision any more."""
    keep(*taken_in(CHUNKS), begun(2, PassKind.FIXITY), opened(1, 5))
    keep(DriveWithdrawn(drive=K07, reason="succeeded by K09"))

    assert store.drives() == ()
    assert store.findings() == ()
    assert store.drive(K07).withdrawn_on == date(2026, 3, 1)
    assert store.unfinished_pass(K07, PassKind.FIXITY) is None
    assert store.passes(K07)[-1].note == "the drive was withdrawn"
    assert store.digests(K07, 0, CHUNKS) == some_digests(CHUNKS)


def test_nothing_is_recorded_of_a_drive_out_of_care(store: CatalogueStore, keep: Keep) -> None:
    """A pass over a withdrawn drive would be a pass over somebody else's drive."""
    keep(*taken_in(CHUNKS), DriveWithdrawn(drive=K07))
    with pytest.raises(InvariantBrokenError, match="not in care"):
        keep(begun(2, PassKind.FIXITY))


def test_ended_passes_are_kept_in_order(store: CatalogueStore, keep: Keep) -> None:
    """The card shows years later what was done, when and with what outcome."""
    keep(*taken_in(CHUNKS), refresh := begun(2, PassKind.REFRESH))
    checked = FixityChecked(
        drive=K07,
        pass_id=refresh.pass_id,
        moment="before rewrite",
        method="lagged",
        bytes_checked=8 * CHUNK_BYTES,
        chunks_matched=8,
        chunks_differing=0,
        chunks_unreadable=0,
    )
    read_back = checked.model_copy(update={"moment": "after rewrite"})
    keep(proved(refresh, 0, 8, date(2026, 4, 2)), checked, read_back)
    end = ended(refresh, date(2026, 4, 2)).model_copy(
        update={"outcome": Outcome.WARNING, "findings": 2, "note": "one range mended"}
    )
    keep(end)
    first, second = store.passes(K07)

    assert (first.kind, second.kind) == (PassKind.ACCESSION, PassKind.REFRESH)
    assert second.rewritten_bytes == 8 * CHUNK_BYTES
    # Whoever reached the end read all of it, visits that were cut short included.
    assert second.checked_bytes == store.drive(K07).evidence.size_bytes
    assert (second.outcome, second.findings, second.note) == (
        Outcome.WARNING, 2, "one range mended"
    )  # fmt: skip
    assert second.reached_end
    assert first.begun_at < first.ended_at < second.begun_at < second.ended_at


def test_drives_are_listed_by_number(store: CatalogueStore, keep: Keep) -> None:
    """The shelf reads the same each time."""
    keep(*taken_in(CHUNKS, K08), *taken_in(CHUNKS))

    assert [card.number for card in store.drives()] == [K07, K08]


@pytest.mark.parametrize(
    "ask",
    [
        lambda store: store.drive(K08),
        lambda store: store.digests(K08, 0, 1),
        lambda store: store.recorded_chunks(K08),
        lambda store: store.written_days(K08, 0, 1),
        lambda store: store.findings(K08),
        lambda store: store.unfinished_pass(K08, PassKind.REFRESH),
        lambda store: store.passes(K08),
        lambda store: store.oldest_written(K08),
    ],
)
def test_an_unknown_drive_is_refused_by_name(
    store: CatalogueStore, keep: Keep, ask: Callable[[CatalogueStore], object]
) -> None:
    """An empty answer about a drive that nobody knows would read like a clean bill."""
    keep(*taken_in(CHUNKS))
    with pytest.raises(UnknownDriveError, match="K08"):
        ask(store)
