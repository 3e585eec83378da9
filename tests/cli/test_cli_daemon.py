"""The same words with a daemon and without one; who is asked; what only a daemon answers."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from refreshd.cards import Presence
from refreshd.cli.choosing import may_work_alone
from refreshd.configfile import load
from refreshd.errors import PassStoppedError
from refreshd.events import DriveArrived, DriveHeld, PutAwayAsked, SlipAnswered, SlipIssued
from refreshd.messages import Moved, VisitEnded, told
from refreshd.ports import NO_NUMBER, VisitOrder
from refreshd.quantities import DriveNumber, Errand, Outcome, PassKind, SlipNumber
from refreshd.wiring.places import SocketPlace
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station
from tests import loops
from tests.fakes.counter import CHUNK, ROOT, Counter, Said, alter
from tests.fakes.house import House, InventedCaretaker, Play, Silent, play_at_once, serving

K07, K08, K09 = DriveNumber("K07"), DriveNumber("K08"), DriveNumber("K09")


@pytest.fixture
def place() -> Iterator[Path]:
    """Return a short path: the name of a socket has 107 bytes."""
    path = Path(tempfile.mkdtemp(prefix="refreshd-"))
    yield path
    shutil.rmtree(path)


@dataclass
class Both:
    """One record, asked through a daemon and past it."""

    counter: Counter
    house: House

    def alone(self, *words: str | Path) -> Said:
        """Ask in this process."""
        return self.counter.say("--socket", "none", *words)

    def by_daemon(self, *words: str | Path) -> Said:
        """Ask the daemon."""
        return self.counter.say("--socket", self.house.path, *words)


@contextmanager
def both(counter: Counter, place: Path, play: Play = play_at_once) -> Iterator[Both]:
    """Let a daemon keep the record of a counter, and its policy and clock."""
    assert counter.policy is not None
    policy = load(counter.policy)
    station = Station(counter.state, policy, counter.world.clock, Silent())
    with serving(place / "socket", station, play) as house:
        yield Both(counter, house)


@pytest.fixture
def rich(counter: Counter, k07: Path, tmp_path: Path) -> Counter:
    """Return a counter over a shelf on which everything can be seen at once."""
    for number in ("K08", "K09"):
        other = tmp_path / f"{number}.img"
        other.write_bytes(number.encode() * CHUNK)
        counter.take_in(other, number, "--holding", "Harbour survey")
    alter(k07, 7 * CHUNK)
    assert counter.ask("fixity", "K07", "--on", k07).code == 1
    counter.world.clock.time += timedelta(days=1200)
    assert counter.policy is not None
    station = Station(counter.state, load(counter.policy), counter.world.clock, Silent())
    with shelf_for_writing(station) as shelf:
        for at, number in enumerate((K07, K08, K09), start=1):
            shelf.ledger.record(a_slip(number, at))
        shelf.ledger.record(DriveHeld(drive=K07, reason="it does not keep what is written"))
        for number in (K08, K09):
            slip = SlipNumber(int(number[-1]) - 6)
            arrived = DriveArrived(drive=number, place="/dev/sdx", presence=Presence("boot", 7))
            shelf.ledger.record(arrived)
            shelf.ledger.record(SlipAnswered(drive=number, slip=slip))
        done = PutAwayAsked(drive=K09, slip=SlipNumber(3), is_done=True)
        shelf.ledger.record(done)
    return counter


def a_slip(number: DriveNumber, slip: int) -> SlipIssued:
    """Return a slip that asks for a drive."""
    return SlipIssued(
        drive=number,
        slip=SlipNumber(slip),
        errand=Errand.REFRESH,
        reason="It was last rewritten more than three years ago.",
        due_on=date(2034, 3, 14),
        grace_ends_on=date(2034, 6, 14),
        expected_s=3600,
    )


LOOKS = (
    ("shelf",),
    ("shelf", "--as-of", "2040-01-01"),
    ("drive", "K07"),
    ("drive", "K08"),
    ("drive", "K99"),
    ("findings",),
    ("findings", "K07"),
    ("findings", "K99"),
    ("pull-list",),
    ("pull-list", "--print"),
    ("policy", "explain", "K07"),
    ("policy", "explain", "K99"),
    ("journal", "show"),
    ("journal", "show", "--all"),
    ("journal", "show", "--drive", "K08", "--last", "2"),
    ("journal", "show", "--last", "0"),
    ("journal", "verify"),
)


def test_every_look_tells_the_same_with_a_daemon_and_without(rich: Counter, place: Path) -> None:
    """Text, JSON, what is said beside it, and the exit code."""
    told: dict[tuple[str, ...], tuple[Said, Said]] = {}
    with both(rich, place) as asked:
        for words in LOOKS:
            for asking in (words, (*words, "--json")):
                told[asking] = asked.alone(*asking), asked.by_daemon(*asking)

    assert {words for words, (alone, by_daemon) in told.items() if alone != by_daemon} == set()
    assert {alone.code for alone, _ in told.values()} == {0, 1, 2, 3}
    assert all(alone.out or alone.err for alone, _ in told.values())


ACTS = (
    ("accept", "K07", "--finding", "F1"),
    ("accept", "K07", "--finding", "F9"),
    ("withdraw", "K07", "--reason", "it went to the archive next door"),
    ("withdraw", "K99"),
    ("drive", "K07", "--shelfmark", "R9-B01", "--title", "Harbour"),
    ("drive", "K07", "--written-on", "2999-01-01"),
    ("drive", "K07", "--holding", ""),
    ("drive", "K07", "--lift-hold", "new cable"),
    ("drive", "K08", "--lift-hold", "there is none"),
    ("drive", "K07", "--title", " "),
    ("return", "K09"),
    ("journal", "attest-clock"),
)


def test_every_act_tells_and_records_the_same_with_a_daemon_and_without(
    rich: Counter, place: Path, tmp_path: Path
) -> None:
    """What is said, and the journal to its last byte; only how a drive left was seen differs."""
    before = tmp_path / "before"
    shutil.copytree(rich.state, before)
    alone, by_daemon = {}, {}
    for words in ACTS:
        said = rich.say("--socket", "none", *words)
        alone[words] = (said, journal_of(rich.state))
        put_back(before, rich.state)
        with both(rich, place) as asked:
            by_daemon[words] = (asked.by_daemon(*words), journal_of(rich.state))
        put_back(before, rich.state)
    told = {words: (alone[words][0], by_daemon[words][0]) for words in ACTS}
    records = {words: (alone[words][1], by_daemon[words][1]) for words in ACTS}

    assert {words for words, both_said in told.items() if both_said[0] != both_said[1]} == set()
    assert {words for words, two in records.items() if two[0] != two[1]} == {("return", "K09")}
    assert {said.code for said, _ in told.values()} == {0, 2, 3}


def put_back(before: Path, state: Path) -> None:
    """Put a record back as it was."""
    shutil.rmtree(state)
    shutil.copytree(before, state)


def journal_of(state: Path) -> bytes:
    """Return all of a journal."""
    return b"".join(one.read_bytes() for one in sorted((state / "journal").glob("*.jsonl")))


def test_a_daemon_is_told_that_somebody_changed_the_record(rich: Counter, place: Path) -> None:
    """It plans by what is there, and must look again."""
    with both(rich, place) as asked:
        asked.by_daemon("drive", "K07", "--title", "Harbour")

        assert asked.house.caretaker.heard == ["shelf changed"]


def test_the_pull_list_reads_as_one_goes_through_it(rich: Counter) -> None:
    """Bring out, put away, leave alone, come next; each with its place, and why."""
    said = rich.say("pull-list").out
    bring, away, work = (
        said.index(head) for head in ("To bring out: 1", "To put away: 1", "At work")
    )
    told = rich.ask("pull-list").json

    assert bring < said.index("K07") < away < said.index("K09") < work < said.index("K08")
    assert "It was last rewritten more than three years ago." in said
    assert "It is still running at /dev/sdx" in said
    assert [line["slip"] for line in told["to_bring"]] == [1]
    assert [line["slip"] for line in told["to_put_away"]] == [3]
    assert [line["slip"] for line in told["at_work"]] == [2]


def test_slips_are_printed_in_full(rich: Counter) -> None:
    """What to mind and what happens next stand on the paper that goes to the store room."""
    said = rich.say("pull-list", "--print").out

    assert "Bring out drive K07" in said
    assert "room temperature" in said
    assert "Put drive K09 back in its place" in said
    assert all(len(line) <= 76 for line in said.splitlines())


def test_a_return_closes_the_slip_and_the_stay(rich: Counter) -> None:
    """Without a daemon the word of whoever put it away is what there is, and is told as that."""
    returned = rich.ask("return", "K09").json
    again = rich.ask("return", "K09")
    at_work = rich.ask("return", "K08")
    away = rich.ask("return", "K07")
    journal = rich.say("journal", "show", "--drive", "K09", "--last", "2").out

    assert (returned["slip"], returned["state"]) == (3, "returned")
    assert (again.code, at_work.code, away.code) == (2, 3, 2)
    assert "no longer plugged in" in journal
    assert "says that it lies in its place" in journal


# --- Passes.


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[str]:
    """Return a whole disk: a loop device over noise."""
    with loops.attached(loops.noise_file(tmp_path / "disk.img", 32 * CHUNK)) as node:
        yield node


@pytest.mark.root
def test_passes_tell_the_same_with_a_daemon_and_without(
    counter: Counter, place: Path, disk: str, tmp_path: Path
) -> None:
    """Accession, fixity and refresh of a whole disk; only the steps of progress may differ.

    And that the drive must stay until the service, which may have more to do, lets it go.
    """
    words = (
        ("accession", disk, "--number", "D1", "--shelfmark", "R1", "--title", "Ledgers"),
        ("accession", disk, "--number", "D1", "--shelfmark", "R1", "--title", "Ledgers"),
        ("fixity", "D1", "--on", disk),
        ("refresh", "D1", "--on", disk, "--closing"),
        ("fixity", "D9", "--on", disk),
    )
    assert counter.say("--socket", "none", "journal", "attest-clock").code == 0
    shutil.copytree(counter.state, tmp_path / "before")
    alone = [counter.say("--socket", "none", *one) for one in words]
    shutil.rmtree(counter.state)
    shutil.copytree(tmp_path / "before", counter.state)

    with both(counter, place) as asked:
        asked.house.caretaker.here = (disk,)
        by_daemon = [asked.by_daemon(*one) for one in words]
        orders = asked.house.caretaker.orders

    leave_it = "Leave the drive plugged in until `refreshd status` says that it may be unplugged.\n"
    assert [(one.code, one.out) for one in by_daemon] == [
        (one.code, one.out + leave_it if one.out else "") for one in alone
    ]
    assert [sentences(one) for one in by_daemon] == [sentences(one) for one in alone]
    assert [order.kind for order in orders] == [
        PassKind.ACCESSION,
        PassKind.ACCESSION,
        PassKind.FIXITY,
        PassKind.REFRESH,
        PassKind.FIXITY,
    ]


def sentences(said: Said) -> list[str]:
    """Return what was said on stderr, without the steps of progress."""
    return [line for line in said.err.splitlines() if ": at " not in line]


@pytest.mark.root
def test_findings_of_a_pass_travel_whole(
    counter: Counter, place: Path, disk: str, tmp_path: Path
) -> None:
    """The same JSON, digests and all, and exit code 1."""
    take_in = ("accession", disk, "--number", "D1", "--shelfmark", "R1", "--title", "Ledgers")
    assert counter.say("--socket", "none", *take_in).code == 0
    loops.run("losetup", "--detach", disk)
    alter(tmp_path / "disk.img", 5 * CHUNK)
    loops.run("losetup", disk, tmp_path / "disk.img")

    with both(counter, place) as asked:
        asked.house.caretaker.here = (disk,)
        by_daemon = asked.by_daemon("fixity", "D1", "--on", disk, "--json")
    alone = counter.say("--socket", "none", "fixity", "D1", "--on", disk, "--json")

    assert (by_daemon.code, alone.code) == (1, 1)
    differing = {"pass", "findings"}
    assert without(by_daemon, differing) == without(alone, differing)
    assert by_daemon.json["findings"][0]["start_byte"] == 5 * CHUNK


def without(said: Said, keys: set[str]) -> dict[str, object]:
    """Return a JSON object without some of its keys."""
    return {key: value for key, value in said.json.items() if key not in keys}


def test_image_files_are_worked_on_by_the_caller_himself(
    counter: Counter, k07: Path, place: Path
) -> None:
    """With his own rights and on the record of the daemon; the daemon never hears the path."""
    with both(counter, place) as asked:
        said = asked.by_daemon("fixity", "K07", "--on", k07, "--json")
        taken = asked.by_daemon(
            "accession", k07.parent, "--number", "F1", "--shelfmark", "s", "--title", "A folder"
        )

        assert (said.code, said.json["bytes_read"]) == (0, k07.stat().st_size)
        assert taken.code == 0
        assert asked.house.caretaker.orders == []


def test_what_the_daemon_refuses_is_told_as_it_was_said(
    counter: Counter, k07: Path, place: Path
) -> None:
    """The exit code is that of a guard, the sentence that of the daemon."""
    with both(counter, place) as asked:
        assert asked.by_daemon("pause").code == 0
        refused = asked.by_daemon("fixity", "K07")

    assert refused.code == 3
    assert "passes are paused" in refused.err


# --- What only a daemon answers.


def test_a_daemon_is_paused_and_goes_on(rich: Counter, place: Path) -> None:
    """Who asked and how long it lasts is said, and shows in its status."""
    with both(rich, place) as asked:
        paused = asked.by_daemon("pause", "--until", "2035-01-01T12:00+00:00")
        status = asked.by_daemon("status")
        as_json = asked.by_daemon("status", "--json").json
        resumed = asked.by_daemon("resume")
        again = asked.by_daemon("resume")

    assert "No pass runs until 2035-01-01 12:00 UTC" in paused.out
    assert "Paused by root since" in status.out
    assert as_json["pause"]["until"] == "2035-01-01T12:00:00Z"
    assert "Passes may run again" in resumed.out
    assert (again.code, resumed.code) == (2, 0)


@pytest.mark.parametrize(
    "until", ["tomorrow", "2031-13-01T00:00", "25:00", "", "9999-12-31T23:59-23:59"]
)
def test_a_moment_that_is_none_is_refused(rich: Counter, place: Path, until: str) -> None:
    """A pause that ends at another time than was meant is worse than none."""
    with both(rich, place) as asked:
        said = asked.by_daemon("pause", "--until", until, "--json")

        assert said.code == 2
        assert asked.house.caretaker.pause_now is None


def test_a_pause_that_is_over_already_is_refused(rich: Counter, place: Path) -> None:
    """The daemon knows its own time."""
    with both(rich, place) as asked:
        assert asked.by_daemon("pause", "--until", "2001-01-01T12:00").code == 2


def test_a_pass_is_stopped_from_elsewhere(rich: Counter, place: Path) -> None:
    """Not only where it was begun."""
    with both(rich, place) as asked:
        none = asked.by_daemon("stop", "K07")
        asked.house.caretaker.orders.append(VisitOrder(K07, PassKind.FIXITY))
        stopped = asked.by_daemon("stop", "K07")

    assert none.code == 2
    assert stopped.code == 0
    assert "stop K07 by root" in asked.house.caretaker.heard


def test_a_proving_is_stopped_by_the_device_of_its_disk(rich: Counter, place: Path) -> None:
    """It has no number yet."""
    with both(rich, place) as asked:
        none = asked.by_daemon("stop", "/dev/sdx")
        asked.house.caretaker.orders.append(VisitOrder(NO_NUMBER, PassKind.PROVING))
        stopped = asked.by_daemon("stop", "/dev/sdx")

    assert none.code == 2
    assert stopped.code == 0
    assert "The proving of /dev/sdx has stopped." in stopped.out
    assert "stop proving at /dev/sdx by root" in asked.house.caretaker.heard


@pytest.mark.parametrize(
    "words",
    [
        ("status",),
        ("status", "--follow"),
        ("pause",),
        ("resume",),
        ("stop", "K07"),
        ("stop", "/dev/sdx"),
    ],
    ids=" ".join,
)
def test_what_needs_a_daemon_says_that_there_is_none(
    counter: Counter, words: tuple[str, ...]
) -> None:
    """Exit code 5, whether it is in the way by choice or gone."""
    alone = counter.say("--socket", "none", *words)
    gone = counter.say("--socket", counter.state / "no-socket", *words)

    assert (alone.code, gone.code) == (5, 5)
    assert "--socket none" in alone.err
    assert "no daemon answers at" in gone.err


# --- Who is asked.


def test_a_daemon_that_was_named_and_is_not_there_is_an_error(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """Whoever names it does not want an answer from somebody else."""
    named = counter.ask("--socket", str(tmp_path / "gone"), "shelf")
    counter.world.environ = {"REFRESHD_SOCKET": str(tmp_path / "gone")}
    by_environment = counter.ask("shelf")

    assert (named.code, by_environment.code) == (5, 5)
    assert named.json["error"]["kind"] == "DaemonUnreachableError"


def test_nobody_begins_a_second_record_because_the_daemon_was_slow(tmp_path: Path) -> None:
    """Who has no record means that of the daemon; who has one may do without the daemon."""
    usual, named = SocketPlace(tmp_path, is_named=False), SocketPlace(tmp_path, is_named=True)

    assert not may_work_alone(usual, None)
    assert may_work_alone(usual, tmp_path)
    assert not may_work_alone(named, tmp_path)


def test_a_daemon_of_another_record_is_not_asked(
    rich: Counter, place: Path, tmp_path: Path
) -> None:
    """Named by hand it is an error; of the environment, the record that was asked for counts."""
    with both(rich, place) as asked:
        other = replace(rich, state=tmp_path / "other")
        named = other.ask("--socket", str(asked.house.path), "shelf")
        rich.world.environ = {"REFRESHD_SOCKET": str(asked.house.path)}
        beside = other.ask("shelf")
        own = rich.ask("status")

    assert named.code == 2
    assert "keeps the record in" in named.error
    assert (beside.code, beside.json["drives"]) == (0, [])
    assert own.code == 0


def test_a_daemon_of_another_policy_is_not_asked(
    rich: Counter, place: Path, tmp_path: Path
) -> None:
    """Due dates by another policy than the one that was named would be wrong."""
    policy = tmp_path / "other.toml"
    policy.write_text("[defaults]\nfixity_interval = '2 years'\n", encoding="utf-8")
    with both(rich, place) as asked:
        other = replace(rich, policy=policy)
        named = other.ask("--socket", str(asked.house.path), "shelf")
        rich.world.environ = {"REFRESHD_SOCKET": str(asked.house.path)}

        assert named.code == 2
        assert "not by" in named.error
        assert other.ask("shelf").code == 0
        assert other.ask("status").code == 5


def test_whoever_names_no_record_means_that_of_the_daemon(
    rich: Counter, place: Path, tmp_path: Path
) -> None:
    """But a plain user's own record, where there is one, stays his."""
    home = tmp_path / "home"
    home.mkdir()
    with both(rich, place) as asked:
        rich.world.environ = {"REFRESHD_SOCKET": str(asked.house.path), "HOME": str(home)}
        bare = rich.bare("shelf", "--json")
        (home / ".local/state/refreshd").mkdir(parents=True)
        own = rich.bare("shelf", "--json")
        homeless = {"REFRESHD_SOCKET": str(asked.house.path)}
        rich.world.environ = homeless
        service = rich.bare("shelf", "--json")

    assert [len(said.json["drives"]) for said in (bare, own, service)] == [3, 0, 3]


