"""What the policy says about temperature, health readings and proving."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from refreshd.configfile import check_text
from refreshd.durations import Duration
from refreshd.errors import PolicyError
from refreshd.health_cards import HeatLimits
from refreshd.policy import Policy, resolve
from refreshd.policy_review import cautions, cautions_for, contradictions, explain
from refreshd.policy_values import Unproved
from refreshd.quantities import DriveNumber, MediumKind

K07 = DriveNumber("K07")
DISKS = (MediumKind.HARD_DISK, MediumKind.SHINGLED_DISK)


def policy(**tables: object) -> Policy:
    """Return a policy as the file would give it."""
    return Policy.model_validate(tables)


def of_disk(**values: object) -> Policy:
    """Return a policy that says something about hard disks."""
    return policy(medium={"hard-disk": values})


def test_the_built_in_values_are_those_of_the_trade() -> None:
    """Rest at 50 °C, go on at 45 °C, give up at 55 °C (common practice, no source).

    A drive at work is asked every 10 to 30 seconds; for its health, with its visits.
    """
    for medium in (*DISKS, MediumKind.FLASH):
        values = resolve(Policy(), medium)
        assert values.heat == HeatLimits(50, 45, 55, every_s=15)
        assert values.health_interval is None
        assert values.attached_health_interval_s == 86_400
        assert values.unproved is Unproved.SAY


def test_an_ssd_may_be_warmer_than_a_disk() -> None:
    """Its makers allow 70 °C (from memory), and no mechanics age by warmth."""
    heat = resolve(Policy(), MediumKind.SSD).heat

    assert heat == HeatLimits(60, 55, 65, every_s=15)
    assert heat.give_up_celsius < 70


def test_values_are_read_with_their_units() -> None:
    """As people write them; a degree sign is not on every keyboard."""
    values = resolve(
        of_disk(
            pause_at="48 C",
            go_on_at="42°C",
            give_up_at="53 °C",
            temperature_every="30 seconds",
            health_interval="4 months",
            health_while_attached="none",
            unproved="refuse",
        ),
        MediumKind.HARD_DISK,
    )

    assert values.heat == HeatLimits(48, 42, 53, 30)
    assert values.health_interval == Duration(months=4)
    assert values.attached_health_interval_s is None
    assert values.unproved is Unproved.REFUSE
    assert {key: values.as_text()[key] for key in ("pause_at", "health_interval", "unproved")} == {
        "pause_at": '"48 °C"',
        "health_interval": '"4 months"',
        "unproved": '"refuse"',
    }
    assert resolve(Policy(), MediumKind.HARD_DISK).as_text()["health_interval"] == (
        '"with its visits"'
    )


CELSIUS = 'Allowed: whole degrees Celsius from 20 to 70, such as "50 °C", or "50 C"'


@pytest.mark.parametrize(
    ("key", "value", "allowed"),
    [
        ("pause_at", 50, 'a temperature is written in quotes, with its unit: "50 °C"'),
        ("pause_at", 50.5, 'a temperature is written in quotes, with its unit: "50 °C"'),
        ("pause_at", True, 'a temperature is written in quotes, with its unit: "50 °C"'),
        ("pause_at", "50", CELSIUS),
        ("pause_at", "50 F", CELSIUS),
        ("pause_at", "122 °F", CELSIUS),
        ("pause_at", "50.5 °C", CELSIUS),
        ("pause_at", "50 c", CELSIUS),
        ("pause_at", "323 K", CELSIUS),
        ("pause_at", "none", CELSIUS),
        ("pause_at", "19 °C", CELSIUS),
        ("give_up_at", "71 °C", CELSIUS),
        ("give_up_at", "500 °C", CELSIUS),
        ("go_on_at", "-5 °C", CELSIUS),
        ("go_on_at", "٤٥ °C", CELSIUS),
        ("temperature_every", 15, 'a time is written in quotes, with its unit: "15 seconds"'),
        ("temperature_every", "15", "Allowed: one whole number of seconds"),
        ("temperature_every", "9 seconds", "Allowed: 10 to 30 seconds"),
        ("temperature_every", "1 minute", "Allowed: 10 to 30 seconds"),
        ("health_interval", 4, 'a duration is written in quotes, with its unit: "4 months"'),
        ("health_interval", "4", 'Allowed: whole numbers of years.*, or "with its visits"'),
        ("health_interval", "none", 'Allowed: whole numbers of years.*, or "with its visits"'),
        ("health_while_attached", 24, 'a time is written in quotes, with its unit: "24 hours"'),
        ("health_while_attached", "7 days", 'Allowed: one whole number.*, or "none"'),
        ("unproved", True, 'Allowed: "say" or "refuse", in quotes'),
        ("unproved", "insist", 'Allowed: "say" or "refuse", in quotes'),
    ],
)
def test_a_mistake_is_refused_with_what_is_allowed(key: str, value: object, allowed: str) -> None:
    """A bare number would leave open what it counts, and degrees there are several."""
    with pytest.raises(ValidationError, match=allowed):
        policy(defaults={key: value})


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("pause_at = 50 °C", 'Write the value in quotes: pause_at = "50 °C"'),
        ("pause_at = 50", 'pause_at = 50: a temperature is written in quotes, with its unit: "50'),
        ("pauseat = 5", 'unknown key. Did you mean "pause_at"?'),
        ("unproved = refuse", 'Write the value in quotes: unproved = "refuse"'),
        ('[visits]\nunproved = "say"', "It belongs into [defaults], a [medium.…] or a [drive.…]"),
    ],
)
def test_a_mistake_in_the_file_is_explained(row: str, says: str) -> None:
    """Whoever reads it can mend the line without looking anything up."""
    checked = check_text(f"[defaults]\n{row}\n", "p.toml")

    assert len(checked.problems) == 1
    assert says in checked.problem_sentences()[0]


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"pause_at": "45 °C"}, 'go_on_at "45 °C" is not below pause_at "45 °C"'),
        ({"go_on_at": "51 °C"}, 'go_on_at "51 °C" is not below pause_at "50 °C"'),
        ({"pause_at": "55 °C"}, 'pause_at "55 °C" is not below give_up_at "55 °C"'),
        ({"give_up_at": "49 °C"}, 'pause_at "50 °C" is not below give_up_at "49 °C"'),
    ],
)
def test_a_pass_goes_on_below_where_it_pauses_and_gives_up_above(
    values: dict[str, object], says: str
) -> None:
    """Else a pass would never go on, or be given up before it could rest."""
    given_policy = of_disk(**values)
    (key,) = values
    with pytest.raises(PolicyError, match=says):
        resolve(given_policy, MediumKind.HARD_DISK)
    (remark,) = contradictions(given_policy, {("medium", "hard-disk", key): 3})

    assert remark.line == 3
    assert remark.says.startswith(says)
    assert "built-in default" in remark.says


def test_both_contradictions_are_said_at_once() -> None:
    """A slip of the pen on one line hides nothing on another."""
    found = contradictions(of_disk(go_on_at="60 °C", give_up_at="40 °C"), {})

    assert len(found) == 2


def test_neighbouring_degrees_do_not_contradict_each_other() -> None:
    """The bounds of the rule themselves are allowed."""
    heat = resolve(
        of_disk(go_on_at="49 °C", pause_at="50 °C", give_up_at="51 °C"), MediumKind.HARD_DISK
    ).heat

    assert heat == HeatLimits(50, 49, 51)


@pytest.mark.parametrize(
    ("values", "heat"),
    [
        ({"pause_at": "48 °C"}, HeatLimits(48, 45, 55)),
        ({"give_up_at": "58 °C"}, HeatLimits(50, 45, 58)),
        ({"go_on_at": "40 °C"}, HeatLimits(50, 40, 55)),
    ],
)
def test_one_line_for_every_drive_holds_for_ssds_too(
    values: dict[str, object], heat: HeatLimits
) -> None:
    """The three belong together: a line that is right for disks must not shut out SSDs."""
    general = policy(defaults=values)

    assert contradictions(general, {}) == cautions(general, {}) == ()
    for medium in MediumKind:
        assert resolve(general, medium).heat == heat
    assert resolve(general, MediumKind.SSD).refresh_interval == Duration(years=1)
    found = {one.key: one.by for one in explain(general, {}, MediumKind.SSD)}
    assert {found[key] for key in {"pause_at", "go_on_at", "give_up_at"} - values.keys()} == {
        "built-in default"
    }


def test_a_line_for_ssds_alone_stands_beside_what_is_built_in_for_them() -> None:
    """Whoever changes one of the three for SSDs keeps the other two."""
    assert resolve(policy(medium={"ssd": {"pause_at": "58 °C"}}), MediumKind.SSD).heat == (
        HeatLimits(58, 55, 65)
    )


@pytest.mark.parametrize(
    ("values", "key", "says"),
    [
        (
            {"pause_at": "61 °C", "give_up_at": "65 °C", "go_on_at": "50 °C"},
            "pause_at",
            "hotter than the 60 °C that makers of hard disks allow",
        ),
        ({"give_up_at": "61 °C"}, "give_up_at", "hotter than the 60 °C"),
        (
            {"pause_at": "39 °C", "go_on_at": "36 °C"},
            "pause_at",
            "rest most of the time (common practice, no source)",
        ),
        ({"go_on_at": "34 °C"}, "go_on_at", "may never cool to this"),
        ({"health_interval": "3 weeks"}, "health_interval", "more than monthly wears it"),
        ({"health_while_attached": "59 minutes"}, "health_while_attached", "may never stop"),
    ],
)
def test_what_is_doubtful_warns(values: dict[str, object], key: str, says: str) -> None:
    """Allowed all the same; the sentence says why, and that it is common practice where it is."""
    found = cautions_for(of_disk(**values), {}, MediumKind.HARD_DISK)
    (remark,) = (one for one in found if one.key == f"[medium.hard-disk] {key}")

    assert says in remark.says


@pytest.mark.parametrize(
    "values",
    [
        {"pause_at": "59 °C", "give_up_at": "60 °C"},
        {"pause_at": "40 °C", "go_on_at": "35 °C"},
        {"health_interval": "1 month"},
        {"health_interval": "with its visits"},
        {"health_while_attached": "1 hour"},
        {"health_while_attached": "none"},
        {"temperature_every": "10 seconds"},
        {"unproved": "refuse"},
    ],
)
def test_the_edge_of_what_is_doubtful_does_not_warn(values: dict[str, object]) -> None:
    """A warning that comes without need is not read when it matters."""
    for medium in DISKS:
        name = medium.value
        assert cautions_for(policy(medium={name: values}), {}, medium) == ()


def test_an_ssd_is_not_warned_about_as_a_disk() -> None:
    """What its makers allow is its own."""
    warm = {"pause_at": "65 °C", "give_up_at": "70 °C"}

    assert cautions_for(policy(medium={"ssd": warm}), {}, MediumKind.SSD) == ()
    assert len(cautions_for(policy(defaults=warm), {}, MediumKind.HARD_DISK)) == 2


def test_explain_says_which_limits_are_those_of_an_ssd() -> None:
    """The archivist sees why one drive rests at 50 °C and another goes on."""
    found = {one.key: one.sentence() for one in explain(Policy(), {}, MediumKind.SSD)}

    assert found["pause_at"] == 'pause_at = "60 °C"  (built-in default for ssd)'
    assert found["temperature_every"] == 'temperature_every = "15 seconds"  (built-in default)'


@given(
    degrees=st.lists(st.integers(20, 70), min_size=3, max_size=3),
    every=st.integers(10, 30),
    interval=st.sampled_from(["4 months", "1 year 6 months", "with its visits"]),
    attached=st.sampled_from(["24 hours", "90 minutes", "none"]),
    unproved=st.sampled_from(["say", "refuse"]),
)
def test_any_values_are_refused_or_read_back_as_themselves(
    degrees: list[int], every: int, interval: str, attached: str, unproved: str
) -> None:
    """The journal keeps exactly what was in force; what is in force keeps its order."""
    go_on, pause, give_up = degrees
    given_policy = of_disk(
        go_on_at=f"{go_on} °C",
        pause_at=f"{pause} C",
        give_up_at=f"{give_up}°C",
        temperature_every=f"{every} seconds",
        health_interval=interval,
        health_while_attached=attached,
        unproved=unproved,
    )
    if not go_on < pause < give_up:
        assert contradictions(given_policy, {})
        with pytest.raises(PolicyError):
            resolve(given_policy, MediumKind.HARD_DISK)
        return
    values = resolve(given_policy, MediumKind.HARD_DISK)
    written = values.model_dump(mode="json", by_alias=True)

    assert resolve(of_disk(**written), MediumKind.HARD_DISK) == values
    assert values.heat == HeatLimits(pause, go_on, give_up, every)
    assert contradictions(given_policy, {}) == ()
