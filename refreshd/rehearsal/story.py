"""The story: what befalls an invented archive in three years, and what the real verbs do about it.

Every step tells what happens, runs a command line, and has compared what came of it.
"""

from __future__ import annotations

import signal
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Protocol

from refreshd.durations import Duration, subtract
from refreshd.errors import RefreshdError
from refreshd.quantities import KIB, MIB, DriveNumber, FindingKind, Span
from refreshd.rehearsal import images, invented_health
from refreshd.rehearsal.checks import FINDINGS, FINE, REFUSED, CannotGoOnError, Checks, listed
from refreshd.rehearsal.scenario import (
    CHUNK_BYTES,
    DRIVE_BYTES,
    NEW_BYTES,
    NEW_IMAGE,
    SEGMENT_BYTES,
    Scenario,
)
from refreshd.rehearsal.stage import Stage
from refreshd.rehearsal.stand_in import Faults

INTERVAL = Duration(years=3)
OVERDUE = Duration(days=10)

Words = tuple[str, ...]


class Narrator(Protocol):
    """Who tells the story, and runs the real verbs before the audience."""

    def tell(self, paragraph: str) -> None:
        """Say something, and leave time to read it."""

    def perform(self, words: Words) -> int:
        """Show a command line, run it, show what it says; return its exit code."""

    def perform_unseen(self, words: Words) -> int:
        """Run a command line without showing it; return its exit code."""

    def perform_cut(self, words: Words, stage: str) -> int:
        """Show a command line and run it in a process of its own; return how that ended.

        `stage` is for `Stage.from_json`. A process that was killed returns the negative number
        of the signal.
        """


