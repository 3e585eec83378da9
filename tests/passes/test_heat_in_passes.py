"""Whole passes on a drive that warms, cools or says nothing, on a simulated clock."""

from __future__ import annotations

from itertools import cycle, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.adapters.thread_lanes import ThreadLanes
from refreshd.errors import OverheatedError, PassStoppedError
from refreshd.events import PassInterrupted
from refreshd.health_cards import HeatPause, WatchSample
from refreshd.health_tally import SAMPLES_MAX
from refreshd.passes.bench import PassReport
from refreshd.passes.heat import BLIND_REST_S
from refreshd.passes.watch import PAUSES_MOST, SAMPLES_MOST, longest, thinned
from refreshd.quantities import PassKind, Span
from refreshd.simulated.examiner import SimulatedExaminer
from tests.fakes.broken_ports import BusyAttendant
from tests.fakes.cuts import fork
from tests.fakes.room import K07, Plan, Room
from tests.fakes.trials import LONG, base_room, false_dates, is_held
from tests.fakes.warm import WarmRoom, warm_room


def completed(warm: WarmRoom, report: PassReport) -> bool:
    """Say whether a refresh went through, with every byte where it was."""
    size = warm.room.plan.size
    assert false_dates(warm.room) is None
    return (
        report.stopped_by is None
        and report.bytes_written == size
        and is_held(warm.room, Span(0, size))
    )


def test_a_drive_in_moving_air_is_refreshed_without_a_rest() -> None:
    """The model's drive nears 45 °C at work, which is normal."""
    warm = warm_room()

    report = warm.room.refresh()

    assert completed(warm, report)
    assert warm.watched[0].heat_pauses == ()
    assert not any("rest" in sentence for sentence in warm.room.attendant.sentences)


def test_a_drive_without_moving_air_rests_and_is_refreshed_all_the_same() -> None:
    """It is let cool to go_on each time it comes to pause; the whole drive is rewritten."""
    warm = warm_room()
    warm.warmth.lose_fan()
    warm.warmth.room = 20.0

    report = warm.room.refresh()

    pauses = warm.watched[0].heat_pauses
    assert completed(warm, report)
    assert len(pauses) >= 2
    assert all(50 <= one.highest_celsius < 55 for one in pauses)
    assert all(one.ended_s - one.begun_s >= 30 for one in pauses)
    said = " ".join(warm.room.attendant.sentences)
    assert said.count("the pass rests until it has cooled to 45 °C") == 1  # one may be of hundreds
    assert said.count("the pass goes on") == 1
    assert f"The pass rested {len(pauses)} times for heat" in said


def test_nothing_is_asked_of_a_drive_while_it_rests() -> None:
    """Between the beginning and the end of each rest no byte goes over it."""
    warm = warm_room()
    warm.warmth.lose_fan()
    warm.warmth.room = 20.0
    began_s = warm.room.clock.elapsed_s()

    warm.room.refresh()

    moved = [at_s - began_s for at_s in (*warm.drive.read_at_s, *warm.drive.written_at_s)]
    for pause in warm.watched[0].heat_pauses:
        assert not [at_s for at_s in moved if pause.begun_s + 1 <= at_s < pause.ended_s]


def test_a_drive_that_gets_hotter_at_rest_is_given_up_and_taken_up_again_once_cool() -> None:
    """The pass is interrupted at give_up, nothing is lost, and it ends on a cooler day."""
    warm = warm_room()
    warm.warmth.lose_fan()
    warm.warmth.room = 38.0
    warm.warmth.now = 46.0

    report = warm.room.refresh()

    assert isinstance(report.stopped_by, OverheatedError)
    assert "got hotter in a rest" in str(report.stopped_by)
    assert str(report.stopped_by).startswith("simulated drive: the drive is at 5")
    reasons = [
        entry.event.reason
        for entry in warm.room.ledger.entries
        if isinstance(entry.event, PassInterrupted)
    ]
    assert reasons == [str(report.stopped_by)]
    assert warm.watched[0].heat_pauses[-1].highest_celsius >= 55

    warm.warmth.room, warm.warmth.now = 10.0, 20.0
    report = warm.room.refresh()
    assert report.stopped_by is None
    assert is_held(warm.room, Span(0, warm.room.plan.size))
    assert warm.room.ledger.unfinished_pass(K07, PassKind.REFRESH) is None


