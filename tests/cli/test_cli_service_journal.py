"""The journal of a shelf that the service kept: shown, verified, exported."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from refreshd import events
from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.shelf_lock import FlockShelfLock
from refreshd.journal import Journal
from refreshd.ledger import ShelfLedger
from refreshd.quantities import Errand, SlipNumber
from refreshd.service_tally import ServiceEvent
from tests.builders import K07, accessioned, arrived, issued
from tests.fakes.counter import Counter

FIRST, SECOND = SlipNumber(1), SlipNumber(2)
STORY: tuple[events.Event, ...] = (
    events.PolicyTaken(file="/etc/refreshd/policy.toml", sha256="5f" * 32),
    events.StrangerReported(evidence=accessioned(9).evidence, place="/dev/sdc"),
    issued(1),
    events.NoticeDelivered(channel="post", stages=((FIRST, "issued"),)),
    events.ChannelFailed(channel="desk", why="the terminal is gone"),
    events.SlipReminded(drive=K07, slip=FIRST, is_escalated=True),
    events.SlipLapsed(drive=K07, slip=FIRST, why="nobody brought it out for 60 days"),
    issued(2, reissue_of=FIRST),
    arrived(),
    events.SlipAnswered(drive=K07, slip=SECOND),
    events.CarePaused(said_by="kim", until=datetime(2031, 3, 20, 9, 0, tzinfo=UTC)),
    events.CareResumed(said_by="ruth"),
    events.DriveReleased(drive=K07, how="flushed, spun down, powered off"),
    events.PutAwayAsked(drive=K07, slip=SECOND, is_done=True),
    events.DriveLeft(drive=K07),
    events.SlipReturned(drive=K07, slip=SECOND, how="unplugged"),
)


@pytest.fixture
def kept(counter: Counter, k07: Path) -> Counter:
    """Return a counter over a shelf in whose journal every event of the service stands."""
    clock = counter.world.clock
    directory = FileJournalDirectory.made_at(counter.state / "journal")
    lock = FlockShelfLock(counter.state / "shelf.lock", clock)
    with SqliteCatalogue.for_writing(counter.state / "catalogue.sqlite") as catalogue:
        ledger = ShelfLedger(Journal(directory), catalogue, clock, lock, timedelta(days=3653))
        ledger.open()
        for event in STORY:
            clock.time += timedelta(hours=1)
            ledger.record(event)
    directory.close()
    return counter


def test_every_record_of_the_service_is_a_line_of_the_journal(kept: Counter) -> None:
    """I5: the story of a visit is read in plain sentences, in order."""
    lines = [line for line in kept.say("journal", "show").out.splitlines() if "Z  " in line]
    told = [line.split(": ", 1)[1].rsplit(" [", 1)[0] for line in lines[-len(STORY) :]]

    assert {type(event) for event in STORY} == {
        *ServiceEvent.__args__, events.ChannelFailed
    }  # fmt: skip
    assert told == [
        f"the policy is now /etc/refreshd/policy.toml, SHA-256 {'5f' * 32}",
        "not in care, not touched: image file of 36 MB, serial QX-1187, at /dev/sdc",
        (
            "slip 1: asked for: refresh, about 18 hours, due on 2026-05-01: Its oldest chunk was "
            "last written on 2023-05-01."
        ),
        "told through post: slip 1 (issued)",
        "desk takes no notices: the terminal is gone",
        "slip 1: reminded, and escalated",
        "slip 1: lapsed: nobody brought it out for 60 days",
        (
            "slip 2: asked for: refresh, about 18 hours, due on 2026-05-01 (in place of slip 1): "
            "Its oldest chunk was last written on 2023-05-01."
        ),
        "plugged in, at /dev/sdb",
        "slip 2: the drive that it asks for is here",
        "kim asked that no pass runs until 2031-03-20 09:00Z",
        "passes may run again: the pause was ended by ruth",
        "may be unplugged: flushed, spun down, powered off",
        "slip 2: the errand is done, the drive may go back to its place",
        "no longer plugged in",
        "slip 2: the drive is away again, unplugged",
    ]


def test_a_journal_of_the_service_is_verified_and_exported(kept: Counter, tmp_path: Path) -> None:
    """I7: the copy holds the slips, and its chain is whole."""
    entries = kept.ask("journal", "show").json["entries"]
    assert [entry["event"]["kind"] for entry in entries][-len(STORY) :] == [
        event.kind for event in STORY
    ]
    assert kept.ask("journal", "verify").json["is_untouched"] is True

    assert kept.ask("export", tmp_path / "copy").code == 0

    with SqliteCatalogue.for_reading(tmp_path / "copy" / "catalogue.sqlite") as copy:
        assert copy.slip(SECOND).note == "unplugged"
        assert copy.slip(FIRST).errand is Errand.REFRESH


def test_a_catalogue_is_brought_up_with_all_that_the_service_wrote(kept: Counter) -> None:
    """I5: the catalogue that is gone comes back from the journal, slips included."""
    path = kept.state / "catalogue.sqlite"
    with SqliteCatalogue.for_reading(path) as catalogue:
        before = (catalogue.slip(FIRST), catalogue.slip(SECOND), catalogue.shelf_rows())
    path.unlink()

    kept.ask("drive", "K07", "--title", before[2][0].card.title)

    with SqliteCatalogue.for_reading(path) as catalogue:
        after = (catalogue.slip(FIRST), catalogue.slip(SECOND), catalogue.shelf_rows())
    assert after == before
