"""What a slip says: complete, plain, and the same wherever it is read."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from html.parser import HTMLParser

import pytest

from refreshd.cards import Carrier, DriveCard, Evidence, Slip, SlipState
from refreshd.quantities import DriveNumber, Errand, MediumKind, SlipNumber
from refreshd.slip_words import (
    TEXT_COLUMNS,
    Sheet,
    batch_lines,
    batch_subject,
    due_words,
    escalated_line,
    folded,
    mind_lines,
    sheet_lines,
    stage_of,
)
from refreshd.telling.notices import (
    NOTHING,
    PAGE_FILE,
    TEXT_FILE,
    page_html,
    page_text,
    slip_pages,
)

TODAY = date(2031, 3, 20)
CARD = DriveCard(
    DriveNumber("K07"),
    "Room 2, box 14",
    "Lighthouse logs",
    MediumKind.HARD_DISK,
    Evidence(Carrier.BLOCK, 4 * 10**12, 512, 4096),
    4 << 20,
    date(2028, 4, 2),
)
SLIP = Slip(
    SlipNumber(12),
    DriveNumber("K07"),
    Errand.REFRESH,
    "It was last rewritten on 2028-04-02.",
    date(2031, 3, 14),
    date(2031, 4, 2),
    date(2031, 7, 2),
    expected_s=80_000,
)


def sheet(
    state: SlipState = SlipState.ISSUED,
    *,
    number: str = "K07",
    medium: MediumKind = MediumKind.HARD_DISK,
    errand: Errand = Errand.REFRESH,
    confirms: bool = False,
) -> Sheet:
    """Return a slip in a state, with its card."""
    slip = replace(SLIP, drive=DriveNumber(number), state=state, errand=errand)
    return Sheet(slip, replace(CARD, number=DriveNumber(number), medium=medium), confirms)


def text(found: Sheet) -> str:
    """Return a slip as one text."""
    return "\n".join(sheet_lines(found, TODAY))


def test_a_slip_says_all_that_one_needs_at_the_shelf() -> None:
    """Which drive, where, why, until when, how long, what to mind, what happens next."""
    found = text(sheet())

    for said in (
        "Bring out drive K07",
        "K07, Lighthouse logs",
        "Room 2, box 14",
        "It was last rewritten on 2028-04-02.",
        "by 2031-04-02, 13 days from now",
        "about 22 hours",
        "12, issued 2031-03-14",
        "room temperature",
        "earthed",
        "mains supply",
        "Never move it while it spins",
        "make a second copy first",
        "recognised by itself",
        "written again and read back",
        "when it may be unplugged",
        "goes back to Room 2, box 14",
    ):
        assert said in found


@pytest.mark.parametrize(
    ("today", "says"),
    [
        (date(2031, 4, 1), "by 2031-04-02, 1 day from now; sooner is welcome"),
        (date(2031, 4, 2), "today, 2031-04-02"),
        (date(2031, 4, 5), "since 2031-04-02, 3 days ago"),
    ],
)
def test_a_due_date_is_told_as_seen_from_today(today: date, says: str) -> None:
    """Nobody at a shelf wants to subtract dates."""
    assert due_words(SLIP, today) == says


def test_only_what_concerns_a_medium_is_to_be_minded() -> None:
    """A stick does not spin, and a reading needs no second copy."""
    stick = " ".join(mind_lines(MediumKind.FLASH, Errand.FIXITY))

    assert "spins" not in stick
    assert "second copy" not in stick
    assert "room temperature" in stick


@pytest.mark.parametrize("errand", list(Errand))
def test_every_errand_and_state_has_its_words(errand: Errand) -> None:
    """No slip ends in an error, whichever state it is read in."""
    for state in SlipState:
        assert text(sheet(state, errand=errand)).isprintable() is False
        assert "What happens next" in text(sheet(state, errand=errand))


def test_a_reading_says_that_nothing_is_written() -> None:
    """The owner of the only copy wants to know."""
    assert "Nothing will be written to it" in text(sheet(errand=Errand.FIXITY))
    assert "Nothing will be written to it" in text(sheet(errand=Errand.ACCESSION))


def test_a_drive_to_put_away_says_why_and_where() -> None:
    """It may be unplugged; it goes back; a connected drive protects against nothing (I9)."""
    found = text(sheet(SlipState.TO_PUT_AWAY))

    assert "Unplug it" in found
    assert "half a minute" in found
    assert "Put it back to Room 2, box 14" in found
    assert "no defence" in found
    assert "What to mind" not in found


def test_the_return_is_to_be_said_only_where_the_policy_wants_it() -> None:
    """With the very command; otherwise unplugging is enough, and the slip says so."""
    assert "refreshd return K07" in text(sheet(SlipState.TO_PUT_AWAY, confirms=True))
    assert "refreshd return" not in text(sheet(SlipState.TO_PUT_AWAY))
    of_itself = sheet(SlipState.TO_PUT_AWAY, confirms=True, errand=Errand.PUT_AWAY)
    assert "refreshd return" not in text(of_itself)  # It ends when the drive is unplugged.


def test_an_escalation_says_what_is_not_done() -> None:
    """It may be the first that somebody hears of a slip, and claims nothing of reminders."""
    said = {state: escalated_line(sheet(state)) for state in SlipState}

    assert "Nobody has brought it yet" in said[SlipState.ISSUED]
    assert "its work is not done" in said[SlipState.ANSWERED]
    assert "is to be put away" in said[SlipState.TO_PUT_AWAY]
    assert "You need not report it" in text(sheet(SlipState.TO_PUT_AWAY))


def test_several_slips_are_one_notice_that_says_the_common_once() -> None:
    """Nobody reads the same cautions twice; what differs is told for each."""
    sheets = [sheet(), sheet(number="S02", medium=MediumKind.SSD, errand=Errand.FIXITY)]
    found = "\n".join(batch_lines(sheets, TODAY))

    assert batch_subject(sheets) == "2 drives to bring out: K07, S02"
    assert batch_subject(sheets[:1]) == "Please bring out drive K07"
    assert found.count("room temperature") == 1
    assert "K07: it will be read, checked, written again" in found
    assert "S02: it will be read and checked. Nothing will be written" in found
    assert found.count("Its place  Room 2, box 14") == 2
    assert list(batch_lines(sheets[:1], TODAY)) == list(sheet_lines(sheets[0], TODAY))


def test_a_stage_is_made_from_the_slip_alone() -> None:
    """After a restart the same slip is in the same stage, so that nobody is told twice."""
    assert stage_of(SLIP) == "issued"
    assert stage_of(replace(SLIP, reminders=2)) == "issued, reminder 2"
    assert stage_of(replace(SLIP, reminders=3, is_escalated=True)) == (
        "issued, reminder 3, escalated"
    )
    assert stage_of(replace(SLIP, state=SlipState.TO_PUT_AWAY)) == "to put away"


def test_folded_lines_fit_a_sheet_and_stay_below_their_beginning() -> None:
    """What is mailed, printed or shown needs no wide window."""
    lines = list(folded(sheet_lines(sheet(), TODAY)))
    why = next(place for place, line in enumerate(lines) if "mind" in line)

    assert max(map(len, lines)) <= TEXT_COLUMNS
    assert lines[why + 1].startswith("  - Let it reach")
    assert lines[why + 2].startswith("    ")
    assert "" in lines


# ── the page ──


class Seen(HTMLParser):
    """What a reader of a page sees, and which elements it has."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        """Note a text."""
        self.text += data


def test_the_page_shows_every_slip_and_fetches_nothing() -> None:
    """One file, readable without a network, on a phone and on paper."""
    page = page_html([sheet(), sheet(SlipState.TO_PUT_AWAY, number="K08")], TODAY)
    seen = Seen()
    seen.feed(page)

    assert "Bring out drive K07" in seen.text
    assert "Put drive K08 back" in seen.text
    assert "2 open slips" in seen.text
    assert seen.tags.count("section") == 2
    assert not {"script", "img", "link", "iframe", "a"} & set(seen.tags)
    assert "default-src 'none'" in page
    assert "viewport" in page
    assert "@media print" in page
    assert "http:" not in page
    assert "url(" not in page


def test_nothing_that_a_card_says_becomes_part_of_the_page() -> None:
    """A title is typed by people, and a reason may quote a drive (I8)."""
    evil = "<script>alert(1)</script>\x1b[2J&\"'"
    card = replace(CARD, title=evil, shelfmark=evil)
    found = Sheet(replace(SLIP, reason=evil), card)
    seen = Seen()
    seen.feed(page_html([found], TODAY))

    assert "script" not in seen.tags
    assert "<script>alert(1)</script>?[2J&\"'" in seen.text
    assert "\x1b" not in page_text([found], TODAY)


def test_an_empty_page_says_that_there_is_nothing_to_do() -> None:
    """An empty page would look broken."""
    pages = slip_pages([], TODAY)

    assert set(pages) == {PAGE_FILE, TEXT_FILE}
    assert all(NOTHING in page and "2031-03-20" in page for page in pages.values())


def test_the_text_page_holds_every_slip_within_the_columns_of_a_sheet() -> None:
    """For terminals and plain printers."""
    found = page_text([sheet(), sheet(SlipState.ANSWERED, number="K08")], TODAY)

    assert "Bring out drive K07" in found
    assert "Drive K08 is here: leave it where it is" in found
    assert max(map(len, found.splitlines())) <= TEXT_COLUMNS