@dataclass
class Story:
    """
    One rehearsal.

    Args:
        scenario: What befalls the drives.
        stage: Where it is played; set up.
        narrator: Tells it, and runs the real verbs.
        maker: Path of mke2fs; None: the images hold tar archives.

    """

    scenario: Scenario
    stage: Stage
    narrator: Narrator
    maker: str | None = field(default_factory=images.mke2fs)

    def __post_init__(self) -> None:
        self._checks = Checks(self.scenario, self.stage, self._tell)

    def run(self) -> tuple[str, ...]:
        """Tell all of it; return what went otherwise than told, in sentences."""
        today = self.stage.clock.now().date()
        self._set_the_scene(today)
        try:
            self._tell_all(today)
        except RefreshdError as err:
            self._checks.fact(fact=False, otherwise=f"nobody should have said: {err}")
        except CannotGoOnError:
            self._tell("The rehearsal ends here: what follows would build on this.")
        return tuple(self._checks.deviations)

    def _tell_all(self, today: date) -> None:
        self._prove_a_new_drive()
        self._take_into_care()
        self._let_years_pass(today)
        self._list_what_is_due(today)
        for drive in self.scenario.drives:
            if drive.number != self.scenario.failing:
                self._refresh(drive.number)
        self._spare_the_failing()
        self._look_at_findings()
        self._accept_the_edit()
        self._prove_the_record()
        self._look_back(today)

    # ── the acts ──

    def _set_the_scene(self, today: date) -> None:
        directory, drives = self.stage.directory, self.scenario.drives
        began = subtract(subtract(today, INTERVAL), OVERDUE)
        self._jump(began)
        self._tell(
            "This is a rehearsal: the archive, its drives and the years are invented. The program "
            "is real. A line that begins with $ is a command as you would type it, and what "
            "follows is what it says."
        )
        kinds = {
            images.make_image(directory / drive.image, images.content_of(drive), self.maker)
            for drive in drives
        }
        why = "" if self.maker else " (mke2fs, which makes file systems, is not installed)"
        self._tell(
            f"{listed([drive.image for drive in drives])} in {directory}, {DRIVE_BYTES // MIB} MiB "
            f"each, stand in for hard disks. Each holds {images.RECORDINGS} sound recordings and "
            f"their index in {listed(sorted(kinds))}{why}."
        )
        self._tell(
            "Staging is for show: here the safety copies lie on the same disk as the images, where "
            "a real server has a disk of its own for them. The clock is invented, too; it says "
            f"{began}. The options --state {self.stage.state} and --policy "
            f"{self.stage.policy_file} are left out below."
        )

    def _prove_a_new_drive(self) -> None:
        path = self.stage.directory / NEW_IMAGE
        images.make_blank(path, NEW_BYTES)
        self._tell(
            "A drive that was just bought is proved before anything is entrusted to it: "
            f"{NEW_IMAGE}, {NEW_BYTES // MIB} MiB and blank. All of it is written over with a "
            "pattern and read back, so that one which holds less than it claims is caught. On a "
            "real drive that takes days. (What a drive says of itself is invented in all of this "
            "rehearsal: an image has no sensors.)"
        )
        words = ("prove", str(path))
        self._checks.ended(self.narrator.perform(words), FINE, "proving the new drive")
        self._checks.is_proved(NEW_BYTES)

    def _take_into_care(self) -> None:
        self._tell(
            "Then the drives of the archive are taken into care. Each gets a number for its case, "
            "a place on the shelf (the shelfmark) and a title. All of it is read, and a digest, "
            f"which is a fingerprint, of each chunk of {CHUNK_BYTES // KIB} KiB is recorded."
        )
        for drive in self.scenario.drives:
            words: Words = ("accession", self._path(drive.number), "--number", drive.number)
            words += ("--shelfmark", drive.shelfmark, "--title", drive.title)
            words += ("--medium", "hard-disk")
            self._checks.ended(self.narrator.perform(words), FINE, f"taking in {drive.number}")

    def _let_years_pass(self, today: date) -> None:
        numbers = [drive.number for drive in self.scenario.drives]
        hot = self.scenario.hot
        self._jump(subtract(today, Duration(years=2)))
        self._tell(
            "One year later. Once a year each drive is read and compared with its digests, and "
            "nothing is written: a fixity pass. A drive is asked how it is before and after each "
            f"pass, and how warm it is in the middle. The fan of the dock of {hot} stands still:"
        )
        self.stage.hot.add(self.scenario.drive(hot).image)
        self._fixity(hot, is_shown=True)
        self._checks.has_rested(hot)
        self.stage.hot.clear()
        for number in numbers:
            if number != hot:
                self._fixity(number, is_shown=False)
        self._jump(subtract(today, Duration(years=1)))
        for number in numbers:
            self._fixity(number, is_shown=False)
        self._tell(
            "The others are read likewise, and all of them once more a year later (not shown). By "
            "the end of the third year four things have happened, and nobody tells the program:"
        )
        self._jump(today)
        self._befall()

    def _fixity(self, number: DriveNumber, *, is_shown: bool) -> None:
        words = ("fixity", number, "--on", self._path(number))
        run = self.narrator.perform if is_shown else self.narrator.perform_unseen
        self._checks.ended(run(words), FINE, f"the yearly reading of {number}")

    def _befall(self) -> None:
        """Do to the images what three years did, and remember every byte of them."""
        edited_at = images.edit_index(Path(self._path(self.scenario.edited)))
        scenario = self.scenario.apart_from_edit(edited_at)
        self.scenario = self._checks.scenario = scenario
        self._checks.edited_at(edited_at)
        self._alter(scenario.altered.drive, scenario.altered.byte)
        self._tell(
            f"2. On {scenario.edited} somebody has corrected a line of {images.INDEX}, at byte "
            f"{edited_at}, on another computer."
        )
        span = scenario.unreadable_span
        self.stage.faults[scenario.drive(scenario.unreadable.drive).image] = Faults((span,))
        self._tell(
            f"3. On {scenario.unreadable.drive} {span.length} bytes from byte {span.start} on can "
            "no longer be read. (A layer of faults, which this rehearsal lays over the image, "
            "refuses to read them.)"
        )
        failing = scenario.failing
        self.stage.failing.add(scenario.drive(failing).image)
        self._tell(
            f"4. {failing} has begun to fail. Its own electronics know: it has moved "
            f"{invented_health.MOVED} sectors to spares and says, when asked, that it will not "
            "last."
        )
        self._checks.remember_images()

    def _alter(self, number: DriveNumber, byte: int) -> None:
        path = Path(self._path(number))
        content = images.content_of(self.scenario.drive(number))
        file = content.file_at(images.piece_around(path, byte))
        images.flip_bit(path, byte)
        where = f"in {file}" if file else "outside of all files"
        self._tell(f"1. On {number} one bit of byte {byte} has flipped, {where}. No error came.")

    def _list_what_is_due(self, today: date) -> None:
        self._tell(f"Today is {today}. What is due?")
        self._checks.ended(self.narrator.perform(("shelf",)), FINE, "listing the shelf")
        self._checks.all_due(today)
        self._tell(
            f"All of them. A refresh goes over a drive {SEGMENT_BYTES // MIB} MiB at a time: read "
            "and compare; keep a safety copy (staging); write the same bytes to the same place, so "
            "that the magnetic signal is fresh; read back and compare."
        )

    def _refresh(self, number: DriveNumber) -> None:
        words = ("refresh", number, "--on", self._path(number))
        wanted = self._checks.wanted(number)
        if number == self.scenario.cut.drive:
            self._be_cut(words)
        else:
            self._tell(f"{number} is brought out and refreshed:")
        code = self.narrator.perform(words)
        self._checks.ended(code, FINDINGS if wanted else FINE, f"the refresh of {number}")
        self._checks.findings(number)
        for kind in FindingKind:
            spans = [one.span for one in wanted if one.kind is kind]
            if spans:
                self._tell(_explained(kind, number, spans))

    def _spare_the_failing(self) -> None:
        number = self.scenario.failing
        self._tell(
            f"{number} is asked how it is before anything is written to it, and says that it is "
            "failing. Rewriting would put the only thing at risk that matters, its content:"
        )
        words = ("refresh", number, "--on", self._path(number))
        self._checks.ended(self.narrator.perform(words), REFUSED, f"the refresh of {number}")
        self._checks.is_held(number)
        self._tell("Reading it is allowed, and its content is still right: time to copy it away.")
        self._fixity(number, is_shown=True)
        self._tell("The health of all drives, the worst first:")
        self._checks.ended(self.narrator.perform(("health",)), FINE, "listing the health")
        self._checks.worst_is(number)

    def _be_cut(self, words: Words) -> None:
        cut = self.scenario.cut
        self._tell(
            f"Then the power fails: the refresh of {cut.drive} is really killed (signal 9) in the "
            f"middle of its {_ordinal(cut.write)} write."
        )
        image = self.scenario.drive(cut.drive).image
        ended = self.narrator.perform_cut(words, self.stage.to_json({image: cut.write}))
        self._checks.fact(
            ended == -signal.SIGKILL,
            f"the refresh of {cut.drive} should have been killed in its {_ordinal(cut.write)} "
            f"write, but it ended by itself with exit code {ended}",
        )
        self._tell(
            "Half a chunk was written. The same command looks at what the cut left in doubt (what "
            "it tore would be put back from the safety copies), and goes on:"
        )

    def _look_at_findings(self) -> None:
        self._tell("What is wrong and wants a decision by a person is a finding. All of them:")
        wanted = self._checks.wanted()
        code = self.narrator.perform(("findings",))
        self._checks.ended(code, FINDINGS if wanted else FINE, "listing the findings")

    def _accept_the_edit(self) -> None:
        number, finding = self.scenario.edited, self._checks.finding_of_edit()
        if finding is None:
            return
        self._tell(
            f"The owner of {number} looks into {finding.id} and recognises the corrected line: the "
            "new bytes are right."
        )
        code = self.narrator.perform(("accept", number, "--finding", finding.id))
        self._checks.ended(code, FINE, f"accepting {finding.id}")
        self._checks.edit_is_accepted()
        self._checks.findings(number)
        self._tell(
            "Now that chunk can be refreshed, too. What was rewritten a moment ago is left alone:"
        )
        code = self.narrator.perform(("refresh", number, "--on", self._path(number)))
        self._checks.ended(
            code,
            FINDINGS if self._checks.wanted(number) else FINE,
            f"the second refresh of {number}",
        )
        self._checks.findings(number)
        self._tell(
            "The other findings stay open. Their right bytes can only come from a second copy: "
            "keep one, in another place."
        )

    def _prove_the_record(self) -> None:
        self._tell(
            "All this stands in a journal, each record with a digest of the one before, so that a "
            "changed, removed or moved one would show:"
        )
        code = self.narrator.perform(("journal", "verify"))
        self._checks.ended(code, FINE, "verifying the journal")
        self._checks.journal()
        self._tell("An export is a copy of the record, to be kept away from this server:")
        words = ("export", str(self.stage.directory / "export"))
        self._checks.ended(self.narrator.perform(words), FINE, "the export")

    def _look_back(self, today: date) -> None:
        self._tell("And the shelf, with the drives back in their places:")
        self._checks.ended(self.narrator.perform(("shelf",)), FINE, "listing the shelf")
        self._checks.all_refreshed(today, INTERVAL)
        self._checks.images()
        if not self._checks.deviations:
            self._tell(
                "The images were compared with what they were before the refreshes: not one byte "
                "differs. The cut lost nothing, and no damaged place was written to."
            )

    # ── small things ──

    def _tell(self, paragraph: str) -> None:
        self.narrator.tell(paragraph)

    def _path(self, number: DriveNumber) -> str:
        return self.stage.image(self.scenario.drive(number))

    def _jump(self, day: date) -> None:
        # At the same time of day, so that the last jump ends in the present: what is kept can
        # then be worked with by hand, with the real clock.
        now = self.stage.clock.real.now()
        self.stage.clock.jump(datetime.combine(day, now.timetz()))


def _explained(kind: FindingKind, number: DriveNumber, spans: Sequence[Span]) -> str:
    places = listed([f"byte {span.start}" for span in spans])
    if kind is FindingKind.UNREADABLE:
        return (
            f"{number} cannot be read at {places}. Writing there could destroy what a better "
            "reader might still get, so that chunk is left alone."
        )
    return (
        f"{number} differs at {places}, in two readings. The program cannot know which bytes are "
        "right, so it writes nothing there."
    )


def _ordinal(number: int) -> str:
    if number % 100 in {11, 12, 13}:
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"
