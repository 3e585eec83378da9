"""What holds for a drive, who decided it, and what contradicts itself or is doubtful."""

from __future__ import annotations

import pickle
from datetime import date
from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from refreshd.durations import Duration
from refreshd.errors import PolicyError
from refreshd.policy import DrivePolicy, Policy, resolve
from refreshd.policy_drive import FIELDS
from refreshd.policy_review import cautions, cautions_for, contradictions, explain
from refreshd.policy_values import is_drive_number, read_drive_number
from refreshd.quantities import GIB, KIB, MIB, DriveNumber, MediumKind

K07 = DriveNumber("K07")
K08 = DriveNumber("K08")
LAYERED = Policy.model_validate(
    {
        "defaults": {"refresh_interval": "2 years", "rate_limit": "150 MB/s"},
        "medium": {"flash": {"refresh_interval": "3 months", "closing_pass": True}},
        "drive": {"K07": {"rate_limit": "none", "closing_pass": False}},
    }
)


def policy(**tables: object) -> Policy:
    """Return a policy as the file would give it."""
    return Policy.model_validate(tables)


def test_the_built_in_values_are_those_of_the_trade() -> None:
    """Disks every 3 years (common practice: two to three years), a yearly fixity pass."""
    disk = resolve(Policy(), MediumKind.HARD_DISK)

    assert disk == resolve(Policy(), MediumKind.SHINGLED_DISK)
    assert disk.refresh_interval == Duration(years=3)
    assert disk.fixity_interval == Duration(years=1)
    assert disk.least_age == Duration(days=30)
    assert disk.chunk_bytes == 4 * MIB
    assert disk.segment_bytes == 64 * MIB
    assert disk.readback_lag_bytes == 512 * MIB
    assert disk.rate_bytes_per_s_max is None
    assert not disk.is_closing
    assert disk.request_timeout_s == 600
    assert Policy().staging.directory is None
    assert Policy().clock.leap_max == Duration(years=10)


def test_media_that_lose_charge_without_power_fall_due_sooner() -> None:
    """An SSD keeps 1 year at 30 C when worn (JEDEC JESD218, client, quoted at second hand)."""
    assert resolve(Policy(), MediumKind.SSD).refresh_interval == Duration(years=1)
    assert resolve(Policy(), MediumKind.FLASH).refresh_interval == Duration(months=6)


def test_a_stronger_table_wins_value_by_value() -> None:
    """Defaults, then medium, then drive; what a table does not name is left as it was."""
    disk = resolve(LAYERED, MediumKind.HARD_DISK, K08)
    flash = resolve(LAYERED, MediumKind.FLASH, K08)
    drive = resolve(LAYERED, MediumKind.FLASH, K07)

    assert (disk.refresh_interval, disk.is_closing) == (Duration(years=2), False)
    assert (flash.refresh_interval, flash.is_closing) == (Duration(months=3), True)
    assert flash.rate_bytes_per_s_max == 150_000_000
    assert drive.rate_bytes_per_s_max is None
    assert not drive.is_closing
    assert drive.refresh_interval == Duration(months=3)


def test_a_value_of_the_file_is_stronger_than_what_is_built_in_for_a_medium() -> None:
    """[defaults] means every drive: one line must not silently leave some of them out."""
    assert resolve(LAYERED, MediumKind.SSD).refresh_interval == Duration(years=2)


def test_explain_names_the_table_and_the_line_of_every_value() -> None:
    """Built-in values say so, for which medium if it matters; no key is left out."""
    lines: dict[tuple[str, ...], int] = {
        ("defaults", "refresh_interval"): 2,
        ("defaults", "rate_limit"): 3,
        ("medium", "flash", "refresh_interval"): 5,
        ("medium", "flash", "closing_pass"): 6,
        ("drive", "K07", "rate_limit"): 8,
        ("drive", "K07", "closing_pass"): 9,
    }

    found = {one.key: one for one in explain(LAYERED, lines, MediumKind.FLASH, K07)}

    assert {key for key in found if "." not in key} == set(FIELDS)
    assert found["refresh_interval"].sentence() == (
        'refresh_interval = "3 months"  ([medium.flash] line 5)'
    )
    assert (found["rate_limit"].value, found["rate_limit"].line) == ('"none"', 8)
    assert (found["closing_pass"].value, found["closing_pass"].table) == ("false", "[drive.K07]")
    assert found["chunk_size"].sentence() == 'chunk_size = "4 MiB"  (built-in default)'
    assert found["staging.directory"].by == "built-in default"