def test_a_drive_that_stays_warm_at_rest_is_given_up() -> None:
    """After an hour at rest in a hot room there is no use in waiting on."""
    warm = warm_room()
    warm.warmth.room, warm.warmth.now = 40.0, 51.0

    report = warm.room.refresh()

    assert isinstance(report.stopped_by, OverheatedError)
    assert "has not cooled to 45 °C in a rest of 1 hour" in str(report.stopped_by)
    assert report.bytes_read == 0


def test_a_stop_is_heard_in_a_rest() -> None:
    """Whoever asks for the drive while it cools does not wait for it."""
    warm = warm_room()
    warm.warmth.room, warm.warmth.now = 40.0, 51.0
    warm.room.attendant.stop_after = 1  # the move that says that it rests
    began_s = warm.room.clock.elapsed_s()

    report = warm.room.refresh()

    assert isinstance(report.stopped_by, PassStoppedError)
    assert "while the drive rested" in str(report.stopped_by)
    assert warm.room.clock.elapsed_s() - began_s < 10
    assert warm.room.ledger.unfinished_pass(K07, PassKind.REFRESH) is not None


def test_a_rest_is_shown_to_whoever_watches() -> None:
    """The doing says that it rests, and how warm it is."""
    warm = warm_room()
    warm.warmth.now = 51.0
    doings: list[str] = []

    class Listener(BusyAttendant):
        def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
            doings.append(doing)

    warm.room.attendant = Listener()
    warm.room.refresh()

    assert "resting for heat, 51 °C" in doings
    assert doings[-1].startswith("rewriting")


def test_a_drive_without_a_sensor_rests_by_the_clock() -> None:
    """It is said once that nobody knows how hot it is; five minutes in each hour it rests."""
    warm = warm_room()
    warm.examiner.celsius = lambda: None

    report = warm.room.refresh()

    assert completed(warm, report)
    said = [one for one in warm.room.attendant.sentences if "does not say" in one]
    assert len(said) == 1
    samples = warm.watched[0].samples
    assert all(sample.celsius is None for sample in samples)
    gaps = [after - before for before, after in pairwise(warm.drive.read_at_s)]
    rests = [gap for gap in gaps if gap >= BLIND_REST_S]
    assert len(rests) == int(report.seconds // 3600)


def test_the_curve_of_a_pass_is_recorded_and_says_what_was() -> None:
    """Seconds, place and rate of each sample are those of the drive; the temperature climbs."""
    warm = warm_room()

    report = warm.room.refresh()

    (curve,) = warm.watched
    assert (curve.drive, curve.pass_id) == (K07, report.pass_id)
    assert len(curve.samples) <= SAMPLES_MOST
    assert curve.samples[0].celsius == 33
    assert curve.samples[-1].celsius == 45
    assert all(before.at_s < after.at_s for before, after in pairwise(curve.samples))
    places = [sample.done_bytes for sample in curve.samples]
    assert places == sorted(places)
    assert places[-1] > warm.room.plan.size * 0.9
    assert {sample.rate_bytes_per_s for sample in curve.samples[1:-1]} <= {19, 20, 21}


def test_no_question_is_asked_while_the_pass_waits_for_its_rate() -> None:
    """A rate limit lets the drive idle for minutes: a question then could keep it awake."""
    warm = warm_room(rate=1_000_000)
    slow = 2.0  # bytes per second: ten minutes from one chunk to the next
    asked_at: list[float] = []
    warm.examiner.celsius = lambda: asked_at.append(warm.room.clock.elapsed_s()) or 36.0  # type: ignore[func-returns-value]
    bench, options = warm.room.bench(), warm.room.options()
    from dataclasses import replace  # noqa: PLC0415

    from refreshd.passes.fixity import run_fixity  # noqa: PLC0415

    run_fixity(bench, K07, replace(options, rate_bytes_per_s_max=int(slow)))

    moved = set(warm.drive.read_at_s)
    assert len(asked_at) > 10
    assert set(asked_at) <= moved | {asked_at[0], asked_at[-1]}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(20, 62), min_size=1, max_size=200), st.integers(0, 2**32))
def test_random_temperatures_never_cost_a_byte(series: list[int], seed: int) -> None:
    """
    Whatever the sensor says, a refresh works only below pause, and in the end all is rewritten.

    No byte goes over the drive while the last thing it said was at or above pause, and the
    work of all runs together is one whole drive, each byte what it was.
    """
    warm = warm_room(Plan(chunks=20, lag=2048), rate=20 + seed % 50)
    answers = iter(series)
    last: list[int] = [20]
    hot: list[int] = []

    def celsius() -> float:
        last[0] = next(answers, 20)
        return float(last[0])

    def look() -> None:
        if last[0] >= 50:
            hot.append(last[0])

    warm.examiner.celsius = celsius
    warm.drive.before = look
    written = 0
    for _ in range(len(series) + 2):
        report = warm.room.refresh()
        written += report.bytes_written
        if report.stopped_by is None:
            break
        assert isinstance(report.stopped_by, OverheatedError)

    assert report.stopped_by is None
    assert hot == []
    assert written >= warm.room.plan.size
    assert is_held(warm.room, Span(0, warm.room.plan.size))
    assert false_dates(warm.room) is None


