"""The manual pages say all that the help and the policy say, and `man` reads them cleanly."""

from __future__ import annotations

import re
import subprocess
from datetime import date
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st

from refreshd.cli.main import app
from refreshd.cli.manual import main, manual_pages, verbs_of
from refreshd.policy_drive import FIELDS
from refreshd.policy_tables import SHELF_TABLES, Channel, keys_of
from refreshd.telling.roff import ManualPage
from tests.loops import need

MADE_ON = date(2026, 11, 25)
PAGES = manual_pages(MADE_ON)


def plain(page: str) -> str:
    """Return a page without its markup, with single spaces."""
    text = re.sub(r"\\f[BR]", "", page).replace("\\-", "-").replace("\\(ga", "`")
    text = re.sub(r"^\.(SH|SS|PP|TP)\b ?", "", text, flags=re.MULTILINE)
    return " ".join(text.replace("\\(aq", "'").replace("\\&", "").split())


def test_every_verb_and_option_is_in_the_manual() -> None:
    """A verb that is added later is in the manual without anybody thinking of it."""
    said = plain(PAGES["refreshd.8"])
    found = list(verbs_of(typer.main.get_command(app)))  # type: ignore[arg-type] # Typer's own kind.

    assert len(found) > 10
    for path, verb in found:
        assert " ".join(path) in said
        assert " ".join((verb.help or "no help").split("\n\n")[0].split()) in said
        for one in verb.params:
            for option in getattr(one, "opts", ()):
                assert option in said or one.param_type_name == "argument"


def test_every_key_of_the_policy_is_in_the_manual() -> None:
    """A key that is added later is in the manual without anybody thinking of it."""
    page = PAGES["refreshd-policy.5"]
    tags = set(re.findall(r"^\.TP\n\\fB(.+)\\fR$", page, re.MULTILINE))
    keys = {*FIELDS, *keys_of(Channel)}
    for section in SHELF_TABLES.values():
        keys |= set(keys_of(section)) - {"channel"}

    assert {key.replace("-", "\\-") for key in keys} <= tags
    assert {f"[{name}]" for name in SHELF_TABLES} <= set(
        re.findall(r"^\.SS (.+)$", page, re.MULTILINE)
    )


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_manual_page_is_clean(name: str, tmp_path: Path) -> None:
    """Source: mandoc(1), lint: style and up; nothing to say means exit code 0."""
    need("mandoc")
    file = tmp_path / name
    file.write_text(PAGES[name], encoding="ascii")
    told = subprocess.run(
        ["mandoc", "-T", "lint", "-W", "style", file], check=False, capture_output=True, text=True
    )

    assert told.stdout == ""
    assert told.returncode == 0


@given(st.text(max_size=200))
def test_no_text_can_become_an_order(text: str) -> None:
    """A sentence that begins with a dot, or holds a backslash, is told as it is."""
    page = ManualPage("x", 8, "x", "x", MADE_ON)
    page.heading("Name")
    page.text("x - y")
    page.text(text)
    page.item(text, text)
    page.lines([text])
    rows = page.render().splitlines()

    orders = [row for row in rows if row.startswith((".", "'"))]
    assert {order.split()[0] for order in orders} <= {".TH", ".SH", ".PP", ".TP", ".nf", ".fi"}
    assert page.render().isascii()


def test_the_pages_lie_where_man_looks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Source: man(1): man8 and man5 below a directory of MANPATH."""
    assert main([str(tmp_path)]) == 0
    assert (tmp_path / "man8" / "refreshd.8").read_text(encoding="ascii").startswith(".TH REFRESHD")
    assert (tmp_path / "man5" / "refreshd-policy.5").is_file()
    assert main([]) == 2
    assert "Say where" in capsys.readouterr().err
