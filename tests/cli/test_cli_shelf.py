"""shelf, drive, findings, journal, policy, and what the words of a command may be."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import pytest

from tests.fakes.counter import CHUNK, Counter, alter


def test_the_shelf_is_an_object_with_the_stable_keys(counter: Counter, k07: Path) -> None:
    """A drive that was only taken in has no rewrite date, and is due from its claimed one."""
    (line,) = counter.ask("shelf").json["drives"]

    assert line["number"] == "K07"
    assert line["last_rewrite"] is None
    assert line["due"] == "2034-03-14"
    assert line["counts_from"] == "accession"
    assert (line["overdue_days"], line["held_chunks"]) == (0, 0)
    assert line["last_fixity"] == "2031-03-14"


def test_a_drive_that_was_only_taken_in_was_compared_with_nothing(
    counter: Counter, k07: Path
) -> None:
    """No more is claimed of the first reading than that it was made."""
    before = counter.say("drive", "K07").out
    counter.ask("fixity", "K07", "--on", k07)

    assert "read and compared" not in before
    assert "All of it was last read (when it was taken into care) on 2031-03-14." in before
    assert "All of it was last read and compared on 2031-03-14." in counter.say("drive", "K07").out


def test_a_claimed_date_counts_and_is_called_claimed(counter: Counter, image: Path) -> None:
    """I4: a date that the owner claims is kept as a claim."""
    counter.take_in(image, "K07", "--written-on", "2028-02-29")

    (line,) = counter.ask("shelf", "--as-of", "2031-03-10").json["drives"]

    assert (line["counts_from"], line["due"]) == ("claimed date", "2031-02-28")
    assert line["overdue_days"] == 10
    assert "refresh overdue by 10 days" in counter.say("shelf", "--as-of", "2031-03-10").out


def test_a_proved_rewrite_moves_the_due_date(counter: Counter, k07: Path) -> None:
    """A refresh counts from the day on which it began, once all of it was read back."""
    counter.world.clock.time += timedelta(days=900)

    counter.ask("refresh", "K07", "--on", k07)

    (line,) = counter.ask("shelf").json["drives"]
    assert (line["last_rewrite"], line["counts_from"]) == ("2033-08-30", "last rewrite")


def test_chunks_with_findings_are_counted_beside_the_date(counter: Counter, k07: Path) -> None:
    """I4: the date is that of the oldest chunk without an open finding."""
    alter(k07, 7 * CHUNK)

    counter.ask("refresh", "K07", "--on", k07)

    (line,) = counter.ask("shelf").json["drives"]
    assert (line["last_rewrite"], line["held_chunks"]) == ("2031-03-14", 1)


def test_those_due_first_stand_on_top(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """The shelf is read from the top."""
    other = tmp_path / "other.img"
    other.write_bytes(os.urandom(4 * CHUNK))
    counter.take_in(other, "A01")
    counter.ask("drive", "K07", "--written-on", "2027-01-01")

    lines = counter.ask("shelf").json["drives"]

    assert [line["number"] for line in lines] == ["K07", "A01"]


def test_an_empty_shelf_is_no_error_and_makes_nothing(counter: Counter) -> None:
    """A verb that only reads writes nothing, not even the state directory."""
    assert counter.ask("shelf").json["drives"] == []
    assert counter.ask("findings").json["findings"] == []
    assert counter.ask("journal", "show").json["entries"] == []
    assert counter.ask("drive", "K07").code == 3
    assert f"no record in {counter.state}" in counter.say("shelf").err
    assert not counter.state.exists()


def test_where_there_is_no_journal_none_is_called_whole(counter: Counter) -> None:
    """A disk that was not mounted, or a slip in --state, must not look like a sound journal."""
    said = counter.ask("journal", "verify")

    assert said.code == 2
    assert "no journal to verify" in said.error


def test_without_a_catalogue_the_end_of_the_journal_is_not_vouched_for(
    counter: Counter, k07: Path
) -> None:
    """Only the catalogue knows how many records there were; without it less is claimed."""
    (counter.state / "catalogue.sqlite").write_bytes(b"no catalogue at all")

    told = counter.say("journal", "verify").out

    assert "The chain is whole" not in told
    assert "missing at the end cannot be told" in told


def test_an_old_catalogue_is_said_to_be_old(counter: Counter, k07: Path) -> None:
    """A restored catalogue may be behind the journal; a verb that only reads says so (I5)."""
    old = (counter.state / "catalogue.sqlite").read_bytes()
    counter.ask("fixity", "K07", "--on", k07)
    fresh = counter.say("shelf").err
    for name in ("catalogue.sqlite-wal", "catalogue.sqlite-shm"):
        (counter.state / name).unlink(missing_ok=True)
    (counter.state / "catalogue.sqlite").write_bytes(old)

    assert "old copy" not in fresh
    assert "The catalogue is an old copy" in counter.say("shelf").err
    assert counter.ask("fixity", "K07", "--on", k07).code == 0
    assert "old copy" not in counter.say("shelf").err


def test_a_title_may_be_in_any_script(counter: Counter, image: Path) -> None:
    """Titles are the owner's words; they come back as they were given."""
    title = "Überfahrt — 海図 — می‌خواهم"
    counter.take_in(image)

    shown = counter.ask("drive", "K07", "--title", title, "--shelfmark", "R1-B01-S1")

    assert (shown.json["title"], shown.json["shelfmark"]) == (title, "R1-B01-S1")
    assert title in counter.say("shelf").out
    (entry,) = [
        one for one in counter.ask("journal", "show").json["entries"]
        if one["event"]["kind"] == "card-corrected"
    ]  # fmt: skip
    assert entry["event"]["title"] == title


