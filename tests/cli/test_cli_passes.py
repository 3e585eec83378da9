"""accession, fixity, refresh through the command line."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from random import Random
from threading import Event

import pytest

from refreshd.cards import Evidence, Presence
from refreshd.errors import DriveGoneError, UnreadableError
from refreshd.quantities import Span
from refreshd.wiring.media import WorkableMedium, open_medium
from refreshd.wiring.station import Station
from tests.fakes.counter import CHUNK, Counter, alter

PASS_KEYS = {
    "drive", "outcome", "bytes_read", "bytes_written", "bytes_skipped", "seconds", "findings",
    "mended",
}  # fmt: skip


def test_a_pass_answers_with_the_stable_keys(counter: Counter, k07: Path) -> None:
    """The keys of a pass are promised from here on, and the bytes are those of the drive alone."""
    size = k07.stat().st_size

    fixity = counter.ask("fixity", "K07", "--on", k07)
    refresh = counter.ask("refresh", "K07", "--on", k07)

    assert (fixity.code, refresh.code) == (0, 0)
    assert fixity.json.keys() >= PASS_KEYS
    assert refresh.json.keys() >= PASS_KEYS
    assert (fixity.json["bytes_read"], fixity.json["bytes_written"]) == (size, 0)
    assert refresh.json["bytes_written"] == size
    assert refresh.json["outcome"] == "success"


def test_a_refresh_leaves_every_byte_as_it_was(counter: Counter, k07: Path) -> None:
    """I1: the content after a refresh is the content before it."""
    before = k07.read_bytes()

    assert counter.ask("refresh", "K07", "--on", k07, "--closing").code == 0

    assert k07.read_bytes() == before


def test_a_ring_is_gone_after_its_pass(counter: Counter, k07: Path) -> None:
    """The room on the server's disk is given back when the pass has ended."""
    counter.ask("refresh", "K07", "--on", k07)

    assert list((counter.state / "staging").iterdir()) == []


def test_a_silently_altered_byte_is_found_and_not_rewritten(counter: Counter, k07: Path) -> None:
    """I2: what does not verify is left alone; exit code 1 says that somebody must decide."""
    alter(k07, 5 * CHUNK + 100)
    altered = k07.read_bytes()

    said = counter.ask("refresh", "K07", "--on", k07)

    assert said.code == 1
    (finding,) = said.json["findings"]
    assert (finding["kind"], finding["start_byte"], finding["length_bytes"]) == (
        "mismatch",
        5 * CHUNK,
        CHUNK,
    )
    assert said.json["bytes_written"] == k07.stat().st_size - CHUNK
    assert k07.read_bytes() == altered


def test_accepted_bytes_are_right_from_then_on(counter: Counter, k07: Path) -> None:
    """The owner's word makes the new digest the recorded one."""
    alter(k07, 0)
    (finding,) = counter.ask("fixity", "K07", "--on", k07).json["findings"]

    accepted = counter.ask("accept", "K07", "--finding", finding["id"])

    assert accepted.code == 0
    assert [one["state"] for one in accepted.json["accepted"]] == ["accepted"]
    assert counter.ask("fixity", "K07", "--on", k07).code == 0
    assert counter.ask("findings").json["findings"] == []


def test_all_findings_named_are_accepted_or_none(counter: Counter, k07: Path) -> None:
    """A wrong id among several changes nothing."""
    alter(k07, 0)
    alter(k07, 9 * CHUNK)
    found = counter.ask("fixity", "K07", "--on", k07).json["findings"]
    ids = [word for finding in found for word in ("--finding", finding["id"])]

    refused = counter.ask("accept", "K07", *ids, "--finding", "F99")
    accepted = counter.ask("accept", "K07", *ids)

    assert refused.code == 2
    assert len(counter.ask("findings").json["findings"]) == 0
    assert len(accepted.json["accepted"]) == 2
    assert counter.ask("accept", "K07", *ids).code == 3


