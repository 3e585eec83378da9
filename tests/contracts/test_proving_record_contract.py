"""What every catalogue makes of provings and their certificates (T16 to T20)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.errors import InvariantBrokenError
from refreshd.events import DriveAccessioned, DriveProved, DriveWithdrawn, Event
from refreshd.health_cards import HeatPause, PageName, WatchSample
from refreshd.health_tally import PAGES_BYTES_MAX, SAMPLES_MAX
from refreshd.ports import CatalogueStore
from refreshd.proving_cards import Proving, ProvingStep, RatePlace
from refreshd.quantities import DriveNumber, Outcome, ProvingId
from tests.builders import K07, STAY, Scribe, accessioned
from tests.health_builders import (
    BEGUN_AT,
    NEW_DRIVE,
    PLAN,
    SPEAKING,
    certified,
    proving_begun,
    proving_checkpoint,
    proving_given_up,
    samples,
    step_result,
)

OTHER_DRIVE = replace(NEW_DRIVE, wwn="naa.5000c500deadbef0", serial="ZX-0043")
NAMELESS = Evidence(Carrier.IMAGE, 10**9, 512, 512)
IDENTITY, CAPACITY = (step_result(step) for step in (ProvingStep.IDENTITY, ProvingStep.CAPACITY))
Keep = Callable[..., None]


def refused(store: CatalogueStore, scribe: Scribe, event: Event, rule: str) -> None:
    """Demand that an event is refused by a rule."""
    with pytest.raises(InvariantBrokenError, match=rule):
        store.apply(scribe.fork().entries(event))


def taken(evidence: Evidence, number: DriveNumber = K07) -> DriveAccessioned:
    """Take a drive into care."""
    return accessioned(9, number).model_copy(update={"evidence": evidence})


def test_an_empty_catalogue_has_no_provings(store: CatalogueStore) -> None:
    """Nothing was proved before the first proving."""
    assert store.unfinished_provings() == ()
    assert store.certificates() == ()
    assert store.next_proving_id() == "P1"


def test_a_proving_goes_on_where_its_last_checkpoint_left_it(
    store: CatalogueStore, keep: Keep
) -> None:
    """I6: what was found before a power cut is there after it, with what was watched."""
    keep(proving_begun())
    begun = Proving(ProvingId("P1"), NEW_DRIVE, PLAN, BEGUN_AT, STAY, ProvingStep.IDENTITY)
    assert store.unfinished_provings() == (begun,)
    first = proving_checkpoint(step=ProvingStep.CAPACITY, results=(IDENTITY,))
    keep(first.model_copy(update={"health_before": SPEAKING}))
    elsewhere = Presence("boot-b", 3)
    second = proving_checkpoint(next_byte=10**9, results=(CAPACITY,), first=2)
    keep(second.model_copy(update={"presence": elsewhere}))

    assert store.unfinished_provings() == (
        replace(
            begun,
            presence=elsewhere,
            step=ProvingStep.WRITE,
            next_byte=10**9,
            results=(IDENTITY, CAPACITY),
            health_before=SPEAKING,
            samples=samples(4),
            heat_pauses=(HeatPause(60, 360, 51),) * 2,
            rates=(*first.rates, *second.rates),
        ),
    )


def test_a_proving_that_ended_leaves_its_certificate(store: CatalogueStore, keep: Keep) -> None:
    """What was found is kept as it was said."""
    ended = certified(results=(IDENTITY,))
    keep(proving_begun(), ended)

    assert store.unfinished_provings() == ()
    assert store.certificates() == (ended.certificate,)


def test_a_proving_that_was_given_up_leaves_none(store: CatalogueStore, keep: Keep) -> None:
    """Nobody has proved what was given up."""
    keep(proving_begun(), proving_given_up())

    assert store.unfinished_provings() == ()
    assert store.certificates() == ()
    assert store.next_proving_id() == "P2"


def test_certificates_are_found_by_the_drives_own_names(store: CatalogueStore, keep: Keep) -> None:
    """A certificate speaks for the drive that was proved, and for no other."""
    keep(proving_begun(), proving_begun(2, OTHER_DRIVE), proving_begun(3, NAMELESS))
    at = [BEGUN_AT + timedelta(minutes=minutes) for minutes in range(5)]
    other = certified(2, evidence=OTHER_DRIVE, begun_at=at[1])
    keep(certified(3, evidence=NAMELESS, begun_at=at[2]), other, certified(1))
    bridged = replace(NEW_DRIVE, has_own_names=False)

    assert [one.id for one in store.certificates()] == ["P3", "P2", "P1"]
    assert [one.id for one in store.certificates(NEW_DRIVE)] == ["P1"]
    assert store.certificates(OTHER_DRIVE) == (other.certificate,)
    assert store.certificates(replace(NEW_DRIVE, signatures=("gpt:5f0e",))) != ()
    for spelt in (replace(NEW_DRIVE, wwn=None), replace(NEW_DRIVE, serial="zx 42")):
        assert [one.id for one in store.certificates(spelt)] == ["P1"]
    assert store.certificates(NAMELESS) == ()
    assert store.certificates(bridged) == ()


def test_a_drive_is_the_same_by_world_wide_name_else_by_model_and_serial() -> None:
    """Two drives of a model differ by serial; names that a bridge made up prove nothing."""
    without = replace(NEW_DRIVE, wwn=None)

    assert NEW_DRIVE.is_surely_of(NEW_DRIVE)
    assert NEW_DRIVE.is_surely_of(replace(NEW_DRIVE, serial="as a bridge spells it"))
    assert not NEW_DRIVE.is_surely_of(replace(NEW_DRIVE, wwn="naa.5000c500deadbef0"))
    assert without.is_surely_of(NEW_DRIVE)
    assert not without.is_surely_of(replace(without, serial="ZX-0043"))
    assert not without.is_surely_of(replace(without, model="Meridian 8T"))
    assert not NAMELESS.is_surely_of(NAMELESS)
    assert not replace(NAMELESS, has_own_names=True).is_surely_of(
        replace(NAMELESS, has_own_names=True)
    )
    bridged = replace(NEW_DRIVE, has_own_names=False)
    assert not NEW_DRIVE.is_surely_of(bridged)
    assert not bridged.is_surely_of(NEW_DRIVE)


def test_t16_a_number_is_given_once(store: CatalogueStore, keep: Keep, scribe: Scribe) -> None:
    """T16: a certificate can be named for ever, also when another proving was given up."""
    keep(proving_begun(), proving_given_up(), proving_begun(4, OTHER_DRIVE), proving_given_up(4))
    assert store.next_proving_id() == "P5"
    for number in (1, 3, 4):
        refused(store, scribe, proving_begun(number), "T16")


def test_t17_no_proving_begins_on_a_drive_in_care(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T17: the last gate before the accident that would cost most: a drive in care written over."""
    keep(taken(replace(NEW_DRIVE, signatures=("gpt:5f0e",))), taken(OTHER_DRIVE, DriveNumber("K8")))
    refused(store, scribe, proving_begun(), r"K07, which is in care \(T17\)")
    keep(proving_begun(evidence=replace(OTHER_DRIVE, wwn=None, serial="ZX-0099")))
    keep(DriveWithdrawn(drive=K07), proving_begun(2))

    assert [one.id for one in store.unfinished_provings()] == ["P1", "P2"]


