"""The rehearsal: the story follows the damage, and is a check that can fail."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TextIO

import pytest

from refreshd.adapters.system_clock import SystemClock
from refreshd.cli.main import main
from refreshd.cli.rehearse import TerminalNarrator, as_typed
from refreshd.cli.world import World
from refreshd.quantities import MIB, DriveNumber, PassKind
from refreshd.rehearsal import images
from refreshd.rehearsal.scenario import (
    BLOCK_BYTES,
    CHUNK_BYTES,
    DRIVES,
    NEW_BYTES,
    NEW_IMAGE,
    Cut,
    PlaceOn,
    Scenario,
    chunk_of,
)
from refreshd.rehearsal.stage import InventedClock, Stage
from refreshd.rehearsal.story import Story, Words
from refreshd.verbs.looking import look_at

ROOT = Path(__file__).resolve().parents[2]
K01, K02, K03, K04, K05 = (drive.number for drive in DRIVES)
SECONDS_MAX = 120
SECONDS_OF_WORK = 30
"""Left for the work itself, of the two minutes; it takes about ten on an ordinary disk."""

MOVED = Scenario(
    altered=PlaceOn(K01, 18_000_001),
    unreadable=PlaceOn(K02, 3_333_333),
    edited=K04,
    cut=Cut(K03, 5),
)


@dataclass
class PausesCounted(SystemClock):
    """The real clock, but nobody waits: pauses are added up."""

    slept_s: float = 0.0

    def sleep(self, seconds: float) -> None:
        """Add a pause up."""
        self.slept_s += seconds


@dataclass
class Played:
    """A rehearsal that was played, with what it said and what it did."""

    scenario: Scenario
    stage: Stage
    out: StringIO = field(default_factory=StringIO)
    clock: PausesCounted = field(default_factory=PausesCounted)
    deviations: tuple[str, ...] = ()

    @property
    def told(self) -> str:
        """All that was said, with white space as single spaces."""
        return " ".join(self.out.getvalue().replace("\n# ", " ").split())

    def bytes_of(self, number: DriveNumber) -> bytes:
        """Return a drive as it is now."""
        return Path(self.stage.image(self.scenario.drive(number))).read_bytes()


class Narrator(TerminalNarrator):
    """The real narrator; a test may do something before a verb is run."""

    def perform(self, words: Words) -> int:
        """Run a verb."""
        self.before(words)
        return super().perform(words)

    def before(self, words: Words) -> None:
        """Nothing, here."""


def world_on(out: TextIO, clock: SystemClock) -> World:
    """Return the world of this process, on one stream."""
    return World(os.environ, out, out, clock, is_root=os.geteuid() == 0)


def play(
    directory: Path,
    scenario: Scenario,
    kind: type[Narrator] = Narrator,
    maker: str | None = None,
) -> Played:
    """Play a scenario without pauses; `maker` None: the images hold tar archives."""
    clock = PausesCounted()
    stage = Stage(directory, InventedClock(clock, clock.now()))
    stage.set_up()
    played = Played(scenario, stage, clock=clock)
    narrator = kind(world_on(played.out, clock), stage, main, is_paced=True)
    played.deviations = Story(scenario, stage, narrator, maker).run()
    return played


def original(tmp_path: Path, scenario: Scenario, number: DriveNumber) -> bytes:
    """Return a drive as it was invented, before anything befell it."""
    path = tmp_path / "original"
    images.make_image(path, images.content_of(scenario.drive(number)), None)
    return path.read_bytes()


def differing(one: bytes, other: bytes) -> list[int]:
    """Return the bytes at which two drives differ."""
    assert len(one) == len(other)
    step = MIB // 16
    return [
        at
        for start in range(0, len(one), step)
        if one[start : start + step] != other[start : start + step]
        for at in range(start, min(start + step, len(one)))
        if one[at] != other[at]
    ]


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """The usual story, as the verb plays it, with a file system where mke2fs is there."""
    return play(tmp_path_factory.mktemp("usual"), Scenario(), maker=images.mke2fs())


@pytest.fixture(scope="module")
def moved(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """The same story with all of its damage elsewhere, on tar archives."""
    return play(tmp_path_factory.mktemp("moved"), MOVED)


# ── the story ──


def test_the_usual_story_goes_as_told(usual: Played) -> None:
    """Every step of the scenario that the verb plays comes out as it says."""
    assert usual.deviations == ()
    assert "NOT AS TOLD" not in usual.told
    assert "F1: mismatch" in usual.told
    assert "unreadable, 4096 bytes from byte 12345344" in usual.told
    assert "The chain is whole" in usual.told


def test_moved_damage_moves_the_story(usual: Played, moved: Played) -> None:
    """The story is worked out from the drives, not recited: other damage, other findings."""
    altered, bad = chunk_of(MOVED.altered.byte), MOVED.unreadable_span

    assert moved.deviations == ()
    for played, is_in in ((moved, True), (usual, False)):
        assert (f"mismatch, 262144 bytes from byte {altered.start}" in played.told) is is_in
        assert (f"unreadable, 4096 bytes from byte {bad.start}" in played.told) is is_in
        assert ("in the middle of its 5th write" in played.told) is is_in
        assert ("The owner of K04 looks into" in played.told) is is_in
        assert ("the refresh of K03 is really killed" in played.told) is is_in
    assert "taken up again at byte 0." in moved.told
    assert re.search(r"taken up again at byte [1-9][0-9]+\.", usual.told)


def test_only_what_befell_the_drives_is_different_afterwards(moved: Played, tmp_path: Path) -> None:
    """I2: the altered byte is still the altered one, and nothing else on any drive changed."""
    edit = images.AFTER
    for drive in DRIVES:
        before, after = original(tmp_path, MOVED, drive.number), moved.bytes_of(drive.number)
        changed = differing(before, after)
        if drive.number == MOVED.altered.drive:
            assert changed == [MOVED.altered.byte]
            assert after[changed[0]] == before[changed[0]] ^ 1
        elif drive.number == MOVED.edited:
            at = before.index(images.BEFORE)
            assert after[at : at + len(edit)] == edit
            assert set(changed) <= set(range(at, at + len(edit)))
        else:
            assert changed == []


def test_it_tells_what_is_for_show(usual: Played) -> None:
    """Nobody may take the rehearsal's staging, images, clock or fault layer for real ones."""
    for said in (
        "Staging is for show",
        "stand in for hard disks",
        "The clock is invented",
        "What a drive says of itself is invented in all",
        "A layer of faults, which this rehearsal lays over the image",
        "are invented. The program is real.",
    ):
        assert said in usual.told


