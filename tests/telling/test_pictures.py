"""Pictures: axes that can be read, nothing outside of the frame, the same bytes each time."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from xml.etree.ElementTree import Element, fromstring

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.cards import Carrier, Evidence
from refreshd.cli.answer import Answer
from refreshd.errors import UsageError
from refreshd.health_cards import (
    HealthEntry,
    HeatPause,
    Measure,
    PassWatch,
    SelfTestKind,
    Verdict,
    WatchSample,
)
from refreshd.proving_cards import Certificate, ProvingPlan, RatePlace
from refreshd.quantities import Outcome, PassId, ProvingId
from refreshd.telling.pictures import Panel, Picture, Scale, as_svg, as_text
from refreshd.telling.pictures.axes import fitting, ticks
from refreshd.telling.pictures.chart import Dot
from refreshd.telling.pictures.of_drive import all_pictures, last_pictures, pass_picture
from refreshd.telling.pictures.text import WIDTH, WIDTH_LEAST
from refreshd.verbs.health import HealthView
from tests.readings import SERIES, WATCHES, entry, reading, view, watch

M = Measure
SVG = "{http://www.w3.org/2000/svg}"
HOT = watch(
    [
        WatchSample(at, at * 10**8, 0 if 300 <= at < 420 else 150 * 10**6, 30 + at // 30)
        for at in range(0, 600, 15)
    ],
    [HeatPause(300, 420, 51)],
)
TWENTY_YEARS = tuple(
    entry(
        date(2026 + year, 3, 5),
        reading({M.MOVED_SECTORS: max(0, year - 9) ** 2, M.POWER_ON_HOURS: 100 + 70 * year}),
    )
    for year in range(20)
)


def certificate(*rates: RatePlace) -> Certificate:
    """Return what a proving found."""
    day = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
    return Certificate(
        id=ProvingId("P3"),
        evidence=Evidence(Carrier.BLOCK, 4 * 10**12, 512, 4096),
        plan=ProvingPlan(
            is_writing=True,
            is_erasing=False,
            self_tests=(SelfTestKind.SHORT,),
            seed="0" * 32,
            chunk_bytes=4 * 2**20,
        ),
        begun_at=day,
        ended_at=day,
        outcome=Outcome.SUCCESS,
        results=(),
        verdict=Verdict.FIT,
        rates=rates,
    )


def along() -> Picture:
    """Return the rate along a drive with one slow place."""
    step = 40 * 10**9
    rates = (
        RatePlace(n * step, step, (200 - n) * 10**6 // (2 if n == 33 else 1), n == 33)
        for n in range(100)
    )
    seen = view()
    proved = HealthView(seen.card, seen.as_of, certificate=certificate(*rates))
    return next(all_pictures(proved))


def parsed(picture: Picture) -> Element:
    """Return a picture as a viewer reads it."""
    return fromstring(as_svg(picture))  # noqa: S314 - we wrote it ourselves.


def words(root: Element) -> list[str]:
    """Return the texts that are shown."""
    return [one.text or "" for one in root.iter(f"{SVG}text")]


# --- SVG.


def test_a_picture_says_what_it_is_and_what_it_shows() -> None:
    """Whoever does not see it has a title, a role and sentences."""
    root = parsed(pass_picture(HOT))
    title, described = root.find(f"{SVG}title"), root.find(f"{SVG}desc")

    assert root.get("role") == "img"
    assert title is not None
    assert described is not None
    assert root.get("aria-labelledby") == title.get("id")
    assert root.get("aria-describedby") == described.get("id")
    assert "K07/12" in (title.text or "")
    assert described.text == (
        "Temperature: 30 to 49 °C. Rate: 0 bytes/s to 150 MB/s. It rested for heat once, "
        "2 minutes in all, at up to 51 °C."
    )


def test_a_picture_has_axes_with_units() -> None:
    """A line without units is decoration."""
    told = words(parsed(pass_picture(HOT)))

    assert {"40 °C", "100 MB/s", "0", "5 min", "Time since this run began"} <= set(told)


def test_a_picture_works_in_black_and_white() -> None:
    """Only greys are used, and no meaning hangs on one of them alone."""
    inks = set(re.findall(r'(?:fill|stroke)="([^"]+)"', as_svg(pass_picture(HOT))))

    for ink in inks - {"none", "black", "white"}:
        red, green, blue = ink[1:3], ink[3:5], ink[5:7]
        assert red == green == blue


def test_a_picture_has_no_date_of_its_making_and_no_chance_in_it() -> None:
    """The same record gives the same bytes, so that two exports can be compared."""
    first, second = as_svg(pass_picture(HOT)), as_svg(pass_picture(HOT))

    assert first == second
    assert "<script" not in first
    assert "http" not in first.replace("http://www.w3.org/2000/svg", "")


def test_a_pause_for_heat_is_marked_where_it_was() -> None:
    """It spans the panel from its begin to its end, in both panels."""
    root = parsed(pass_picture(HOT))
    shades = [one for one in root.iter(f"{SVG}rect") if one.get("fill") == "#d0d0d0"]

    assert len(shades) == 2
    assert [shade[0].text for shade in shades] == ["Rested for 2 minutes, at up to 51 °C"] * 2
    assert "Temperature of the drive (marked: at rest, too hot)" in words(root)


def test_a_slow_place_is_pointed_out_and_named() -> None:
    """With a mark on the line, and with its place in words."""
    picture = along()

    assert len(list(parsed(picture).iter(f"{SVG}polygon"))) == 1
    assert "1 slow place: at 1.3 TB (84 MB/s)." in picture.description
    assert {"0", "1 TB", "4 TB"} <= set(words(parsed(picture)))


def test_years_are_calendar_years() -> None:
    """Twenty years have round years below them, and only what changed is drawn."""
    trouble, use = all_pictures(view(*TWENTY_YEARS))

    assert {"2028", "2036", "2044"} <= set(words(parsed(trouble)))
    assert [panel.title for panel in trouble.panels] == ["Sectors moved to spares"]
    assert [panel.title for panel in use.panels] == ["Power-on hours"]
    assert "0 on 2026-03-05, 100 on 2045-03-05" in trouble.description


def test_a_gap_stays_a_gap() -> None:
    """Where nothing was told no line pretends that something was."""
    series = [
        entry(date(2026 + n, 3, 5), reading({} if n == 2 else {M.MOVED_SECTORS: n}))
        for n in range(5)
    ]
    (picture,) = all_pictures(view(*series))
    lines = list(parsed(picture).iter(f"{SVG}polyline"))

    assert [len((one.get("points") or "").split()) for one in lines] == [2, 2]
    assert len(list(parsed(picture).iter(f"{SVG}circle"))) == 4


# --- Edges.

EDGES = {
    "one sample": watch([WatchSample(15, 10**9, 10**8, 40)]),
    "no sample": watch([]),
    "no temperature": watch([WatchSample(15, 0, 10**8, None), WatchSample(30, 0, 10**8, None)]),
    "at zero": watch([WatchSample(15, 0, 0, 0), WatchSample(30, 0, 0, 0)]),
    "below zero": watch([WatchSample(15, 0, 1, -12), WatchSample(30, 0, 1, -3)]),
    "huge": watch([WatchSample(15, 0, 2**63, 40), WatchSample(10**9, 2**63, 2**64, 41)]),
    "out of order": watch([WatchSample(30, 0, 5, 40), WatchSample(15, 0, 6, 41)]),
}


@pytest.mark.parametrize("case", EDGES)
def test_a_picture_of_little_or_of_much_is_drawn(case: str) -> None:
    """One sample, none, zeros, huge values: each gives a picture with its axes."""
    picture = pass_picture(EDGES[case])

    assert list(parsed(picture).iter(f"{SVG}line"))
    assert "Rate of the drive" in "\n".join(as_text(picture))


def places(root: Element) -> list[tuple[float, float]]:
    """Return every place at which something is drawn."""
    found = []
    for one in root.iter():
        found += [
            (float(one.get(x, "0")), float(one.get(y, "0")))
            for x, y in (("x", "y"), ("cx", "cy"), ("x1", "y1"), ("x2", "y2"))
            if one.get(x) is not None
        ]
        for pair in (one.get("points") or "").split():
            x, _, y = pair.partition(",")
            found.append((float(x), float(y)))
    return found


@settings(max_examples=60, deadline=None)
@given(series=SERIES, watches=st.lists(WATCHES, max_size=2), width=st.integers(1, 200))
def test_any_history_can_be_drawn(
    series: list[HealthEntry], watches: list[PassWatch], width: int
) -> None:
    """I8: within the frame, well-formed, no line wider than the terminal, names that differ."""
    seen = view(*series, watches=watches)
    pictures = list(all_pictures(seen))

    assert len({one.name for one in pictures}) == len(pictures)
    for picture in pictures:
        root = parsed(picture)
        high = float(root.get("height") or 0)
        assert all(-1 <= x <= 801 and -1 <= y <= high + 1 for x, y in places(root))
        lines = list(as_text(picture, width))
        assert max(map(len, lines)) <= max(WIDTH_LEAST, min(width, WIDTH))
        assert all(line.isprintable() for line in lines)
    assert len(list(last_pictures(seen))) <= len(pictures)


# --- Axes.


@pytest.mark.parametrize(
    ("scale", "low", "high", "wanted", "told"),
    [
        (Scale.COUNT, 0, 7, 4, ["0", "2", "4", "6"]),
        (Scale.COUNT, 0, 1, 10, ["0", "1"]),
        (Scale.COUNT, 0, 3e6, 3, ["0", "1,000,000", "2,000,000", "3,000,000"]),
        (Scale.COUNT, 0, 2e18, 2, ["0", "1e+18", "2e+18"]),
        (Scale.CELSIUS, 31, 52, 4, ["40 °C", "50 °C"]),
        (Scale.RATE, 0, 250e6, 3, ["0", "100 MB/s", "200 MB/s"]),
        (Scale.BYTES, 0, 4e12, 4, ["0", "1 TB", "2 TB", "3 TB", "4 TB"]),
        (Scale.SECONDS, 0, 7200, 4, ["0", "30 min", "1 h 00", "1 h 30", "2 h 00"]),
        (Scale.SECONDS, 0, 40, 4, ["0", "10 s", "20 s", "30 s", "40 s"]),
        (Scale.SECONDS, 0, 400_000, 4, ["0", "2 d", "4 d"]),
        (Scale.DAYS, date(2027, 12, 30).toordinal(), date(2028, 1, 3).toordinal(), 5,
         ["2027-12-30", "2027-12-31", "2028-01-01", "2028-01-02", "2028-01-03"]),
        (Scale.DAYS, date(2027, 2, 3).toordinal(), date(2027, 6, 3).toordinal(), 4,
         ["2027-03", "2027-04", "2027-05", "2027-06"]),
        (Scale.DAYS, date(2026, 3, 5).toordinal(), date(2046, 3, 5).toordinal(), 4,
         ["2030", "2035", "2040", "2045"]),
    ],
)  # fmt: skip
def test_ticks_are_round(
    scale: Scale, low: float, high: float, wanted: int, told: list[str]
) -> None:
    """Whole figures of their unit, days, first days of months, round years."""
    assert [one.words for one in ticks(scale, low, high, wanted)] == told


@settings(deadline=None)
@given(
    scale=st.sampled_from(Scale),
    low=st.integers(0, 10**6),
    length=st.integers(1, 10**6) | st.floats(0.01, 1),
    room=st.integers(10, 800),
)
def test_words_below_an_axis_never_run_into_each_other(
    scale: Scale, low: int, length: float, room: int
) -> None:
    """However long the axis: ticks lie on it, in order, with room for their words."""
    high = low + length
    found = fitting(scale, low, high, room, len)
    each = room / length

    assert all(low - 1e-6 * high <= one.at <= high * (1 + 1e-6) + 1e-6 for one in found)
    for one, other in pairwise(found):
        assert other.at * each - one.at * each >= (len(one.words) + len(other.words)) / 2 - 1e-3


def test_an_axis_of_one_month_has_its_ends() -> None:
    """Where no round day fits, the first and the last are told."""
    low, high = date(2027, 2, 3).toordinal(), date(2027, 2, 25).toordinal()

    found = fitting(Scale.DAYS, low, high, 26, lambda text: len(text) + 2)

    assert [one.words for one in found] == ["2027-02-03", "2027-02-25"]


# --- Text.


def test_the_terminal_shows_the_same_picture() -> None:
    """Values as marks, ticks beside them, the pause below, and the sentences at the end."""
    told = "\n".join(as_text(pass_picture(HOT), 60))

    assert "K07/12" in told
    assert "40 °C |" in told
    assert "====" in told
    assert "It rested for heat once" in told.replace("\n", " ")


def test_a_rising_line_rises() -> None:
    """Higher values stand on higher rows, later ones further to the right."""
    panel = Panel("Count", Scale.COUNT, tuple(Dot(x, x) for x in range(8)))
    drawn = [
        line.partition("|")[2]
        for line in as_text(Picture("a", "A", "B.", "x", Scale.COUNT, (panel,)), 40)
        if "|" in line
    ]
    columns = [line.index("o") for line in drawn if "o" in line]

    assert len(columns) == 8
    assert columns == sorted(columns, reverse=True)


def test_runs_of_one_pass_have_pictures_of_their_own() -> None:
    """A pass that was interrupted was watched twice, and neither file replaces the other."""
    seen = view(watches=(HOT, HOT, watch([], pass_id=PassId("K07/13"))))

    assert [one.name for one in all_pictures(seen)] == [
        "K07-12-run-1", "K07-12-run-2", "K07-13-run-1"
    ]  # fmt: skip


# --- Files.


def test_files_are_written_and_named(tmp_path: Path) -> None:
    """Every picture is a file of its own; the answer names them for people and for programs."""
    from refreshd.cli.pictures import Wanted, with_pictures  # noqa: PLC0415 - as the verb does.

    seen = view(*TWENTY_YEARS, watches=(HOT,))
    answer = with_pictures(
        Answer({}, ("card",)), seen, Wanted(is_plotted=False, columns=80, directory=tmp_path / "p")
    )
    files = sorted(path.name for path in (tmp_path / "p").iterdir())

    assert files == ["K07-12-run-1.svg", "K07-counters.svg", "K07-use.svg"]
    assert answer.json["pictures"] == [str(tmp_path / "p" / name) for name in files]
    assert [line for line in answer.lines if line.startswith("Written: ")]


def test_a_drive_without_a_history_has_no_picture() -> None:
    """It is said, and no empty frame is drawn."""
    from refreshd.cli.pictures import NOTHING, plot_lines  # noqa: PLC0415 - as the verb does.

    assert list(plot_lines(view(), 80))[-1] == NOTHING


def test_a_place_that_is_no_directory_is_refused(tmp_path: Path) -> None:
    """What lies there stays as it is."""
    from refreshd.cli.pictures import write_pictures  # noqa: PLC0415 - as the verb does.

    (tmp_path / "mine").write_text("mine", encoding="utf-8")

    with pytest.raises(UsageError, match="name another directory"):
        write_pictures(view(watches=(HOT,)), tmp_path / "mine")
    assert (tmp_path / "mine").read_text(encoding="utf-8") == "mine"
