"""The search for bytes that break a decoder of pages: that it finds none, and that it could."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from refreshd.health_cards import HealthReading, Measure, OwnWord, PageName, RawPages, Route
from refreshd.pages import ata_smart
from tests import pages_made
from tests.fuzz import decoders

ROOT = Path(__file__).resolve().parents[2]
RUNS, SEED = 150_000, 20_261_125


def search(folder: Path, runs: int, planted: str = "pass") -> subprocess.CompletedProcess[str]:
    """Run the fuzzer in a process of its own, whose inputs are the same each time."""
    program = f"import sys; from tests.fuzz import fuzz_pages; {planted}; fuzz_pages.main()"
    words = [sys.executable, "-c", program, f"-runs={runs}", f"-seed={SEED}", str(folder)]
    return subprocess.run(
        [*words, f"-artifact_prefix={folder}/"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=900,
        check=False,
    )


@pytest.mark.fuzz
def test_no_input_breaks_a_decoder(tmp_path: Path) -> None:
    """I8: no crash, and no number out of a broken page. More of them are run by hand."""
    done = search(tmp_path, RUNS)

    assert done.returncode == 0, f"seed {SEED}: {done.stderr[-3000:]}"
    assert f"Done {RUNS} runs" in done.stderr


PLANTED = {
    "an index past the end": "fuzz_pages.DECODERS[:] = [lambda page: page[page[0]]]",
    "a checksum that is not looked at": (
        "from refreshd.pages import ata_smart; "
        "ata_smart.summed = lambda page: page.ljust(512)[:512]"
    ),
}


@pytest.mark.fuzz
@pytest.mark.parametrize("planted", PLANTED.values(), ids=PLANTED)
def test_the_search_finds_a_fault_that_was_planted(planted: str, tmp_path: Path) -> None:
    """A search that cannot fail proves nothing."""
    done = search(tmp_path, 20_000, planted)

    assert done.returncode != 0
    assert "Uncaught Python exception" in done.stdout + done.stderr


def test_a_number_out_of_a_broken_page_is_seen() -> None:
    """The oracle adds up the page by itself."""
    page = bytearray(pages_made.worked_smart_data())
    page[40] ^= 1
    raw = RawPages(Route.ATA, {PageName.ATA_SMART_DATA: bytes(page)})
    reading = HealthReading(
        Route.ATA,
        OwnWord.NOT_SAID,
        {Measure.MOVED_SECTORS: 8},
        sources={Measure.MOVED_SECTORS: PageName.ATA_SMART_DATA},
    )

    with pytest.raises(decoders.BrokenPromiseError, match="is broken"):
        decoders.check(raw, reading)


def test_a_decoder_that_falls_over_or_takes_what_is_broken_is_seen() -> None:
    """Only `BadPageError` may leave a decoder, and only a whole page may be taken."""
    with pytest.raises(IndexError):
        decoders.tried(lambda page: page[1], b"")
    with pytest.raises(decoders.BrokenPromiseError, match="steers a terminal"):
        decoders.tried(lambda page: page.decode("latin-1"), b"\x1b[2J")
    assert ata_smart.smart_data in decoders.SUMMED.values()
