"""Readings and provings over the socket: begun, heard to their end, stopped, told as records."""

from __future__ import annotations

import threading
from contextlib import closing
from pathlib import Path

import pytest

from refreshd.errors import DriveGoneError, PassStoppedError, UsageError
from refreshd.messages import AnyMessage, Moved, VisitEnded, told
from refreshd.ports import NO_NUMBER, ProvingWish, VisitOrder
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, Outcome, PassKind
from refreshd.wiring.shelf import shelf_for_writing
from refreshd.wiring.station import Station
from tests.fakes.house import NODE, Hearing, InventedCaretaker, serving
from tests.health_builders import certified, health_read, proving_begun

K07 = DriveNumber("K07")
WISH = ProvingWish(is_erasing=True, erase_drive="ZX-0042", leaves_out_extended_test=True)


def ended(certificate: Certificate | None = None, error: Exception | None = None) -> VisitEnded:
    """Return the end of a proving."""
    failed = None if error is None else told(PassStoppedError(str(error)))
    return VisitEnded(
        drive=None,
        pass_kind=PassKind.PROVING,
        outcome=Outcome.SUCCESS if certificate else Outcome.FAIL,
        is_complete=certificate is not None,
        findings=0,
        error=failed,
        certificate=certificate,
    )


def a_certificate() -> Certificate:
    """Return what a proving found."""
    return certified().certificate


def test_a_proving_is_asked_for_as_it_was_said_and_its_certificate_comes_back(
    place: Path, station: Station
) -> None:
    """Every wish arrives, above all the two that content may go; the record is the very same."""
    found = a_certificate()
    asked: list[VisitOrder] = []

    def play(caretaker: InventedCaretaker, order: VisitOrder) -> None:
        asked.append(order)
        caretaker.tell(NODE, None, Moved(done_bytes=1, of_bytes=2, doing="writing"))
        caretaker.tell(NODE, None, ended(found))

    with serving(place / "socket", station, play) as house:
        hearing = Hearing()
        with closing(house.reception()) as reception:
            assert reception.prove(NODE, WISH, hearing) == found

    (order,) = asked
    assert (order.drive, order.kind, order.on) == (NO_NUMBER, PassKind.PROVING, NODE)
    assert order.proving == WISH
    assert order.asked_by == "root"
    assert hearing.moves == [(1, 2, "writing")]


def test_another_disk_does_not_end_the_stream_of_a_proving(place: Path, station: Station) -> None:
    """Strangers have no number: each is known by its node."""
    found = a_certificate()

    def play(caretaker: InventedCaretaker, _: VisitOrder) -> None:
        caretaker.tell("/dev/sdz", None, ended(error=PassStoppedError("another one")))
        caretaker.tell(NODE, None, ended(found))

    with serving(place / "socket", station, play) as house, closing(house.reception()) as desk:
        assert desk.prove(NODE, WISH, Hearing()) == found


def test_whoever_stops_a_proving_stops_the_one_at_its_node(place: Path, station: Station) -> None:
    """Ctrl-C, or a verb; what is not under way cannot be stopped."""
    with serving(place / "socket", station, play=lambda _, __: None) as house:
        with (
            closing(house.reception()) as desk,
            pytest.raises(UsageError, match="no proving at"),
        ):
            desk.stop_proving(NODE)
        hearing = Hearing()
        errors: list[PassStoppedError] = []
        hearing.stop.set()

        reception = house.reception()

        def run() -> None:
            try:
                reception.prove(NODE, WISH, hearing)
            except PassStoppedError as err:
                errors.append(err)
            finally:
                reception.close()

        thread = threading.Thread(target=run)
        thread.start()
        moment = threading.Event()
        while f"stop proving at {NODE} by root" not in house.caretaker.heard[1:]:
            moment.wait(0.05)
        house.tell(NODE, None, ended(error=PassStoppedError("stopped as asked")))
        thread.join(20)

    assert [str(one) for one in errors] == ["stopped as asked"]


def test_a_reading_by_hand_comes_back_with_the_series(place: Path, station: Station) -> None:
    """It has no report of a pass; what was written down is read from the record."""

    def play(caretaker: InventedCaretaker, order: VisitOrder) -> None:
        assert (order.kind, order.lets_sleep) == (PassKind.HEALTH, False)
        with shelf_for_writing(station) as shelf:
            shelf.ledger.record(health_read())
        caretaker.tell(NODE, K07, read_ended())

    with serving(place / "socket", station, play) as house, closing(house.reception()) as desk:
        view = desk.read_health(K07, NODE, Hearing())
        listed = desk.health_list()

    assert [one.verdict for one in view.series] == [health_read().verdict]
    assert [card.number for card in listed.cards] == [K07]


def test_a_reading_that_failed_is_the_error_that_it_was(place: Path, station: Station) -> None:
    """The same class as without a daemon."""

    def play(caretaker: InventedCaretaker, _: VisitOrder) -> None:
        caretaker.tell(NODE, K07, read_ended(DriveGoneError("/dev/sdx: it is gone")))

    with (
        serving(place / "socket", station, play) as house,
        closing(house.reception()) as desk,
        pytest.raises(DriveGoneError, match="it is gone"),
    ):
        desk.read_health(K07, NODE, Hearing())


def read_ended(error: DriveGoneError | None = None) -> AnyMessage:
    """Return the end of a reading."""
    return VisitEnded(
        drive=K07,
        pass_kind=PassKind.HEALTH,
        outcome=Outcome.SUCCESS if error is None else Outcome.FAIL,
        is_complete=error is None,
        findings=0,
        error=None if error is None else told(error),
    )


def test_the_certificates_of_a_drive_are_those_of_its_own_names(
    place: Path, station: Station
) -> None:
    """Also over the socket; of a drive that was never proved there are none."""
    with shelf_for_writing(station) as shelf:
        shelf.ledger.record(proving_begun())
        (proving,) = shelf.ledger.unfinished_provings()
        done = certified(begun_at=proving.begun_at)
        shelf.ledger.record(done)

    with serving(place / "socket", station) as house, closing(house.reception()) as reception:
        assert reception.certificates(None) == (done.certificate,)
        assert reception.certificates(K07) == ()
        assert reception.proved(done.certificate.id).certificate == done.certificate
