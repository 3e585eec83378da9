"""What is handed out is what was tested: version, contents of the wheel, import order."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

import refreshd

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Build the wheel and return the names of the files in it."""
    folder = tmp_path_factory.mktemp("wheel")
    (built,) = WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with zipfile.ZipFile(built) as opened:
        return set(opened.namelist())


def test_the_version_is_one_and_is_a_release_number() -> None:
    """The installed package, the module and the changelog speak of the same version."""
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")

    assert re.fullmatch(r"\d+\.\d+\.\d+", refreshd.__version__)
    assert version("refreshd") == refreshd.__version__
    assert f"## {refreshd.__version__}" in changelog


def test_the_wheel_holds_every_module_of_the_package(wheel: set[str]) -> None:
    """No module works in a checkout and is missing where the program is installed."""
    modules = {str(path.relative_to(ROOT)) for path in (ROOT / "refreshd").rglob("*.py")}

    assert modules <= wheel


def test_the_wheel_holds_what_is_no_module(wheel: set[str]) -> None:
    """Types travel with the package, and so does the licence."""
    assert "refreshd/py.typed" in wheel
    assert any(name.endswith("licenses/LICENSE") for name in wheel)
    assert not any(name.startswith("tests") for name in wheel)


def test_the_wheel_can_bring_an_old_catalogue_up(wheel: set[str]) -> None:
    """The steps from each version of the catalogue to the next are part of the program."""
    steps = {name for name in wheel if "/catalogue/migrations/versions/v" in name}

    assert "refreshd/adapters/catalogue/migrations/env.py" in wheel
    assert steps


def test_the_command_that_is_installed_can_be_loaded() -> None:
    """The console script leads to something that can be called."""
    (script,) = entry_points(group="console_scripts", name="refreshd")

    assert callable(script.load())


def test_arrows_point_inward() -> None:
    """The import contracts of pyproject.toml hold, and every module stands in one.

    In a process of its own: the linter sets up logging anew, and turns off every logger there is.
    """
    code = (
        "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, capture_output=True, text=True, cwd=ROOT
    )

    assert done.returncode == 0, done.stdout
