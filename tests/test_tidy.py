"""The house rules of DEVELOPERS.md, as tests: what is not checked is only a wish."""

from __future__ import annotations

import ast
import inspect
import re
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache
from pathlib import Path
from typing import get_args

import pytest

from refreshd import errors, events

ROOT = Path(__file__).resolve().parents[1]
FUNCTION_LINES_MAX = 60
PARAMETERS_MAX = 6
CORE_LINES_MAX = 400
EDGE_LINES_MAX = 450

EDGES = (
    "adapters", "api", "cli", "daemon", "kernel", "privileged", "reception", "rehearsal",
    "simulated", "telling", "verbs", "wiring", "worker",
)  # fmt: skip
"""Packages and modules that touch the world or talk to a person; all else is core."""

WORLDLY = frozenset(
    {
        "ctypes", "fcntl", "logging", "mmap", "multiprocessing", "os", "random", "secrets",
        "shutil", "signal", "socket", "sqlite3", "subprocess", "tempfile", "time",
    }
)  # fmt: skip
"""Standard modules that the core does without: it is given a port, or values."""

OWNERS = {
    "alembic": ("refreshd.adapters.catalogue.*",),
    "apprise": ("refreshd.adapters.apprise_process",),
    "apscheduler": ("refreshd.daemon.bells",),
    "fastapi": ("refreshd.api.*",),
    "httpx": ("refreshd.reception.line",),
    "psutil": ("refreshd.adapters.power", "refreshd.adapters.priority"),
    "pydantic": (
        "refreshd.adapters.catalogue.health_tables",
        "refreshd.adapters.catalogue.tables",
        "refreshd.chain",
        "refreshd.config_template",
        "refreshd.configfile",
        "refreshd.events.*",
        "refreshd.messages",
        "refreshd.policy",
        "refreshd.policy_drive",
        "refreshd.policy_readers",
        "refreshd.policy_shelf_values",
        "refreshd.policy_tables",
        "refreshd.policy_values",
        "refreshd.reception.*",
    ),
    "pydantic_core": ("refreshd.config_template", "refreshd.policy_refusals"),
    "pyudev": ("refreshd.adapters.arrival",),
    "rfc8785": ("refreshd.chain",),
    "rich": ("refreshd.telling.*",),
    "sqlalchemy": ("refreshd.adapters.catalogue.*",),
    "starlette": ("refreshd.api.*",),
    "tomli_w": ("refreshd.config_template",),
    "typer": ("refreshd.cli.*",),
    "uvicorn": ("refreshd.api.connection", "refreshd.api.server"),
    "xxhash": ("refreshd.fixity",),
}
"""Which modules may import a library. A new line here is a decision, see DEVELOPERS.md."""


@dataclass(frozen=True)
class Ban:
    """A call that is not made, what is called instead, and the modules where it may stand."""

    call: str
    instead: str
    allowed: tuple[str, ...] = ()


BANS = (
    Ban("datetime.now", "the Clock port", ("refreshd.adapters.system_clock",)),
    Ban("datetime.utcnow", "the Clock port"),
    Ban("datetime.today", "the Clock port"),
    Ban("date.today", "the Clock port"),
    Ban("time.time", "the Clock port"),
    Ban("time.monotonic", "the Clock port", ("refreshd.adapters.system_clock",)),
    Ban("time.sleep", "the Clock port", ("refreshd.adapters.system_clock",)),
    Ban("print", "return the record; the command line writes it", ("refreshd.cli.*",)),
    Ban("uuid.uuid4", "an id that is given"),
    Ban("mock.patch", "a fake that keeps to the port"),
    Ban("patch.object", "a fake that keeps to the port"),
    Ban("eval", "a parser"),
    Ban("exec", "a parser"),
    Ban("os.system", "a call to the kernel, or a library"),
    Ban("pickle.load", "JSON: what is read may come from a stranger (I8)"),
    Ban("pickle.loads", "JSON: what is read may come from a stranger (I8)"),
)