@pytest.mark.parametrize(
    ("number", "shelfmark", "title"),
    [
        ("../K07", "R1", "plates"),
        ("", "R1", "plates"),
        ("K" * 33, "R1", "plates"),
        ("K07\n", "R1", "plates"),
        ("K07", "", "plates"),
        ("K07", "R1", "   "),
        ("K07", "R1", "red\x1b[31m"),
        ("K07", "R1", "x" * 201),
        ("K07", "R1", "left\u202eright"),
        ("K07", "R1", "\udcff"),
    ],
)
def test_absurd_words_are_refused_before_anything_is_made(
    counter: Counter, image: Path, number: str, shelfmark: str, title: str
) -> None:
    """What would harm a terminal, a path or a label is a usage error, in a sentence."""
    words = ("accession", image, "--number", number, "--shelfmark", shelfmark, "--title", title)

    said = counter.ask(*words)

    assert said.code == 2
    assert said.error.isprintable()
    assert not counter.state.exists()


@pytest.mark.parametrize(
    "words",
    [
        ("fixity", "../../etc/passwd"),
        ("refresh", "K07/../K08"),
        ("drive", "K 07"),
        ("withdraw", "-"),
        ("findings", ""),
        ("accept", "..", "--finding", "F1"),
        ("journal", "show", "--drive", "/"),
        ("policy", "explain", "a" * 40),
    ],
)
def test_what_is_no_number_never_becomes_a_path(counter: Counter, words: tuple[str, ...]) -> None:
    """A number is part of file names, so nothing else gets so far."""
    said = counter.ask(*words)

    assert said.code == 2
    assert not counter.state.exists()


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("nonsense",),
        ("fixity",),
        ("fixity", "K07", "--gently"),
        ("shelf", "--as-of", "tomorrow"),
        ("shelf", "--as-of", "2031-02-30"),
        ("shelf", "--as-of", "20310301"),
        ("journal", "show", "--last", "0"),
        ("journal", "show", "--last", "many"),
        ("journal", "show", "--last", str(10**30)),
        ("journal", "show", "--last", "-1"),
        ("accept", "K07", "--finding", "F" + "9" * 30),
        ("accept", "K07", "--finding", "F\u0661"),
        ("accept", "K07", "--finding", "x'; drop table findings"),
        ("accept", "K07", "--finding", ""),
        ("accept", "K07"),
        ("journal", "burn"),
    ],
)
def test_a_usage_error_is_one_object_too(counter: Counter, words: tuple[str, ...]) -> None:
    """With --json stdout is one object at every exit code, also where the words make no sense."""
    said = counter.ask(*words)

    assert said.code == 2
    assert any(word in said.error for word in ("--help", "--as-of", "--last", "refreshd findings"))