def test_explain_without_a_file_says_what_is_built_in_for_a_medium() -> None:
    """The archivist sees why flash falls due sooner."""
    (interval, *_) = explain(Policy(), {}, MediumKind.FLASH)

    assert interval.sentence() == 'refresh_interval = "6 months"  (built-in default for flash)'
    assert interval.line is None


def test_explain_names_shelf_wide_values() -> None:
    """The staging directory and the clock hold for all drives, and have lines too."""
    given_policy = policy(staging={"directory": "/srv/copies"}, clock={"leap_max": "5 years"})
    lines: dict[tuple[str, ...], int] = {("staging", "directory"): 2, ("clock", "leap_max"): 4}

    found = {one.key: one for one in explain(given_policy, lines, MediumKind.HARD_DISK)}
    staging, clock = found["staging.directory"], found["clock.leap_max"]

    assert given_policy.staging.directory == PurePosixPath("/srv/copies")
    assert staging.sentence() == 'staging.directory = "/srv/copies"  ([staging] line 2)'
    assert clock.sentence() == 'clock.leap_max = "5 years"  ([clock] line 4)'


def test_a_number_with_dots_is_quoted_in_its_table_name() -> None:
    """A table is named as it must be written in the file."""
    given_policy = policy(drive={"2019.12": {"closing_pass": True}})

    found = explain(given_policy, {}, MediumKind.SSD, DriveNumber("2019.12"))

    assert {one.table for one in found} == {None, '[drive."2019.12"]'}


@pytest.mark.parametrize(
    ("key", "value", "allowed"),
    [
        ("refresh_interval", 3, 'in quotes, with its unit: "3 years"'),
        ("refresh_interval", "none", "Allowed: whole numbers of years"),
        ("fixity_interval", "0 years", "Allowed: whole numbers of years"),
        ("least_age", "1.5 days", 'Allowed: whole numbers of years.*, or "none"'),
        ("chunk_size", 4_194_304, 'in quotes, with its unit: "4 MiB"'),
        ("chunk_size", "3 MiB", "a power of two"),
        ("chunk_size", "32 KiB", "at least 64 KiB, at most 64 MiB"),
        ("chunk_size", "128 MiB", "at least 64 KiB, at most 64 MiB"),
        ("chunk_size", "4 MB", "a power of two"),
        ("segment_size", "2 GiB", "at most 1 GiB"),
        ("readback_lag", "0 MiB", "Allowed: a whole number and a unit"),
        ("readback_lag", "64 KiB", "at least 1 MiB"),
        ("readback_lag", "65 GiB", "at most 64 GiB"),
        ("rate_limit", "150 MB", "MB/s"),
        ("rate_limit", "10 kB/s", "at least 1 MB"),
        ("rate_limit", 0, 'in quotes, with its unit: "150 MB/s"'),
        ("closing_pass", "true", "true or false, without quotes"),
        ("closing_pass", 1, "true or false, without quotes"),
        ("request_timeout", 600, 'in quotes, with its unit: "10 minutes"'),
        ("request_timeout", "2 days", "Allowed: one whole number of seconds"),
    ],
)
def test_a_value_out_of_bounds_is_refused_with_what_is_allowed(
    key: str, value: object, allowed: str
) -> None:
    """Every value has its unit and its bounds, and the refusal states them."""
    with pytest.raises(ValidationError, match=allowed):
        policy(defaults={key: value})


@pytest.mark.parametrize("directory", ["", "staging", "~/staging", "/a\0b", 3])
def test_a_staging_directory_is_an_absolute_path(directory: object) -> None:
    """A relative path would depend on where the service was started."""
    with pytest.raises(ValidationError, match="an absolute path in quotes"):
        policy(staging={"directory": directory})


def test_the_bounds_themselves_are_allowed() -> None:
    """The smallest and the largest values that the messages name."""
    for chunk, segment in (("64 KiB", "64 KiB"), ("64 MiB", "1 GiB")):
        values = resolve(
            policy(defaults={"chunk_size": chunk, "segment_size": segment}), MediumKind.SSD
        )
        assert values.chunk_bytes in {64 * KIB, 64 * MIB}
        assert values.segment_bytes in {64 * KIB, GIB}
    least = policy(defaults={"rate_limit": "1 MB/s", "readback_lag": "1 MiB"}).defaults
    assert (least.rate_bytes_per_s_max, least.readback_lag_bytes) == (10**6, MIB)


