"""Notices on terminals, and the page with the open slips as a file."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from refreshd.adapters.page_directory import write_pages
from refreshd.adapters.wall import COLUMNS, ROWS_MAX, say_on_terminals, wall_rows
from refreshd.errors import NotDeliveredError
from refreshd.ports import Notice, Urgency


def test_a_terminal_gets_plain_rows_that_fit() -> None:
    """Folded at words, indented as before, nothing that moves a cursor (I8)."""
    body = "  1. " + "word " * 40 + "\n\x1b[2J\x07\x9b2J\r\nK\u00fcste\t\u202eevil"
    rows = wall_rows(Notice(Urgency.SLIPS, "K07\x1b]0;\n", body))

    assert rows[0] == "refreshd: K07?]0;?"
    assert all(len(row) <= COLUMNS and row.isprintable() for row in rows)
    assert rows[3].startswith("  word")
    assert not any("\u202e" in row for row in rows)


def test_a_long_notice_does_not_fill_the_screen() -> None:
    """It interrupts whatever people do; the rest is elsewhere, and it says where."""
    rows = wall_rows(Notice(Urgency.SLIPS, "many", "row\n" * 100))

    assert len(rows) == ROWS_MAX
    assert "pull-list" in rows[-1]


def run_wall(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Put a program of the name wall where it is found first."""
    program = folder / "wall"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(folder), prepend=":")


def test_wall_reads_the_notice_from_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As arguments it would stand in the list of processes, and -n would be an option."""
    run_wall(tmp_path, monkeypatch, f'cat > "{tmp_path}/said"; echo "$@" > "{tmp_path}/args"')
    say_on_terminals(Notice(Urgency.ALARMS, "-n K\u00fcste", "body"))

    assert (tmp_path / "said").read_text() == "refreshd: -n K?ste\n\nbody\n"
    assert (tmp_path / "args").read_text() == "--timeout 5\n"


def test_a_wall_that_fails_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sentence ends in the journal; it cannot steer a terminal either."""
    run_wall(tmp_path, monkeypatch, "printf 'no\\033[2J' >&2; exit 3")
    with pytest.raises(NotDeliveredError, match=r"wall ended with code 3: no\?\[2J"):
        say_on_terminals(Notice(Urgency.ALARMS, "subject", "body"))


def test_a_server_without_wall_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lean server may have none."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NotDeliveredError, match="install util-linux"):
        say_on_terminals(Notice(Urgency.ALARMS, "subject", "body"))


def test_the_real_wall_takes_a_notice() -> None:
    """Whether or not somebody is logged in."""
    say_on_terminals(Notice(Urgency.ALARMS, "a test of notices on terminals", "ignore it"))


def test_a_page_replaces_the_old_one_and_leaves_nothing_behind(tmp_path: Path) -> None:
    """Whoever reads meanwhile has the old page or the new one, whole, and may read it."""
    (tmp_path / ".slips.txt.new").write_text("left by a crash")
    write_pages(tmp_path, {"slips.txt": "old"})
    with (tmp_path / "slips.txt").open() as reader:
        write_pages(tmp_path, {"slips.txt": "K\u00fcste"})

        assert reader.read() == "old"
    assert (tmp_path / "slips.txt").read_text(encoding="utf-8") == "K\u00fcste"
    assert stat.S_IMODE((tmp_path / "slips.txt").stat().st_mode) == 0o644
    assert [path.name for path in tmp_path.iterdir()] == ["slips.txt"]


def test_a_planted_link_is_not_written_through(tmp_path: Path) -> None:
    """A directory that others can write to must not be a way to a file of ours (I8)."""
    victim = tmp_path / "victim"
    victim.write_text("safe")
    (tmp_path / ".slips.txt.new").symlink_to(victim)
    (tmp_path / "slips.txt").symlink_to(victim)
    write_pages(tmp_path, {"slips.txt": "new"})

    assert victim.read_text() == "safe"
    assert (tmp_path / "slips.txt").read_text() == "new"


def test_a_page_directory_that_is_not_there_is_named(tmp_path: Path) -> None:
    """What, where, and why."""
    with pytest.raises(NotDeliveredError, match=r"page_directory .*/none: slips.txt .*ENOENT"):
        write_pages(tmp_path / "none", {"slips.txt": "x"})


@pytest.mark.root
def test_a_page_directory_of_others_says_whom_to_give_it_to(tmp_path: Path) -> None:
    """The service is not root, and often may not write where root made a directory."""
    tmp_path.chmod(0o755)
    read_only = Path("/proc/sys")
    os.seteuid(12345)
    try:
        with pytest.raises(NotDeliveredError, match=r"EACCES. Give .*chown refreshd"):
            write_pages(tmp_path, {"slips.txt": "x"})
    finally:
        os.seteuid(0)
    with pytest.raises(NotDeliveredError, match=f"page_directory {read_only}: slips.txt cannot"):
        write_pages(read_only, {"slips.txt": "x"})
