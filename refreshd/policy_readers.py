"""How the readers of the policy's values are made, and how values are described to an editor.

A value is written as people do, ``"3 years"`` or ``"64 MiB"``, in quotes and with its unit: a
bare number would leave open what it counts. Every refusal says what is allowed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import PurePosixPath
from typing import TypeVar

from pydantic import PlainSerializer, WithJsonSchema

from refreshd.sizes import size_text

NONE = "none"
"""How the file says that there is no limit, to undo one of a weaker table."""


Given = TypeVar("Given")
Choice = TypeVar("Choice", bound=StrEnum)


def written(parse: Callable[[str], Given], kind: str, example: str) -> Callable[[object], Given]:
    """Make a reader that takes only text, since a bare number has no unit."""

    def read(value: object) -> Given:
        if not isinstance(value, str):
            raise ValueError(f'{kind} is written in quotes, with its unit: "{example}"')  # noqa: TRY004 - pydantic collects ValueErrors.
        return parse(value)

    return read


def within(parse: Callable[[str], int], least: int, most: int | None) -> Callable[[str], int]:
    """Make a reader that also holds a size within bounds."""

    def read(text: str) -> int:
        size = parse(text)
        if size < least or (most is not None and size > most):
            above = f"at least {size_text(least)}"
            raise ValueError(f"Allowed: {above}" + (f", at most {size_text(most)}" if most else ""))
        return size

    return read


def or_none(parse: Callable[[str], Given]) -> Callable[[str], Given | None]:
    """Make a reader that also knows the word for "no limit"."""

    def read(text: str) -> Given | None:
        if text == NONE:
            return None
        try:
            return parse(text)
        except ValueError as err:
            raise ValueError(f'{err}, or "{NONE}"') from err

    return read


def path_like(example: str) -> Callable[[object], PurePosixPath]:
    """Make a reader of an absolute path: a relative one depends on where a program was started."""

    def read(value: object) -> PurePosixPath:
        if not isinstance(value, str) or not value.startswith("/") or "\0" in value:
            raise ValueError(f'Allowed: an absolute path in quotes, such as "{example}"')
        return PurePosixPath(value)

    return read


def list_of(
    parse: Callable[[str], Given], example: str, least: int
) -> Callable[[object], tuple[Given, ...]]:
    """Make a reader of a list of texts."""

    def read(value: object) -> tuple[Given, ...]:
        if not isinstance(value, list | tuple) or not all(isinstance(one, str) for one in value):
            raise ValueError(f"Allowed: a list of texts in quotes, such as {example}")
        if len(value) < least:
            raise ValueError(f"Allowed: a list that is not empty, such as {example}")
        return tuple(parse(one) for one in value)

    return read


def true_or_false(value: object) -> bool:
    """Read a yes or no."""
    if not isinstance(value, bool):
        raise ValueError("Allowed: true or false, without quotes")  # noqa: TRY004 - pydantic collects ValueErrors.
    return value


def choice(kind: type[Choice]) -> Callable[[object], Choice]:
    """Make a reader of one of several words."""

    def read(value: object) -> Choice:
        if not isinstance(value, str) or value not in set(kind):
            raise ValueError(f"Allowed: {_either(kind)}, in quotes")
        return kind(value)

    return read


def choices(kind: type[Choice]) -> Callable[[object], tuple[Choice, ...]]:
    """Make a reader of a list of one or more words, each only once."""
    example = f'["{next(iter(kind))}"]'

    def read(value: object) -> tuple[Choice, ...]:
        try:
            found = list_of(choice(kind), example, 1)(value)
        except ValueError as err:
            raise ValueError(f"Allowed: a list of {_either(kind)}, such as {example}") from err
        if len(set(found)) < len(found):
            raise ValueError("Allowed: each word only once")
        return found

    return read


def _either(words: Iterable[str]) -> str:
    """Return ``"a", "b" or "c"``."""
    *most, last = (f'"{word}"' for word in words)
    return f"{', '.join(most)} or {last}"


def text_schema(pattern: str, examples: tuple[str, ...]) -> WithJsonSchema:
    """Describe a value to an editor: as text with a pattern, not as what it is read into."""
    return WithJsonSchema({"type": "string", "pattern": pattern, "examples": list(examples)})


def or_none_schema(pattern: str, examples: tuple[str, ...]) -> WithJsonSchema:
    """Describe a value that may also be left without a limit."""
    return text_schema(f"{pattern}|^{NONE}$", (*examples, NONE))


def none_or(text: Callable[[Given], str]) -> PlainSerializer:
    """Write a value, or the word for "no limit"."""

    def write(value: Given | None) -> str:
        return NONE if value is None else text(value)

    return PlainSerializer(write, return_type=str)


def path_schema(example: str) -> WithJsonSchema:
    """Describe an absolute path."""
    return text_schema("^/", (example,))


def list_schema(pattern: str, examples: tuple[str, ...], least: int) -> WithJsonSchema:
    """Describe a list of texts."""
    items = {"type": "string", "pattern": pattern, "examples": list(examples)}
    return WithJsonSchema({"type": "array", "items": items, "minItems": least})