CORE_BANS = (
    Ban("open", "a port"),
    Ban("*.read_bytes", "a port"),
    Ban("*.read_text", "a port"),
    Ban("*.write_bytes", "a port"),
    Ban("*.write_text", "a port"),
    Ban("*.mkdir", "a port"),
    Ban("*.unlink", "a port"),
)
CORE_READERS = ("refreshd.configfile",)
"""The policy file is read where it is parsed; it is an edge in all but its place."""

NEVER_WRITTEN = (
    ("/" + "work/", "a path that means something on every machine"),
    ("/tmp/" + "venv", "a path that means something on every machine"),  # noqa: S108 - is banned.
    ("/home" + "/", "a path that means something on every machine"),
    ("/root" + "/", "a path that means something on every machine"),
    ("pypi" + ".org", "the name of the package; who installs it chooses the registry"),
    ("index-" + "url", "the name of the package; who installs it chooses the registry"),
    ("TO" + "DO", "a decision in DEVELOPERS.md, or the work itself"),
    ("FIX" + "ME", "a decision in DEVELOPERS.md, or the work itself"),
    ("X" + "XX", "a decision in DEVELOPERS.md, or the work itself"),
)

SAYS_NOTHING = frozenset({"base", "common", "helper", "helpers", "manager", "misc", "service",
                          "util", "utils"})  # fmt: skip
"""Names that say nothing of what is in a module."""

EMPTY_VERBS = ("do_", "handle_", "manage_", "process_")

TOP_LEVEL = frozenset(
    {
        ".ci", ".git", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md",
        "config.example.toml", "pyproject.toml", "refreshd", "systemd", "tests",
    }
)  # fmt: skip

PREMIS_LABELS = frozenset(
    {
        "accession", "deaccession", "fixity check", "message digest calculation",
        "metadata modification", "policy assignment", "quarantine", "recovery", "refreshment",
        "replication", "unquarantine",
    }
)  # fmt: skip
"""Source: PREMIS event types, id.loc.gov/vocabulary/preservation/eventType (2018 state)."""

EXIT_CODES = frozenset({2, 3, 4, 5})
"""What an error may end a verb with; 0 and 1 are no errors. See README."""


# --- What is read.


def name_of(path: Path) -> str:
    """Return the dotted name of a module."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def sources() -> list[Path]:
    """Return every module of the package."""
    return sorted((ROOT / "refreshd").rglob("*.py"))


def modules_of_tests() -> list[Path]:
    """Return every module of the tests."""
    return sorted((ROOT / "tests").rglob("*.py"))


@cache
def tree_of(path: Path) -> ast.Module:
    """Return a parsed module."""
    return ast.parse(path.read_text(encoding="utf-8"))


def is_edge(path: Path) -> bool:
    """Say whether a module touches the world or talks to a person."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return parts[1] in EDGES or parts[1] in {"__main__", "configfile"}


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Yield every function of a module, those within others included."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def calls(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and dotted name of every call in a module."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            yield node.lineno, ast.unparse(node.func)


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and module name of everything that a module imports."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.lineno, node.module


def at(path: Path, line: int, what: str) -> str:
    """Return a complaint with its place."""
    return f"{path.relative_to(ROOT)}:{line}: {what}"


def is_allowed(module: str, patterns: tuple[str, ...]) -> bool:
    """Say whether a module is one of those named; ``a.*`` names `a` as well."""
    return any(
        fnmatch(module, pattern) or module == pattern.removesuffix(".*") for pattern in patterns
    )


