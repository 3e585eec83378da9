"""Progress, places, and the sentence of every kind of record."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import get_args

import pytest

from refreshd import events
from refreshd.cards import Presence
from refreshd.cli.world import World
from refreshd.errors import UsageError
from refreshd.passes.bench import PassReport
from refreshd.quantities import (
    DriveNumber,
    Errand,
    FindingId,
    FindingKind,
    MediumKind,
    Outcome,
    PassId,
    PassKind,
    SlipNumber,
)
from refreshd.simulated.clock import SimulatedClock
from refreshd.telling.journal import entry_line, sentence
from refreshd.telling.passes import pass_lines
from refreshd.telling.progress import BarTeller, PlainTeller
from refreshd.telling.tables import table_lines
from refreshd.wiring.places import policy_file, state_directory
from tests.builders import Scribe, accessioned, arrived, issued
from tests.health_builders import (
    certified,
    health_read,
    proving_begun,
    proving_checkpoint,
    proving_given_up,
    watched,
)

K07 = DriveNumber("K07")
P2 = PassId("K07/2")
F1 = FindingId("F1")
HOME = {"XDG_STATE_HOME": "/s", "XDG_CONFIG_HOME": "/c"}


@dataclass
class Gone(StringIO):
    """A terminal that went away."""

    written: list[str] = field(default_factory=list)

    def write(self, text: str) -> int:
        """Fail as a dead terminal does."""
        self.written.append(text)
        raise OSError(5, "EIO")


def test_plain_lines_come_now_and_then() -> None:
    """At the start, then every five per cent but not every moment, or every half minute."""
    out, clock = StringIO(), SimulatedClock()
    teller = PlainTeller(out, clock, lambda: False)

    for step in range(1, 101):
        teller.moved(step * 10**6, 100 * 10**6, "reading")
        clock.sleep(0.5)
    clock.sleep(40)
    teller.moved(100 * 10**6, 100 * 10**6, "reading")

    lines = out.getvalue().splitlines()
    assert lines[0] == "reading: at 1.0 MB of 100 MB (1 %)"
    assert "2.0 MB/s" in lines[1]
    assert lines[1].endswith(", less than a minute left")
    assert 10 < len(lines) < 25


def test_the_rate_counts_from_where_the_pass_goes_on() -> None:
    """What an earlier visit did is no speed of this one."""
    out, clock = StringIO(), SimulatedClock()
    teller = PlainTeller(out, clock, lambda: False)

    teller.moved(90 * 10**6, 100 * 10**6, "rewriting")
    clock.sleep(10)
    teller.moved(95 * 10**6, 100 * 10**6, "rewriting")

    assert "500 kB/s" in out.getvalue()


@pytest.mark.parametrize("make", [PlainTeller, BarTeller])
def test_a_terminal_that_went_away_stops_no_pass(make: type) -> None:
    """A closed window is no reason to leave a drive half done."""
    out = Gone()
    teller = make(out, SimulatedClock(), lambda: True) if make is PlainTeller else BarTeller(
        out, lambda: True
    )  # fmt: skip

    teller.said("a sentence")
    teller.moved(1, 2, "reading")
    teller.moved(2, 2, "reading")
    teller.said("another")

    assert out.written
    assert teller.wants_stop()


def test_a_bar_is_shown_and_taken_away() -> None:
    """With position and rate; sentences stand above it, taken literally."""
    out = StringIO()
    teller = BarTeller(out, lambda: False)

    teller.moved(1 * 10**6, 4 * 10**6, "reading")
    teller.said("F1 [red] is no markup")
    teller.moved(4 * 10**6, 4 * 10**6, "reading")
    teller.close()
    teller.close()

    assert "F1 [red] is no markup" in out.getvalue()


def test_what_a_signal_says_begins_on_a_line_of_its_own() -> None:
    """On a terminal the cursor may stand behind a bar; a file or a pipe gets no empty line."""
    ours, theirs = os.openpty()
    reading, writing = os.pipe()
    with os.fdopen(theirs, "w") as terminal, os.fdopen(writing, "w") as pipe:
        for err in (terminal, pipe):
            World({}, StringIO(), err, SimulatedClock(), is_root=False).call_out("Asked to stop")
        said, piped = os.read(ours, 100), os.read(reading, 100)
    os.close(ours)
    os.close(reading)

    assert said.replace(b"\r", b"") == b"\nAsked to stop\n"
    assert piped == b"Asked to stop\n"


@pytest.mark.parametrize("width", range(30, 160, 5))
def test_a_narrow_table_loses_no_letter(width: int) -> None:
    """Whatever the terminal, every letter is there, and from 80 columns on a date is whole."""
    heads = ("Refresh due", "Number", "Shelfmark", "Title", "Last rewritten", "Remarks")
    rows = [("2026-05-01", "K07", "R2-B04-S3", "Choir recordings", "2026-11-25", "3 open findings")]

    lines = list(table_lines(heads, rows, width))

    wide = "".join(table_lines(heads, rows))
    assert sorted("".join(lines).replace(" ", "")) == sorted(wide.replace(" ", ""))
    if width >= 80:
        assert any("2026-05-01" in line for line in lines)
        assert any("2026-11-25" in line for line in lines)


def test_a_table_takes_its_cells_literally() -> None:
    """A title may hold what looks like markup."""
    lines = list(table_lines(("Number", "Title"), [("K07", "[bold]plates[/bold]")]))

    assert lines[1].split("   ")[-1] == "[bold]plates[/bold]"


@pytest.mark.parametrize(
    ("named", "environ", "is_root", "expected"),
    [
        ("/n", {"REFRESHD_STATE": "/e"}, True, "/n"),
        (None, {"REFRESHD_STATE": "/e"}, True, "/e"),
        (None, {"REFRESHD_STATE": "/e", **HOME}, False, "/e"),
        (None, HOME, True, "/var/lib/refreshd"),
        (None, HOME, False, "/s/refreshd"),
    ],
)
def test_the_state_directory_is_the_one_that_was_meant(
    named: str | None,
    environ: dict[str, str],
    is_root: bool,  # noqa: FBT001 - a parameter of the test
    expected: str,
) -> None:
    """--state, then REFRESHD_STATE, then the usual place of root and of others."""
    path = None if named is None else Path(named)

    assert state_directory(path, environ, is_root=is_root) == Path(expected)


def test_places_of_a_plain_user_fall_back_to_the_home_directory() -> None:
    """A relative XDG directory does not count (XDG Base Directory Specification)."""
    environ = {"XDG_STATE_HOME": "here", "XDG_CONFIG_HOME": "/c", "HOME": "/h"}

    assert state_directory(None, environ, is_root=False) == Path("/h/.local/state/refreshd")
    assert policy_file(environ, is_root=False) == Path("/c/refreshd/policy.toml")
    assert policy_file(environ, is_root=True) == Path("/etc/refreshd/policy.toml")


def test_a_user_without_a_home_directory_is_told_what_to_name() -> None:
    """A service account gets a sentence, and the policy of the whole server."""
    with pytest.raises(UsageError, match="--state"):
        state_directory(None, {}, is_root=False)

    assert policy_file({}, is_root=False) == Path("/etc/refreshd/policy.toml")


EVIDENCE = accessioned(3).evidence
ONE_OF_EACH: tuple[events.Event, ...] = (
    events.JournalOpened(program="refreshd 1"),
    events.TornLineKept(file="torn/x", length_bytes=9, sha256="0" * 64),
    events.CatalogueBroughtUp(from_sequence=1, to_sequence=4),
    events.ClockAttested(said_by="kim"),
    accessioned(3),
    events.CardCorrected(drive=K07, title="other", medium=MediumKind.SSD),
    events.DriveWithdrawn(drive=K07, reason="sold"),
    events.DriveHeld(drive=K07, reason="it forgets"),
    events.HoldLifted(drive=K07, reason="other dock"),
    events.IdentityRefused(evidence=EVIDENCE, reason="two drives"),
    events.PassBegun(
        drive=K07,
        pass_id=P2,
        pass_kind=PassKind.FIXITY,
        presence=Presence(),
        segment_chunks=4,
    ),
    events.PassResumed(drive=K07, pass_id=P2, presence=Presence(), next_chunk=8),
    events.DigestsRecorded(drive=K07, pass_id=P2, first_chunk=0, digests=bytes(16)),
    events.ChunksProved(drive=K07, pass_id=P2, next_chunk=4),
    events.FindingOpened(
        drive=K07,
        pass_id=P2,
        finding_id=F1,
        finding_kind=FindingKind.MISMATCH,
        start_byte=0,
        length_bytes=512,
    ),
    events.FindingClosed(drive=K07, pass_id=P2, finding_id=F1, how="mended"),
    events.FindingAccepted(
        drive=K07, finding_id=F1, first_chunk=0, digests=bytes(16), said_by="kim"
    ),
    events.RangeMended(drive=K07, pass_id=P2, start_byte=0, length_bytes=512, how="put back"),
    events.PathDoubted(drive=K07, pass_id=P2, start_byte=0, length_bytes=512),
    events.StagedBytesKept(drive=K07, pass_id=P2, start_byte=0, length_bytes=512, file="/f"),
    events.FixityChecked(
        drive=K07,
        pass_id=P2,
        moment="whole",
        method="direct",
        bytes_checked=512,
        chunks_matched=1,
        chunks_differing=0,
        chunks_unreadable=0,
    ),
    events.DriveRewritten(drive=K07, pass_id=P2, bytes_rewritten=512, bytes_skipped=0),
    events.InventoryTaken(
        drive=K07,
        files=1,
        file_bytes=2,
        other_items=0,
        unreadable_items=0,
        listing_sha256="0" * 64,
    ),
    events.PassEnded(
        drive=K07,
        pass_id=P2,
        pass_kind=PassKind.FIXITY,
        reached_end=True,
        checked_on=None,
        findings=0,
    ),
    events.PassInterrupted(drive=K07, pass_id=P2, reason="unplugged"),
    arrived(),
    events.DriveReleased(drive=K07, how="flushed and spun down"),
    events.DriveLeft(drive=K07, note="pulled out in the middle of a refresh"),
    events.StrangerReported(evidence=EVIDENCE, place="/dev/sdc"),
    issued(3, reissue_of=SlipNumber(1)),
    events.SlipReminded(drive=K07, slip=SlipNumber(3), is_escalated=True),
    events.SlipAnswered(drive=K07, slip=SlipNumber(3)),
    events.PutAwayAsked(drive=K07, slip=SlipNumber(3), is_done=True),
    events.SlipReturned(drive=K07, slip=SlipNumber(3), how="unplugged"),
    events.SlipLapsed(drive=K07, slip=SlipNumber(3), why="nobody brought it out for 30 days"),
    events.NoticeDelivered(channel="post", stages=((SlipNumber(3), "issued"),)),
    events.ChannelFailed(channel="post", why="the mail server refuses the connection"),
    events.CarePaused(said_by="kim", until=datetime(2026, 3, 2, 9, 0, tzinfo=UTC)),
    events.CareResumed(said_by="kim"),
    events.PolicyTaken(file="/etc/refreshd/policy.toml", sha256="0" * 64),
    health_read(),
    watched(),
    proving_begun(),
    proving_checkpoint(),
    certified(),
    proving_given_up(),
)


def test_every_kind_of_record_has_a_sentence() -> None:
    """A record that nobody can read is no record; a new kind must be told, too."""
    assert {type(event) for event in ONE_OF_EACH} == set(get_args(events.Event))
    told = {sentence(event) for event in ONE_OF_EACH}

    assert len(told) == len(ONE_OF_EACH)
    assert all(len(one) > 10 for one in told)


def test_the_records_of_a_slip_read_as_its_story() -> None:
    """A successor reads years later who was asked for what, and what came of it."""
    third = SlipNumber(3)
    told = [
        sentence(event)
        for event in (
            issued(3, reissue_of=SlipNumber(1)),
            events.SlipReminded(drive=K07, slip=third, is_escalated=True),
            events.SlipAnswered(drive=K07, slip=third),
            events.PutAwayAsked(drive=K07, slip=third, is_done=False, note="on battery"),
            events.SlipReturned(drive=K07, slip=third, how="unplugged"),
            issued(4, errand=Errand.PUT_AWAY),
        )
    ]

    assert told == [
        (
            "slip 3: asked for: refresh, about 18 hours, due on 2026-05-01 (in place of slip 1): "
            "Its oldest chunk was last written on 2023-05-01."
        ),
        "slip 3: reminded, and escalated",
        "slip 3: the drive that it asks for is here",
        "slip 3: the errand was not done, the drive may go back to its place: on battery",
        "slip 3: the drive is away again, unplugged",
        "slip 4: to be put away: Its oldest chunk was last written on 2023-05-01.",
    ]


def test_a_holding_that_was_taken_away_is_told() -> None:
    """An empty text in a record is no empty sentence."""
    gone = events.CardCorrected(drive=K07, title="Plates", holding="")

    assert sentence(gone) == "the card was corrected: title Plates, no holding"


def _refreshed(bytes_written: int) -> PassReport:
    return PassReport(
        drive=K07,
        pass_id=P2,
        kind=PassKind.REFRESH,
        outcome=Outcome.SUCCESS,
        bytes_read=8 * 10**6,
        bytes_written=bytes_written,
        bytes_skipped=8 * 10**6 - bytes_written,
        seconds=1.0,
    )


def test_a_refresh_that_wrote_nothing_does_not_speak_of_rewriting() -> None:
    """No more is said than was done: nothing was due."""
    told = "\n".join(pass_lines(_refreshed(0)))

    assert "nothing (more) was due to be rewritten" in told
    assert "what was due was rewritten, read back" in "\n".join(pass_lines(_refreshed(4 * 10**6)))


def test_a_record_is_told_with_its_zone_and_in_the_right_number() -> None:
    """Whoever reads it in another country and year must not guess."""
    ended = events.PassEnded(
        drive=K07,
        outcome=Outcome.FAIL,
        pass_id=P2,
        pass_kind=PassKind.FIXITY,
        reached_end=True,
        checked_on=None,
        findings=1,
    )
    line = entry_line(Scribe(datetime(2026, 3, 1, 8, 0, tzinfo=UTC)).entry(ended))

    assert line.startswith("2026-03-01 08:01:00Z  K07")
    assert "reached the end, 1 finding [1]" in line
