"""policy check, explain, template, schema."""

from __future__ import annotations

import json

import typer

from refreshd import configfile
from refreshd.cli.answer import Answer
from refreshd.cli.choosing import reception_of
from refreshd.cli.words import AsJson, Number, number_of
from refreshd.cli.world import Asked, asked_of
from refreshd.configfile import CheckedPolicy
from refreshd.errors import PolicyError
from refreshd.telling.as_json import decided_object, error_object, remark_object
from refreshd.words import medium_words

app = typer.Typer(
    help="How often and how gently drives are read and rewritten.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("check")
def check_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Read the policy file and say what is wrong or doubtful about it."""
    asked = asked_of(ctx)
    checked = configfile.check(asked.policy_place)
    if checked.loaded is None and asked.policy is None and _is_built_in(asked):
        line = f"{checked.file}: there is no such file; what is built in is valid."
        return Answer({"file": None, "problems": [], "warnings": []}, (line,))
    return _checked(checked)


def _is_built_in(asked: Asked) -> bool:
    try:
        return asked.load_policy().is_built_in
    except PolicyError:
        return False


def _checked(checked: CheckedPolicy) -> Answer:
    warnings = () if checked.loaded is None else checked.loaded.warnings
    told: dict[str, object] = {
        "file": checked.file,
        "problems": [remark_object(one) for one in checked.problems],
        "warnings": [remark_object(one) for one in warnings],
    }
    if checked.loaded is None:
        error = PolicyError("\n".join(checked.problem_sentences()))
        return Answer(told | {"error": error_object(error)}, (), error.exit_code, error)
    lines = [f"Warning: {one.sentence(checked.file)}" for one in warnings]
    return Answer(told, (*lines, f"{checked.file}: valid."))


@app.command("explain", short_help="Show which line decided each value for a drive.")
def explain_verb(
    ctx: typer.Context,
    number: Number,
    as_json: AsJson = False,
) -> Answer:
    """Show every value in force for a drive, and which line decided it."""
    wanted = number_of(number)
    with reception_of(ctx) as desk:
        found = desk.explain_policy(wanted)
    told: dict[str, object] = {
        "drive": found.card.number,
        "medium": found.card.medium.value,
        "chunk_bytes": found.card.chunk_bytes,
        "file": found.file,
        "values": [decided_object(one) for one in found.decided],
        "warnings": [remark_object(one) for one in found.cautions],
    }
    head = f"{found.card.number}, {medium_words(found.card.medium)}. In force for it:"
    lines = [head, *(f"  {one.sentence()}" for one in found.decided)]
    if found.kept_chunk_bytes is not None:
        lines.append(
            f"But {found.card.number} keeps the chunks of {found.kept_chunk_bytes} bytes that it "
            "was taken in with; chunk_size is for drives that are taken in from now on."
        )
    return Answer(told, lines)


@app.command("template", short_help="Print a whole policy file, all values explained.")
def template_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Print a whole policy file with what is built in, every value explained."""
    text = configfile.template()
    return Answer({"template": text}, text.splitlines())


@app.command("schema")
def schema_verb(
    ctx: typer.Context,
    as_json: AsJson = False,
) -> Answer:
    """Print the JSON schema of the policy file, for editors."""
    text = configfile.schema()
    return Answer(json.loads(text), text.splitlines())