def test_a_date_in_the_future_is_no_claim(counter: Counter, image: Path) -> None:
    """Nothing was written tomorrow."""
    said = counter.take_in(image, "K07", "--written-on", "2031-03-15")

    assert said.code == 2
    assert "future" in said.error


def test_a_card_is_told_in_sentences(counter: Counter, k07: Path) -> None:
    """Plain sentences and numbers with units; what is due, and why then."""
    alter(k07, 0)
    counter.ask("fixity", "K07", "--on", k07)

    told = counter.say("drive", "K07").out

    assert "Its shelfmark is R2-B04-S3." in told
    assert "Its refresh is due on 2034-03-14, in 3 years, counted from the accession" in told
    assert "fixity pass K07/2: fail" in told
    assert "1 open finding:" in told


def test_a_finding_reads_like_a_letter(counter: Counter, k07: Path) -> None:
    """What is wrong, where, which share, since when, what to do next."""
    alter(k07, 3 * CHUNK)
    counter.ask("fixity", "K07", "--on", k07)

    said = counter.say("findings", "K07")

    assert said.code == 1
    for words in (
        "F1 on K07",
        "not those that were recorded",
        f"{CHUNK} bytes from byte {3 * CHUNK} on, 3.1 % of the drive",
        "Since: 2031-03-14",
        "refreshd accept K07 --finding F1",
    ):
        assert words in said.out


def test_a_withdrawn_drive_says_what_remains(counter: Counter, k07: Path) -> None:
    """Its card, digests and record stay; the shelf lists it no more."""
    said = counter.say("withdraw", "K07")

    assert "its number is not given again" in said.out
    assert counter.ask("shelf").json["drives"] == []
    assert counter.ask("drive", "K07").json["withdrawn_on"] == "2031-03-14"
    assert counter.ask("withdraw", "K07").code == 3
    assert counter.ask("drive", "K07", "--title", "other").code == 3


def test_the_journal_is_shown_one_line_a_record(counter: Counter, k07: Path) -> None:
    """Checkpoints are left out unless they are asked for."""
    short = counter.say("journal", "show").out.splitlines()
    full = counter.say("journal", "show", "--all").out.splitlines()
    last = counter.say("journal", "show", "--last", "1").out.splitlines()
    none = counter.say("journal", "show", "--drive", "K99").out

    assert len(full) > len(short)
    assert last == short[-1:]
    assert "accession pass K07/1 reached the end" in last[0]
    assert none == ""


def test_a_tampered_journal_is_exit_code_1(counter: Counter, k07: Path) -> None:
    """An edited record shows, and the verification says which one it is."""
    (file,) = (counter.state / "journal").glob("*.jsonl")
    file.write_bytes(file.read_bytes().replace(b"harbour", b"airport", 1))

    said = counter.ask("journal", "verify")

    assert said.code == 1
    assert said.json["problems"][0]["what"] == "edited"
    assert said.json["problems"][0]["first_record"] == 2
    assert "The chain is whole" not in counter.say("journal", "verify").out


def test_a_torn_last_line_is_called_a_power_cut(counter: Counter, k07: Path) -> None:
    """What a power cut leaves is not called tampering."""
    (file,) = (counter.state / "journal").glob("*.jsonl")
    with file.open("ab") as journal:
        journal.write(b'{"at":"2031-03-14T09')

    said = counter.ask("journal", "verify")

    assert (said.code, said.json["is_untouched"]) == (0, True)
    assert "power cut" in counter.say("journal", "verify").out


def test_a_truncated_journal_is_refused_and_found(counter: Counter, k07: Path) -> None:
    """I5: the catalogue holds records that the journal lacks."""
    (file,) = (counter.state / "journal").glob("*.jsonl")
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:-2]))

    assert counter.ask("shelf").code == 3
    assert counter.ask("fixity", "K07", "--on", k07).code == 3
    assert counter.ask("journal", "verify").code == 1