def test_what_answers_and_is_no_daemon_is_said_to_be_none(counter: Counter, place: Path) -> None:
    """Exit code 5, not a fault of ours."""
    path = place / "socket"
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(path))
        other.listen()
        thread = threading.Thread(target=answer_nonsense, args=(other,))
        thread.start()
        said = counter.ask("--socket", str(path), "shelf")
        thread.join(20)

    assert said.code == 5
    assert "is no refreshd" in said.error


def answer_nonsense(other: socket.socket) -> None:
    """Answer one request as something else would; a knock alone is none."""
    while True:
        line, _ = other.accept()
        with line:
            if line.recv(65536):
                line.sendall(b"HTTP/1.1 404 Not Found\r\nContent-Length: 2\r\n\r\nno")
                return


def test_a_verb_that_works_alone_loads_nothing_that_talks(counter: Counter) -> None:
    """The command line starts in a moment; the libraries of the daemon are none of its business."""
    code = (
        "import sys; from refreshd.cli.main import main; from refreshd.cli.world import World; "
        "from refreshd.wiring.station import real_clock; "
        f"main(['--state', {str(counter.state)!r}, '--socket', 'none', 'shelf'], "
        "World({}, sys.stderr, sys.stderr, real_clock(), False)); "
        "print(sorted({'fastapi','uvicorn','starlette','httpx','apscheduler','pyudev','apprise',"
        "'refreshd.caretaker','refreshd.api','refreshd.reception.wire'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={"PYTHONPATH": str(ROOT)},
    )

    assert done.stdout.strip() == "[]"


