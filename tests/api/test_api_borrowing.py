"""Ten ways to borrow the daemon's rights over its socket, and why none of them works."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from refreshd.errors import RefusedError, UnknownDriveError, UsageError
from refreshd.quantities import DriveNumber, PassKind
from refreshd.reception.protocol import PassAsked
from refreshd.verbs.care import Accession
from refreshd.wiring.station import Station
from tests.fakes.house import NODE, Hearing, House, Silent, serving
from tests.fakes.neighbour import ROOT

K07 = DriveNumber("K07")


@pytest.fixture
def house(place: Path, station: Station) -> Iterator[House]:
    """Return an interface whose caretaker would do whatever it is asked for."""
    with serving(place / "socket", station, play=lambda _, __: None) as house:
        yield house


def borrowed(directory: Path) -> dict[str, str]:
    """Return ten names of places, each of which would lend a right of the daemon."""
    secret = directory / "secret"
    secret.write_bytes(b"only root may read this" * 1000)
    secret.chmod(0o600)
    link = directory / "link"
    link.symlink_to(NODE)
    link_to_file = directory / "by-id"
    link_to_file.symlink_to(secret)
    hard = directory / "hard"
    os.link(secret, hard)
    return {
        "1 a file that only root may read": str(secret),
        "2 a folder that only root may list": "/root",
        "3 a link to a disk that arrived": str(link),
        "4 a link to a file": str(link_to_file),
        "5 another name of a file": str(hard),
        "6 a partition of a disk that arrived": f"{NODE}1",
        "7 a disk that did not arrive": "/dev/sda",
        "8 the memory of a process": "/proc/self/mem",
        "9 the same disk by another way": f"/dev/../{NODE}",
        "10 a name with a null": f"{NODE}\0/etc/shadow",
    }


WAYS = 10


@pytest.mark.parametrize("way", range(WAYS))
@pytest.mark.parametrize("kind", ["fixity", "refresh", "accession"])
def test_a_place_that_did_not_arrive_is_refused(
    house: House, tmp_path: Path, way: int, kind: str
) -> None:
    """I8, I9: the daemon opens what it saw arrive, and nothing that anybody names."""
    name, path = list(borrowed(tmp_path).items())[way]
    reception = house.reception()

    with pytest.raises(RefusedError, match="that the daemon saw arrive"):
        ask(reception, kind, path)

    assert house.caretaker.orders == [], name
    reception.close()


def ask(reception: object, kind: str, path: str) -> None:
    """Ask for something to be done with what is at a path."""
    if kind == "accession":
        reception.take_in(Accession(path, DriveNumber("A1"), "s", "t"), Silent())  # type: ignore[attr-defined] # a SocketReception
    else:
        reception.run_pass(PassAsked(K07, PassKind(kind), path), Silent())  # type: ignore[attr-defined] # likewise


def test_no_path_is_even_looked_at(house: House, tmp_path: Path) -> None:
    """Whether a file is there cannot be found out: the refusal is the same, and nothing is read."""
    fifo = tmp_path / "pipe"
    os.mkfifo(fifo)  # who opens it waits for ever
    there, gone = str(fifo), str(tmp_path / "gone")

    said = [refusal(house, path) for path in (there, gone)]

    assert said[0].replace(there, "X") == said[1].replace(gone, "X")
    assert stat.S_ISFIFO(fifo.stat().st_mode)


def refusal(house: House, path: str) -> str:
    """Return how a pass at a path is refused."""
    body = json.dumps({"kind": "fixity", "on": path}).encode()
    status, answer = ROOT.asks(house.path, "POST", "/v1/drives/K07/pass", body)
    assert status == 409
    return str(json.loads(answer)["error"]["message"])


@pytest.mark.parametrize(
    "number", ["../../etc/cron.d/x", "K07/../../x", ".hidden", "K07\n", "-rf", "K" * 300, ""]
)
def test_a_number_is_no_way_to_a_file(house: House, number: str) -> None:
    """A number is part of the name of a lock and of a ring: only a real one gets so far."""
    reception = house.reception()

    with pytest.raises((UsageError, UnknownDriveError, RefusedError)):
        reception.take_in(Accession(NODE, DriveNumber(number), "s", "t"), Silent())

    assert house.caretaker.orders == []
    reception.close()


@pytest.mark.parametrize(
    "target", ["/v1/drives/..%2F..%2Fetc/policy", "/v1/drives/%00", "/v1//etc"]
)
def test_a_path_of_the_interface_is_no_path_of_a_file(house: House, target: str) -> None:
    """What stands behind the prefix is looked up in a table, never on a disk."""
    status, _ = ROOT.asks(house.path, "GET", target)

    assert status in {404, 422}


def test_a_card_cannot_bring_words_to_a_worker(house: House) -> None:
    """What is written on a card goes to the worker as one argument; control characters never."""
    reception = house.reception()

    with pytest.raises(UsageError, match="control character"):
        reception.take_in(Accession(NODE, DriveNumber("A1"), "s\n--state=/", "t"), Silent())

    assert house.caretaker.orders == []
    reception.close()


def test_the_disk_that_arrived_is_what_can_be_named(place: Path, station: Station) -> None:
    """The test above can fail: the one name that is allowed gets through, as it is."""
    with serving(place / "socket", station) as house:
        reception = house.reception()

        with pytest.raises(UsageError, match="no such file"):  # The node is invented.
            reception.run_pass(PassAsked(K07, PassKind.FIXITY, NODE), Hearing())

        assert [order.on for order in house.caretaker.orders] == [NODE]
        reception.close()
