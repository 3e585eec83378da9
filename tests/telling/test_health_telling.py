"""A drive's health as a letter, on a list, on its card and as JSON."""

from __future__ import annotations

import json
from base64 import b64decode
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refreshd.cards import Carrier
from refreshd.events import HealthRead
from refreshd.health_cards import (
    EvidenceLine,
    HealthEntry,
    HealthState,
    Measure,
    Moment,
    OwnWord,
    PageName,
    Part,
    PassWatch,
    SelfTest,
    SelfTestKind,
    SelfTestOutcome,
    Verdict,
)
from refreshd.quantities import DriveNumber
from refreshd.telling.health import (
    brief_verdict,
    health_lines,
    health_list_lines,
    verdict_words,
)
from refreshd.telling.health_as_json import health_list_object, health_object, raw_pages_object
from refreshd.verbs.health import HealthList, worst_first
from tests.builders import Scribe
from tests.readings import ENTRIES, K07, SERIES, SILENCE, TODAY, WATCHES, card, entry, reading, view

M = Measure
FIT = entry(
    date(2030, 5, 1),
    reading(
        {M.POWER_ON_HOURS: 12_034, M.MOVED_SECTORS: 0, M.CELSIUS: 34, M.CELSIUS_HIGHEST: 51,
         M.CELSIUS_LOWEST: 12, M.CELSIUS_LIMIT: 60},
        unreported={"head loads": "no such page", "resets": "no such page", "x": "bad checksum"},
    ),
)  # fmt: skip
FAILING = entry(
    date(2031, 4, 2),
    reading({M.POWER_ON_HOURS: 12_500, M.MOVED_SECTORS: 12}, says=OwnWord.FAILING),
    Verdict.DO_NOT_WRITE,
    evidence=(
        EvidenceLine(Part.COATING, Verdict.COPY_OFF, "12 sectors moved to spares since May 2030"),
        EvidenceLine(None, Verdict.DO_NOT_WRITE, "the drive says that it is failing"),
    ),
    changes=("12 more sectors moved to spares",),
)


def letter(*series: HealthEntry, width: int | None = None) -> str:
    """Return the letter about a drive with this series."""
    return "\n".join(health_lines(view(*series), width))


# --- The letter.


def test_a_fit_drive_is_praised_for_no_more_than_is_known() -> None:
    """No sign is no promise: half of what failed in one fleet had shown none."""
    told = letter(FIT)

    assert "Verdict: fit for duty." in told
    assert "more than half of the drives that failed had shown none of the strong signs" in told
    assert "A second copy" in told


def test_a_failing_drive_is_told_with_evidence_by_part_and_what_to_do() -> None:
    """Whoever reads it knows why, since when, and what comes next."""
    told = letter(FIT, FAILING)

    assert "Verdict: do not write. Last asked on 2031-04-02, 30 days ago" in told
    assert "  magnetic coating:\n    12 sectors moved to spares since May 2030." in told
    assert "  the drive as a whole:\n    The drive says that it is failing." in told
    assert "Changed since the reading before:\n  12 more sectors" in told
    assert "IT SAYS THAT IT IS ABOUT TO FAIL" in told
    assert "It is read, never rewritten." in told


def test_the_table_holds_days_and_figures_that_changed() -> None:
    """Use alone is no news there, and a figure that stayed is none."""
    rows = [line.split("   ") for line in letter(FIT, FAILING).splitlines()]

    changed = [row for row in rows if row[0] in {"2030-05-01", "2031-04-02"}]
    assert [[cell.strip() for cell in row if cell.strip()] for row in changed] == [
        ["2031-04-02", "sectors moved to spares", "0", "12"]
    ]


@pytest.mark.parametrize("bad", ["current", "worst", "threshold", "score", "%", "healthy."])
def test_there_is_no_score_and_no_table_of_attributes(bad: str) -> None:
    """A single figure for a drive cannot be checked, and hides what is known."""
    assert bad not in letter(FIT, FAILING).lower()


def test_what_is_not_reported_is_grouped_by_reason() -> None:
    """One line for a reason, however many things lack."""
    told = letter(FIT)

    assert "Not reported (no such page): head loads, resets." in told
    assert told.count("Not reported") == 2