def test_the_pauses_leave_two_minutes(usual: Played) -> None:
    """A run with pauses stays under two minutes: the pauses are counted, not waited for."""
    assert 30 < usual.clock.slept_s < SECONDS_MAX - SECONDS_OF_WORK


def test_a_new_drive_is_proved(usual: Played) -> None:
    """The very bytes of the blank image were written over, and read back."""
    image = (usual.stage.directory / NEW_IMAGE).read_bytes()

    assert len(image) == NEW_BYTES
    assert image != bytes(NEW_BYTES)
    assert "All of it, 8.4 MB, was written and flushed" in usual.told


def test_a_hot_drive_rests_and_goes_on(usual: Played) -> None:
    """The pass waits until the drive has cooled, and then reads all of it."""
    assert "the pass rests until it has cooled to 45 °C" in usual.told
    assert "after a rest of 5 minutes 30 seconds: the pass goes on" in usual.told


def test_a_failing_drive_is_read_and_not_written_to(usual: Played) -> None:
    """I2: its own word is enough, and not one byte of it was rewritten."""
    assert "K05 is not rewritten: The drive itself says that it is failing" in usual.told
    assert re.search(r"do not write K05 R1-B02-S3 [0-9-]+ The drive itself says", usual.told)
    view = look_at(usual.stage.station(), K05)
    assert view.line.rewritten.on is None
    assert all(done.rewritten_bytes == 0 for done in view.passes)
    assert any(done.kind is PassKind.FIXITY and done.reached_end for done in view.passes)


# ── a check that can fail ──


class Meddler(Narrator):
    """Makes the world another one than the scenario says, behind the back of the story."""

    def before(self, words: Words) -> None:
        """Meddle, right before certain verbs are run."""
        directory = self.stage.directory
        match words[:2]:
            case ("refresh", "K03"):  # the second time it flips again, which nobody minds
                images.flip_bit(directory / "K03.img", Scenario().altered.byte)
            case ("refresh", "K04"):
                self.stage.faults.clear()
            case ("fixity", "K01"):
                self.stage.hot.clear()
            case ("prove", image):
                Path(image).write_bytes(b"not blank".ljust(NEW_BYTES, b"x"))
            case ("refresh", "K05"):
                self.stage.failing.clear()
            case ("findings",):
                images.flip_bit(directory / "K01.img", 7 * MIB)
            case ("journal", "verify"):
                path = min((self.stage.state / "journal").glob("*.jsonl"))
                path.write_bytes(path.read_bytes().replace(b"Ferry bells", b"Ferry belts", 1))