def test_t17_a_drive_that_is_taken_into_care_is_proved_no_further(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T17: whoever would go on writing is refused before anything is written."""
    keep(proving_begun(), proving_begun(2, OTHER_DRIVE), taken(NEW_DRIVE))

    assert [one.id for one in store.unfinished_provings()] == ["P2"]
    assert store.certificates() == ()
    refused(store, scribe, proving_checkpoint(), "T19")


def test_t18_a_drive_has_one_unfinished_proving(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T18: two runs that write over one drive would each find the other's patterns."""
    keep(proving_begun(), proving_begun(2, NAMELESS), proving_begun(3, NAMELESS))
    refused(store, scribe, proving_begun(4), "P1 of the same drive is unfinished .T18")
    keep(proving_given_up(), proving_begun(4))

    assert [one.id for one in store.unfinished_provings()] == ["P2", "P3", "P4"]


@pytest.mark.parametrize(
    "event", [proving_checkpoint(), certified(), proving_given_up()], ids=lambda one: one.kind
)
def test_t19_only_an_unfinished_proving_goes_on_or_ends(
    store: CatalogueStore, scribe: Scribe, event: Event
) -> None:
    """T19: neither one that never began, nor one that was given up, nor one that ended."""
    refused(store, scribe, event, "T19")
    store.apply(scribe.entries(proving_begun()))
    scribe_beside = scribe.fork()
    store.apply(scribe_beside.entries(proving_given_up()))
    refused(store, scribe_beside, event, "T19")
    at = scribe_beside.at + timedelta(minutes=1)
    store.apply(scribe_beside.entries(proving_begun(2), certified(2, begun_at=at)))
    again = event.model_copy(update={"proving_id": ProvingId("P2")})
    refused(store, scribe_beside, again, "T19")


def test_t19_a_proving_goes_on_at_a_place_on_the_drive(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T19: a place beyond the end would make a run that skips all of the drive look done."""
    keep(proving_begun(), proving_checkpoint(next_byte=NEW_DRIVE.size_bytes))
    for place in (-1, NEW_DRIVE.size_bytes + 1):
        refused(store, scribe, proving_checkpoint(next_byte=place), "T19")


def test_t19_what_was_watched_is_thinned_out_and_keeps_the_heat(
    store: CatalogueStore, keep: Keep
) -> None:
    """T19: of a proving of days so much is kept as a picture can show, the hottest looks in it."""
    hot = WatchSample(1, 2, 3, 54)
    many = proving_checkpoint().model_copy(update={"samples": samples(SAMPLES_MAX)})
    keep(proving_begun(), many)
    last = samples(1, 9_000)[0]
    keep(many.model_copy(update={"samples": (samples(1)[0], hot, last)}))

    (proving,) = store.unfinished_provings()
    assert SAMPLES_MAX // 2 <= len(proving.samples) <= SAMPLES_MAX
    assert hot in proving.samples
    assert proving.samples[-1] == last
    assert proving.samples == tuple(one for one in (*samples(SAMPLES_MAX), hot, last)
                                    if one in proving.samples)  # fmt: skip


def test_t19_rates_without_end_are_refused(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T19: the rates of a proving are bounded over all of its checkpoints."""
    keep(proving_begun())
    rates = (RatePlace(0, 1, 1),)
    keep(proving_checkpoint().model_copy(update={"rates": rates * (SAMPLES_MAX - 1)}))
    keep(proving_checkpoint())
    refused(store, scribe, proving_checkpoint(), "T19")


def test_t15_what_is_written_down_of_a_proving_is_bounded(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T15, I8: neither a checkpoint nor a certificate can fill the journal."""
    keep(proving_begun())
    many = samples(SAMPLES_MAX + 1)
    pages = {PageName.ATA_SMART_DATA: bytes(PAGES_BYTES_MAX + 1)}
    ended = certified()
    certificate = replace(ended.certificate, samples=many)
    for event in (
        proving_checkpoint().model_copy(update={"samples": many}),
        proving_checkpoint().model_copy(update={"pages_before": pages}),
        ended.model_copy(update={"certificate": certificate}),
        _changed(ended, rates=ended.certificate.rates[:1] * (SAMPLES_MAX + 1)),
        ended.model_copy(update={"pages_after": pages}),
    ):
        refused(store, scribe, event, "T15")


def _changed(event: DriveProved, **changes: object) -> DriveProved:
    certificate = replace(event.certificate, **changes)  # type: ignore[arg-type]
    return event.model_copy(update={"certificate": certificate})


def test_t20_a_certificate_is_of_the_proving_that_was_begun(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T20: of the same number, plan, beginning and drive; what it holds may have changed."""
    keep(proving_begun())
    ended = certified()
    for changed in (
        _changed(ended, id=ProvingId("P2")),
        _changed(ended, plan=replace(PLAN, is_writing=False)),
        _changed(ended, begun_at=BEGUN_AT - timedelta(days=1)),
        _changed(ended, evidence=OTHER_DRIVE),
        _changed(ended, evidence=replace(NEW_DRIVE, size_bytes=10**12)),
    ):
        refused(store, scribe, changed, "another drive or plan than proving P1 .T20")
    keep(_changed(ended, evidence=replace(NEW_DRIVE, signatures=("gpt:5f0e",))))


def test_t20_a_certificate_holds_every_result(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T20: what was found before an interruption is not left out at the end."""
    keep(proving_begun(), proving_checkpoint(results=(IDENTITY, CAPACITY)))
    refused(store, scribe, certified(results=(IDENTITY,)), "lacks results .* .T20")
    read = step_result(ProvingStep.READ)
    keep(certified(results=(CAPACITY, IDENTITY, read)))

    assert store.certificates()[0].results == (CAPACITY, IDENTITY, read)


@pytest.mark.parametrize("worst", list(Outcome))
@pytest.mark.parametrize("claimed", list(Outcome))
def test_t20_a_certificate_is_no_better_than_its_worst_step(
    store: CatalogueStore, keep: Keep, scribe: Scribe, worst: Outcome, claimed: Outcome
) -> None:
    """T20: a drive with one failed step is not certified as good."""
    keep(proving_begun())
    event = certified(outcome=claimed, results=(IDENTITY, step_result(ProvingStep.READ, worst)))
    order = list(Outcome)
    if order.index(claimed) < order.index(worst):
        refused(store, scribe, event, "better than the worst of its steps .T20")
    else:
        keep(event)


def test_t20_a_proving_ends_as_its_certificate_says(
    store: CatalogueStore, keep: Keep, scribe: Scribe
) -> None:
    """T20: journal line and certificate cannot contradict each other."""
    keep(proving_begun())
    event = certified(outcome=Outcome.WARNING).model_copy(update={"outcome": Outcome.SUCCESS})
    refused(store, scribe, event, "T20")