def test_a_silent_drive_is_said_to_be_silent_and_not_healthy() -> None:
    """A bridge that passes nothing through says nothing about the drive behind it."""
    told = letter(entry(date(2031, 4, 2), SILENCE))

    assert "not the same as healthy: the bridge answers no command" in told
    assert "another dock" in told
    assert "SATA" in told
    assert "fit for duty" not in told
    assert "Nothing that it says speaks against it" not in told


def test_silence_takes_back_praise() -> None:
    """What was fit a year ago is not known to be so now, and the old answer has its day."""
    told = letter(FIT, entry(date(2031, 4, 2), SILENCE))

    assert "Verdict: not known." in told
    assert "What follows is from 2030-05-01, when it last said something." in told
    assert "Go on as planned" not in told


def test_silence_takes_back_no_warning() -> None:
    """What failed does not mend by falling silent."""
    told = letter(FIT, FAILING, entry(date(2031, 4, 20), SILENCE))

    assert "Verdict: do not write." in told
    assert "It is read, never rewritten." in told


def test_a_drive_that_was_never_read_is_not_judged() -> None:
    """Nothing is known of it, and how to know it is said."""
    told = letter()

    assert "nothing is known of it" in told
    assert "`refreshd health K07 --now`" in told


@pytest.mark.parametrize(
    ("test", "said"),
    [
        (SelfTest(SelfTestKind.SHORT, SelfTestOutcome.PASSED, 9), "a short one at 9 power-on"),
        (SelfTest(SelfTestKind.EXTENDED, SelfTestOutcome.FAILED, 9, 77, Part.HEADS),
         "an extended one at 9 power-on hours, FAILED at sector 77 (head contact)"),
        (SelfTest(SelfTestKind.SHORT, SelfTestOutcome.STOPPED), "says nothing of the drive"),
        (SelfTest(SelfTestKind.SHORT, SelfTestOutcome.UNDER_WAY, percent_left=40),
         "is under way, 40 % of it to go"),
        (SelfTest(SelfTestKind.OTHER, SelfTestOutcome.NOT_KNOWN), "that it does not tell"),
    ],
)  # fmt: skip
def test_a_self_test_is_told_with_its_end(test: SelfTest, said: str) -> None:
    """A test that was stopped is no failure of the drive."""
    assert said in letter(entry(date(2030, 5, 1), reading(self_tests=(test,))))


def test_temperature_is_told_with_its_range() -> None:
    """Now, in its life, and what its maker allows."""
    assert "Temperature: 34 °C, from 12 to 51 °C in its life, it allows 60 °C." in letter(FIT)


@settings(max_examples=50, deadline=None)
@given(series=SERIES, width=st.none() | st.integers(20, 200))
def test_any_series_can_be_told(series: list[HealthEntry], width: int | None) -> None:
    """I8: whatever a drive or an old record holds, somebody can read it, and programs can."""
    told = list(health_lines(view(*series), width))

    assert len(told) > 2
    assert all(line.isprintable() for line in told)
    json.dumps(health_object(view(*series)))


# --- The shelf.


def states() -> dict[str, HealthState | None]:
    """Return one state of each kind by the number of a drive."""
    cards = {
        "K01": view(FIT),
        "K02": view(),
        "K03": view(FIT, FAILING),
        "K04": view(entry(date(2031, 4, 2), SILENCE)),
    }
    return {number: one.card.health for number, one in cards.items()}


def shelf() -> HealthList:
    """Return a shelf of such drives."""
    cards = [card(state, number=DriveNumber(number)) for number, state in states().items()]
    return HealthList(TODAY, worst_first(cards))


def test_the_shelf_has_the_worst_on_top_and_the_unknown_above_the_fit() -> None:
    """Who asks for something comes first; of whom nobody knows comes before who is fit."""
    assert [one.number for one in shelf().cards] == ["K03", "K02", "K04", "K01"]