def test_a_damaged_catalogue_is_refused_with_what_to_do(counter: Counter, k07: Path) -> None:
    """A catalogue that is no catalogue ends in a sentence; the journal can still be verified."""
    (counter.state / "catalogue.sqlite").write_bytes(b"not a catalogue" * 1000)

    said = counter.ask("shelf")

    assert said.code == 3
    assert "catalogue" in said.error
    assert counter.ask("journal", "verify").json["catalogue_asked"] is False


def test_policy_check_names_the_line(counter: Counter, policy: Path) -> None:
    """A mistake is exit code 2, with file, line, key, value and what is allowed."""
    policy.write_text('[defaults]\nrefresh_interval = "soon"\n', encoding="utf-8")

    said = counter.ask("policy", "check")

    assert said.code == 2
    (problem,) = said.json["problems"]
    assert (problem["line"], problem["given"]) == (2, '"soon"')
    assert f"{policy} line 2" in said.error
    assert counter.ask("shelf").code == 2
    assert counter.ask("findings").code == 0


def test_an_interval_below_a_year_warns_and_is_fine(counter: Counter, policy: Path) -> None:
    """Four times a year is excessive, but it is the owner's drive."""
    policy.write_text('[defaults]\nrefresh_interval = "3 months"\n', encoding="utf-8")

    said = counter.ask("policy", "check")

    assert said.code == 0
    assert said.json["warnings"]
    assert "Warning:" in counter.say("policy", "check").out


def test_policy_explain_says_that_a_drive_keeps_its_chunks(
    counter: Counter, k07: Path, policy: Path
) -> None:
    """A changed chunk size is not in force for a drive that was taken in with another."""
    before = counter.say("policy", "explain", "K07").out
    policy.write_text('[defaults]\nchunk_size = "1 MiB"\n', encoding="utf-8")

    after = counter.say("policy", "explain", "K07").out

    assert "keeps the chunks" not in before
    assert f"K07 keeps the chunks of {CHUNK} bytes" in after


def test_policy_explain_says_which_line_decided(counter: Counter, k07: Path, policy: Path) -> None:
    """Each value with its table and line, or what is built in."""
    with policy.open("a", encoding="utf-8") as file:
        file.write('\n[drive.K07]\nrefresh_interval = "2 years"\n')

    found = counter.ask("policy", "explain", "K07").json["values"]

    by_key = {one["key"]: one for one in found}
    assert by_key["refresh_interval"]["table"] == "[drive.K07]"
    assert by_key["refresh_interval"]["line"] == 7
    assert by_key["fixity_interval"]["table"] is None
    assert counter.ask("policy", "explain", "K99").code == 3


def test_a_broken_policy_in_the_usual_place_is_told_line_by_line(
    counter: Counter, tmp_path: Path
) -> None:
    """The usual file is checked like a named one."""
    place = tmp_path / "config" / "refreshd" / "policy.toml"
    place.parent.mkdir(parents=True)
    place.write_text("[defaults]\nspeed = 3\n", encoding="utf-8")
    counter.policy = None
    counter.world.environ = {"XDG_CONFIG_HOME": str(tmp_path / "config")}

    said = counter.ask("policy", "check")

    assert said.code == 2
    assert said.json["problems"][0]["line"] == 2


def test_the_template_is_a_valid_policy(counter: Counter, policy: Path) -> None:
    """What is printed can be saved and used."""
    policy.write_text(counter.say("policy", "template").out, encoding="utf-8")

    assert counter.ask("policy", "check").code == 0


def test_the_schema_is_an_object(counter: Counter) -> None:
    """Editors read it."""
    assert json.loads(counter.say("policy", "schema").out) == counter.ask("policy", "schema").json


def test_a_named_policy_must_be_there(counter: Counter, tmp_path: Path) -> None:
    """Somebody meant a file; built-in values in its place would be a surprise."""
    counter.policy = tmp_path / "nowhere.toml"

    assert counter.ask("shelf").code == 2
    assert counter.ask("policy", "check").code == 2


