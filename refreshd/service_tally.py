"""The tally of the service: what arrivals, slips, notices and pauses add up to.

Its rules are numbered on from those of `refreshd.tally`:

- T6 A slip number is given once, and numbers count up.
- T7 A drive has at most one open slip; a slip issued again names a closed one of its drive.
- T8 A slip goes from *issued* over *answered* and *to put away* to *returned*, or from *issued*
  to *lapsed*; one that only asks to put a drive away begins in *to put away*. When the drive of
  an answered slip leaves, the slip asks for it again and is *issued*. Nothing else changes it,
  but that the open slip of a drive lapses when the drive is withdrawn.
- T9 Reminders count from the day on which a slip came into its state, and only an open slip is
  reminded of.
- T10 A drive has at most one stay; it is released or ends only while there is one. A stay that
  was released is no longer so when a pass begins or goes on in it.
- T11 What was delivered is kept while its slip is open.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import assert_never

from refreshd.book import Book, in_care
from refreshd.cards import Delivery, Pause, Slip, SlipState, Stay
from refreshd.chain import evidence_digest
from refreshd.errors import InvariantBrokenError, require
from refreshd.events import (
    CarePaused,
    CareResumed,
    DriveArrived,
    DriveLeft,
    DriveReleased,
    Entry,
    NoticeDelivered,
    PolicyTaken,
    PutAwayAsked,
    SlipAnswered,
    SlipIssued,
    SlipLapsed,
    SlipReminded,
    SlipReturned,
    StrangerReported,
)
from refreshd.quantities import DriveNumber, Errand, SlipNumber

StayEvent = DriveArrived | DriveReleased | DriveLeft
SlipEvent = SlipIssued | SlipReminded | SlipAnswered | PutAwayAsked | SlipReturned | SlipLapsed
HouseEvent = StrangerReported | NoticeDelivered | CarePaused | CareResumed | PolicyTaken
ServiceEvent = StayEvent | SlipEvent | HouseEvent


def add_of_service(event: ServiceEvent, entry: Entry, book: Book) -> None:
    """Add an event of the service to a book."""
    if isinstance(event, HouseEvent):
        _add_to_house(event, entry, book)
        return
    in_care(event.drive, book)
    if isinstance(event, SlipEvent):
        _add_to_slip(event, entry.at.date(), book)
    else:
        _add_to_stay(event, entry, book)


def _add_to_stay(event: StayEvent, entry: Entry, book: Book) -> None:
    match event:
        case DriveArrived():
            book.put_stay(Stay(event.drive, event.place, event.presence, entry.at))
        case DriveReleased():
            book.put_stay(replace(_stay(event.drive, book), released_at=entry.at))
        case DriveLeft():
            book.end_stay(_stay(event.drive, book).drive)
            slip = book.open_slip(event.drive)
            if slip is not None and slip.state is SlipState.ANSWERED:
                book.put_slip(_changed(slip, SlipState.ISSUED, entry.at.date(), event.note))
        case _:
            assert_never(event)


def _stay(drive: DriveNumber, book: Book) -> Stay:
    """Return the stay that an event is about (T10)."""
    stay = book.stay(drive)
    if stay is None:
        raise InvariantBrokenError(f"{drive} is not plugged in as far as the record knows (T10)")
    return stay


def take_up_stay(drive: DriveNumber, book: Book) -> None:
    """Mark that a drive which was released is being worked on: it must not be unplugged (T10)."""
    stay = book.stay(drive)
    if stay is not None and stay.is_released:
        book.put_stay(replace(stay, released_at=None))


def leave_care(drive: DriveNumber, day: date, book: Book) -> None:
    """Close what is open about a drive that is withdrawn."""
    if book.stay(drive) is not None:
        book.end_stay(drive)
    slip = book.open_slip(drive)
    if slip is not None:
        _close(slip, SlipState.LAPSED, day, "the drive was withdrawn", book)


def _add_to_slip(event: SlipEvent, day: date, book: Book) -> None:
    if isinstance(event, SlipIssued):
        _issue(event, day, book)
        return
    slip = _open_slip(event, book)
    match event:
        case SlipReminded():
            book.put_slip(
                replace(
                    slip,
                    reminders=slip.reminders + 1,
                    reminded_on=day,
                    is_escalated=slip.is_escalated or event.is_escalated,
                )
            )
        case SlipAnswered():
            _demand(slip, SlipState.ISSUED, "answered")
            book.put_slip(_changed(slip, SlipState.ANSWERED, day))
        case PutAwayAsked():
            _demand(slip, SlipState.ANSWERED, "asked to be put away")
            book.put_slip(_changed(slip, SlipState.TO_PUT_AWAY, day, event.note))
        case SlipReturned():
            _demand(slip, SlipState.TO_PUT_AWAY, "returned")
            _close(slip, SlipState.RETURNED, day, event.how, book)
        case SlipLapsed():
            _demand(slip, SlipState.ISSUED, "lapsed")
            _close(slip, SlipState.LAPSED, day, event.why, book)
        case _:
            assert_never(event)


def _issue(event: SlipIssued, day: date, book: Book) -> None:
    highest = book.highest_slip()
    require(
        event.slip > highest,
        f"slip {event.slip} was issued after slip {highest}; numbers count up (T6)",
    )
    before = book.open_slip(event.drive)
    if before is not None:
        raise InvariantBrokenError(
            f"slip {event.slip} was issued while slip {before.number} of {event.drive} is open (T7)"
        )
    if event.reissue_of is not None:
        earlier = book.slip(event.reissue_of)
        require(
            earlier is not None and earlier.drive == event.drive,
            f"slip {event.slip} takes the place of slip {event.reissue_of}, which is none of"
            f" {event.drive} (T7)",
        )
    is_put_away = event.errand is Errand.PUT_AWAY
    book.put_slip(
        Slip(
            number=event.slip,
            drive=event.drive,
            errand=event.errand,
            reason=event.reason,
            issued_on=day,
            due_on=event.due_on,
            grace_ends_on=event.grace_ends_on,
            state=SlipState.TO_PUT_AWAY if is_put_away else SlipState.ISSUED,
            changed_on=day,
            expected_s=event.expected_s,
            reissue_of=event.reissue_of,
        )
    )


def _open_slip(
    event: SlipReminded | SlipAnswered | PutAwayAsked | SlipReturned | SlipLapsed, book: Book
) -> Slip:
    """Return the open slip that an event is about."""
    slip = book.slip(event.slip)
    if slip is None or slip.drive != event.drive or not slip.is_open:
        raise InvariantBrokenError(f"slip {event.slip} is no open slip of {event.drive} (T8)")
    return slip


def _demand(slip: Slip, state: SlipState, done: str) -> None:
    require(
        slip.state is state,
        f"slip {slip.number} is {slip.state}, not {state}: it cannot be {done} (T8)",
    )


def _changed(slip: Slip, state: SlipState, day: date, note: str = "") -> Slip:
    """Return a slip in another state, of which nobody was reminded yet (T9)."""
    return replace(
        slip,
        state=state,
        changed_on=day,
        reminders=0,
        reminded_on=None,
        is_escalated=False,
        note=note,
    )


def _close(slip: Slip, state: SlipState, day: date, note: str, book: Book) -> None:
    """Close a slip, and forget who was told of it (T11)."""
    book.put_slip(_changed(slip, state, day, note))
    book.drop_deliveries(slip.number)


def _add_to_house(event: HouseEvent, entry: Entry, book: Book) -> None:
    match event:
        case StrangerReported():
            book.put_stranger(evidence_digest(event.evidence))
        case NoticeDelivered():
            for number, stage in event.stages:
                _deliver(number, stage, event.channel, book)
        case CarePaused():
            book.put_pause(Pause(event.said_by, entry.at, event.until))
        case CareResumed():
            book.put_pause(None)
        case PolicyTaken():
            book.put_policy_taken(event.sha256)
        case _:
            assert_never(event)


def _deliver(number: SlipNumber, stage: str, channel: str, book: Book) -> None:
    """Keep a delivery, unless its slip was closed while it was under way (T11)."""
    slip = book.slip(number)
    if slip is None:
        raise InvariantBrokenError(f"a notice of slip {number} was delivered, which never was (T6)")
    if slip.is_open:
        book.put_delivery(Delivery(number, stage, channel))