def test_an_edited_drive_is_one_finding_that_nobody_can_accept(counter: Counter, k07: Path) -> None:
    """Where everything differs, no byte is written and no click makes it right."""
    first = k07.read_bytes()[: 12 * CHUNK]
    k07.write_bytes(first + Random(5).randbytes(k07.stat().st_size - len(first)))

    said = counter.ask("fixity", "K07", "--on", k07)

    if said.code == 3:  # most of the sample differs: it is not even recognised
        assert "no drive in care fits" in said.error
        return
    (finding,) = said.json["findings"]
    assert counter.ask("accept", "K07", "--finding", finding["id"]).code == 3


@dataclass
class BadPlace:
    """A medium that cannot read one range."""

    medium: WorkableMedium
    bad: Span

    def __getattr__(self, name: str) -> object:
        return getattr(self.medium, name)

    def evidence(self) -> Evidence:
        """Return what the medium says."""
        return self.medium.evidence()

    def read(self, start: int, into: memoryview) -> None:
        """Read, or fail."""
        wanted = Span(start, len(into))
        if self.bad.overlaps(wanted):
            raise UnreadableError(self.medium.place, wanted, "EIO")
        self.medium.read(start, into)


def with_bad_place(bad: Span) -> Callable[[Station], Station]:
    """Return a fitting of stations whose drives cannot read one range."""

    def fit(station: Station) -> Station:
        return replace(station, open_medium=lambda path: BadPlace(open_medium(path), bad))  # type: ignore[arg-type, return-value]

    return fit


def test_an_unreadable_place_is_narrowed_and_cannot_be_accepted(
    counter: Counter, k07: Path
) -> None:
    """I2: no bytes were read, so there are none that could be declared right."""
    counter.world.fit = with_bad_place(Span(3 * CHUNK + 4096, 512))

    said = counter.ask("fixity", "K07", "--on", k07)

    (finding,) = said.json["findings"]
    assert (said.code, finding["kind"]) == (1, "unreadable")
    assert (finding["start_byte"], finding["length_bytes"]) == (3 * CHUNK + 4096, 512)
    refused = counter.ask("accept", "K07", "--finding", finding["id"])
    assert refused.code == 3
    assert "unreadable" in refused.error


def test_a_drive_that_fails_while_it_is_identified_is_exit_code_4(
    counter: Counter, k07: Path
) -> None:
    """An I/O failure at any moment is 4, identification included."""
    counter.world.fit = with_bad_place(Span(0, k07.stat().st_size))

    said = counter.ask("fixity", "K07", "--on", k07)

    assert said.code == 4
    assert "EIO" in said.error


@dataclass
class Hanging(BadPlace):
    """A medium that never answers a read, a write or a flush once it was told to hang."""

    hangs_in: str = "read"
    released: Event = field(default_factory=Event)

    def read(self, start: int, into: memoryview) -> None:
        """Read, or hang."""
        if self.hangs_in == "read":
            self.released.wait()
        self.medium.read(start, into)

    def write(self, start: int, data: memoryview) -> None:
        """Write, or hang."""
        if self.hangs_in == "write":
            self.hangs_in = "all"
            self.released.wait()
        self.medium.write(start, data)

    def forbid_writing(self) -> None:
        """Close the writing handle, which flushes: on a drive that hangs, that hangs."""
        if self.hangs_in == "all":
            self.released.wait()
        self.medium.forbid_writing()


@pytest.mark.parametrize("hangs_in", ["read", "write"])
def test_a_drive_that_hangs_is_told_and_left(
    counter: Counter, k07: Path, policy: Path, hangs_in: str
) -> None:
    """A request stuck in the kernel cannot be ended: the verb says so and the process leaves."""
    with policy.open("a", encoding="utf-8") as file:
        file.write('request_timeout = "1 seconds"\n')
    released = Event()
    counter.world.fit = lambda station: replace(
        station,
        open_medium=lambda path: Hanging(open_medium(path), Span(0, 1), hangs_in, released),  # type: ignore[arg-type, return-value]
    )
    try:
        said = counter.ask("refresh", "K07", "--on", k07)
    finally:
        released.set()

    assert said.code == 4
    assert said.json["error"]["kind"] == "DriveHungError"
    assert said.is_hung


