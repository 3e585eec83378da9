"""Drives that carry copies of the same content: said, shown, taken back."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.fakes.counter import CHUNK, Counter


@pytest.fixture
def copies(counter: Counter, tmp_path: Path) -> None:
    """Take three drives in, two of them as copies of one holding."""
    for number, holding in (("A01", "Harbour"), ("A02", "Harbour"), ("A03", None)):
        path = tmp_path / f"{number}.img"
        path.write_bytes(os.urandom(4 * CHUNK))
        counter.take_in(path, number, *(() if holding is None else ("--holding", holding)))


def test_a_card_names_the_drives_with_copies(counter: Counter, copies: None) -> None:
    """Whoever has lost a drive sees at once where the same content lies."""
    said = counter.ask("drive", "A01").json

    assert (said["holding"], said["copies"]) == ("Harbour", ["A02"])
    told = counter.say("drive", "A01").out
    assert 'It carries the holding "Harbour"; copies are on A02.' in told
    assert counter.ask("drive", "A03").json["holding"] is None
    assert "holding" not in counter.say("drive", "A03").out


def test_a_holding_is_corrected_and_taken_away(counter: Counter, copies: None) -> None:
    """An empty text takes it away; leaving the option out leaves it."""
    counter.ask("drive", "A03", "--holding", " Harbour ")
    assert "copies are on A02 and A03" in counter.say("drive", "A01").out
    counter.ask("drive", "A03", "--title", "Another title")
    assert counter.ask("drive", "A03").json["holding"] == "Harbour"

    for number in ("A02", "A03"):
        counter.ask("drive", number, "--holding", "")

    assert counter.ask("drive", "A03").json["holding"] is None
    assert "no other drive in care has a copy" in counter.say("drive", "A01").out


def test_a_withdrawn_copy_is_no_copy(counter: Counter, copies: None) -> None:
    """A drive that is out of care may have been given away."""
    counter.ask("withdraw", "A02")

    assert counter.ask("drive", "A01").json["copies"] == []


def test_an_accession_taken_up_again_corrects_the_holding(counter: Counter, tmp_path: Path) -> None:
    """What is said the second time counts; what is left out stays."""
    folder = tmp_path / "mounted"
    folder.mkdir()
    (folder / "plate.txt").write_text("a plate")
    counter.take_in(folder, "A09", "--holding", "Harbour")
    counter.take_in(folder, "A09")
    assert counter.ask("drive", "A09").json["holding"] == "Harbour"
    counter.take_in(folder, "A09", "--holding", "Quay")
    assert counter.ask("drive", "A09").json["holding"] == "Quay"
    counter.take_in(folder, "A09", "--holding", "")

    assert counter.ask("drive", "A09").json["holding"] is None


def test_a_holding_that_would_move_the_cursor_is_refused(counter: Counter, copies: None) -> None:
    """I8: what stands on a card must not play tricks on a terminal."""
    said = counter.ask("drive", "A01", "--holding", "Har\x1b[2Jbour")

    assert said.code == 2
    assert "holding" in said.error
    assert counter.ask("drive", "A01").json["holding"] == "Harbour"