def test_lanes_rest_together_and_no_rest_is_taken_for_a_hang() -> None:
    """With threads, all of them wait for the one that asks; a rest may outlast any request."""
    room = fork(base_room(LONG))
    answers = iter([48, 52, 51, 49, 44])
    room.examiner = SimulatedExaminer(lambda: float(next(answers, 40)))
    lanes = ThreadLanes(0.5)
    room.lanes = lanes

    report = room.refresh()
    lanes.close()

    assert report.stopped_by is None
    assert report.bytes_written == LONG.size
    assert not lanes.is_hung


def test_a_pass_that_overheats_on_threads_ends_every_lane() -> None:
    """The error reaches the caller whichever lane asked, and nothing is left waiting."""
    room = fork(base_room(LONG))
    room.examiner = SimulatedExaminer(lambda: 58.0)
    lanes = ThreadLanes(5)
    room.lanes = lanes

    report = room.refresh()
    lanes.close()

    assert isinstance(report.stopped_by, OverheatedError)
    assert not lanes.is_hung
    assert report.bytes_written == 0


@pytest.mark.parametrize("count", [1, 256, 257, 5000])
def test_samples_are_thinned_out_and_keep_their_extremes(count: int) -> None:
    """The hottest, the coolest, the fastest, the slowest, the first and the last stay."""
    samples = [WatchSample(at * 15, at, 100 + at % 7, 40 + at % 3) for at in range(count)]
    if count > 256:
        samples[count // 3] = WatchSample(count // 3 * 15, 0, 1, 54)
        samples[count // 2] = WatchSample(count // 2 * 15, 0, 900, 12)
    kept = thinned(samples, 256)

    assert len(kept) <= 256
    assert (kept[0], kept[-1]) == (samples[0], samples[-1])
    assert list(kept) == sorted(kept)
    for values in (
        [(one.celsius or 0) for one in samples],
        [one.rate_bytes_per_s for one in samples],
    ):
        assert {min(values), max(values)} <= {
            *[(one.celsius or 0) for one in kept],
            *[one.rate_bytes_per_s for one in kept],
        }


def test_an_image_is_not_asked_and_its_rate_is_noted() -> None:
    """Where there is no drive to ask, a pass rests for nothing."""
    warm = warm_room()
    warm.room.examiner = None

    report = warm.room.refresh()

    assert completed(warm, report)
    assert all(sample.celsius is None for sample in warm.watched[0].samples)
    assert not [one for one in warm.room.attendant.sentences if "hot" in one]


def test_a_short_pass_leaves_no_curve() -> None:
    """One point is no curve; the record is not filled with them."""
    room: Room = fork(base_room(LONG))
    room.refresh()

    assert not [one for one in room.ledger.entries if one.event.kind == "pass-watched"]


def test_a_pass_that_rests_thousands_of_times_is_recorded_all_the_same() -> None:
    """T15: the record takes 2,000 rests of one run, and a slow pass in a warm room has more."""
    warm = warm_room(Plan(chunks=800, lag=4096))
    answers = cycle((52.0, 44.0))
    warm.examiner.celsius = lambda: next(answers)
    report = warm.room.refresh()

    (curve,) = warm.watched
    assert report.stopped_by is None
    assert len(curve.heat_pauses) == PAUSES_MOST
    assert list(curve.heat_pauses) == sorted(curve.heat_pauses)
    told = " ".join(report.notes)
    assert int(told.split("The pass rested ")[1].split(" ")[0].replace(",", "")) > SAMPLES_MAX


def test_of_many_rests_the_longest_are_kept() -> None:
    """They say most about the air around the drive."""
    short = [HeatPause(100 * at, 100 * at + 30, 51) for at in range(PAUSES_MOST)]
    pauses = [*short, HeatPause(10**6, 10**6 + 900, 54)]

    assert longest(pauses)[-1] == pauses[-1]
    assert len(longest(pauses)) == PAUSES_MOST
    assert longest(short) == tuple(short)
