"""The scanner that says on which line each key of a TOML text stands."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from refreshd.toml_lines import IN_ARRAY, Kind, key_lines, outline

EVERYTHING = '''\
# a comment with [brackets] and key = "value"
top = 1  # not = 2
dotted.key."with space" = true

text = """
[no.table]
no = "key" \\""" still text
""""
raw = \'\'\'
[no.table] # '' '
\'\'\'
list = [ # here
    "a ] b", "c # d", [1, 2,
    ], { inner = 1, more.inner = "}" },
]
inline = { a = 1, b.c = [ { d = 2 } ], "e f" = "x, y = z" }
day = 1979-05-27 07:32:00Z
[drive."K 07"]
rate_limit = "none"
[ drive . 'K.08' ]
"rate\\u005Flimit" = ""
empty = """"""
quote = """""""
[[bench]]
name = 1
[[bench]]
name = 2
[last] # end
last.one = inf'''

EVERYTHING_LINES = {
    ("top",): 2,
    ("dotted", "key", "with space"): 3,
    ("text",): 5,
    ("raw",): 9,
    ("list",): 12,
    ("list", IN_ARRAY, "inner"): 14,
    ("list", IN_ARRAY, "more", "inner"): 14,
    ("inline",): 16,
    ("inline", "a"): 16,
    ("inline", "b", "c"): 16,
    ("inline", "b", "c", IN_ARRAY, "d"): 16,
    ("inline", "e f"): 16,
    ("day",): 17,
    ("drive", "K 07"): 18,
    ("drive", "K 07", "rate_limit"): 19,
    ("drive", "K.08"): 20,
    ("drive", "K.08", "rate_limit"): 21,
    ("drive", "K.08", "empty"): 22,
    ("drive", "K.08", "quote"): 23,
    ("bench",): 24,
    ("bench", IN_ARRAY, "name"): 25,
    ("last",): 28,
    ("last", "last", "one"): 29,
}


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_every_form_of_key_is_found_on_its_line(line_end: str) -> None:
    """Strings over several lines, arrays, inline tables, dotted and quoted keys, comments."""
    text = EVERYTHING.replace("\n", line_end)
    tomllib.loads(text)  # the example is valid TOML

    assert key_lines(text) == EVERYTHING_LINES


def test_a_value_over_several_lines_has_a_first_and_a_last_line() -> None:
    """Whoever drops a statement must drop all of its lines."""
    first, second, table = outline('a = [\n 1,\n]\nb = """x\ny"""\n[[c]]\n').statements

    assert (first.line, first.last_line, first.kind) == (1, 3, Kind.VALUE)
    assert (second.line, second.last_line, second.kind) == (4, 5, Kind.VALUE)
    assert (table.line, table.last_line, table.kind) == (6, 6, Kind.TABLE_OF_ARRAY)


def test_a_line_that_is_no_toml_is_passed_over() -> None:
    """One slip of the pen must not hide the lines of the other keys."""
    text = 'a = 1\nb = "open\nwhat is this\n[c\nd = 3 years\n= 4\n"x" y\ne = ]\nf = 1\n'

    assert key_lines(text) == {("a",): 1, ("d",): 5, ("f",): 9}


def test_a_value_without_end_ends_the_scan() -> None:
    """Nobody can say which of the following lines belong to an array that is never closed."""
    array = 'a = 1\nb = [\n  "x"\nc = 1\n'
    string = 'a = 1\nb = """\n  x\nc = 1\n'

    assert key_lines(array) == key_lines(string) == {("a",): 1}
    assert outline(array).endless_line == outline(string).endless_line == 2
    assert outline(EVERYTHING).endless_line is None
    assert outline("a = [ }\nb = 'x\n").endless_line is None  # broken, but each on its own line


def test_a_long_string_may_end_in_quotes_of_its_own() -> None:
    """A quote or two before the closing three belong to the text (TOML 1.0.0, String)."""
    text = "a = [\"\"\"x\"\"\"\", '''y'''', { b = 1 }]\nc = 1\n"

    assert tomllib.loads(text)["a"][:2] == ['x"', "y'"]
    assert key_lines(text) == {("a",): 1, ("a", IN_ARRAY, "b"): 1, ("c",): 2}


def test_a_key_given_twice_keeps_its_first_line_and_both_statements() -> None:
    """Both places are needed to say where a duplicate stands."""
    text = "[t]\na = 1\na = 2\n"

    assert key_lines(text)["t", "a"] == 2
    assert [s.line for s in outline(text).statements if s.path == ("t", "a")] == [2, 3]


def test_deep_nesting_is_no_recursion() -> None:
    """A hostile text can exhaust neither the stack nor the memory."""
    assert key_lines("a = " + "[" * 100_000 + "\nb = 1") == {("b",): 2}
    assert key_lines("a = " + "{a = " * 100_000 + "\nb = 1") == {("b",): 2}
    assert key_lines("a." * 100_000 + "a = 1\nb = 1") == {("b",): 2}
    assert key_lines("a = " + "[" * 40 + "]" * 40 + "\nb = 1") == {("a",): 1, ("b",): 2}


@given(st.text(alphabet=st.sampled_from("ab.=[]{},#\"'\\ \n\r\tu0{"), max_size=60))
def test_no_text_makes_the_scanner_fail(text: str) -> None:
    """And where the text is TOML, the scanner finds every key that the reader finds."""
    found = set(key_lines(text))
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return

    assert set(_leaves(document)) <= found


KEYS = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=6)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | KEYS | st.datetimes() | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
).filter(lambda value: value is not None)


@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_the_scanner_and_the_reader_find_the_same_keys(document: dict[str, object]) -> None:
    """Whatever a TOML writer can write, each key of it has a line, and no key is invented."""
    text = tomlkit.dumps({key: _without_none(value) for key, value in document.items()})
    read = tomllib.loads(text)
    lines = key_lines(text)

    assert set(_leaves(read)) <= set(lines)
    assert all(_is_in(read, path) for path in lines)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


def _without_none(value: object) -> object:
    if isinstance(value, dict):
        return {key: _without_none(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, list):
        return [_without_none(inner) for inner in value if inner is not None]
    return value


def _leaves(table: dict[str, object], above: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        if isinstance(value, dict) and value:
            yield from _leaves(value, (*above, key))
        else:
            yield (*above, key)


def _is_in(value: object, path: tuple[str, ...]) -> bool:
    if not path:
        return True
    if isinstance(value, list):
        rest = path[1:] if path[0] == IN_ARRAY else path
        return any(_is_in(element, rest) for element in value)
    return isinstance(value, dict) and path[0] in value and _is_in(value[path[0]], path[1:])
