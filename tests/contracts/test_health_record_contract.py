"""What every catalogue makes of health readings and of what was watched (T12 to T15)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from refreshd.errors import InvariantBrokenError, UnknownDriveError
from refreshd.events import CardCorrected, DriveWithdrawn, Event, HealthRead
from refreshd.health_cards import HealthEntry, HealthState, Moment, PageName, PassWatch, Verdict
from refreshd.health_tally import PAGES_BYTES_MAX, SAMPLES_MAX
from refreshd.ports import CatalogueStore
from refreshd.quantities import DriveNumber, Outcome, PassId
from tests.builders import K07, Scribe, taken_in
from tests.health_builders import (
    SILENT,
    SPEAKING,
    evidence_of,
    fell_silent,
    health_read,
    samples,
    watched,
)

K08 = DriveNumber("K08")
DAY = date(2026, 3, 1)
WORSE = (Verdict.WATCH, Verdict.COPY_OFF, Verdict.DO_NOT_WRITE)
Keep = Callable[..., None]


def on_day(scribe: Scribe, day: int) -> None:
    """Let the next entry be of that day of March."""
    scribe.at = datetime(2026, 3, day, 9, 0, tzinfo=UTC)


def health_of(store: CatalogueStore) -> HealthState:
    """Return where the health of K07 stands."""
    state = store.drive(K07).health
    assert state is not None
    return state


def test_a_drive_that_was_never_read_has_no_health(store: CatalogueStore, keep: Keep) -> None:
    """Nothing is claimed of a drive before it was asked."""
    keep(*taken_in(3))

    assert store.drive(K07).health is None
    assert store.health(K07) == ()
    assert store.watches(K07) == ()


def test_a_reading_is_kept_in_the_series_as_it_was(store: CatalogueStore, keep: Keep) -> None:
    """What was read, when, at which moment, and what was made of it: all of it comes back."""
    keep(*taken_in(3))
    before = health_read(Verdict.WATCH, moment=Moment.BEFORE, pass_id=PassId("K07/1"))
    keep(before, health_read(Verdict.FIT))

    first, second = store.health(K07)
    assert first == HealthEntry(
        drive=K07,
        at=datetime(2026, 3, 1, 8, 5, tzinfo=UTC),
        moment=Moment.BEFORE,
        pass_id=PassId("K07/1"),
        reading=SPEAKING,
        verdict=Verdict.WATCH,
        evidence=before.evidence,
        changes=before.changes,
    )
    assert (second.verdict, second.moment, second.pass_id) == (Verdict.FIT, Moment.BETWEEN, None)


def test_series_of_two_drives_do_not_mix(store: CatalogueStore, keep: Keep) -> None:
    """What one drive says is held against no other."""
    keep(*taken_in(3), *taken_in(3, K08))
    keep(health_read(Verdict.WATCH), watched(K08))

    assert (len(store.health(K07)), len(store.health(K08))) == (1, 0)
    assert (len(store.watches(K07)), len(store.watches(K08))) == (0, 1)
    assert store.drive(K08).health is None


def test_what_was_watched_is_kept_run_by_run(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """A pass that was taken up again has a watch of each run, oldest first."""
    keep(*taken_in(3))
    keep(watched(count=2), watched(count=SAMPLES_MAX))

    first, second = store.watches(K07)
    assert first == PassWatch(
        drive=K07,
        pass_id=PassId("K07/1"),
        at=datetime(2026, 3, 1, 8, 5, tzinfo=UTC),
        doing="refresh",
        samples=samples(2),
        heat_pauses=watched().heat_pauses,
    )
    assert (second.at, len(second.samples)) == (scribe.at, SAMPLES_MAX)


@pytest.mark.parametrize("event", [health_read(), watched()], ids=["reading", "watch"])
def test_t12_health_is_recorded_of_drives_in_care_only(
    store: CatalogueStore, scribe: Scribe, event: Event
) -> None:
    """T12: neither an unknown drive nor one that was withdrawn has a reading or a watch."""
    with pytest.raises(InvariantBrokenError, match="is not in care"):
        store.apply(scribe.fork().entries(event))
    store.apply(scribe.entries(*taken_in(3), DriveWithdrawn(drive=K07)))
    with pytest.raises(InvariantBrokenError, match="is not in care"):
        store.apply(scribe.fork().entries(event))


def test_a_withdrawn_drive_keeps_its_series(store: CatalogueStore, keep: Keep) -> None:
    """A successor can still see why a drive was withdrawn."""
    keep(*taken_in(3))
    keep(health_read(Verdict.COPY_OFF), watched(), DriveWithdrawn(drive=K07))

    assert len(store.health(K07)) == len(store.watches(K07)) == 1
    assert health_of(store).verdict is Verdict.COPY_OFF


def test_an_unknown_drive_has_no_series(store: CatalogueStore) -> None:
    """A misspelt number is said so, not answered with nothing."""
    for ask in (store.health, store.watches):
        with pytest.raises(UnknownDriveError):
            ask(DriveNumber("K99"))


def test_t13_the_verdict_is_that_of_the_last_reading_that_spoke(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T13: with its evidence and its day, for better and for worse."""
    keep(*taken_in(3))
    keep(health_read(Verdict.WATCH))

    assert health_of(store) == HealthState(
        Verdict.WATCH, DAY, evidence_of(Verdict.WATCH), judged_on=DAY
    )
    on_day(scribe, 9)
    keep(health_read(Verdict.FIT))
    assert health_of(store) == HealthState(
        Verdict.FIT, date(2026, 3, 9), judged_on=date(2026, 3, 9)
    )