@pytest.mark.parametrize(
    ("text", "is_number"),
    [
        ("K07", True),
        ("k", True),
        ("2019.12-3_b", True),
        ("A" * 32, True),
        ("", False),
        ("A" * 33, False),
        ("K 07", False),
        ("K/07", False),
        ("-K07", False),
        ("K07.", False),
        ("..", False),
        ("K07\n", False),
        ("Ü07", False),
    ],
)
def test_an_accession_number_can_be_a_file_name_and_a_word(text: str, *, is_number: bool) -> None:
    """It is written on a case, typed on a command line, and part of file names (I8)."""
    assert is_drive_number(text) is is_number
    if is_number:
        assert read_drive_number(text) == text
    else:
        with pytest.raises(ValueError, match="no accession number"):
            read_drive_number(text)


def test_a_misspelt_key_or_table_is_refused() -> None:
    """What nobody reads would be believed to hold."""
    wrong: tuple[dict[str, object], ...] = (
        {"default": {}},
        {"defaults": {"interval": "1 year"}},
        {"medium": {"tape": {}}},
    )
    for tables in wrong:
        with pytest.raises(ValidationError, match="Extra inputs"):
            policy(**tables)


def test_a_policy_cannot_be_changed_and_travels_to_another_process() -> None:
    """What a pass was begun with stays in force for it."""
    with pytest.raises(ValidationError, match="frozen"):
        LAYERED.defaults.is_closing = True  # type: ignore[misc]
    assert pickle.loads(pickle.dumps(LAYERED)) == LAYERED  # noqa: S301 - our own bytes
    assert resolve(pickle.loads(pickle.dumps(LAYERED)), MediumKind.FLASH, K07).is_closing is False  # noqa: S301


def test_a_segment_must_be_whole_chunks_also_when_tables_are_laid_over_each_other() -> None:
    """Each value alone is right; together they are refused, with both places."""
    given_policy = policy(
        defaults={"segment_size": "96 MiB"}, drive={"K07": {"chunk_size": "64 MiB"}}
    )
    lines = {("defaults", "segment_size"): 2, ("drive", "K07", "chunk_size"): 4}

    with pytest.raises(PolicyError, match='drive K07: segment_size "96 MiB" is no multiple'):
        resolve(given_policy, MediumKind.HARD_DISK, K07)
    (remark,) = contradictions(given_policy, lines)

    assert resolve(given_policy, MediumKind.HARD_DISK, K08).segment_bytes == 96 * MIB
    assert remark.line == 2
    assert "(chunk_size: [drive.K07] line 4)" in remark.says


def test_the_least_age_must_be_shorter_than_the_interval() -> None:
    """Else every chunk of a drive that falls due would be too young, and none ever rewritten."""
    given_policy = policy(medium={"ssd": {"least_age": "12 months"}})

    with pytest.raises(PolicyError, match=r"medium ssd: least_age .* is not shorter"):
        resolve(given_policy, MediumKind.SSD)
    (remark,) = contradictions(given_policy, {("medium", "ssd", "least_age"): 2})

    assert remark.sentence("policy.toml") == (
        'policy.toml line 2: [medium.ssd] least_age = "12 months": least_age "12 months" is not '
        'shorter than refresh_interval "1 year" (refresh_interval: built-in default for ssd)'
    )
    assert resolve(given_policy, MediumKind.HARD_DISK).least_age == Duration(days=30)


def test_what_is_said_of_a_medium_is_not_said_again_of_every_drive() -> None:
    """A drive whose table has nothing to do with it would only be noise."""
    given_policy = policy(defaults={"least_age": "8 months"}, drive={"K07": {"closing_pass": True}})

    assert len(cautions(given_policy, {})) == 1


def test_nothing_built_in_is_doubtful() -> None:
    """Nobody is warned of what they did not write."""
    assert cautions(Policy(), {}) == contradictions(Policy(), {}) == ()


def test_what_would_contradict_only_a_medium_that_may_not_be_there_is_a_warning() -> None:
    """The file does not say which media are on the shelf; `resolve` refuses when one comes."""
    general = policy(defaults={"least_age": "8 months"})
    of_drive = policy(drive={"K07": {"least_age": "8 months"}})

    assert contradictions(general, {}) == contradictions(of_drive, {}) == ()
    assert [one.says.partition(":")[0] for one in cautions(general, {})] == ["for flash"]
    assert [one.says.partition(":")[0] for one in cautions(of_drive, {})] == ["if K07 is flash"]
    with pytest.raises(PolicyError, match=r"not shorter"):
        resolve(of_drive, MediumKind.FLASH, K07)
    assert resolve(of_drive, MediumKind.HARD_DISK, K07).least_age == Duration(months=8)


