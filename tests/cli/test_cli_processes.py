"""The command line as a process: signals, kills, pipes, other users, full disks, real devices."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from random import Random

import pytest

from tests import loops
from tests.fakes.counter import CHUNK, ROOT, Counter, Said, World, alter

SLOWLY = '\nrate_limit = "1 MB/s"\n'
"""A refresh of two MiB moves six: at this rate there are some seconds to interfere."""


@pytest.fixture
def slow(k07: Path, policy: Path) -> Path:
    """Return the image of K07, whose passes go slowly from now on."""
    text = policy.read_text(encoding="utf-8")
    policy.write_text(text + SLOWLY, encoding="utf-8")
    return k07


@pytest.fixture
def real(counter: Counter) -> Counter:
    """Let time be the server's own, for processes of their own have no other."""
    from refreshd.adapters.system_clock import SystemClock  # noqa: PLC0415

    counter.world.clock.time = SystemClock().now()
    return counter


def fast_again(policy: Path) -> None:
    """Take the rate limit out of the policy."""
    policy.write_text(policy.read_text(encoding="utf-8").replace(SLOWLY, ""), encoding="utf-8")


def until_rewriting(process: subprocess.Popen[str]) -> None:
    """Read what a pass says until it has rewritten its first segment."""
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith("rewriting: at"):
            return
    pytest.fail(f"the pass ended before it began: {process.wait()}")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_finishes_the_segment_and_the_pass_goes_on_later(
    real: Counter, slow: Path, policy: Path, number: signal.Signals
) -> None:
    """Exit code 4, one object on stdout, and the same pass to its end at the next run."""
    before = slow.read_bytes()
    with real.process("refresh", "K07", "--on", slow, "--json") as process:
        until_rewriting(process)
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
    fast_again(policy)

    again = real.run("refresh", "K07", "--on", slow, "--json")

    assert process.returncode == 4
    stopped = json.loads(out)
    assert stopped["error"]["kind"] == "PassStoppedError"
    assert number.name in err
    assert "Traceback" not in err
    assert (again.code, again.json["pass"]) == (0, stopped["pass"])
    assert slow.read_bytes() == before


def test_a_second_signal_leaves_at_once_and_nothing_is_lost(
    real: Counter, slow: Path, policy: Path
) -> None:
    """I6: impatience costs the unfinished segment's time, never its bytes."""
    before = slow.read_bytes()
    with real.process("refresh", "K07", "--on", slow, "--json") as process:
        until_rewriting(process)
        process.send_signal(signal.SIGTERM)
        assert process.stderr is not None
        for line in process.stderr:
            if "once more leaves at once" in line:
                break
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=60)
    fast_again(policy)

    again = real.run("refresh", "K07", "--on", slow, "--json")

    assert process.returncode == 4
    assert json.loads(out)["error"]["exit_code"] == 4
    assert again.code == 0
    assert slow.read_bytes() == before


def test_a_killed_pass_goes_on_and_no_byte_is_lost(real: Counter, slow: Path, policy: Path) -> None:
    """I6: kill -9 in mid-pass; the next run takes the same pass up and finishes it."""
    before = slow.read_bytes()
    with real.process("refresh", "K07", "--on", slow) as process:
        until_rewriting(process)
        process.kill()
        process.communicate(timeout=60)
    fast_again(policy)

    again = real.run("refresh", "K07", "--on", slow, "--json")

    assert process.returncode == -signal.SIGKILL
    assert "taken up again" in again.err
    assert (again.code, again.json["pass"]) == (0, "K07/2")
    assert slow.read_bytes() == before


def test_an_edit_after_a_kill_survives_and_the_staged_bytes_are_kept(
    real: Counter, slow: Path, policy: Path
) -> None:
    """I1, I2: what reads but differs was no cut; an image cannot prove that it stayed here."""
    before = slow.read_bytes()
    with real.process("refresh", "K07", "--on", slow) as process:
        until_rewriting(process)
        process.kill()
        process.communicate(timeout=60)
    alter(slow, CHUNK + 512, 512)  # of the first segment, which is staged and not checkpointed
    edited = slow.read_bytes()
    fast_again(policy)

    again = real.run("refresh", "K07", "--on", slow, "--json")

    assert again.code == 1
    assert [one["start_byte"] for one in again.json["findings"]] == [CHUNK]
    assert slow.read_bytes() == edited
    (kept,) = (real.state / "staging" / "kept").iterdir()
    assert kept.read_bytes() == before[CHUNK : 2 * CHUNK]