@pytest.mark.parametrize("worse", WORSE)
def test_t13_silence_keeps_a_warning(
    store: CatalogueStore, keep: Keep, scribe: Scribe, worse: Verdict
) -> None:
    """T13: what failed does not mend by falling silent; evidence and day of the verdict stay."""
    keep(*taken_in(3))
    keep(health_read(worse))
    on_day(scribe, 9)
    keep(fell_silent())

    assert health_of(store) == HealthState(
        worse, date(2026, 3, 9), evidence_of(worse), is_silent=True, judged_on=DAY
    )
    assert [entry.verdict for entry in store.health(K07)] == [worse, Verdict.NOT_KNOWN]


def test_t13_silence_keeps_no_praise(store: CatalogueStore, keep: Keep, scribe: Scribe) -> None:
    """T13: of a drive that fell silent nobody knows that it is fit for duty still."""
    keep(*taken_in(3))
    keep(health_read(Verdict.FIT))
    on_day(scribe, 9)
    keep(fell_silent())

    assert health_of(store) == HealthState(
        Verdict.NOT_KNOWN, date(2026, 3, 9), is_silent=True, judged_on=DAY
    )


def test_t13_a_reading_of_which_nothing_could_be_made_is_no_praise_either(
    store: CatalogueStore, keep: Keep
) -> None:
    """T13: pages that are all nonsense say as little as a silent bridge."""
    keep(*taken_in(3))
    keep(health_read(Verdict.WATCH), health_read(Verdict.NOT_KNOWN))

    assert health_of(store).verdict is Verdict.WATCH
    assert not health_of(store).is_silent


def test_t13_silence_may_make_a_drive_worse(store: CatalogueStore, keep: Keep) -> None:
    """T13: a silent reading that was judged worse than the one before counts, undated."""
    keep(*taken_in(3))
    keep(health_read(Verdict.WATCH), fell_silent(Verdict.COPY_OFF), fell_silent(Verdict.WATCH))

    assert health_of(store) == HealthState(
        Verdict.COPY_OFF, DAY, evidence_of(Verdict.COPY_OFF), is_silent=True, judged_on=DAY
    )


def test_t13_a_drive_that_was_always_silent_was_never_judged(
    store: CatalogueStore, keep: Keep
) -> None:
    """T13: a silent drive is not known, and there is no day on which it was."""
    keep(*taken_in(3))
    keep(fell_silent(), fell_silent())

    assert health_of(store) == HealthState(Verdict.NOT_KNOWN, DAY, is_silent=True, judged_on=None)


