"""The verb `prove`: what it answers, prints, lists and refuses, with and without the service."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from refreshd.configfile import load
from refreshd.health_cards import WatchSample
from refreshd.ports import ProvingWish
from refreshd.proving_cards import ProvingStep
from refreshd.quantities import MIB
from refreshd.telling.certificate import WIDTH, certificate_lines, certificate_object
from refreshd.verbs.proving import Proved
from refreshd.wiring.station import Station
from tests import loops
from tests.fakes.counter import Counter, World
from tests.fakes.house import Silent, play_at_once, serving
from tests.fakes.proving_room import ProvingRoom

SIZE = 12 * MIB


@pytest.fixture
def counter(tmp_path: Path) -> Counter:
    """Return a counter over an empty shelf."""
    policy = tmp_path / "policy.toml"
    policy.write_text('[defaults]\nreadback_lag = "1 MiB"\n', encoding="utf-8")
    return Counter(World(), tmp_path / "state", policy)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """Return the image of a drive as new."""
    path = tmp_path / "new.img"
    path.write_bytes(bytes(SIZE))
    return path


def paragraph(lines: list[str], head: str) -> str:
    """Return what stands under a heading."""
    first = lines.index(head) + 1
    end = next(at for at in range(first, len(lines)) if not lines[at].startswith(" "))
    return " ".join(line.strip() for line in lines[first:end])


def test_a_certificate_is_one_page_that_says_what_was_not_tested() -> None:
    """Plain text, printable anywhere, signed with the record that bears it out."""
    room = ProvingRoom()
    certificate = room.prove(ProvingWish(leaves_out_extended_test=True))

    lines = list(certificate_lines(Proved(certificate, 17, "ab" * 32)))

    assert lines[0] == "Certificate of proving P1"
    assert len(lines) <= 60
    assert all(len(line) <= WIDTH for line in lines)
    assert "It passed: nothing was found that speaks against keeping content on it." in lines
    assert "extended self-test was left out" in paragraph(lines, "Not tested")
    assert "after years" in paragraph(lines, "Not tested")
    at = lines.index("Record 17 of the journal:")
    assert lines[at + 1] == f"  SHA-256 {'ab' * 32}"


@pytest.mark.parametrize(
    ("degrees", "told"), [((31, 31), "31 °C at work"), ((31, None, 44), "31 to 44 °C at work")]
)
def test_a_certificate_tells_how_warm_the_drive_was(
    degrees: tuple[int | None, ...], told: str
) -> None:
    """One figure where it stayed the same, else the lowest and the highest."""
    samples = tuple(WatchSample(15 * at, 0, 0, one) for at, one in enumerate(degrees))
    certificate = replace(ProvingRoom().prove(), samples=samples)

    lines = list(certificate_lines(Proved(certificate, 17, "ab" * 32)))

    assert f"Temperature  {told}" in lines


def test_a_failed_certificate_says_why_and_what_to_do() -> None:
    """Whoever sold the drive is shown what is wrong with it, and where."""
    room = ProvingRoom()
    room.at_step(ProvingStep.READ, 0, lambda: room.disk.bad.add(3 * MIB // 512))
    certificate = room.prove()

    lines = list(certificate_lines(Proved(certificate)))

    assert "It failed: no content should be kept on it." in lines
    assert f"From byte {3 * MIB} on, 512 bytes cannot be read." in paragraph(lines, "Reading: bad")
    assert "return it to where it was bought" in paragraph(lines, "What to do")
    assert "extended self-test" in paragraph(lines, "Not tested")


def test_what_only_reads_does_not_claim_to_have_written() -> None:
    """Never claim more than was proved."""
    certificate = ProvingRoom().prove(ProvingWish(is_reading_only=True))

    lines = list(certificate_lines(Proved(certificate)))

    assert "neither writing nor its capacity was tested" in paragraph(lines, "Not tested")
    assert not any("read back" in line for line in lines)


def test_the_json_of_a_certificate_has_what_the_page_has() -> None:
    """Scripts see outcome, results, what was not tested, rates, samples and the record."""
    room = ProvingRoom()
    told = certificate_object(Proved(room.prove(), 17, "ab" * 32))

    assert told["proving"] == "P1"
    assert told["outcome"] == "success"
    assert told["record"] == {"sequence": 17, "digest": "ab" * 32}
    assert [one["step"] for one in told["results"]] == [  # type: ignore[attr-defined] # JSON
        step.value for step in ProvingStep
    ]


def test_a_proving_from_words_to_certificate(counter: Counter, image: Path) -> None:
    """Exit code 0, one object, a list, and the same certificate shown again from the journal."""
    told = counter.ask("prove", image)
    shown = counter.ask("prove", "--show", "P1")
    listed = counter.ask("prove", "--list")

    assert told.code == 0
    assert told.json == shown.json
    assert [one["proving"] for one in listed.json["certificates"]] == ["P1"]
    assert listed.json["unfinished"] == []
    assert "About 25 MB go over the drive" in told.err


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("prove",), 2),
        (("prove", "--list", "--show", "P1"), 2),
        (("prove", "--show", "F1"), 2),
        (("prove", "--show", "P0"), 2),
        (("prove", "--show", "P7"), 2),
        (("prove", "/nowhere"), 2),
        (("prove", "/nowhere", "--list"), 2),
        (("prove", "/", "--read-only"), 3),
    ],
)
def test_words_that_make_no_sense_are_refused(
    counter: Counter, words: tuple[str, ...], code: int
) -> None:
    """With one sentence that says what is allowed."""
    said = counter.ask(*words)

    assert said.code == code, said
    assert said.error


def test_an_image_with_holes_is_not_proved(counter: Counter, tmp_path: Path) -> None:
    """Holes are never written, so that a proof of them would be none."""
    sparse = tmp_path / "sparse.img"
    with sparse.open("wb") as file:
        file.truncate(SIZE)

    said = counter.ask("prove", sparse)

    assert said.code == 3
    assert "holes" in said.error


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[str]:
    """Return a whole disk as new."""
    file = tmp_path / "disk.img"
    file.write_bytes(bytes(SIZE))
    with loops.attached(file) as node:
        yield node


@pytest.fixture
def place() -> Iterator[Path]:
    """Return a short path: the name of a socket has 107 bytes."""
    path = Path(tempfile.mkdtemp(prefix="refreshd-"))
    yield path
    shutil.rmtree(path)


@pytest.mark.root
def test_a_proving_tells_the_same_with_a_daemon_and_without(
    counter: Counter, place: Path, disk: str
) -> None:
    """The service proves by the very function; its words, refusals and exit codes are the same."""
    assert counter.policy is not None
    size = str(SIZE)
    words = (
        ("prove", disk, "--without-extended-test"),
        ("prove", disk, "--read-only"),
        ("prove", disk, "--erase-drive", size),
        ("prove", disk, "--anew", "--erase", "--erase-drive", size),
    )
    station = Station(counter.state, load(counter.policy), counter.world.clock, Silent())
    alone = [counter.say("--socket", "none", *one) for one in words]
    with serving(place / "socket", station, play_at_once) as house:
        house.caretaker.here = (disk,)
        by_daemon = [counter.say("--socket", house.path, *one) for one in words]
        listed = [counter.say("--socket", way, "prove", "--list") for way in ("none", house.path)]
        orders = [order.proving for order in house.caretaker.orders]

    assert [one.code for one in by_daemon] == [one.code for one in alone] == [0, 0, 2, 0]
    for one, other in zip(alone, by_daemon, strict=True):
        assert plain(one.err) == plain(other.err)
        assert plain(one.out) == plain(other.out.replace(LEAVE_IT, ""))
    assert listed[0].out == listed[1].out
    assert orders == [
        ProvingWish(leaves_out_extended_test=True),
        ProvingWish(is_reading_only=True),
        ProvingWish(is_anew=True, is_erasing=True, erase_drive=size),
    ]


LEAVE_IT = "Leave the drive plugged in until `refreshd status` says that it may be unplugged.\n"


def plain(text: str) -> list[str]:
    """Return what was said without numbers of provings and records, digests and progress."""
    left_out = (": at ", "SHA-256", "Warning: ")
    lines = [line for line in text.splitlines() if not any(one in line for one in left_out)]
    return [re.sub(r"\b(P|Record )[0-9]+\b", r"\1", line) for line in lines]