def test_a_drive_that_is_not_on_the_shelf_is_refused(counter: Counter, image: Path) -> None:
    """An unknown number is exit code 3, with what to do."""
    said = counter.ask("fixity", "K08", "--on", image)

    assert said.code == 3
    assert "K08" in said.error


def test_the_wrong_drive_is_refused_and_written_down(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """Another drive at the named place is not touched, and the journal says so."""
    other = tmp_path / "other.img"
    other.write_bytes(Random(12).randbytes(k07.stat().st_size))
    counter.take_in(other, "K08")

    said = counter.ask("refresh", "K07", "--on", other)

    assert said.code == 3
    assert "this is K08" in said.error
    kinds = [one["event"]["kind"] for one in counter.ask("journal", "show").json["entries"]]
    assert kinds[-1] == "identity-refused"


def test_a_drive_is_found_by_its_identity(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """Without --on the disks that are plugged in are looked through."""
    other = tmp_path / "other.img"
    other.write_bytes(Random(12).randbytes(k07.stat().st_size))
    counter.world.fit = lambda station: replace(station, look_in=lambda: (str(other), str(k07)))

    assert counter.ask("fixity", "K07").code == 0


def test_two_clones_are_no_identity(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """Two media that carry the same bytes cannot be told apart: refused."""
    clone = tmp_path / "clone.img"
    shutil.copy(k07, clone)
    counter.world.fit = lambda station: replace(station, look_in=lambda: (str(clone), str(k07)))

    said = counter.ask("refresh", "K07")

    assert said.code == 3
    assert "clones" in said.error


def test_a_drive_that_is_nowhere_says_what_to_do(counter: Counter, k07: Path) -> None:
    """An image has no identity that could be looked for: its path is asked for."""
    counter.world.fit = lambda station: replace(station, look_in=lambda: ())

    said = counter.ask("fixity", "K07")

    assert said.code == 3
    assert "--on" in said.error


def test_a_clone_is_not_taken_in_under_another_number(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """A byte-identical copy would make two drives that nobody can tell apart."""
    clone = tmp_path / "clone.img"
    shutil.copy(k07, clone)

    said = counter.take_in(clone, "K08")

    assert said.code == 3
    assert "K07" in said.error
    (last,) = counter.ask("journal", "show", "--last", "1").json["entries"]
    assert last["event"]["kind"] == "identity-refused"


def test_a_number_is_given_once(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """Neither a drive in care nor a withdrawn one lends its number to another."""
    other = tmp_path / "other.img"
    other.write_bytes(Random(12).randbytes(k07.stat().st_size))

    assert counter.take_in(other, "K07").code == 3
    assert counter.ask("withdraw", "K07", "--reason", "given back to its owner").code == 0
    assert counter.take_in(other, "K07").code == 3
    assert counter.ask("fixity", "K07", "--on", k07).code == 3


def test_an_accession_that_was_stopped_is_taken_up_again(counter: Counter, image: Path) -> None:
    """A drive half taken in is neither checked nor refreshed; the same command finishes it."""
    counter.world.fit = lambda station: replace(station, attendant=Stopper())

    stopped = counter.take_in(image)
    half = counter.ask("refresh", "K07", "--on", image)
    counter.world.fit = lambda station: station
    again = counter.take_in(image)

    assert (stopped.code, half.code, again.code) == (4, 3, 0)
    assert "run the accession again" in half.error
    assert again.json["is_taken_up_again"] is True
    assert counter.ask("refresh", "K07", "--on", image).code == 0


@dataclass
class Stopper:
    """An attendant who wants every pass to stop at once."""

    def wants_stop(self) -> bool:
        """Say so."""
        return True

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Hear nothing."""

    def said(self, sentence: str) -> None:
        """Hear nothing."""


def test_a_stopped_refresh_is_checkpointed_and_goes_on(counter: Counter, k07: Path) -> None:
    """I6: exit code 4 is resumable; the second run does the rest."""
    counter.world.fit = lambda station: replace(station, attendant=Stopper())
    told = counter.say("refresh", "K07", "--on", k07)
    stopped = counter.ask("refresh", "K07", "--on", k07)
    counter.world.fit = lambda station: station
    listed = counter.say("shelf").out

    again = counter.ask("refresh", "K07", "--on", k07)

    assert (told.code, stopped.code) == (4, 4)
    assert "has not reached the end" in told.out
    assert "refresh pass not finished" in listed
    assert stopped.json.keys() >= PASS_KEYS
    assert stopped.json["error"]["kind"] == "PassStoppedError"
    assert (again.code, again.json["pass"]) == (0, stopped.json["pass"])
    assert "not finished" not in counter.say("shelf").out


def test_a_ring_is_found_again_after_the_policy_names_another_place(
    counter: Counter, k07: Path, policy: Path, tmp_path: Path
) -> None:
    """I1: the ring of an unfinished pass may hold the only copy, wherever it lies."""
    counter.world.fit = lambda station: replace(station, attendant=Stopper())
    counter.ask("refresh", "K07", "--on", k07)
    ring = counter.state / "staging" / "K07.ring"
    assert ring.exists()
    counter.world.fit = lambda station: station
    elsewhere = tmp_path / "elsewhere"
    policy.write_text(
        policy.read_text(encoding="utf-8") + f'\n[staging]\ndirectory = "{elsewhere}"\n',
        encoding="utf-8",
    )

    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    assert not ring.exists()
    assert not elsewhere.exists()


def test_holes_of_an_image_stay_holes(counter: Counter, tmp_path: Path) -> None:
    """A hole is digested as zeros, never written, and fades not."""
    sparse = tmp_path / "sparse.img"
    with sparse.open("wb") as file:
        file.truncate(32 * CHUNK)
        file.seek(8 * CHUNK)
        file.write(Random(3).randbytes(4 * CHUNK))
    blocks = sparse.stat().st_blocks
    counter.take_in(sparse)

    said = counter.ask("refresh", "K07", "--on", sparse)

    assert (said.code, said.json["bytes_written"]) == (0, 4 * CHUNK)
    assert sparse.stat().st_blocks == blocks
    (line,) = counter.ask("shelf").json["drives"]
    assert line["last_rewrite"] == "2031-03-14"


def test_a_link_leads_to_the_same_drive(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """A path may be a symbolic link, such as those below /dev/disk."""
    link = tmp_path / "by-label"
    link.symlink_to(k07)

    assert counter.ask("refresh", "K07", "--on", link).code == 0


def test_the_policy_of_a_pass_stands_in_the_journal(counter: Counter, k07: Path) -> None:
    """Which values were in force is known years later."""
    counter.ask("fixity", "K07", "--on", k07)

    entries = counter.ask("journal", "show", "--drive", "K07").json["entries"]

    (begun,) = [e["event"] for e in entries if e["event"].get("pass_kind") == "fixity"
                and e["event"]["kind"] == "pass-begun"]  # fmt: skip
    assert begun["policy"]["chunk_size"] == '"64 KiB"'
    assert begun["policy"]["staging.directory"] == str(counter.state / "staging")


def test_a_clock_behind_the_record_stops_all_dating(counter: Counter, k07: Path) -> None:
    """I4: nothing is dated until somebody looked at the clock."""
    counter.world.clock.time -= timedelta(days=400)

    refused = counter.ask("fixity", "K07", "--on", k07)
    attested = counter.ask("journal", "attest-clock")

    assert refused.code == 3
    assert "clock" in refused.error
    assert "attest-clock" in refused.error
    assert attested.code == 0
    assert counter.ask("fixity", "K07", "--on", k07).code == 0


def test_a_drive_on_hold_is_not_refreshed_until_the_hold_is_lifted(
    counter: Counter, k07: Path
) -> None:
    """A hold is lifted by a person with a reason, which is in the journal."""
    hold(counter)

    refused = counter.ask("refresh", "K07", "--on", k07)
    lifted = counter.ask("drive", "K07", "--lift-hold", "another dock was to blame")

    assert refused.code == 3
    assert "--lift-hold" in refused.error
    assert (lifted.code, lifted.json["hold"]) == (0, None)
    assert counter.ask("refresh", "K07", "--on", k07).code == 0
    assert counter.ask("drive", "K07", "--lift-hold", "once more").code == 2


def hold(counter: Counter) -> None:
    """Put K07 on hold, as a failing pass does."""
    from refreshd.configfile import LoadedPolicy  # noqa: PLC0415
    from refreshd.events import DriveHeld  # noqa: PLC0415
    from refreshd.policy import Policy  # noqa: PLC0415
    from refreshd.quantities import DriveNumber  # noqa: PLC0415
    from refreshd.wiring.shelf import shelf_for_writing  # noqa: PLC0415

    station = Station(counter.state, LoadedPolicy(Policy()), counter.world.clock, Stopper())
    with shelf_for_writing(station) as shelf:
        shelf.ledger.record(DriveHeld(drive=DriveNumber("K07"), reason="it lost what was written"))


def test_two_processes_never_work_on_one_drive(counter: Counter, k07: Path) -> None:
    """The second is refused, and says why."""
    from refreshd.adapters.drive_lock import DriveLock  # noqa: PLC0415
    from refreshd.quantities import DriveNumber  # noqa: PLC0415

    with DriveLock(counter.state / "locks", DriveNumber("K07")):
        said = counter.ask("fixity", "K07", "--on", k07)

    assert said.code == 3
    assert "another refreshd" in said.error


def test_a_mounted_folder_is_listed_and_has_no_passes(counter: Counter, tmp_path: Path) -> None:
    """A folder is known by its inventory; its chunks are out of reach, in plain words."""
    folder = tmp_path / "mounted"
    (folder / "letters").mkdir(parents=True)
    (folder / "letters" / "one.txt").write_text("from the harbour master\n", encoding="utf-8")

    taken = counter.take_in(folder, "F01")
    again = counter.take_in(folder, "F01")
    refused = counter.ask("refresh", "F01", "--on", folder)

    assert (taken.code, again.code, refused.code) == (0, 0, 3)
    assert taken.json["inventory"]["files"] == 1
    assert "is not where a drive is mounted" in taken.err
    assert taken.json["inventory"]["listing_sha256"] == again.json["inventory"]["listing_sha256"]
    assert "folder" in refused.error
    counter.world.fit = lambda station: replace(station, attendant=Stopper())
    assert counter.take_in(folder, "F01").code == 4


def test_what_is_expected_is_said_before_the_start(counter: Counter, k07: Path) -> None:
    """Nobody should find out after an hour that it takes a day."""
    said = counter.say("refresh", "K07", "--on", k07)

    lines = said.err.splitlines()
    expected = next(n for n, line in enumerate(lines) if "typical rate of a hard disk" in line)
    begun = next(n for n, line in enumerate(lines) if line.startswith("rewriting: at"))
    assert expected < begun


def test_a_pass_that_could_not_begin_leaves_no_ring(counter: Counter, k07: Path) -> None:
    """The room is given back also where the record refused the pass."""

    class Refusing(BadPlace):
        def presence(self) -> Presence:
            raise DriveGoneError("pulled out at the very moment")

    counter.world.fit = lambda station: replace(
        station,
        open_medium=lambda path: Refusing(open_medium(path), Span(1 << 40, 1)),  # type: ignore[arg-type, return-value]
    )

    assert counter.ask("refresh", "K07", "--on", k07).code == 4
    assert list((counter.state / "staging").iterdir()) == []


def test_a_place_where_a_rewrite_goes_elsewhere_is_refused(counter: Counter, k07: Path) -> None:
    """On copy-on-write storage the old bits would stay as they were: checked, not refreshed."""

    class CopyOnWrite(BadPlace):
        def rewrite_objection(self) -> str | None:
            return "it lies on storage that writes to new places"

    counter.world.fit = lambda station: replace(
        station,
        open_medium=lambda path: CopyOnWrite(open_medium(path), Span(1 << 40, 1)),  # type: ignore[arg-type, return-value]
    )

    refused = counter.ask("refresh", "K07", "--on", k07)

    assert refused.code == 3
    assert "new places" in refused.error
    assert not (counter.state / "staging").exists()
    assert counter.ask("fixity", "K07", "--on", k07).code == 0