def test_t13_a_drive_that_speaks_again_is_silent_no_more(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T13: in a dock that passes commands through it is judged anew."""
    keep(*taken_in(3))
    keep(health_read(Verdict.WATCH), fell_silent())
    on_day(scribe, 9)
    keep(health_read(Verdict.FIT))

    assert health_of(store) == HealthState(
        Verdict.FIT, date(2026, 3, 9), judged_on=date(2026, 3, 9)
    )


def test_t14_no_day_of_health_moves_backwards(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T14: a clock that steps back over midnight makes no verdict older than it was."""
    keep(*taken_in(3))
    on_day(scribe, 9)
    keep(health_read(Verdict.FIT))
    on_day(scribe, 8)
    keep(health_read(Verdict.WATCH))
    assert (health_of(store).read_on, health_of(store).judged_on) == (date(2026, 3, 9),) * 2
    keep(fell_silent())

    assert (health_of(store).read_on, health_of(store).judged_on) == (date(2026, 3, 9),) * 2


def test_t15_a_reading_ends_as_its_verdict_says(store: CatalogueStore, scribe: Scribe) -> None:
    """T15: the journal's outcome and the verdict cannot contradict each other."""
    store.apply(scribe.entries(*taken_in(3)))
    expected = {
        Verdict.NOT_KNOWN: Outcome.SUCCESS,
        Verdict.FIT: Outcome.SUCCESS,
        Verdict.WATCH: Outcome.WARNING,
        Verdict.COPY_OFF: Outcome.FAIL,
        Verdict.DO_NOT_WRITE: Outcome.FAIL,
    }
    for verdict, outcome in expected.items():
        for claimed in Outcome:
            event = health_read(verdict).model_copy(update={"outcome": claimed})
            if claimed is outcome:
                store.apply(scribe.entries(event))
                continue
            with pytest.raises(InvariantBrokenError, match="T15"):
                store.apply(scribe.fork().entries(event))


def test_t15_pages_beyond_any_drive_are_refused(store: CatalogueStore, scribe: Scribe) -> None:
    """T15, I8: a drive cannot fill the journal with what it says about itself."""
    store.apply(scribe.entries(*taken_in(3)))
    half = bytes(PAGES_BYTES_MAX // 2)
    pages = {PageName.ATA_SMART_DATA: half, PageName.ATA_STATUS: half}
    store.apply(scribe.entries(_with_pages(pages)))
    with pytest.raises(InvariantBrokenError, match="T15"):
        store.apply(scribe.entries(_with_pages(pages | {PageName.ATA_IDENTIFY: b"x"})))


def _with_pages(pages: dict[PageName, bytes]) -> HealthRead:
    return health_read().model_copy(update={"pages": pages})


@pytest.mark.parametrize("field", ["samples", "heat_pauses"])
def test_t15_a_run_watched_beyond_measure_is_refused(
    store: CatalogueStore, scribe: Scribe, field: str
) -> None:
    """T15: of one run so much is kept as a picture can show."""
    store.apply(scribe.entries(*taken_in(3)))
    too_many = getattr(watched(), field)[:1] * (SAMPLES_MAX + 1)
    with pytest.raises(InvariantBrokenError, match="T15"):
        store.apply(scribe.entries(watched().model_copy(update={field: too_many})))


def test_health_is_on_the_cards_of_the_whole_shelf(store: CatalogueStore, keep: Keep) -> None:
    """Planning and the list of drives see the health of each drive, or that there is none."""
    keep(*taken_in(3), *taken_in(3, K08))
    keep(health_read(Verdict.WATCH))
    expected = {K07: health_of(store), K08: None}

    assert {card.number: card.health for card in store.drives()} == expected
    assert {row.card.number: row.card.health for row in store.shelf_rows()} == expected


def test_other_events_leave_health_on_the_card(store: CatalogueStore, keep: Keep) -> None:
    """A card that is corrected says of its drive's health what it said before."""
    keep(*taken_in(3))
    keep(health_read(Verdict.WATCH))
    before = health_of(store)
    keep(CardCorrected(drive=K07, title="Glass plates of the lighthouse survey"))

    assert health_of(store) == before


def test_a_number_out_of_a_broken_page_is_no_reading() -> None:
    """I8: what the journal's JSON could not hold is refused where it comes up."""
    measure = next(iter(SPEAKING.measures))
    replace(SILENT, measures={measure: 2**53 - 1})
    with pytest.raises(ValueError, match="broken page"):
        replace(SILENT, measures={measure: 2**53})