def test_a_killed_accession_is_taken_up_again(real: Counter, image: Path, policy: Path) -> None:
    """The same command finishes what was begun."""
    text = policy.read_text(encoding="utf-8")
    policy.write_text(text + SLOWLY, encoding="utf-8")
    words = ("accession", image, "--number", "K07", "--shelfmark", "R1", "--title", "plates")
    with real.process(*words) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("reading: at"):
                break
        process.kill()
        process.communicate(timeout=60)
    fast_again(policy)

    again = real.run(*words, "--json")

    assert (again.code, again.json["is_taken_up_again"]) == (0, True)


def test_the_shelf_can_be_read_and_exported_while_a_pass_runs(
    real: Counter, slow: Path, tmp_path: Path
) -> None:
    """Readers wait for nobody; a second pass over the same drive is refused."""
    with real.process("refresh", "K07", "--on", slow) as process:
        until_rewriting(process)
        codes = {
            words[0]: real.ask(*words).code
            for words in (
                ("shelf",),
                ("drive", "K07"),
                ("journal", "verify"),
                ("export", str(tmp_path / "copy")),
                ("fixity", "K07", "--on", str(slow)),
                ("withdraw", "K07"),
            )
        }
        is_running = process.poll() is None
        process.kill()
        process.communicate(timeout=60)

    assert is_running
    assert codes == {
        "shelf": 0,
        "drive": 0,
        "journal": 0,
        "export": 0,
        "fixity": 3,
        "withdraw": 3,
    }


def test_plain_lines_stand_on_stderr_and_the_result_on_stdout(real: Counter, k07: Path) -> None:
    """Where there is no terminal there is no bar, and no escape sequence."""
    said = real.run("refresh", "K07", "--on", k07)

    assert said.code == 0
    assert "rewriting: at" in said.err
    assert "rewriting: at" not in said.out
    assert "\x1b" not in said.err + said.out
    assert "refresh pass K07/2 ended" in said.out


def test_a_reader_who_had_enough_is_no_failure(real: Counter, k07: Path) -> None:
    """`refreshd journal show | head -1` ends without a complaint."""
    with real.process("journal", "show", "--all") as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        complaint = process.stderr.read()

    assert process.returncode == 0
    assert complaint == ""


def test_a_full_disk_behind_stdout_is_said(real: Counter, k07: Path) -> None:
    """An answer that nobody gets is no success."""
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        said = real.run("shelf", stdout=full)

    assert said.code == 4
    assert "stdout" in said.err
    assert "Traceback" not in said.err


def test_the_version_is_printed() -> None:
    """For bug reports."""
    counter = Counter(World(), Path("/nonexistent"), None)

    said = counter.bare("--version")

    assert said.code == 0


@pytest.fixture
def open_place() -> Iterator[Path]:
    """Return a directory that everybody may use."""
    path = Path(tempfile.mkdtemp(prefix="refreshd-test-"))
    path.chmod(0o777)
    yield path
    shutil.rmtree(path)


AS_NOBODY = """
import json, os, pathlib, sys, tempfile
from io import StringIO
from refreshd.adapters.system_clock import SystemClock
from refreshd.cli.main import main
from refreshd.cli.world import World

image, *commands = json.loads(sys.argv[1])

def say(words):
    out, err = StringIO(), StringIO()
    environ = {"XDG_CONFIG_HOME": os.path.dirname(image)}
    code, _ = main(words, World(environ, out, err, SystemClock(), is_root=os.geteuid() == 0))
    return code, out.getvalue(), err.getvalue()

# Python and its libraries may lie where only root may read: everything is loaded beforehand.
with tempfile.TemporaryDirectory() as warm:
    for words in commands:
        say([word.replace(image, warm + "/copy").replace("STATE", warm) for word in words])
    pathlib.Path(warm, "copy").write_bytes(pathlib.Path(image).read_bytes())
    for words in commands:
        say([word.replace(image, warm + "/copy").replace("STATE", warm) for word in words])
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
place = os.path.dirname(image) + "/state"
print(json.dumps([say([word.replace("STATE", place) for word in words]) for words in commands]))
"""


@pytest.mark.root
def test_a_plain_user_does_the_whole_job_on_an_image(open_place: Path) -> None:
    """An image file needs no privileges; what is root's is refused in a sentence."""
    image = open_place / "drive.img"
    image.write_bytes(Random(11).randbytes(16 * CHUNK))
    image.chmod(0o666)
    (open_place / "roots").mkdir(mode=0o700)
    words = ["--number", "K07", "--shelfmark", "R1", "--title", "plates", "--json"]
    commands = [
        ["--state", "STATE", "accession", str(image), *words],
        ["--state", "STATE", "refresh", "K07", "--on", str(image), "--json"],
        ["--state", "STATE", "shelf", "--json"],
        ["--state", f"{open_place}/roots", "shelf", "--json"],
        ["--state", f"{open_place}/roots/below", "accession", str(image), *words],
    ]
    done = subprocess.run(
        [sys.executable, "-c", AS_NOBODY, json.dumps([str(image), *commands])],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )

    answers = [Said(*answer) for answer in json.loads(done.stdout)]

    assert [said.code for said in answers] == [0, 0, 0, 3, 3], answers
    assert "--state" in answers[3].error
    assert "Traceback" not in "".join(said.err for said in answers)