@pytest.mark.parametrize(
    ("tables", "place"),
    [
        ({"defaults": {"refresh_interval": "364 days"}}, "[defaults]"),
        ({"medium": {"hard-disk": {"refresh_interval": "11 months"}}}, "[medium.hard-disk]"),
        ({"medium": {"shingled-disk": {"refresh_interval": "6 months"}}}, "[medium.shingled-disk]"),
        ({"drive": {"K07": {"refresh_interval": "3 months"}}}, "[drive.K07]"),
    ],
)
def test_rewriting_a_disk_more_than_yearly_warns(tables: dict[str, object], place: str) -> None:
    """Excessive wear (common practice, no source); allowed all the same."""
    (remark,) = (one for one in cautions(policy(**tables), {}) if "excessive" in one.says)

    assert remark.key == f"{place} refresh_interval"
    assert "wear" in remark.says


@pytest.mark.parametrize(
    "tables",
    [
        {},
        {"defaults": {"refresh_interval": "1 year"}},
        {
            "defaults": {"refresh_interval": "365 days"},
            "medium": {"flash": {"refresh_interval": "6 months"}},
        },
        {
            "medium": {
                "flash": {"refresh_interval": "2 months"},
                "ssd": {"refresh_interval": "6 months"},
            }
        },
    ],
)
def test_what_suits_the_medium_does_not_warn(tables: dict[str, object]) -> None:
    """Yearly is not more often than yearly; flash may be rewritten as often as wanted."""
    remarks = [one for one in cautions(policy(**tables), {}) if "excessive" in one.says]

    assert remarks == []


def test_a_long_interval_warns_where_charge_is_lost() -> None:
    """A line meant for disks also reaches SSDs and flash (JEDEC JESD218, at second hand)."""
    remarks = cautions(policy(defaults={"refresh_interval": "3 years"}), {})

    assert len(remarks) == 2
    assert all("at 30 C (JESD218)" in one.says for one in remarks)
    assert (
        cautions_for(policy(defaults={"refresh_interval": "3 years"}), {}, MediumKind.HARD_DISK)
        == ()
    )


def test_a_drive_of_known_medium_is_warned_about_as_that_medium() -> None:
    """The file cannot know it, the card does."""
    given_policy = policy(drive={"K07": {"refresh_interval": "3 months"}})

    assert cautions_for(given_policy, {}, MediumKind.FLASH, K07) == ()
    assert len(cautions_for(given_policy, {}, MediumKind.HARD_DISK, K07)) == 1


def test_a_short_lag_and_a_short_timeout_warn() -> None:
    """I3: a cache could answer; and a drive that struggles would be called hung."""
    lag, timeout = cautions(
        policy(defaults={"readback_lag": "256 MiB", "request_timeout": "59 seconds"}),
        {("defaults", "readback_lag"): 1, ("defaults", "request_timeout"): 2},
    )

    assert (lag.line, timeout.line) == (1, 2)
    assert "proves nothing about the medium" in lag.says
    assert "held to hang" in timeout.says


def test_the_least_age_in_days_is_counted_on_the_calendar() -> None:
    """One month back from 31 March 2024 is 29 February; "none" leaves no chunk alone."""
    month = resolve(policy(defaults={"least_age": "1 month"}), MediumKind.HARD_DISK)
    none = resolve(policy(defaults={"least_age": "none"}), MediumKind.HARD_DISK)

    assert month.least_age_days(date(2024, 3, 31)) == 31
    assert month.least_age_days(date(2024, 3, 1)) == 29
    assert none.least_age_days(date(2024, 3, 1)) == 0
    assert DrivePolicy().least_age_days(date(2024, 3, 1)) == 30


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "refresh_interval": st.sampled_from(["3 years", "18 months", "1 year 6 months"]),
            "least_age": st.sampled_from(["2 weeks", "none"]),
            "chunk_size": st.sampled_from(["64 KiB", "16 MiB"]),
            "rate_limit": st.sampled_from(["none", "150 MB/s", "100 MiB/s"]),
            "closing_pass": st.booleans(),
            "request_timeout": st.sampled_from(["90 seconds", "2 hours"]),
        },
    )
)
def test_the_values_in_force_read_back_as_themselves(table: dict[str, object]) -> None:
    """What the journal keeps of a policy as text says exactly what was in force."""
    values = resolve(policy(defaults=table), MediumKind.HARD_DISK)
    written = values.model_dump(mode="json", by_alias=True)

    assert resolve(policy(defaults=written), MediumKind.HARD_DISK) == values
    assert set(values.as_text()) == set(FIELDS)
