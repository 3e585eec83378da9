"""Manual pages: text as `man` reads it.

Written with the macros of man(7), and so that `mandoc -T lint` has nothing to say.
Source: mandoc, man(7), roff(7), mandoc_char(7).
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

COLUMNS = 78
"""Of a line of the source, markup included. Source: mandoc -T lint, which allows 80 bytes."""

_CODE = re.compile(r"`([^`]+)`")


def escaped(text: str) -> str:
    """Return text in which nothing is markup; what would move a cursor becomes a space."""
    marks = {"\\": "\\e", "-": "\\-", "`": "\\(ga", "^": "\\(ha", "~": "\\(ti", "'": "\\(aq"}
    shown = [one if one.isprintable() else " " for one in text]
    return "".join(marks.get(c, c) if c.isascii() else f"\\[u{ord(c):04X}]" for c in shown)


def marked(text: str) -> str:
    """Return text in which what stands between backticks is bold.

    Word by word, so that a line may be broken between any two of them.
    """
    parts = _CODE.split(text)
    parts[::2] = [escaped(part) for part in parts[::2]]
    parts[1::2] = [" ".join(_bold(word) for word in part.split()) for part in parts[1::2]]
    return "".join(parts)


def _bold(word: str) -> str:
    return f"\\fB{escaped(word)}\\fR"


@dataclass(slots=True)
class ManualPage:
    """A manual page, written from its top to its end."""

    name: str
    section: int
    source: str  # such as ``refreshd 0.1.0``
    title: str
    made_on: date
    _rows: list[str] = field(default_factory=list)

    def heading(self, text: str) -> None:
        """Begin a section."""
        self._rows.append(f".SH {escaped(text.upper())}")

    def subheading(self, text: str) -> None:
        """Begin a part of a section."""
        self._rows.append(f".SS {escaped(text)}")

    def text(self, text: str) -> None:
        """Write a paragraph; after a heading, the first one."""
        if not self._rows[-1].startswith((".SH", ".SS")):
            self._rows.append(".PP")
        self._prose(text)

    def item(self, tag: str, text: str) -> None:
        """Write something that is explained, and what it is."""
        self._rows += [".TP", f"\\fB{escaped(tag)}\\fR"]
        self._prose(text)

    def lines(self, rows: Iterable[str]) -> None:
        """Write lines as they are."""
        self._rows += [".PP", ".nf", *(_at_start(escaped(row)) for row in rows), ".fi"]

    def render(self) -> str:
        """Return the page."""
        day, source = self.made_on.isoformat(), self.source
        head = f'.TH {self.name.upper()} {self.section} {day} "{source}" "{self.title}"'
        return "\n".join([head, *self._rows]) + "\n"

    def _prose(self, text: str) -> None:
        plain = marked(" ".join(text.split()))
        rows = textwrap.wrap(plain, COLUMNS, break_on_hyphens=False, break_long_words=False)
        self._rows += [_at_start(row) for row in rows]


def _at_start(row: str) -> str:
    """Keep a line from being taken for an order: one that begins with a dot or a quote."""
    return f"\\&{row}" if row.startswith((".", "'")) else row
