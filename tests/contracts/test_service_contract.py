"""What every catalogue keeps for the service, the simulated and the real one alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import get_args

import pytest

from refreshd.cards import Delivery, LastRewrite, Pause, Presence, Slip, SlipState
from refreshd.errors import InvariantBrokenError, UnknownDriveError, UsageError
from refreshd.events import (
    CardCorrected,
    CarePaused,
    CareResumed,
    ChannelFailed,
    DriveLeft,
    DriveReleased,
    DriveWithdrawn,
    Event,
    NoticeDelivered,
    PassInterrupted,
    PassResumed,
    PolicyTaken,
    PutAwayAsked,
    SlipAnswered,
    SlipLapsed,
    SlipReminded,
    SlipReturned,
    StrangerReported,
)
from refreshd.ports import CatalogueStore
from refreshd.quantities import DriveNumber, Errand, PassKind, SlipNumber
from refreshd.register import ROW_CHUNKS
from refreshd.service_tally import SlipEvent
from tests.builders import (
    CHUNK_BYTES,
    K07,
    STAY,
    Scribe,
    accessioned,
    arrived,
    begun,
    ended,
    issued,
    opened,
    proved,
    taken_in,
)

CHUNKS = ROW_CHUNKS + 40
K08 = DriveNumber("K08")
ONE, TWO, THREE = (SlipNumber(number) for number in (1, 2, 3))
Keep = Callable[..., None]

ANSWERED = SlipAnswered(drive=K07, slip=ONE)
DONE = PutAwayAsked(drive=K07, slip=ONE, is_done=True)
AWAY = SlipReturned(drive=K07, slip=ONE, how="unplugged")
LAPSED = SlipLapsed(drive=K07, slip=ONE, why="nobody answered")
REMINDED = SlipReminded(drive=K07, slip=ONE)


@pytest.fixture
def shelf(store: CatalogueStore, keep: Keep) -> CatalogueStore:
    """Return a catalogue with two drives in care."""
    keep(*taken_in(CHUNKS), *taken_in(CHUNKS, K08))
    return store


# --- Slips


def test_an_empty_shelf_has_no_slips_and_no_stays(store: CatalogueStore) -> None:
    """A new catalogue asks for nothing and believes nothing plugged in."""
    assert store.slips() == ()
    assert store.stays() == ()
    assert store.deliveries() == frozenset()
    assert store.next_slip_number() == 1
    assert store.pause() is None
    assert store.policy_taken() is None
    assert store.shelf_rows() == ()


def test_an_issued_slip_is_open_and_complete(shelf: CatalogueStore, keep: Keep) -> None:
    """What the archivist reads on the slip is what was written down."""
    keep(issued(1))
    day = date(2026, 3, 1)

    assert shelf.slips() == shelf.slips(K07) == (shelf.slip(ONE),)
    assert shelf.slips(K08) == ()
    assert shelf.slip(ONE) == Slip(
        number=ONE,
        drive=K07,
        errand=Errand.REFRESH,
        reason="Its oldest chunk was last written on 2023-05-01.",
        issued_on=day,
        due_on=date(2026, 5, 1),
        grace_ends_on=date(2026, 8, 1),
        state=SlipState.ISSUED,
        changed_on=day,
        expected_s=64_800,
    )


@pytest.mark.parametrize("number", [2, 1])
def test_a_slip_number_is_given_once(shelf: CatalogueStore, keep: Keep, number: int) -> None:
    """T6: two slips of one number could not be told apart in the journal."""
    keep(issued(2), SlipLapsed(drive=K07, slip=TWO, why="no longer wanted"))

    assert shelf.next_slip_number() == 3
    with pytest.raises(InvariantBrokenError, match=r"T6"):
        keep(issued(number, K08))


def test_a_drive_is_asked_for_by_one_slip_at_a_time(shelf: CatalogueStore, keep: Keep) -> None:
    """T7: two open slips for one drive would have it brought out twice."""
    keep(issued(1))
    with pytest.raises(InvariantBrokenError, match=r"slip 1 of K07 is open \(T7\)"):
        keep(issued(2, errand=Errand.FIXITY))


def test_a_slip_goes_its_way_to_returned(shelf: CatalogueStore, keep: Keep) -> None:
    """T8: each state says who has something to do."""
    states = []
    for event in (issued(1), ANSWERED, DONE, AWAY):
        keep(event)
        states.append(shelf.slip(ONE).state)

    assert states == [
        SlipState.ISSUED, SlipState.ANSWERED, SlipState.TO_PUT_AWAY, SlipState.RETURNED
    ]  # fmt: skip
    assert shelf.slips() == ()
    assert shelf.slip(ONE).note == "unplugged"
    keep(issued(2))
    assert [slip.number for slip in shelf.slips()] == [2]


def test_an_errand_that_was_not_done_says_why(shelf: CatalogueStore, keep: Keep) -> None:
    """The drive goes back to its place all the same, and another slip will ask for it."""
    keep(issued(1), ANSWERED, DONE.model_copy(update={"is_done": False, "note": "on battery"}))

    assert shelf.slip(ONE).state is SlipState.TO_PUT_AWAY
    assert shelf.slip(ONE).note == "on battery"


REACHED: dict[SlipState, tuple[Event, ...]] = {
    SlipState.ISSUED: (issued(1),),
    SlipState.ANSWERED: (issued(1), ANSWERED),
    SlipState.TO_PUT_AWAY: (issued(1), ANSWERED, DONE),
    SlipState.RETURNED: (issued(1), ANSWERED, DONE, AWAY),
    SlipState.LAPSED: (issued(1), LAPSED),
}
ALLOWED = {
    (SlipState.ISSUED, "slip-reminded"),
    (SlipState.ISSUED, "slip-answered"),
    (SlipState.ISSUED, "slip-lapsed"),
    (SlipState.ANSWERED, "slip-reminded"),
    (SlipState.ANSWERED, "put-away-asked"),
    (SlipState.TO_PUT_AWAY, "slip-reminded"),
    (SlipState.TO_PUT_AWAY, "slip-returned"),
}


@pytest.mark.parametrize("state", SlipState)
@pytest.mark.parametrize(
    "event", [ANSWERED, DONE, AWAY, LAPSED, REMINDED], ids=lambda one: one.kind
)
def test_a_slip_takes_no_other_way(
    shelf: CatalogueStore, keep: Keep, scribe: Scribe, state: SlipState, event: SlipEvent
) -> None:
    """T8: a slip that skipped a state would hide that nobody answered, or that a drive is out."""
    keep(*REACHED[state])
    if (state, event.kind) in ALLOWED:
        keep(event)
        return
    before = shelf.slip(ONE)
    with pytest.raises(InvariantBrokenError, match=r"slip 1 is .*\(T8\)"):
        shelf.apply(scribe.fork().entries(event))

    assert shelf.slip(ONE) == before


def test_every_event_of_a_slip_is_tried_in_every_state() -> None:
    """A new way of a slip has to be allowed or refused, not forgotten."""
    tried = {type(one) for one in (ANSWERED, DONE, AWAY, LAPSED, REMINDED)}

    assert tried | {type(issued(1))} == set(get_args(SlipEvent))
    assert set(REACHED) == set(SlipState)


@pytest.mark.parametrize("event", [ANSWERED, REMINDED, LAPSED], ids=lambda one: one.kind)
def test_a_slip_is_about_one_drive(shelf: CatalogueStore, keep: Keep, event: SlipEvent) -> None:
    """T8: the slip of one drive is not answered by another one."""
    keep(issued(1), issued(2, K08))
    with pytest.raises(InvariantBrokenError, match=r"no open slip of K08 \(T8\)"):
        keep(event.model_copy(update={"drive": K08}))


def test_a_slip_that_asks_to_put_a_drive_away_begins_there(
    shelf: CatalogueStore, keep: Keep
) -> None:
    """T8: its drive is here already, so nobody has to bring it out."""
    keep(arrived(), issued(1, errand=Errand.PUT_AWAY))
    assert shelf.slip(ONE).state is SlipState.TO_PUT_AWAY
    keep(DriveLeft(drive=K07), AWAY)

    assert shelf.slip(ONE).state is SlipState.RETURNED


def test_a_drive_pulled_out_of_its_visit_is_asked_for_again(
    shelf: CatalogueStore, keep: Keep
) -> None:
    """T8: the errand is not done, so its slip must not look as if somebody had come."""
    keep(issued(1), arrived(), ANSWERED, REMINDED, DriveLeft(drive=K07, note="pulled out"))
    slip = shelf.slip(ONE)

    assert slip.state is SlipState.ISSUED
    assert slip.note == "pulled out"
    assert slip.reminders == 0
    keep(arrived(), ANSWERED)
    assert shelf.slip(ONE).state is SlipState.ANSWERED


def test_a_drive_that_leaves_settles_no_slip_by_itself(shelf: CatalogueStore, keep: Keep) -> None:
    """A policy may ask for a word that the drive is really back in its place."""
    keep(issued(1), arrived(), ANSWERED, DONE, DriveLeft(drive=K07))
    assert shelf.slip(ONE).state is SlipState.TO_PUT_AWAY
    keep(AWAY, issued(2), arrived(), DriveLeft(drive=K07))

    assert shelf.slip(TWO).state is SlipState.ISSUED


def test_reminders_count_from_the_last_change(
    shelf: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T9: reminding of a drive that is out must not go on from the reminders to bring it."""
    keep(issued(1), REMINDED)
    scribe.at += timedelta(days=9)
    keep(SlipReminded(drive=K07, slip=ONE, is_escalated=True), REMINDED)
    slip = shelf.slip(ONE)

    assert (slip.reminders, slip.reminded_on, slip.is_escalated) == (3, date(2026, 3, 10), True)
    assert slip.changed_on == date(2026, 3, 1)

    keep(ANSWERED)
    slip = shelf.slip(ONE)

    assert (slip.reminders, slip.reminded_on, slip.is_escalated) == (0, None, False)
    assert slip.changed_on == date(2026, 3, 10)