def length_of(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return the lines of a function, less its docstring."""
    lines = (node.end_lineno or node.lineno) - node.lineno + 1
    if ast.get_docstring(node, clean=False) is None:
        return lines
    docstring = node.body[0]
    return lines - ((docstring.end_lineno or docstring.lineno) - docstring.lineno + 1)


def parameters_of(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Return how many parameters a caller has to think of."""
    named = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return len([one for one in named if one.arg not in {"self", "cls"}])


def breaches(path: Path, bans: tuple[Ban, ...]) -> Iterator[str]:
    """Yield the banned calls in a module."""
    for line, call in calls(path):
        for ban in bans:
            is_dotted = "." in ban.call and call.endswith(f".{ban.call}")
            is_it = fnmatch(call, ban.call) or is_dotted
            if is_it and not is_allowed(name_of(path), ban.allowed):
                yield at(path, line, f"{call}: use {ban.instead}")


def texts() -> Iterator[Path]:
    """Yield every file of the project that holds text."""
    wanted = {".py", ".md", ".toml", ".service", ".socket", ".rules", ".html", ".css", ".txt", ""}
    for path in sorted(ROOT.rglob("*")):
        is_ours = not any(is_ignored(part) for part in path.relative_to(ROOT).parts)
        if path.is_file() and is_ours and path.suffix in wanted:
            yield path


@cache
def is_ignored(name: str) -> bool:
    """Say whether .gitignore leaves a name out, or it is the store of the version control."""
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    return name == ".git" or any(fnmatch(name, line.strip("/")) for line in lines)


# --- Form.


def test_no_function_is_longer_than_sixty_lines() -> None:
    """A function that does not fit a screen hides the step that matters."""
    found = [
        at(path, node.lineno, f"{node.name} has {length_of(node)} lines")
        for path in [*sources(), *modules_of_tests()]
        for node in functions(path)
        if length_of(node) > FUNCTION_LINES_MAX
    ]

    assert found == []


def test_no_function_has_more_than_six_parameters() -> None:
    """Beyond six, a frozen dataclass says more; a verb has one for each of its options."""
    found = [
        at(path, node.lineno, f"{node.name} has {parameters_of(node)} parameters")
        for path in sources()
        for node in functions(path)
        if parameters_of(node) > PARAMETERS_MAX and not node.name.endswith("_verb")
    ]

    assert found == []


def test_no_module_outgrows_its_one_idea() -> None:
    """A core module has at most 400 lines, one that touches the world at most 450."""
    found = []
    for path in sources():
        lines = len(path.read_text(encoding="utf-8").splitlines())
        limit = EDGE_LINES_MAX if is_edge(path) else CORE_LINES_MAX
        if lines > limit:
            found.append(at(path, lines, f"at most {limit} lines"))

    assert found == []


def test_names_say_what_a_thing_is() -> None:
    """No module is a drawer for everything, and no function only "handles" something."""
    modules = [name_of(path) for path in sources() if path.stem in SAYS_NOTHING]
    verbs = [
        at(path, node.lineno, node.name)
        for path in sources()
        for node in functions(path)
        if node.name.lstrip("_").startswith(EMPTY_VERBS)
    ]

    assert modules + verbs == []


# --- What is not written.


def test_banned_calls_stand_only_where_they_belong() -> None:
    """Clock, chance, output and patching come in through one door each."""
    found = [one for path in sources() for one in breaches(path, BANS)]
    # A test may print its seed, and may try whether our own values can be pickled.
    bans = tuple(ban for ban in BANS if not ban.call.startswith(("print", "pickle")))
    found += [one for path in modules_of_tests() for one in breaches(path, bans)]

    assert found == []


def test_the_core_touches_no_world() -> None:
    """Same input, same output: the core opens no file and imports nothing that could."""
    found: list[str] = []
    for path in sources():
        if is_edge(path):
            continue
        found += breaches(path, CORE_BANS)
        found += [
            at(path, line, f"imports {name}: use a port")
            for line, name in imports(path)
            if name.split(".")[0] in WORLDLY
        ]

    assert found == []


def test_safety_does_not_hang_on_assert() -> None:
    """Python strips assert under -O, so the package calls `require`."""
    found = [
        at(path, node.lineno, "assert: use require()")
        for path in sources()
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Assert)
    ]

    assert found == []


def hands_on(handler: ast.ExceptHandler) -> bool:
    """Say whether a handler of everything raises again what it caught."""
    last = handler.body[-1]
    return isinstance(last, ast.Raise) and last.exc is None


