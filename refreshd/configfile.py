"""The policy file, read; what an administrator starts from is in refreshd.config_template.

Whatever a file holds, reading it ends in a policy or in a PolicyError that lists every
problem with its line; what is valid is decided by refreshd.policy alone.
"""

from __future__ import annotations

import re
import stat
import tomllib
from dataclasses import dataclass, field, replace
from errno import errorcode
from pathlib import Path

from pydantic import ValidationError

from refreshd.config_template import schema, template
from refreshd.errors import PolicyError
from refreshd.policy import Policy, table_text
from refreshd.policy_refusals import hint, refusal, shown
from refreshd.policy_review import Lines, Remark, cautions, contradictions
from refreshd.quantities import MIB
from refreshd.toml_lines import IN_ARRAY, Kind, Outline, Statement, key_lines, outline

__all__ = [
    "CheckedPolicy",
    "LoadedPolicy",
    "check",
    "check_text",
    "load",
    "load_or_built_in",
    "schema",
    "template",
]

POLICY_BYTES_MAX = MIB // 4
"""A policy is a few KiB; more is another file, and is not read into memory."""

PROBLEMS_MAX = 50
"""After so many lines that are not TOML the file is something else."""

ROW_CHARACTERS_MAX = 1000
"""Of a key ``a.a.a...`` of 130,000 parts the standard reader wants over 8 GB (3.11.7)."""

_PLACE = re.compile(r" \(at (?:line ([0-9]+), column [0-9]+|end of document)\)$")
_PAIR = re.compile(r"\s*([A-Za-z0-9_-]+)\s*=\s*(.*?)\s*$")
_BRACKETS_OR_LONG_STRINGS = re.compile(r"[\[\]{}]|\"\"\"|'''")


@dataclass(frozen=True, slots=True)
class LoadedPolicy:
    """A policy that can be used. `file` is None where everything is built in."""

    policy: Policy
    lines: Lines = field(default_factory=dict)
    warnings: tuple[Remark, ...] = ()
    file: str | None = None

    @property
    def is_built_in(self) -> bool:
        """Say whether there is no file; the caller says so once on stderr."""
        return self.file is None

    def warning_sentences(self) -> tuple[str, ...]:
        """Return the warnings, one line of text each."""
        return tuple(warning.sentence(self.file or "") for warning in self.warnings)


@dataclass(frozen=True, slots=True)
class CheckedPolicy:
    """What there is to say about a policy file; `loaded` is None when there are problems."""

    file: str
    problems: tuple[Remark, ...]
    loaded: LoadedPolicy | None

    def problem_sentences(self) -> tuple[str, ...]:
        """Return the problems, one line of text each."""
        return tuple(problem.sentence(self.file) for problem in self.problems)


def load(path: Path) -> LoadedPolicy:
    """
    Read a policy file that must be there.

    Raises:
        PolicyError: With one line for every problem: file, line, key, value, what is allowed.
    """
    checked = check(path)
    if checked.loaded is None:
        raise PolicyError("\n".join(checked.problem_sentences()))
    return checked.loaded


def load_or_built_in(path: Path) -> LoadedPolicy:
    """
    Read a policy file; where there is none, everything is built in.

    A link that leads nowhere is not "none": somebody meant a file to be there.

    Raises:
        PolicyError: See `load`.
    """
    if _file_problem(path) == _NO_SUCH_FILE and not path.is_symlink():
        return LoadedPolicy(Policy())
    return load(path)


def check(path: Path) -> CheckedPolicy:
    """Read a policy file and return every problem and warning. Raises nothing."""
    file = shown(str(path), characters_max=len(str(path)))
    text, problem = _read(path)
    if problem:
        return CheckedPolicy(file, (problem,), None)
    return check_text(text, file)


def check_text(text: str, file: str) -> CheckedPolicy:
    """Return every problem and warning of the text of a policy file."""
    data, text, problems = _parse(text)
    lines = key_lines(text)
    policy = None
    if data is not None:
        try:
            policy = Policy.model_validate(data)
        except ValidationError as err:
            problems += [refusal(error, lines) for error in err.errors(include_url=False)]
    if policy is not None:
        problems += contradictions(policy, lines)
    if policy is None or problems:
        return CheckedPolicy(file, tuple(sorted(problems)), None)
    return CheckedPolicy(file, (), LoadedPolicy(policy, lines, cautions(policy, lines), file))


# ── from bytes to a document ──

_NO_SUCH_FILE = "there is no such file"
_NOT_CHECKED = "The rest of the file could not be checked"