def test_a_slip_issued_again_names_the_one_that_lapsed(shelf: CatalogueStore, keep: Keep) -> None:
    """The chain of slips shows how often somebody was asked in vain."""
    keep(issued(1), LAPSED, issued(2, reissue_of=ONE))

    assert shelf.slip(TWO).reissue_of == ONE
    assert shelf.slip(ONE).note == "nobody answered"


@pytest.mark.parametrize("before", [ONE, SlipNumber(9)])
def test_a_slip_takes_the_place_of_none_of_another_drive(
    shelf: CatalogueStore, keep: Keep, before: SlipNumber
) -> None:
    """T7: the number of another drive's slip, or of none, is no chain."""
    keep(issued(1), LAPSED)
    with pytest.raises(InvariantBrokenError, match=r"none of K08 \(T7\)"):
        keep(issued(12, K08, reissue_of=before))


def test_an_unknown_slip_or_drive_is_refused_by_name(shelf: CatalogueStore) -> None:
    """A mistyped number gets a sentence, not silence."""
    with pytest.raises(UsageError, match="no slip 7"):
        shelf.slip(SlipNumber(7))
    with pytest.raises(UnknownDriveError, match="K99"):
        shelf.slips(DriveNumber("K99"))


def test_withdrawing_a_drive_closes_what_is_open_about_it(
    shelf: CatalogueStore, keep: Keep
) -> None:
    """Nobody is asked for a drive that is in care no more."""
    keep(issued(1), arrived(), ANSWERED, NoticeDelivered(channel="post", stages=((ONE, "issued"),)))
    keep(DriveWithdrawn(drive=K07))

    assert shelf.slip(ONE).state is SlipState.LAPSED
    assert shelf.slip(ONE).note == "the drive was withdrawn"
    assert shelf.slips() == ()
    assert shelf.stays() == ()
    assert shelf.deliveries() == frozenset()


