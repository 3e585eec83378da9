"""What the documents say holds: commands parse, links lead somewhere, names are in the code."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from refreshd import configfile, errors
from refreshd.cli.main import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
COMMAND = Any  # Click's, whose copy lies elsewhere in each version of Typer.


def between(marker: str) -> str:
    """Return what stands in README between a marker and the next end."""
    found = re.findall(rf"<!-- {marker} -->\n(.*?)<!-- end -->", README, re.DOTALL)
    assert len(found) == 1, f"README has {len(found)} places for {marker}"
    return str(found[0])


def blocks(text: str) -> list[str]:
    """Return the shell blocks of a document."""
    return re.findall(r"^```sh\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


def shown_commands() -> Iterator[list[str]]:
    """Yield the words of every call of refreshd in a shell block of README."""
    for line in "".join(blocks(README)).splitlines():
        for part in line.split("&&"):
            words = shlex.split(part.partition(">")[0])
            if words and Path(words[0]).name == "refreshd":
                yield words[1:]


def verbs(command: COMMAND, name: str = "") -> Iterator[tuple[str, COMMAND]]:
    """Yield every verb of the command line with its words, groups left out."""
    below = getattr(command, "commands", None)
    if below is None:
        yield name.strip(), command
        return
    for word, one in below.items():
        yield from verbs(one, f"{name} {word}")


LINE: COMMAND = get_command(app)
VERBS = dict(verbs(LINE))


def parse(words: list[str]) -> COMMAND:
    """Parse words as the command line does, without acting on them, and return the verb."""
    command = LINE
    context = command.make_context("refreshd", list(words))
    while getattr(command, "commands", None) is not None:
        rest = [*context._protected_args, *context.args]
        name, command, rest = command.resolve_command(context, rest)
        context = command.make_context(name, rest, parent=context)
    return command


# --- README and the command line.


def test_readme_begins_with_what_the_program_is_for() -> None:
    """A reader knows the job after one paragraph, before any command."""
    title, _, rest = README.partition("\n")
    paragraph = rest.strip().split("\n\n")[0]

    assert title.startswith("# refreshd")
    assert len(paragraph) > 300
    assert not paragraph.startswith(("#", "`", "<", "-"))


@pytest.mark.parametrize("marker", ["rehearse", "tests"])
def test_one_command_sets_up_everything(marker: str) -> None:
    """The first two commands of README are one line each, and bring what they need."""
    (block,) = blocks(between(marker))

    assert len(block.strip().splitlines()) == 1
    assert "python3 -m venv" in block
    assert "pip install" in block


def test_readme_keeps_a_place_for_the_benchmark() -> None:
    """The table and its method have their place."""
    assert between("benchmark") is not None


@pytest.mark.parametrize("words", list(shown_commands()), ids=" ".join)
def test_every_command_that_readme_shows_can_be_given(words: list[str]) -> None:
    """A command copied from README is understood; options and values exist."""
    assert parse(words) in VERBS.values()


def test_a_command_that_does_not_exist_is_not_understood() -> None:
    """The test above can fail."""
    with pytest.raises(Exception, match="No such option"):
        parse(["fixity", "K07", "--gently"])


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_stands_in_readme(verb: str) -> None:
    """A verb that README does not name is found by nobody."""
    assert re.search(rf"`?refreshd {verb}\b|`{verb}[ `]", README)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_and_option_explains_itself(verb: str) -> None:
    """`--help` says in a sentence what each verb and each of its options does."""
    command = VERBS[verb]
    silent = [one.name for one in command.params if not getattr(one, "help", "")]

    assert command.help
    assert silent == []


def test_readme_lists_the_exit_codes_that_there_are() -> None:
    """Scripts rely on the table; it holds each code of the error tree."""
    table = {int(code) for code in re.findall(r"^\| (\d+) \|", README, re.MULTILINE)}
    codes = {kind.exit_code for kind in all_below(errors.RefreshdError)}

    assert table == {0, 1, 5} | codes | {errors.InvariantBrokenError.exit_code}


def all_below(kind: type[errors.RefreshdError]) -> Iterator[type[errors.RefreshdError]]:
    """Yield every error below another."""
    for below in kind.__subclasses__():
        yield below
        yield from all_below(below)


def test_readme_names_only_json_keys_that_there_are() -> None:
    """Every key that README promises is one that the program writes."""
    section = README.partition("## For scripts")[2].partition("\n## ")[0]
    rows = [line for line in section.splitlines() if re.match(r"\| `", line)]
    keys = {key for row in rows for key in re.findall(r"`(\w+)`", row.split("|")[2])}
    telling = ROOT / "refreshd" / "telling"
    told = [*telling.glob("*as_json.py"), telling / "certificate.py"]
    source = "\n".join(one.read_text(encoding="utf-8") for one in told)
    values = {"success", "warning", "fail", "mismatch", "unreadable", "null", "shelf"}

    assert rows
    assert {key for key in keys - values if f'"{key}"' not in source} == set()


def test_the_example_of_a_policy_is_named_and_is_the_template() -> None:
    """What an administrator starts from is valid, complete and mentioned."""
    example = ROOT / "config.example.toml"

    assert "(config.example.toml)" in README
    assert example.read_text(encoding="utf-8") == configfile.template()
    assert configfile.check(example).problems == ()


# --- Links and names.


def anchors(document: Path) -> set[str]:
    """Return the anchors that the headings of a document make."""
    heads = re.findall(r"^#+ (.*)$", document.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name: str) -> None:
    """Every relative link of a document leads to a file, and to a heading if it names one."""
    broken = []
    for target in re.findall(r"\]\(([^)]+)\)", (ROOT / name).read_text(encoding="utf-8")):
        file, _, anchor = target.partition("#")
        document = ROOT / (file or name)
        if not document.exists() or (anchor and anchor not in anchors(document)):
            broken.append(target)

    assert broken == []


def test_the_module_map_shows_every_module() -> None:
    """A newcomer finds each module of the package in DEVELOPERS.md."""
    shown = DEVELOPERS.partition("## Module map")[2].partition("\n## ")[0]
    there = {path.stem for path in (ROOT / "refreshd").glob("*") if path.name[0] not in "_."}

    assert {name for name in there - {"py"} if not re.search(rf"\b{name}\b", shown)} == set()


def test_every_invariant_is_named_with_its_keeper() -> None:
    """I1 to I9 stand in DEVELOPERS.md, and what is named beside them is in the code."""
    rows = re.findall(r"^\| (I\d) \|([^|]*)\|([^|]*)\|$", DEVELOPERS, re.MULTILINE)
    source = "\n".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "refreshd").rglob("*.py")
    )
    missing = []
    for _, _, keeper in rows:
        for name in re.findall(r"`([A-Za-z_./]+)`", keeper):
            if name.endswith((".py", "/")):
                there = any((place / name).exists() for place in (ROOT, ROOT / "refreshd"))
            else:
                defined = (rf"^\s*(?:def|class) {part}\b" for part in name.split("."))
                there = all(re.search(one, source, re.MULTILINE) for one in defined)
            if not there:
                missing.append(name)

    assert [number for number, _, _ in rows] == [f"I{n}" for n in range(1, 10)]
    assert missing == []


def test_decisions_are_numbered_without_a_gap() -> None:
    """A decision keeps its number, so that code and commits can name it."""
    numbers = [int(one) for one in re.findall(r"^\*\*(\d+)\. ", DEVELOPERS, re.MULTILINE)]

    assert numbers == list(range(1, len(numbers) + 1))


def test_a_release_says_first_what_concerns_safety() -> None:
    """Each version of the changelog has its sections in one order, Safety first."""
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    order = ["Safety", "Removed", "Changed", "Added", "Fixed"]

    for version in changelog.split("\n## ")[1:]:
        assert re.findall(r"^### (\w+)$", version, re.MULTILINE) == order
