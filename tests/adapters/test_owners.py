"""What root makes in the state directory of the service belongs to the service."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from stat import S_IMODE

import pytest

from refreshd.adapters.care_marks import keep_marks
from refreshd.adapters.catalogue import SqliteCatalogue
from refreshd.adapters.daemon_lock import DaemonLock
from refreshd.adapters.journal_directory import FileJournalDirectory
from refreshd.adapters.staging_file import RingFile
from refreshd.cards import Carrier, Evidence
from refreshd.kernel.owners import make_file, make_folder, make_folders, open_or_make
from tests.fakes.counter import ROOT, Said
from tests.loops import need

SERVICE_UID, SERVICE_GID = 48_911, 48_912
"""Account and group of nobody on any machine."""
MIB = 1024 * 1024

AS_SERVICE = (
    *("setpriv", f"--reuid={SERVICE_UID}", f"--regid={SERVICE_GID}", "--clear-groups"),
    *("--inh-caps=-all,+dac_read_search", "--ambient-caps=-all,+dac_read_search"),
)
"""Becomes the account of the service. The one capability lets it read Python where only root can;
it does not let it write anything. Source: setpriv(1), capabilities(7)."""


@pytest.fixture
def state() -> Iterator[Path]:
    """Return a state directory of the service, where its account can reach it."""
    # The rooms of pytest are closed to other accounts.
    with tempfile.TemporaryDirectory(prefix="refreshd-owners-") as room:
        Path(room).chmod(0o755)
        directory = Path(room) / "state"
        directory.mkdir(mode=0o750)
        os.chown(directory, SERVICE_UID, SERVICE_GID)
        yield directory


def refreshd(*words: str | Path, become: tuple[str, ...] = ()) -> Said:
    """Run a verb in a process of its own: as root, or as somebody else."""
    done = subprocess.run(
        [*become, sys.executable, "-m", "refreshd", *map(str, words), "--json"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        text=True,
        capture_output=True,
        check=False,
    )
    return Said(done.returncode, done.stdout, done.stderr)


def owners(directory: Path) -> dict[str, tuple[int, int]]:
    """Return owner and group of everything in a directory."""
    found = ((path, path.lstat()) for path in directory.rglob("*"))
    return {str(path.relative_to(directory)): (at.st_uid, at.st_gid) for path, at in found}


@pytest.mark.root
def test_the_service_can_go_on_after_root(state: Path) -> None:
    """I5: an accession that root ran must not lock the service out of its own journal."""
    need("setpriv")
    image = state.parent / "drive.img"
    image.write_bytes(os.urandom(MIB))
    words = ("--state", state)
    card = ("--number", "K07", "--shelfmark", "R2", "--title", "Plates", "--medium", "hard-disk")

    taken = refreshd(*words, "accession", image, *card)

    assert taken.code == 0, taken
    made = owners(state)
    assert {"catalogue.sqlite", "journal", "locks"} <= {name.split("/")[0] for name in made}, made
    assert set(made.values()) == {(SERVICE_UID, SERVICE_GID)}, made

    corrected = refreshd(*words, "drive", "K07", "--title", "Glass plates", become=AS_SERVICE)

    assert corrected.code == 0, corrected
    assert corrected.json["title"] == "Glass plates"
    assert set(owners(state).values()) == {(SERVICE_UID, SERVICE_GID)}


@pytest.mark.root
def test_a_refresh_by_root_leaves_nothing_of_root(state: Path) -> None:
    """The ring, bytes kept aside and the files of SQLite are the service's, too."""
    image = state.parent / "drive.img"
    image.write_bytes(os.urandom(MIB))
    words = ("--state", state)
    card = ("--number", "K07", "--shelfmark", "R2", "--title", "Plates", "--medium", "hard-disk")
    refreshd(*words, "accession", image, *card)
    seen: dict[str, tuple[int, int]] = {}
    program = [sys.executable, "-m", "refreshd", "--state", state, "refresh", "K07", "--on", image]
    with subprocess.Popen(
        [*map(str, program), "--json"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        while process.poll() is None:
            seen |= _owners_while_it_changes(state)

    assert process.returncode == 0
    assert any(name.startswith("staging/") for name in seen), seen
    assert any(name.endswith("-wal") for name in seen), seen
    assert set(seen.values()) == {(SERVICE_UID, SERVICE_GID)}, seen


def _owners_while_it_changes(state: Path) -> dict[str, tuple[int, int]]:
    try:
        return owners(state)
    except FileNotFoundError:
        return {}


@pytest.mark.root
def test_a_service_that_root_ran_locks_nobody_out(state: Path) -> None:
    """Its lock and the marks for udev, made by `refreshd serve` as root, are the service's, too."""
    drive = Evidence(Carrier.BLOCK, MIB, 512, 4096, wwn="naa.5000c50000000001")
    with DaemonLock(state):
        keep_marks(state / "in-care", [drive])
    made = owners(state)

    assert set(made) == {"daemon.lock", "in-care", "in-care/wwn-0x5000c50000000001"}
    assert set(made.values()) == {(SERVICE_UID, SERVICE_GID)}, made
    with DaemonLock(state):
        keep_marks(state / "in-care", [])
    assert set(owners(state)) == {"daemon.lock", "in-care"}


@pytest.mark.root
def test_what_is_kept_aside_is_the_services_too(state: Path) -> None:
    """A torn line, staged bytes, the catalogue as it was before it was brought up."""
    journal = FileJournalDirectory.made_at(state / "journal")
    journal.create("00001.jsonl")
    journal.keep_aside("torn line", b"{")
    ring = RingFile.open(state / "staging" / "K07.ring", 64 * 1024)
    ring.keep_aside("K07 at 0", memoryview(bytes(4096)))
    ring.close()
    older = Path(__file__).with_name("catalogue_0001.sqlite.gz").read_bytes()
    catalogue = state / "catalogue.sqlite"
    catalogue.write_bytes(gzip.decompress(older))
    os.chown(catalogue, SERVICE_UID, SERVICE_GID)
    SqliteCatalogue.for_writing(catalogue).close()
    made = owners(state)

    assert {"journal/torn/torn line", "staging/kept/K07 at 0", "catalogue.sqlite.version-0001"} <= {
        *made
    }
    assert set(made.values()) == {(SERVICE_UID, SERVICE_GID)}, made


@pytest.mark.root
def test_only_what_was_just_made_is_given_away(state: Path) -> None:
    """A file that was there before may be somebody else's under another name."""
    secret = state.parent / "secret"
    secret.write_text("of root", encoding="utf-8")
    os.link(secret, state / "shelf.lock")
    os.close(open_or_make(state / "shelf.lock", os.O_RDWR, 0o600))
    (state / "there").mkdir()
    make_folder(state / "there" / "below", 0o700)

    assert secret.stat().st_uid == 0
    assert owners(state)["there"] == owners(state)["there/below"] == (0, 0)


def test_a_file_is_made_once_and_opened_again(tmp_path: Path) -> None:
    """Two processes that make it at the same time get the same file."""
    path = tmp_path / "one"
    handle = open_or_make(path, os.O_RDWR, 0o600)
    os.write(handle, b"first")
    os.close(handle)
    handle = open_or_make(path, os.O_RDWR, 0o644)

    assert os.read(handle, 9) == b"first"
    assert S_IMODE(path.stat().st_mode) == 0o600
    os.close(handle)
    with pytest.raises(FileExistsError):
        make_file(path, os.O_RDWR, 0o600)


def test_a_link_is_never_followed(tmp_path: Path) -> None:
    """Whoever can write to the directory could lead root to any file."""
    (tmp_path / "link").symlink_to(tmp_path / "target")
    with pytest.raises(OSError, match="link"):
        open_or_make(tmp_path / "link", os.O_RDWR, 0o600)
    with pytest.raises(OSError, match="link"):
        make_folder(tmp_path / "link", 0o700)

    assert not (tmp_path / "target").exists()


def test_folders_are_made_with_those_above_them(tmp_path: Path) -> None:
    """Asking twice is no error."""
    for _ in range(2):
        make_folders(tmp_path / "a" / "b", 0o700)

    assert S_IMODE((tmp_path / "a").stat().st_mode) == 0o700
    assert (tmp_path / "a" / "b").is_dir()
    with pytest.raises(FileNotFoundError):
        make_folder(tmp_path / "c" / "d", 0o700)
