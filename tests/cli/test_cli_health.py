"""health, and the pictures of drive, through the command line."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.wiring.station import Station
from tests.fakes.counter import Counter


def asked(counter: Counter, examiner: SimulatedExaminer) -> None:
    """Let every medium be asked through this examiner from now on."""

    def fit(station: Station) -> Station:
        return replace(station, examiner_of=lambda _medium: examiner)

    counter.world.fit = fit


@pytest.fixture
def examiner(counter: Counter) -> SimulatedExaminer:
    """Return what the drives answer in the passes of a test."""
    told = SimulatedExaminer()
    asked(counter, told)
    return told


def test_an_empty_shelf_has_no_health(counter: Counter) -> None:
    """Nothing is in care, and that is what is said."""
    assert counter.say("health").out == "No drive is in care.\n"


def test_a_pass_leaves_a_reading_that_the_letter_tells(
    examiner: SimulatedExaminer, counter: Counter, k07: Path
) -> None:
    """The accession asked the drive; the letter, the list, the card and the shelf say so."""
    letter = counter.say("health", "K07")

    assert letter.code == 0
    assert "Verdict: fit for duty. Last asked on 2031-03-14" in letter.out
    assert "fit for duty   K07" in counter.say("health").out
    assert "fit for duty, read 2031-03-14" in counter.say("shelf").out
    assert "Health: fit for duty (reading of 2031-03-14)" in counter.say("drive", "K07").out


def test_raw_pages_are_given_to_programs(
    examiner: SimulatedExaminer, counter: Counter, k07: Path
) -> None:
    """Every page of every reading, in base64, beside what was made of it."""
    told = counter.ask("health", "K07", "--raw").json

    assert told["verdict"] == "fit for duty"
    assert len(told["raw"]) == len(told["readings"]) > 0
    assert "ata smart data" in told["raw"][0]["pages"]


def test_an_image_without_a_drive_is_not_blamed(counter: Counter, k07: Path) -> None:
    """Nobody is there to be asked: no verdict, no remark on the shelf."""
    assert "there is no drive" in counter.say("health", "K07").out
    assert "health" not in counter.say("shelf").out
    assert counter.ask("health", "K07").json["read_on"] is None


def test_a_drive_that_fails_is_on_top_and_says_why(
    examiner: SimulatedExaminer, counter: Counter, k07: Path
) -> None:
    """After its own word no refresh begins, and the letter says what to do."""
    examiner.is_failing = True

    refused = counter.say("refresh", "K07", "--on", str(k07))
    told = counter.say("health", "K07").out

    assert refused.code == 3
    assert "Verdict: do not write." in told
    assert "IT SAYS THAT IT IS ABOUT TO FAIL" in told
    assert "It is on hold, nothing may be written to it" in told


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("health", "--now"), "name the drive"),
        (("health", "--raw"), "name the drive"),
        (("health", "K07", "--on", "/dev/sdz"), "add --now"),
        (("health", "K07", "--raw"), "add --json"),
        (("health", "K0 7"), "K0 7"),
    ],
)
def test_words_that_make_no_sense_are_explained(
    counter: Counter, words: tuple[str, ...], wanted: str
) -> None:
    """Exit code 2, and what to say instead."""
    said = counter.say(*words)

    assert said.code == 2
    assert wanted in said.err


def test_an_image_cannot_be_asked_now(counter: Counter, k07: Path) -> None:
    """A guard refuses, since no reading could come of it."""
    said = counter.say("health", "K07", "--now", "--on", str(k07))

    assert said.code == 3
    assert "only a drive itself" in said.err


def test_pictures_are_drawn_and_written(
    examiner: SimulatedExaminer, counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """On the terminal, and as files that the object names."""
    for celsius in (36, 51):
        examiner.celsius = partial(float, celsius)
        examiner.measures = {one: n + celsius for one, n in examiner.measures.items()}
        counter.say("fixity", "K07", "--on", str(k07))
    plotted = counter.say("drive", "K07", "--plot")
    written = counter.ask("drive", "K07", "--svg", str(tmp_path / "pictures")).json

    assert plotted.code == 0
    assert "K07: use" in plotted.out
    assert "|" in plotted.out
    files = [Path(one) for one in written["pictures"]]
    assert [one.name for one in files if one.name == "K07-use.svg"]
    assert all(one.read_text(encoding="utf-8").startswith("<svg") for one in files)


def test_a_drive_without_a_history_says_that_there_is_nothing_to_draw(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """No empty frame, and no file."""
    assert "There is nothing to draw yet" in counter.say("drive", "K07", "--plot").out
    told = counter.ask("drive", "K07", "--svg", str(tmp_path / "p")).json
    assert told["pictures"] == []