def policy_with_staging(directory: Path, policy: Path) -> None:
    """Name a staging directory."""
    with policy.open("a", encoding="utf-8") as file:
        file.write(f'\n[staging]\ndirectory = "{directory}"\n')


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """Return the mount point of a real file system on which 64 KiB are left."""
    backing = tmp_path / "disk.img"
    backing.write_bytes(bytes(16 << 20))
    loops.need("mkfs.ext4")
    loops.run("mkfs.ext4", "-q", "-m", "0", backing)
    with loops.attached(backing) as node, loops.mounted(node, tmp_path / "full") as point:
        yield point


def fill(point: Path, left_bytes: int) -> None:
    """Fill a file system but for some bytes."""
    spare = os.statvfs(point)
    length = spare.f_bavail * spare.f_frsize - left_bytes
    with (point / "filler").open("wb") as file, suppress(OSError):
        os.posix_fallocate(file.fileno(), 0, length)


@pytest.mark.root
def test_no_room_for_staging_is_refused_before_anything_is_touched(
    counter: Counter, k07: Path, policy: Path, full_disk: Path
) -> None:
    """Exit code 3; no pass was begun and no byte of the drive was written."""
    fill(full_disk, 64 * 1024)
    policy_with_staging(full_disk / "staging", policy)
    before = (k07.read_bytes(), k07.stat().st_mtime_ns)

    said = counter.ask("refresh", "K07", "--on", k07)

    assert said.code == 3
    assert "ENOSPC" in said.error
    assert (k07.read_bytes(), k07.stat().st_mtime_ns) == before
    kinds = [one["event"]["kind"] for one in counter.ask("journal", "show").json["entries"]]
    assert kinds.count("pass-begun") == 1


@pytest.mark.root
def test_staging_in_memory_is_refused(
    counter: Counter, k07: Path, policy: Path, tmp_path: Path
) -> None:
    """I1: a copy in memory is no second place."""
    with loops.mounted("none", tmp_path / "memory", "-t", "tmpfs") as point:
        policy_with_staging(point, policy)

        said = counter.ask("refresh", "K07", "--on", k07)

    assert said.code == 3
    assert "memory" in said.error


@pytest.mark.root
def test_a_full_disk_under_the_record_stops_the_pass_and_it_goes_on(
    counter: Counter, image: Path, full_disk: Path
) -> None:
    """I5: what cannot be written down is not done; with room again it is."""
    counter.state = full_disk / "state"
    counter.take_in(image)
    fill(full_disk, 0)
    before = image.read_bytes()

    refused = counter.ask("fixity", "K07", "--on", image)
    also = counter.ask("refresh", "K07", "--on", image)
    (full_disk / "filler").unlink()

    assert refused.code == 4, refused
    assert also.code in {3, 4}
    assert image.read_bytes() == before
    assert counter.ask("fixity", "K07", "--on", image).code == 0
    assert counter.ask("refresh", "K07", "--on", image).code == 0
    assert counter.ask("journal", "verify").code == 0


@pytest.mark.root
@pytest.mark.parametrize("sector", [512, 4096])
def test_a_block_device_is_refreshed_and_one_in_use_is_not(
    counter: Counter, tmp_path: Path, policy: Path, sector: int
) -> None:
    """A real device with a real file system: the same bytes after, and refused while mounted."""
    loops.need("mkfs.ext4")
    backing = tmp_path / "backing.img"
    backing.write_bytes(Random(2).randbytes(8 << 20))
    policy.write_text(
        policy.read_text(encoding="utf-8") + 'readback_lag = "1 MiB"\n', encoding="utf-8"
    )
    with loops.attached(backing, sector=sector) as node:
        loops.run("mkfs.ext4", "-q", "-F", node)
        before = backing.read_bytes()
        assert counter.take_in(Path(node)).code == 0
        with loops.mounted(node, tmp_path / "point", "-o", "ro,noload"):
            in_use = counter.ask("refresh", "K07", "--on", node)
        said = counter.ask("refresh", "K07", "--on", node, "--closing")
        loops.run("e2fsck", "-fn", node)

    assert in_use.code == 3
    assert "mounted" in in_use.error
    assert said.code == 0, said
    assert said.json["bytes_written"] == 8 << 20
    assert backing.read_bytes() == before