# --- Signals.


def stopped_visit() -> VisitEnded:
    """Return the end of a visit that was stopped."""
    return VisitEnded(
        drive=K07,
        pass_kind=PassKind.FIXITY,
        outcome=Outcome.WARNING,
        is_complete=False,
        findings=0,
        error=told(PassStoppedError("stopped as asked; it goes on from its last checkpoint")),
    )


def begin_only(caretaker: InventedCaretaker, order: VisitOrder) -> None:
    """Play the beginning of a visit."""
    caretaker.tell("/dev/sdx", order.drive, Moved(done_bytes=1, of_bytes=10, doing="reading"))


def until_heard(house: House, word: str) -> None:
    """Wait until the caretaker heard something."""
    moment = threading.Event()
    for _ in range(400):
        if any(one.startswith(word) for one in house.caretaker.heard):
            return
        moment.wait(0.05)
    pytest.fail(f"the caretaker never heard {word}")


@contextmanager
def ended(process: subprocess.Popen[str]) -> Iterator[None]:
    """End a process whose test failed: it would be waited for, for ever."""
    try:
        yield
    except BaseException:
        process.kill()
        raise


def until_moved(process: subprocess.Popen[str]) -> None:
    """Read what a pass says until it has begun."""
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith("reading: at"):
            return
    pytest.fail("the pass did not begin")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_asks_the_daemon_to_stop_and_the_end_is_waited_for(
    counter: Counter, k07: Path, place: Path, number: signal.Signals
) -> None:
    """Exit code 4, one object on stdout, and a sentence that says what was asked."""
    with both(counter, place, begin_only) as asked:
        words = ("--socket", asked.house.path, "fixity", "K07", "--json")
        with counter.process(*words) as process, ended(process):
            until_moved(process)
            process.send_signal(number)
            until_heard(asked.house, "stop K07")
            asked.house.tell("/dev/sdx", K07, stopped_visit())
            out, err = process.communicate(timeout=60)

    assert process.returncode == 4
    assert json.loads(out)["error"]["kind"] == "PassStoppedError"
    assert "the daemon is asked to finish the segment" in err
    assert "Traceback" not in err