def _file_problem(path: Path) -> str | None:
    """Say what keeps a path from being read as a policy; it is looked at, not opened."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return _NO_SUCH_FILE
    except OSError as err:
        return f"cannot be read: {errorcode.get(err.errno or 0, str(err.errno))}"
    except ValueError:  # a null character
        return "no path of a file"
    if not stat.S_ISREG(found.st_mode):  # Opening a named pipe would wait for ever.
        kind = "a directory" if stat.S_ISDIR(found.st_mode) else "no regular file"
        return f"is {kind}. Name the policy file itself"
    if found.st_size > POLICY_BYTES_MAX:
        return f"has more than {POLICY_BYTES_MAX} bytes. Is this the right file?"
    return None


def _read(path: Path) -> tuple[str, Remark | None]:
    """Return the text of a file, or what keeps it from being read."""
    if says := _file_problem(path):
        return "", Remark(0, "", "", says)
    try:
        content = path.read_bytes()
    except OSError as err:
        cause = errorcode.get(err.errno or 0, str(err.errno))
        return "", Remark(0, "", "", f"cannot be read: {cause}")
    try:
        return content.decode("utf-8-sig"), None
    except UnicodeDecodeError as err:
        line = content.count(b"\n", 0, err.start) + 1
        says = f"byte {content[err.start]:#04x} is not UTF-8. Save the file as UTF-8 text"
        return "", Remark(line, "", "", says)


def _parse(text: str) -> tuple[dict[str, object] | None, str, list[Remark]]:
    """Return the document, the text that it was read from, and what in the text is not TOML.

    A broken line is reported, left out, and the rest read again, so that all of them show at
    once. None for the document: nothing can be said of the rest.
    """
    rows = text.split("\n")
    problems = _too_long(rows)
    if problems:
        return None, "", problems
    found = outline(text)
    while len(problems) < PROBLEMS_MAX:
        rest = "\n".join(rows)
        try:
            return tomllib.loads(rest), rest, problems
        except tomllib.TOMLDecodeError as err:
            problem, broken = _syntax_problem(rows, found, str(err))
        except RecursionError:
            says = f"brackets are nested too deeply. {_NOT_CHECKED}"
            problem, broken = Remark(0, "", "", says), range(0)
        problems.append(problem)
        if not broken:
            break
        for line in broken:
            rows[line - 1] = ""
        rest_found = tuple(one for one in found.statements if one.line not in broken)
        found = replace(found, statements=rest_found)
    return None, "\n".join(rows), problems


def _too_long(rows: list[str]) -> list[Remark]:
    """Return the lines that are too long: the memory of the reader grows with their square."""
    says = f"a line of more than {ROW_CHARACTERS_MAX} characters. Is this the right file?"
    return [
        Remark(number, "", "", says)
        for number, row in enumerate(rows, 1)
        if len(row) > ROW_CHARACTERS_MAX
    ][:PROBLEMS_MAX]


def _syntax_problem(rows: list[str], found: Outline, message: str) -> tuple[Remark, range]:
    """Return what is wrong at the place that the reader names, and the lines to leave out."""
    place = _PLACE.search(message)
    line = int(place[1]) if place and place[1] else _last_line(rows)
    is_endless = found.endless_line is not None and found.endless_line <= line
    line = min(line, found.endless_line or line)
    here = next((one for one in found.statements if one.line <= line <= one.last_line), None)
    before = next((one for one in found.statements if here and one.path == here.path), None)
    if here and before and before is not here and _is_single(here):
        return _duplicate(here, before), _lines_of(here, found, len(rows))
    row = rows[line - 1]
    pair = _PAIR.match(row)
    key, given = (pair[1], pair[2]) if pair else ("", row.strip())
    says = f"not TOML: {_PLACE.sub('', message)}{hint(key, given)}"
    if is_endless or _BRACKETS_OR_LONG_STRINGS.search(row):
        return Remark(line, key, shown(given, key), f"{says}. {_NOT_CHECKED}"), range(0)
    return Remark(line, key, shown(given, key), says), range(line, line + 1)


def _is_single(here: Statement) -> bool:
    """Say whether a key may stand in the file only once."""
    return here.kind in {Kind.TABLE, Kind.VALUE} and IN_ARRAY not in here.path


def _last_line(rows: list[str]) -> int:
    """Return the last line that is not empty; 1 if all are."""
    return max((number for number, row in enumerate(rows, 1) if row.strip()), default=1)


def _duplicate(here: Statement, before: Statement) -> Remark:
    """Say that a key or table stands in the file twice."""
    if here.kind is Kind.VALUE:
        key = f"{table_text(here.path[:-1])} {here.path[-1]}" if here.path[1:] else here.path[0]
        return Remark(here.line, key, "", f"was given already on line {before.line}. Keep one")
    says = f"was begun already on line {before.line}. Put its keys there"
    return Remark(here.line, table_text(here.path), "", says)


def _lines_of(here: Statement, found: Outline, rows: int) -> range:
    """Return the lines of a statement; of a table's header, those of its keys too."""
    if here.kind is Kind.VALUE:
        return range(here.line, here.last_line + 1)
    headers = (Kind.TABLE, Kind.TABLE_OF_ARRAY)
    later = (one for one in found.statements if one.line > here.line)
    return range(here.line, next((one.line for one in later if one.kind in headers), rows + 1))