BROAD_BY_DECISION = (
    "refreshd.adapters.notice_outbox",
    "refreshd.cli.*",
    "refreshd.daemon.serving",
    "refreshd.simulated.lanes",
)
"""The edge, and the daemon, tell of a fault of ours once; simulated lanes hand on an error as a
thread does; a fault on the way to one channel must not end the thread in which slips wait."""


def test_what_nobody_named_goes_through_unchanged() -> None:
    """A handler of every exception may tidy up, and then raises it again."""
    found = []
    for path in sources():
        for node in ast.walk(tree_of(path)):
            if not isinstance(node, ast.ExceptHandler):
                continue
            is_broad = node.type is None or ast.unparse(node.type) in {
                "Exception",
                "BaseException",
            }
            if is_broad and not hands_on(node):
                found.append((path, node.lineno))

    assert [
        at(path, line, "catches everything and keeps it")
        for path, line in found
        if not is_allowed(name_of(path), BROAD_BY_DECISION)
    ] == []


@pytest.mark.parametrize(("text", "instead"), NEVER_WRITTEN, ids=lambda one: one.strip("/"))
def test_some_words_are_never_written(text: str, instead: str) -> None:
    """No file of the project depends on one machine, one registry, or somebody's good intent."""
    found = [
        at(path, number, f"{text}: write {instead}")
        for path in texts()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if text in line
    ]

    assert found == []


def test_the_top_level_holds_what_a_newcomer_expects_and_nothing_else() -> None:
    """Whatever else is to be kept finds its place below one of these."""
    found = {path.name for path in ROOT.iterdir() if not is_ignored(path.name)}

    assert found <= TOP_LEVEL


# --- Libraries.


def test_each_library_has_its_owners() -> None:
    """A library that is replaced one day is replaced in one place."""
    found = []
    for path in sources():
        for line, name in imports(path):
            library = name.split(".")[0]
            if library == "refreshd" or library in sys.stdlib_module_names:
                continue
            if not is_allowed(name_of(path), OWNERS.get(library, ())):
                found.append(
                    at(path, line, f"{library} belongs to {OWNERS.get(library, 'nobody')}")
                )

    assert found == []