@pytest.mark.parametrize("width", [None, 40, 60, 80, 120])
def test_the_shelf_is_told_on_any_terminal(width: int | None) -> None:
    """Nothing is cut off, and no escape sequence is needed to tell one verdict from another."""
    told = "\n".join(health_list_lines(shelf(), width))

    assert "\x1b" not in told
    for word in ("K01", "K02", "K03", "K04", "fit", "known", "write"):
        assert word in told


def test_what_passes_found_stands_beside_what_a_drive_says() -> None:
    """A drive may report nothing while a place of it could not be read: both are said."""
    listed = HealthList(TODAY, shelf().cards, {DriveNumber("K01"): 2})

    told = "\n".join(health_list_lines(listed))
    letter = "\n".join(health_lines(replace(view(FIT), open_findings=1)))

    assert "nothing it reports speaks against it; 2 open findings" in told
    assert "passes left 1 open finding" in letter
    assert "`refreshd findings K07`" in letter


def test_an_image_has_nobody_to_be_asked() -> None:
    """An image file is not blamed for its silence."""
    listed = HealthList(TODAY, (card(carrier=Carrier.IMAGE),))

    assert "there is no drive to ask" in "\n".join(health_list_lines(listed))


@pytest.mark.parametrize(
    ("number", "words", "brief"),
    [
        ("K01", "health: fit for duty (reading of 2030-05-01, 12 months ago)",
         "fit for duty, read 2030-05-01"),
        ("K02", "health never read", "health never read"),
        ("K03", "health: do not write (reading of 2031-04-02, 30 days ago)",
         "do not write, read 2031-04-02"),
        ("K04", "silent about its health (asked on 2031-04-02)",
         "silent about its health, 2031-04-02"),
    ],
)  # fmt: skip
def test_a_card_says_the_verdict_with_its_day(number: str, words: str, brief: str) -> None:
    """A verdict without its day would be taken for one of today."""
    assert verdict_words(states()[number], TODAY) == words
    assert brief_verdict(states()[number]) == brief


# --- JSON.

KEYS_OF_ONE = {
    "drive", "shelfmark", "title", "hold", "as_of", "verdict", "read_on", "judged_on",
    "is_silent", "evidence", "readings", "watches", "proving",
}  # fmt: skip
KEYS_OF_READING = {
    "at", "moment", "pass", "verdict", "evidence", "changes", "route", "says", "silence",
    "measures", "warnings", "self_tests", "unreported",
}  # fmt: skip


def test_the_keys_of_one_drive_stay() -> None:
    """Scripts rely on them; new ones may come."""
    told = health_object(view(FIT, FAILING))

    assert set(told) >= KEYS_OF_ONE
    readings = told["readings"]
    assert isinstance(readings, list)
    assert set(readings[0]) >= KEYS_OF_READING
    assert readings[1]["measures"]["sectors moved to spares"] == 12
    assert told["verdict"] == "do not write"


def test_the_keys_of_the_shelf_stay() -> None:
    """Each drive has its verdict, also one that was never read."""
    drives = health_list_object(shelf())["drives"]

    assert isinstance(drives, list)
    assert [one["verdict"] for one in drives] == [
        "do not write", "not known", "not known", "fit for duty"
    ]  # fmt: skip
    assert [one["is_silent"] for one in drives] == [False, False, True, False]


def test_raw_pages_come_out_as_they_went_in() -> None:
    """What is not decoded today may be tomorrow, byte for byte."""
    page = bytes(range(256)) * 2
    event = HealthRead(
        drive=K07,
        moment=Moment.BETWEEN,
        reading=reading(),
        verdict=Verdict.FIT,
        pages={PageName.ATA_SMART_DATA: page},
    )
    told = raw_pages_object([Scribe().entry(event)])["raw"]

    assert isinstance(told, list)
    assert b64decode(told[0]["pages"]["ata smart data"]) == page


@settings(max_examples=50, deadline=None)
@given(series=st.lists(ENTRIES, max_size=3), watches=st.lists(WATCHES, max_size=2))
def test_json_of_anything_is_json(series: list[HealthEntry], watches: list[PassWatch]) -> None:
    """No value is of a kind that JSON lacks."""
    told = health_object(view(*sorted(series, key=lambda one: one.at), watches=watches))

    assert json.loads(json.dumps(told)) == told