def test_a_second_signal_leaves_and_the_daemon_goes_on_stopping(
    counter: Counter, k07: Path, place: Path
) -> None:
    """The pass is the daemon's: nothing is torn by leaving."""
    with both(counter, place, begin_only) as asked:
        words = ("--socket", asked.house.path, "fixity", "K07", "--json")
        with counter.process(*words) as process, ended(process):
            until_moved(process)
            process.send_signal(signal.SIGINT)
            until_heard(asked.house, "stop K07")
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=60)

        assert asked.house.caretaker.heard == ["stop K07 by root"]
    assert process.returncode == 4
    assert json.loads(out)["error"]["exit_code"] == 4
    assert "stops by itself" in err


def test_following_tells_what_happens_until_it_is_ended_by_hand(
    counter: Counter, k07: Path, place: Path
) -> None:
    """The end by Ctrl-C is the usual one, and no failure."""
    with both(counter, place, begin_only) as asked:
        words = ("--socket", asked.house.path, "status", "--follow")
        with counter.process(*words) as process, ended(process):
            assert process.stdout is not None
            begin = process.stdout.readline()
            moment = threading.Event()
            while not asked.house.office.gallery._watchers:
                moment.wait(0.05)
            asked.house.tell("/dev/sdx", K07, stopped_visit())
            lines = [process.stdout.readline() for _ in range(4)]
            process.send_signal(signal.SIGINT)
            _, err = process.communicate(timeout=60)

    assert begin.startswith("As of")
    assert any("the fixity pass stopped: stopped as asked" in line for line in lines)
    assert (process.returncode, err) == (0, "")