def test_what_is_declared_is_used_and_what_is_used_is_declared() -> None:
    """A dependency that nobody imports is a risk without a use."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["notify"]]
    declared = {re.split(r"[<>=\[ ]", one)[0].replace("-", "_") for one in wanted}
    used = {name.split(".")[0] for path in sources() for _, name in imports(path)}
    used -= {"refreshd", "pydantic_core", *sys.stdlib_module_names}

    assert used == declared


def test_the_tests_use_no_library_that_dev_does_not_bring() -> None:
    """Whoever installs the extra `dev` can run every test."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    brought = {re.sub(r"[^a-z0-9]", "", re.split(r"[<>=\[ ]", one)[0]) for one in wanted}
    used = {name.split(".")[0] for path in modules_of_tests() for _, name in imports(path)}
    used -= {"refreshd", "tests", "pydantic_core", *sys.stdlib_module_names}

    assert {name for name in used if re.sub(r"[^a-z0-9]", "", name) not in brought} == set()


# --- Errors and events.


def subclasses(kind: type[errors.RefreshdError]) -> Iterator[type[errors.RefreshdError]]:
    """Yield an error and everything below it, as far as the package defines it."""
    yield kind
    for below in kind.__subclasses__():
        if below.__module__.startswith("refreshd."):
            yield from subclasses(below)


ERRORS = sorted(set(subclasses(errors.RefreshdError)), key=lambda kind: kind.__name__)


def drawn_tree() -> dict[str, tuple[str | None, int | None]]:
    """Read parent and exit code of every error off the tree in the docstring of `errors`."""
    drawn: dict[str, tuple[str | None, int | None]] = {"RefreshdError": (None, None)}
    above: list[tuple[int, str]] = [(-1, "RefreshdError")]
    for line in (errors.__doc__ or "").splitlines():
        node = re.match(r"([ │]*[├└]── )(\w+Error)\s+(\d)", line)
        if node:
            depth = len(node[1])
            above = [(at_depth, name) for at_depth, name in above if at_depth < depth]
            drawn[node[2]] = (above[-1][1], int(node[3]))
            above.append((depth, node[2]))
        if node or "│" in line:
            rest = line[node.end() :] if node else line
            for name in re.findall(r"\w+Error", rest):
                drawn[name] = (above[-1][1], None)
    return drawn


@pytest.mark.parametrize("kind", ERRORS, ids=lambda kind: kind.__name__)
def test_every_error_ends_in_a_documented_exit_code(kind: type[errors.RefreshdError]) -> None:
    """Whoever calls the program by script can rely on the exit code of each error."""
    assert kind.exit_code in EXIT_CODES
    assert kind.__doc__


@pytest.mark.parametrize("kind", ERRORS, ids=lambda kind: kind.__name__)
def test_every_error_stands_in_the_tree_as_it_is_drawn(kind: type[errors.RefreshdError]) -> None:
    """The tree in the docstring of `errors` is the one that the classes make."""
    parent, code = drawn_tree()[kind.__name__]

    assert parent in {None, kind.__mro__[1].__name__}
    assert code in {None, kind.exit_code}


def test_the_drawn_tree_shows_no_error_that_is_none() -> None:
    """A name that is drawn and not defined would send a reader nowhere."""
    assert set(drawn_tree()) == {kind.__name__ for kind in ERRORS}


def test_every_error_at_the_end_of_a_branch_is_raised() -> None:
    """An error that nobody raises is a promise that nobody keeps."""
    named = Counter(
        node.id
        for path in sources()
        if path.name != "errors.py"
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Name)
    )
    unused = [k.__name__ for k in ERRORS if not k.__subclasses__() and not named[k.__name__]]

    assert unused == []


EVENTS = get_args(events.Event)


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.__name__)
def test_every_event_has_a_label_of_the_vocabulary_or_of_our_own(
    event: type[events.Record],
) -> None:
    """A label is one of the published event types, or is marked as local."""
    label = event.__dict__["label"]

    assert label in PREMIS_LABELS or label.startswith("local:")


def test_every_record_can_be_written_and_no_kind_stands_twice() -> None:
    """A record outside of the union could be made and never read back."""
    kinds = [event.model_fields["kind"].default for event in EVENTS]
    records = {
        one
        for _, one in inspect.getmembers(events, inspect.isclass)
        if issubclass(one, events.Record) and one is not events.Record
    }

    assert records == set(EVENTS)
    assert len(set(kinds)) == len(kinds)


# --- Tests.


def test_every_test_states_its_claim_in_a_sentence() -> None:
    """A test without a sentence does not say what would be lost without it."""
    found = [
        at(path, node.lineno, node.name)
        for path in modules_of_tests()
        if path.name.startswith("test_")
        for node in functions(path)
        if node.name.startswith("test_") and not ast.get_docstring(node)
    ]

    assert found == []


@pytest.mark.parametrize("number", ["I1", "I2", "I3", "I4", "I5", "I6", "I8", "I9"])
def test_every_invariant_is_named_by_a_test(number: str) -> None:
    """What holds an invariant says so; I7 comes with the record folder."""
    naming = [
        path.name
        for path in modules_of_tests()
        for node in [tree_of(path), *functions(path)]
        if re.search(rf"\b{number}\b", ast.get_docstring(node) or "")
    ]

    assert naming != []


def test_every_module_says_what_it_is_for() -> None:
    """The first line of a module is the map of the program."""
    found = [name_of(path) for path in sources() if not ast.get_docstring(tree_of(path))]

    assert found == []


def test_files_of_tests_have_names_of_their_own() -> None:
    """A report that names a file must not leave open which one."""
    names = Counter(path.name for path in modules_of_tests() if path.name.startswith("test_"))

    assert [name for name, times in names.items() if times > 1] == []