@pytest.fixture(scope="module")
def meddled(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """A story in which nothing comes as the scenario says, its cut included."""
    return play(tmp_path_factory.mktemp("meddled"), Scenario(cut=Cut(K02, 1000)), Meddler)


@pytest.mark.parametrize(
    "deviation",
    [
        "the refresh of K02 should have been killed in its 1000th write",
        "mismatch of 262144 bytes at byte 9699328 of K03 should have been found",
        "unreadable of 4096 bytes at byte 12345344 of K04 should have been found",
        "the new drive should have been written over and passed, not",
        "the reading of K01 should have rested for heat",
        "the refresh of K05 should have ended with exit code 3, not 0",
        'the verdict on K05 should be "do not write"',
        "K05 should be on hold",
        "the refresh of K04 should have ended with exit code 1, not 0",
        "verifying the journal should have ended with exit code 0, not 1",
        "the journal should be whole",
        "the bytes of K01 should be what they were before the refreshes",
    ],
)
def test_what_goes_otherwise_than_told_is_said(meddled: Played, deviation: str) -> None:
    """A finding missed, data changed, a journal that does not verify, a kill that never came."""
    assert any(one.startswith(deviation) for one in meddled.deviations), meddled.deviations
    assert f"NOT AS TOLD: {deviation}" in meddled.told


def test_a_verb_that_is_refused_ends_the_story(tmp_path: Path) -> None:
    """What would build on a step that failed is not played."""

    class Thief(Narrator):
        def before(self, words: Words) -> None:
            if words[0] == "fixity":
                (self.stage.directory / "K01.img").unlink()

    played = play(tmp_path, Scenario(), Thief)

    assert len(played.deviations) == 1
    assert "the yearly reading of K01 should have ended with exit code 0" in played.told
    assert played.told.endswith("The rehearsal ends here: what follows would build on this.")


def test_damage_makes_room_for_the_edit() -> None:
    """Where the index lies is the file system's choice; two mishaps never share a chunk."""
    scenario = Scenario(altered=PlaceOn(K03, 700), edited=K03, unreadable=PlaceOn(K04, 700))

    assert scenario.apart_from_edit(600).altered == PlaceOn(K03, 700 + CHUNK_BYTES)
    assert scenario.apart_from_edit(600).unreadable == scenario.unreadable
    assert scenario.apart_from_edit(600 + CHUNK_BYTES) == scenario


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Scenario(altered=PlaceOn(K01, 24 * MIB)),
        lambda: Scenario(cut=Cut(K01, 0)),
        lambda: Scenario(edited=DriveNumber("K09")),
        lambda: Scenario(hot=DriveNumber("K09")),
        lambda: Scenario(failing=K04),
        lambda: Scenario(altered=PlaceOn(K04, 12_345_678 + BLOCK_BYTES)),
    ],
)
def test_a_scenario_that_cannot_be_played_is_refused(wrong: Callable[[], Scenario]) -> None:
    """Damage lies on a drive that is there, and one mishap does not hide the other."""
    with pytest.raises(ValueError, match=r"byte|drives|write|chunk|befall"):
        wrong()


# ── the verb ──


def rehearse(*words: str, out: StringIO | None = None, err: StringIO | None = None) -> int:
    """Run the verb in this process; return its exit code."""
    out = out or StringIO()
    world = World(os.environ, out, err or out, PausesCounted(), is_root=os.geteuid() == 0)
    return main(["rehearse", *words], world)[0]


def test_a_directory_with_something_in_it_is_refused(tmp_path: Path) -> None:
    """What lies in a directory that was named is the owner's."""
    (tmp_path / "mine").touch()
    out = StringIO()

    assert rehearse("--fast", "--keep", str(tmp_path), out=out) == 2
    assert "not an empty directory" in out.getvalue()
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]


