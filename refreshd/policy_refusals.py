"""Why a value of the policy file is refused, where it stands, and what is allowed instead."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time
from difflib import get_close_matches
from itertools import chain

from pydantic_core import ErrorDetails

from refreshd.policy import DrivePolicy, KeyPath, Policy, table_text, toml_text
from refreshd.policy_drive import FIELDS
from refreshd.policy_review import Lines, Remark
from refreshd.policy_shelf_values import BAYS_MAX, address_shown
from refreshd.policy_tables import SHELF_TABLES, Channel, keys_of
from refreshd.quantities import MediumKind

SHOWN_CHARACTERS_MAX = 60


def refusal(error: ErrorDetails, lines: Lines) -> Remark:
    """Put one refusal of the model at its place in the file."""
    path = tuple(str(part) for part in error["loc"])
    is_name = path[-1:] == ("[key]",)
    path = path[:-1] if is_name else path
    is_table = is_name or isinstance(error["input"], Mapping)
    if is_table:
        key = table_text(path)
    else:
        key = f"{table_text(path[:-1])} {path[-1]}" if path[1:] else path[0]
    given = "" if is_table else _given(error["input"], path[-1])
    return Remark(_line_of(path, lines), shown(key), given, _says(error, path))


def _line_of(path: KeyPath, lines: Lines) -> int:
    """Return the line of a key; without a line of its own, of what it holds or stands in."""
    if path in lines:
        return lines[path]
    below = [line for other, line in lines.items() if other[: len(path)] == path]
    return min(below) if below else _line_of(path[:-1], lines) if path[1:] else 0


def _says(error: ErrorDetails, path: KeyPath) -> str:
    """Say why a value is refused and what is allowed instead."""
    match error["type"]:
        case "value_error":
            return str(error["ctx"]["error"])
        case "extra_forbidden":
            return _unknown(path, error["input"])
        case "model_type" | "dict_type" | "mapping_type":
            return f"must be a table. Allowed: {table_text(path)} with keys below it"
        case _:
            return error["msg"]


def _unknown(path: KeyPath, given: object) -> str:
    """Say what may stand where an unknown key stands, and what was probably meant."""
    *table, key = path
    allowed = _allowed(tuple(table))
    written = {name.replace("-", "_"): name for name in allowed}
    near = get_close_matches(key.lower().replace("-", "_"), written, n=1)
    if near:
        guess = f'. Did you mean "{written[near[0]]}"?'
    elif homes := _homes(key):
        guess = f". It belongs into {homes}."
    elif path[0] == "drive" and isinstance(given, Mapping):
        guess = '. A number with dots is written in quotes: [drive."2019.12"].'
    else:
        guess = "."
    return f"unknown key{guess} Allowed here: {', '.join(allowed)}"


def _allowed(table: KeyPath) -> tuple[str, ...]:
    """Return the keys that may stand in a table."""
    match table:
        case ():
            return tuple(Policy.model_fields)
        case ("medium",):
            return tuple(MediumKind)
        case ("notices", "channel", _, *_):
            return tuple(keys_of(Channel))
        case (name, *_) if name in SHELF_TABLES:
            return tuple(keys_of(SHELF_TABLES[name]))
        case _:
            return tuple(FIELDS)


def _homes(key: str) -> str:
    """Return the tables in which a key may stand; empty if there are none."""
    if key in FIELDS:
        return "[defaults], a [medium.…] or a [drive.…]"
    homes = [table_text((name,)) for name in SHELF_TABLES if key in _allowed((name,))]
    if key in keys_of(Channel):
        homes.append("a [notices.channel.…]")
    return " or ".join(homes)


def _kinds() -> Mapping[str, type]:
    """Return, for each key, what kind of value TOML has there."""
    tables = (DrivePolicy(), *(table() for table in SHELF_TABLES.values()), Channel())
    values = (table.model_dump(mode="json", by_alias=True).items() for table in tables)
    return {key: type(value) for key, value in chain.from_iterable(values)}


_KINDS = _kinds()
_LISTS = {
    "quiet_hours": '["22:00-06:00"]',
    "reminders": '["1 week", "2 weeks", "4 weeks"]',
    "gets": '["slips", "alarms"]',
}


def hint(key: str, given: str) -> str:
    """Say what was probably meant by a value that is not TOML."""
    kind = _KINDS.get(key)
    if kind is bool:
        return ". Allowed: true or false, in small letters, without quotes"
    if kind is int:
        return f". Allowed: a whole number from 1 to {BAYS_MAX}, without quotes"
    if kind is list:
        return f". Write it as a list of texts in quotes, such as {key} = {_LISTS[key]}"
    if kind is not None and given and given[0] not in "\"'[{":
        value = given.partition("#")[0].strip()
        return f". Write the value in quotes: {key} = {shown(toml_text(value), key)}"
    return ""


def _given(value: object, key: str) -> str:
    """Return a value about as the file has it, short and harmless to a terminal."""
    match value:
        case bool() | str():
            return shown(toml_text(value), key)
        case int() if value.bit_length() > SHOWN_CHARACTERS_MAX:
            return "a very large number"
        case datetime() | date() | time():
            return value.isoformat()
        case list() if all(isinstance(one, str) for one in value):
            return shown(toml_text(value), key)
        case list():
            return "an array"
        case _:
            return shown(str(value), key)


def shown(text: str, key: str = "", characters_max: int = SHOWN_CHARACTERS_MAX) -> str:
    """
    Shorten a text, and spell out what could move a terminal's cursor.

    Of what is or may be the address of a channel only the kind is shown, whatever key it was
    given to: errors end in logs, and a password must not.
    """
    if key == "url" or "://" in text:
        quote = '"' if text[:1] == '"' else ""
        text = f"{quote}{address_shown(text.removeprefix(quote))}{quote}"
    short = text if len(text) <= characters_max else f"{text[: characters_max - 1]}…"
    return "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in short)