@pytest.mark.parametrize(
    "event", [issued(1), arrived(), DriveReleased(drive=K07, how="flushed"), DriveLeft(drive=K07)]
)
def test_nothing_of_the_service_is_recorded_of_a_drive_out_of_care(
    shelf: CatalogueStore, keep: Keep, event: Event
) -> None:
    """A withdrawn drive is a stranger like any other."""
    keep(DriveWithdrawn(drive=K07))
    with pytest.raises(InvariantBrokenError, match="not in care"):
        keep(event)


# --- Stays


def test_a_drive_that_arrived_is_here_until_it_leaves(
    shelf: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """A service that starts anew compares what is plugged in with what it knew."""
    keep(arrived(K08))
    keep(arrived())
    came = scribe.at
    first, second = shelf.stays()

    assert (first.drive, second.drive) == (K07, K08)
    assert (first.place, first.presence, first.arrived_at) == ("/dev/sdb", STAY, came)
    assert not first.is_released

    keep(DriveReleased(drive=K07, how="spun down"))
    assert shelf.stays()[0].released_at == scribe.at
    keep(DriveLeft(drive=K07))
    assert [stay.drive for stay in shelf.stays()] == [K08]


def test_an_arrival_takes_the_place_of_the_stay_before(shelf: CatalogueStore, keep: Keep) -> None:
    """T10: after a power cut nobody saw the drive leave."""
    keep(arrived(), DriveReleased(drive=K07, how="spun down"))
    keep(arrived(presence=Presence("boot-b", 3)))
    (stay,) = shelf.stays()

    assert stay.presence == Presence("boot-b", 3)
    assert not stay.is_released


@pytest.mark.parametrize("event", [DriveReleased(drive=K07, how="x"), DriveLeft(drive=K07)])
def test_a_drive_that_is_not_here_neither_leaves_nor_is_released(
    shelf: CatalogueStore, keep: Keep, event: Event
) -> None:
    """T10: a record of a drive that nobody plugged in would be a record of another drive."""
    keep(arrived(K08))
    with pytest.raises(InvariantBrokenError, match=r"K07 is not plugged in.*T10"):
        keep(event)


@pytest.mark.parametrize("is_resumed", [False, True])
def test_a_released_drive_that_is_worked_on_again_must_not_be_unplugged(
    shelf: CatalogueStore,
    keep: Keep,
    is_resumed: bool,  # noqa: FBT001 - a parameter of the test
) -> None:
    """T10: "may be unplugged" would be wrong from the first read of the next pass on."""
    fixity = begun(2, PassKind.FIXITY)
    if is_resumed:
        keep(fixity, PassInterrupted(drive=K07, pass_id=fixity.pass_id, reason="asked"))
    keep(arrived(), DriveReleased(drive=K07, how="spun down"))
    again = PassResumed(drive=K07, pass_id=fixity.pass_id, presence=STAY, next_chunk=0)
    keep(again if is_resumed else fixity)

    assert not shelf.stays()[0].is_released


# --- Notices, strangers, pause, policy


def test_what_was_delivered_is_kept_while_its_slip_is_open(
    shelf: CatalogueStore, keep: Keep
) -> None:
    """T11: a channel that took a notice is not handed it again after a restart."""
    keep(issued(1), issued(2, K08))
    both = NoticeDelivered(channel="post", stages=((ONE, "issued"), (TWO, "issued")))
    keep(both, both.model_copy(update={"channel": "wall"}), both)
    assert shelf.deliveries() == {
        Delivery(slip, "issued", channel) for slip in (ONE, TWO) for channel in ("post", "wall")
    }
    keep(LAPSED, SlipAnswered(drive=K08, slip=TWO))
    keep(both)

    assert shelf.deliveries() == {Delivery(TWO, "issued", name) for name in ("post", "wall")}


def test_a_notice_of_a_slip_that_never_was_is_refused(shelf: CatalogueStore, keep: Keep) -> None:
    """T6: a number that nobody gave is a fault of ours."""
    with pytest.raises(InvariantBrokenError, match="slip 5"):
        keep(NoticeDelivered(channel="post", stages=((SlipNumber(5), "issued"),)))


def test_a_channel_that_failed_changes_nothing(shelf: CatalogueStore, keep: Keep) -> None:
    """It is told for the record only; the notice is still to be delivered."""
    keep(issued(1), ChannelFailed(channel="post", why="refused"))

    assert shelf.deliveries() == frozenset()


def test_a_stranger_is_known_by_all_that_it_says(shelf: CatalogueStore, keep: Keep) -> None:
    """Said once for each: another size or serial is another drive."""
    evidence = accessioned(7).evidence
    assert not shelf.is_reported(evidence)
    seen = StrangerReported(evidence=evidence, place="/dev/sdc")
    keep(seen, seen.model_copy(update={"place": "/dev/sdd"}))

    assert shelf.is_reported(evidence)
    assert not shelf.is_reported(replace(evidence, serial="QX-1188"))
    assert not shelf.is_reported(replace(evidence, size_bytes=evidence.size_bytes + 512))


def test_a_pause_stands_until_it_is_over(shelf: CatalogueStore, keep: Keep, scribe: Scribe) -> None:
    """A service that starts anew must not forget that it was asked to rest."""
    until = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    keep(CarePaused(said_by="kim"))
    keep(CarePaused(said_by="ona", until=until))
    assert shelf.pause() == Pause("ona", scribe.at, until)
    keep(CareResumed(said_by="the time was over"))

    assert shelf.pause() is None


def test_the_last_policy_taken_is_known(shelf: CatalogueStore, keep: Keep) -> None:
    """The same policy is not written down at each start; the built-in one is a policy, too."""
    keep(PolicyTaken(file="/etc/refreshd/policy.toml", sha256="ab" * 32))
    assert shelf.policy_taken() == "ab" * 32
    keep(PolicyTaken(file="", sha256=""))

    assert shelf.policy_taken() == ""


# --- Holdings


def test_a_holding_is_given_kept_and_taken_away(store: CatalogueStore, keep: Keep) -> None:
    """I9: copies are known as such, and a correction of something else leaves that alone."""
    accession = accessioned(3).model_copy(update={"holding": "harbour"})
    keep(accession, accessioned(3, K08))
    assert (store.drive(K07).holding, store.drive(K08).holding) == ("harbour", None)
    keep(CardCorrected(drive=K08, holding="harbour"), CardCorrected(drive=K07, title="Plates"))
    assert (store.drive(K07).holding, store.drive(K08).holding) == ("harbour", "harbour")
    keep(CardCorrected(drive=K08, holding=""))

    assert store.drive(K08).holding is None


# --- The whole shelf at once


def test_a_shelf_row_says_what_the_single_questions_say(shelf: CatalogueStore, keep: Keep) -> None:
    """Planning must not see another shelf than the archivist."""
    refresh, fixity = begun(2, PassKind.REFRESH), begun(3, PassKind.FIXITY)
    day = date(2026, 4, 2)
    keep(refresh, proved(refresh, 0, CHUNKS - 1, day), opened(1, CHUNKS - 1), fixity)
    keep(*taken_in(CHUNKS, gone := DriveNumber("A01")), DriveWithdrawn(drive=gone))
    first, second = shelf.shelf_rows()

    assert first.card == shelf.drive(K07)
    assert first.rewritten == shelf.oldest_written(K07) == LastRewrite(day, 1)
    assert first.open_findings == 1
    assert [state.id for state in first.unfinished] == [refresh.pass_id, fixity.pass_id]
    assert first.last_refresh_at is None
    assert second.card == shelf.drive(K08)
    assert second.rewritten == LastRewrite(None, 0)
    assert (second.open_findings, second.unfinished) == (0, ())


def test_the_date_of_a_shelf_row_follows_each_rewrite(shelf: CatalogueStore, keep: Keep) -> None:
    """I4: the day that a row had before must not stay behind, nor be forgotten too early."""
    days = [date(2026, 4, day) for day in (1, 2, 3)]
    keep(refresh := begun(2, PassKind.REFRESH))
    keep(proved(refresh, 0, CHUNKS, days[0]))
    assert shelf.shelf_rows()[0].rewritten.on == days[0]
    keep(proved(refresh, 0, ROW_CHUNKS, days[2]), proved(refresh, ROW_CHUNKS, 40, days[1]))
    assert shelf.shelf_rows()[0].rewritten.on == days[1]
    keep(proved(refresh, ROW_CHUNKS, 39, days[2]))
    assert shelf.shelf_rows()[0].rewritten.on == days[1]
    keep(proved(refresh, CHUNKS - 1, 1, days[2]))
    assert shelf.shelf_rows()[0].rewritten.on == days[2]


def test_a_finding_over_the_whole_drive_leaves_nothing_to_date(
    shelf: CatalogueStore, keep: Keep
) -> None:
    """I4: a drive that stopped a pass early (another dock, another drive) has no date."""
    keep(refresh := begun(2, PassKind.REFRESH), proved(refresh, 0, CHUNKS, date(2026, 4, 1)))
    size = shelf.drive(K07).evidence.size_bytes
    keep(opened(1, 0).model_copy(update={"length_bytes": size}))

    assert shelf.shelf_rows()[0].rewritten == LastRewrite(None, CHUNKS)


def test_a_shelf_row_knows_the_fastest_whole_pass_and_the_last_refresh(
    shelf: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """The drive's own rate; an interruption makes a pass look slower, never faster."""
    size = shelf.drive(K07).evidence.size_bytes
    for number, kind, seconds in (
        (2, PassKind.FIXITY, 400),
        (3, PassKind.REFRESH, 100),
        (4, PassKind.FIXITY, 300),
        (5, PassKind.FIXITY, 5),  # too short to tell
    ):
        keep(one := begun(number, kind))
        if kind is PassKind.REFRESH:
            scribe.at -= timedelta(minutes=1)
            keep(proved(one, 0, 8, date(2026, 3, 1)))
        scribe.at += timedelta(seconds=seconds, minutes=-1)
        keep(ended(one, date(2026, 3, 1)))
        if number == 3:
            refreshed_at = scribe.at
    row, other = shelf.shelf_rows()

    assert row.own_rate_bytes_per_s == int((size + 2 * 8 * CHUNK_BYTES) / 100)
    assert row.last_refresh_at == refreshed_at
    assert other.last_refresh_at is None