def test_a_state_of_the_owner_is_not_rehearsed_on(tmp_path: Path) -> None:
    """The rehearsal never works on a real state directory."""
    out = StringIO()
    world = world_on(out, PausesCounted())

    assert main(["--state", str(tmp_path), "rehearse", "--fast"], world)[0] == 2
    assert list(tmp_path.iterdir()) == []


def test_what_is_kept_works_with_the_real_verbs(tmp_path: Path) -> None:
    """The clock ends in the present, so that every verb can go on by hand where it stopped."""
    kept = tmp_path / "kept"
    out, err = StringIO(), StringIO()

    code = rehearse("--fast", "--json", "--keep", str(kept), out=out, err=err)
    told = json.loads(out.getvalue())
    by_hand = StringIO()
    state = ["--state", str(kept / "state"), "--policy", str(kept / "state" / "policy.toml")]
    words = [*state, "fixity", "K02", "--on", str(kept / "K02.img")]
    is_fine = main(words, world_on(by_hand, PausesCounted()))[0]

    assert (code, told) == (0, {"as_told": True, "deviations": [], "kept_in": str(kept)})
    assert is_fine == 0, by_hand.getvalue()
    assert "matches what was recorded" in by_hand.getvalue()


def test_a_command_is_shown_as_it_can_be_typed() -> None:
    """Quoted for the shell, no line over 80 columns, an option never parted from its value."""
    words = ("accession", "/some/where/K01.img", "--number", "K01", "--title", "Two words here")
    shown = as_typed((*words, "--shelfmark", "R1-B01-S1", "--medium", "hard-disk"))

    assert max(len(line) for line in shown.splitlines()) <= 80 - len("$ ")
    assert "--title 'Two words here'" in shown
    joined = subprocess.run(
        ["sh", "-c", shown.replace("refreshd", "printf '%s\\n'", 1)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.splitlines()
    assert joined[: len(words)] == list(words)


def read_all(handle: int) -> Iterator[bytes]:
    """Yield what comes from a pseudo-terminal until its other end is closed."""
    while True:
        try:
            piece = os.read(handle, 65_536)
        except OSError:  # EIO is how a terminal says that nobody is there any more.
            return
        if not piece:
            return
        yield piece


def test_it_plays_on_a_terminal() -> None:
    """Through a pseudo-terminal: the story, bars that go away, and exit code 0."""
    ours, theirs = pty.openpty()
    environ = {**os.environ, "TERM": "xterm", "COLUMNS": "100"}
    process = subprocess.Popen(
        [sys.executable, "-m", "refreshd", "rehearse", "--fast"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=ROOT,
        env=environ,
    )
    os.close(theirs)
    told = b"".join(read_all(ours)).decode()
    os.close(ours)

    assert process.wait() == 0, told
    assert "The rehearsal went as told." in told
    assert "\x1b[" in told  # the bars


REACHES = """
import subprocess, sys
subprocess.run([sys.executable, "-c", "import refreshd.cli.main"], check=True)
"""
"""Ends well where nobody can start the interpreter and import the package."""


def as_nobody(*words: str, environ: dict[str, str], rights: str) -> tuple[int, str]:
    """Run Python as nobody, with no group, with these rights at most."""
    drop = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "--no-new-privs"]
    drop += [f"--{which}={rights}" for which in ("inh-caps", "ambient-caps", "bounding-set")]
    done = subprocess.run(
        [*drop, sys.executable, *words],
        check=False,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env=environ,
    )
    return done.returncode, done.stdout


@pytest.mark.root
def test_it_needs_no_privileges() -> None:
    """Run as nobody, with no right to write to anything but a temporary place.

    Where the interpreter lies in a folder that nobody may enter, the right to read files, and
    that alone, is left.
    """
    with TemporaryDirectory() as place:  # not below pytest's own, which only its owner may enter
        os.chown(place, 65534, 65534)
        environ = {"PATH": "/usr/bin:/bin", "TMPDIR": place, "PYTHONDONTWRITEBYTECODE": "1"}
        code, _ = as_nobody("-c", REACHES, environ=environ, rights="-all")
        rights = "-all,+dac_read_search" if code else "-all"
        words = ("-m", "refreshd", "rehearse", "--fast")
        code, told = as_nobody(*words, environ=environ, rights=rights)
        left = list(Path(place).iterdir())

    assert code == 0, told
    assert "The rehearsal went as told." in told
    assert left == []
