"""On which line of a TOML text each key stands.

The TOML reader of the standard library gives values without places, and an error message
without a line helps nobody. This scanner finds only keys and their lines; what is valid
TOML, the reader alone decides. So the scanner may be lenient: what it does not understand
it leaves out, and goes on with the next line; where a value over several lines has no end,
it stops, since nobody can say what belongs to it. It never fails.

Source: TOML 1.0.0, sections Keys, String, Table, Inline Table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto

KeyPath = tuple[str, ...]
"""A key with the tables it stands in: ``("drive", "K07", "rate_limit")``."""

IN_ARRAY = "[]"
"""Stands in a path for "an element of this array", so that such keys are told apart."""

DEPTH_MAX = 50
"""Keys nested more deeply are left out; a policy has three levels. Common practice, no source."""

_BLANK = re.compile(r"[ \t\r]*")
_BLANK_LINES = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRINGS = (
    re.compile(r'"""(?:\\.|[^\\])*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:\\.|[^"\\\n])*"'),
    re.compile(r"'[^'\n]*'"),
)
_LONG_QUOTES = ('"""', "'''")
_QUOTED_KEYS = _STRINGS[2:]
_PLAIN = re.compile(r"[^\n,\[\]{}#\"']+")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|(.))")
_SHORT_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}
_CODE_POINT_MAX = 0x10FFFF


class Kind(Enum):
    """What kind of statement a key stands in."""

    TABLE = auto()  # [a.b]
    TABLE_OF_ARRAY = auto()  # [[a.b]]
    VALUE = auto()  # key = value
    INLINE = auto()  # the same inside of { }


@dataclass(frozen=True, slots=True)
class Statement:
    """One key or table header: its full path, and its first and last line, from 1."""

    path: KeyPath
    line: int
    last_line: int
    kind: Kind


@dataclass(frozen=True, slots=True)
class Outline:
    """Every key and table header of a text, in its order.

    `endless_line` is where a string, array or inline table begins that never ends, if there
    is one; what stands below it is not in the outline.
    """

    statements: tuple[Statement, ...]
    endless_line: int | None


def outline(text: str) -> Outline:
    """Find the keys and table headers of a TOML text."""
    scanner = _Scanner(text)
    return Outline(tuple(scanner.scan()), scanner.endless)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line of every key and table; of one that occurs twice, the first line."""
    lines: dict[KeyPath, int] = {}
    for statement in outline(text).statements:
        lines.setdefault(statement.path, statement.line)
    return lines


class _LostError(Exception):
    """The text at the current position is not what TOML would have there."""


class _Scanner:
    """Walks over a text once, from statement to statement."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.table: KeyPath = ()
        self.counted = (0, 1)  # a position, and its line: counting goes on from there
        self.inline: list[Statement] = []
        self.endless: int | None = None

    def scan(self) -> Iterator[Statement]:
        """Yield the statements; after one that is not understood, go on with the next line."""
        while True:
            self.skip(_BLANK_LINES)
            if self.at >= len(self.text):
                return
            line = self.line()
            self.inline = []
            try:
                found = self.header() if self.text[self.at] == "[" else self.pair()
            except _LostError:
                if self.line() != line or self.text.startswith(_LONG_QUOTES, self.at):
                    self.endless = line
                    return
            else:
                yield found
                yield from self.inline
            self.to_line_end()

    def header(self) -> Statement:
        """Read ``[a.b]`` or ``[[a.b]]``."""
        line = self.line()
        kind = Kind.TABLE_OF_ARRAY if self.take("[[") else Kind.TABLE
        if kind is Kind.TABLE:
            self.take("[")
        path = self.key()
        if not self.take("]]" if kind is Kind.TABLE_OF_ARRAY else "]"):
            raise _LostError
        self.table = path if kind is Kind.TABLE else self.deeper(path, (IN_ARRAY,))
        return Statement(path, line, line, kind)

    def pair(self) -> Statement:
        """Read ``key = value``."""
        line = self.line()
        path = self.deeper(self.table, self.key())
        if not self.take("="):
            raise _LostError
        self.value(path)
        return Statement(path, line, self.line(), Kind.VALUE)

    def value(self, path: KeyPath) -> None:
        """Read a value, however deep arrays and inline tables are nested, without recursion."""
        brackets: list[tuple[str, KeyPath]] = []
        while True:
            self.skip(_BLANK_LINES if brackets else _BLANK)
            if self.take("["):
                brackets.append(("]", self.deeper(path, (IN_ARRAY,))))
            elif self.take("{"):
                brackets.append(("}", path))
            else:
                self.scalar()
            following = self.next_value(brackets)
            if following is None:
                return
            path = following

    def next_value(self, brackets: list[tuple[str, KeyPath]]) -> KeyPath | None:
        """Close brackets and pass commas up to where another value begins; return its path."""
        while brackets:
            self.skip(_BLANK_LINES)
            closing, path = brackets[-1]
            if self.take(closing):
                brackets.pop()
            elif not self.take(","):
                return path if closing == "]" else self.inline_key(path)
        return None

    def inline_key(self, table: KeyPath) -> KeyPath:
        """Read ``key =`` inside of an inline table."""
        line = self.line()
        path = self.deeper(table, self.key())
        if not self.take("="):
            raise _LostError
        self.inline.append(Statement(path, line, line, Kind.INLINE))
        return path

    def deeper(self, path: KeyPath, inner: KeyPath) -> KeyPath:
        """Join two paths, within bounds: each step down costs as much memory as its path."""
        if len(path) + len(inner) > DEPTH_MAX:
            raise _LostError
        return path + inner

    def key(self) -> KeyPath:
        """Read a key: bare, quoted or dotted."""
        parts: list[str] = []
        while True:
            self.skip(_BLANK)
            parts.append(self.key_part())
            self.skip(_BLANK)
            if not self.take("."):
                return tuple(parts)

    def key_part(self) -> str:
        """Read one part of a dotted key."""
        if bare := self.skip(_BARE_KEY):
            return bare
        basic, literal = _QUOTED_KEYS
        if quoted := self.skip(basic):
            return _ESCAPE.sub(_unescaped, quoted[1:-1])
        if quoted := self.skip(literal):
            return quoted[1:-1]
        raise _LostError

    def scalar(self) -> None:
        """Pass over a string, number, date or boolean."""
        is_long = self.text.startswith(_LONG_QUOTES, self.at)
        patterns = _STRINGS[:2] if is_long else (*_QUOTED_KEYS, _PLAIN)
        if not any(self.skip(pattern) for pattern in patterns):
            raise _LostError

    def skip(self, pattern: re.Pattern[str]) -> str:
        """Pass over what the pattern matches here, and return it; the empty text if nothing."""
        match = pattern.match(self.text, self.at)
        if match is None:
            return ""
        self.at = match.end()
        return match[0]

    def take(self, token: str) -> bool:
        """Pass over a token if it stands here."""
        is_here = self.text.startswith(token, self.at)
        if is_here:
            self.at += len(token)
        return is_here

    def to_line_end(self) -> None:
        """Pass over the rest of the line."""
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def line(self) -> int:
        """Return the line of the current position."""
        position, line = self.counted
        line += self.text.count("\n", position, self.at)
        self.counted = (self.at, line)
        return line


def _unescaped(match: re.Match[str]) -> str:
    """Return the character that an escape of a basic string stands for."""
    code = match[1] or match[2]
    if code is None:
        return _SHORT_ESCAPES.get(match[3], match[3])
    return chr(min(int(code, 16), _CODE_POINT_MAX))
