"""The units of systemd: explained line by line, accepted by systemd, as closed as can be."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import loops
from tests.loops import need

ROOT = Path(__file__).resolve().parents[1]
SYSTEMD = ROOT / "systemd"
UNITS = sorted([*SYSTEMD.glob("*.service"), *SYSTEMD.glob("*.socket")])


def directives(unit: Path) -> Iterator[tuple[str, str, str]]:
    """Yield the line before each directive, its name and its value."""
    before = ""
    for line in unit.read_text(encoding="utf-8").splitlines():
        name, sign, value = line.partition("=")
        if sign and not line.startswith(("#", "[")):
            yield before, name, value
        before = line


def values(unit: str, name: str) -> list[str]:
    """Return what a unit says for one directive, each time it stands there."""
    return [value for _, each, value in directives(SYSTEMD / unit) if each == name]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_every_line_of_a_unit_is_explained(unit: Path) -> None:
    """An administrator who wants to change a line reads above it what it is for."""
    bare = [name for before, name, _ in directives(unit) if not re.match(r"# \S", before)]

    assert list(directives(unit))
    assert bare == []


@pytest.mark.parametrize(
    ("unit", "exposure_max"), [("refreshd.service", 2.0), ("refreshd-helper@.service", 3.2)]
)
def test_a_unit_is_as_closed_as_was_promised(unit: str, exposure_max: float) -> None:
    """Source: systemd-analyze(1), security: from 0 to 10; a service without limits has 9.6."""
    need("systemd-analyze")
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", SYSTEMD / unit],
        check=True,
        capture_output=True,
        text=True,
    )
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", told.stdout)

    assert found is not None
    assert float(found[1]) <= exposure_max


def test_systemd_accepts_the_units(tmp_path: Path) -> None:
    """No directive is misspelt or in the wrong section; systemd would only warn and go on."""
    need("systemd-analyze")
    for unit in UNITS:
        text = unit.read_text(encoding="utf-8")
        # What is installed later is not there where this is checked.
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE)
        text = re.sub(r"^Documentation=.*$", "", text, flags=re.MULTILINE)
        (tmp_path / unit.name).write_text(text, encoding="utf-8")
    told = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", *sorted(tmp_path.iterdir())],
        check=False,
        capture_output=True,
        text=True,
    )
    ours = [line for line in told.stderr.splitlines() if "refreshd" in line]

    assert ours == []
    assert told.returncode == 0


def test_the_service_has_one_right_and_the_root_side_three() -> None:
    """I9: whoever takes over the service has raw commands to disks, and no other right."""
    assert values("refreshd.service", "AmbientCapabilities") == ["CAP_SYS_RAWIO"]
    assert values("refreshd.service", "CapabilityBoundingSet") == ["CAP_SYS_RAWIO"]
    assert values("refreshd.service", "User") == ["refreshd"]
    assert values("refreshd-helper@.service", "CapabilityBoundingSet") == [
        "CAP_SYS_PTRACE CAP_DAC_READ_SEARCH CAP_SYS_ADMIN"
    ]


def test_the_root_side_writes_to_no_disk() -> None:
    """P6 of refreshd/privileged.py is not only a promise: the kernel holds it to it."""
    assert values("refreshd-helper@.service", "DevicePolicy") == ["closed"]
    assert values("refreshd-helper@.service", "DeviceAllow") == ["block-* r"]


def test_only_the_service_can_ask_the_root_side() -> None:
    """The socket belongs to the user that the service runs as, and is open to nobody else."""
    assert values("refreshd-helper.socket", "SocketUser") == values("refreshd.service", "User")
    assert values("refreshd-helper.socket", "SocketMode") == ["0600"]


def test_a_broken_promise_is_not_started_again() -> None:
    """Exit code 70 says that the program does not understand the world: a drive is left alone."""
    assert "70" in values("refreshd.service", "RestartPreventExitStatus")[0].split()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Give a root directory in which the user of the service was made."""
    need("systemd-sysusers")
    (tmp_path / "etc").mkdir()
    loops.run("systemd-sysusers", f"--root={tmp_path}", SYSTEMD / "refreshd.sysusers")
    return tmp_path


@pytest.mark.root
def test_a_user_without_a_shell_is_made(root: Path) -> None:
    """The unit names it; nobody can log in as it."""
    made = (root / "etc" / "passwd").read_text(encoding="utf-8")

    assert re.search(r"^refreshd:x:\d+:\d+:[^:]*:/var/lib/refreshd:\S*nologin$", made, re.MULTILINE)


@pytest.mark.root
def test_the_record_is_closed_and_the_policy_is_not(root: Path) -> None:
    """The directories are there before the service first runs, with the right owners."""
    loops.run("systemd-tmpfiles", f"--root={root}", "--create", SYSTEMD / "refreshd.tmpfiles")
    record = (root / "var" / "lib" / "refreshd").stat()

    assert record.st_mode & 0o777 == 0o700
    assert record.st_uid != 0
    assert (root / "var" / "lib" / "refreshd" / "in-care").is_dir()
    assert (root / "etc" / "refreshd").stat().st_mode & 0o777 == 0o755


def test_the_readme_installs_every_file() -> None:
    """A unit that nobody installs does nothing; a name that is not there fails half-way."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = readme.partition("<!-- service -->")[2].partition("<!-- end -->")[0]
    named = {one for word in re.findall(r"systemd/\S+", block) for one in ROOT.glob(word)}

    assert named == set(SYSTEMD.iterdir())