def test_no_policy_file_is_said_once_on_stderr(counter: Counter, tmp_path: Path) -> None:
    """Built-in defaults are in force, and nobody finds out by accident."""
    counter.policy = None
    counter.world.environ = {"XDG_CONFIG_HOME": str(tmp_path / "config")}

    said = counter.say("shelf")
    checked = counter.ask("policy", "check")

    assert (said.code, said.err.count("built-in")) == (0, 1)
    assert (checked.code, checked.err.count("built-in")) == (0, 1)


def test_the_state_directory_comes_from_the_environment(tmp_path: Path, image: Path) -> None:
    """REFRESHD_STATE counts for everybody; --state is stronger."""
    from tests.fakes.counter import World  # noqa: PLC0415

    environ = {"REFRESHD_STATE": str(tmp_path / "given"), "XDG_CONFIG_HOME": str(tmp_path)}
    world = World(environ)
    words = ("--number", "K07", "--shelfmark", "R1", "--title", "plates", "--json")
    here = Counter(world, tmp_path, None)

    said = here.bare("accession", str(image), *words)

    assert said.code == 0
    assert (tmp_path / "given" / "catalogue.sqlite").exists()
    assert (tmp_path / "given").stat().st_mode & 0o777 == 0o700
    assert here.bare("--state", str(tmp_path / "other"), "shelf", "--json").json["drives"] == []


def test_a_file_in_place_of_the_state_directory_is_refused(
    counter: Counter, image: Path, tmp_path: Path
) -> None:
    """A sentence, no traceback."""
    counter.state = tmp_path / "file"
    counter.state.write_text("", encoding="utf-8")

    assert counter.ask("shelf").code == 2
    assert counter.take_in(image).code == 2


@pytest.mark.parametrize("path", ["/dev/null", "/dev/zero", "/no/such/place", "", "\0"])
def test_what_is_no_drive_is_not_taken_in(counter: Counter, path: str) -> None:
    """Character devices, nothing, and nonsense end in a sentence that says what to name."""
    words = ("--number", "K07", "--shelfmark", "R1", "--title", "plates")

    said = counter.ask("accession", path, *words)

    assert said.code == 2


def test_an_image_that_was_cut_short_is_not_taken_in(counter: Counter, tmp_path: Path) -> None:
    """No whole sectors: no image of a drive."""
    odd = tmp_path / "odd.img"
    odd.write_bytes(b"x" * 1000)
    empty = tmp_path / "empty.img"
    empty.touch()

    assert counter.take_in(odd).code == 2
    assert counter.take_in(empty).code == 2


def test_an_export_is_a_shelf_of_its_own(counter: Counter, k07: Path, tmp_path: Path) -> None:
    """I7: what was exported answers as the shelf did, and checks itself."""
    copy = tmp_path / "copy"

    said = counter.ask("export", copy)
    again = counter.ask("export", copy)

    assert (said.code, again.code) == (0, 2)
    assert said.json["journal"]["is_untouched"] is True
    there = Counter(counter.world, copy, counter.policy)
    assert there.ask("shelf").json == counter.ask("shelf").json
    assert there.ask("journal", "verify").code == 0


def test_an_export_of_a_tampered_journal_says_so(
    counter: Counter, k07: Path, tmp_path: Path
) -> None:
    """The copy is made, as it is, and nobody takes it for a good one."""
    (file,) = (counter.state / "journal").glob("*.jsonl")
    file.write_bytes(file.read_bytes().replace(b"harbour", b"airport", 1))

    said = counter.ask("export", tmp_path / "copy")

    assert said.code == 1
    assert said.json["journal"]["problems"][0]["what"] == "edited"


def test_there_is_nothing_to_export_from_an_empty_shelf(counter: Counter, tmp_path: Path) -> None:
    """And nothing is made of it."""
    said = counter.ask("export", tmp_path / "copy")

    assert said.code == 2
    assert not counter.state.exists()
