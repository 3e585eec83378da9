"""Records of the service, one sentence each: arrivals, slips, notices, pauses."""

from __future__ import annotations

from typing import assert_never

from refreshd import events
from refreshd.cards import Evidence
from refreshd.quantities import Errand
from refreshd.service_tally import HouseEvent, ServiceEvent, SlipEvent, StayEvent
from refreshd.words import about_words, size_words


def service_sentence(event: ServiceEvent) -> str:
    """Return what happened, in words."""
    if isinstance(event, SlipEvent):
        return f"slip {event.slip}: {_of_a_slip(event)}"
    if isinstance(event, HouseEvent):
        return _of_the_house(event)
    return _of_a_stay(event)


def _of_a_stay(event: StayEvent) -> str:
    match event:
        case events.DriveArrived():
            return f"plugged in, at {event.place}"
        case events.DriveReleased():
            return f"may be unplugged: {event.how}"
        case events.DriveLeft():
            return f"no longer plugged in{_noted(event.note)}"
        case _:
            assert_never(event)


def _of_a_slip(event: SlipEvent) -> str:
    match event:
        case events.SlipIssued():
            return _issued(event)
        case events.SlipReminded():
            return "reminded, and escalated" if event.is_escalated else "reminded"
        case events.SlipAnswered():
            return "the drive that it asks for is here"
        case events.PutAwayAsked():
            done = "the errand is done" if event.is_done else "the errand was not done"
            return f"{done}, the drive may go back to its place{_noted(event.note)}"
        case events.SlipReturned():
            return f"the drive is away again, {event.how}"
        case events.SlipLapsed():
            return f"lapsed: {event.why}"
        case _:
            assert_never(event)


def _issued(event: events.SlipIssued) -> str:
    asked = "to be put away"
    if event.errand is not Errand.PUT_AWAY:
        takes = "" if event.expected_s is None else f", {about_words(event.expected_s)}"
        asked = f"asked for: {event.errand}{takes}, due on {event.due_on}"
    again = "" if event.reissue_of is None else f" (in place of slip {event.reissue_of})"
    return f"{asked}{again}: {event.reason}"


def _of_the_house(event: HouseEvent) -> str:
    match event:
        case events.StrangerReported():
            return f"not in care, not touched: {_seen(event.evidence)}, at {event.place}"
        case events.NoticeDelivered():
            stages = ", ".join(f"slip {slip} ({stage})" for slip, stage in event.stages)
            return f"told through {event.channel}: {stages}"
        case events.CarePaused():
            until = "somebody says otherwise"
            if event.until is not None:
                until = event.until.strftime("%Y-%m-%d %H:%MZ")
            return f"{event.said_by} asked that no pass runs until {until}"
        case events.CareResumed():
            return f"passes may run again: the pause was ended by {event.said_by}"
        case events.PolicyTaken():
            digest = f", SHA-256 {event.sha256}" if event.sha256 else ""
            return f"the policy is now {event.file or 'the built-in one'}{digest}"
        case _:
            assert_never(event)


def _seen(evidence: Evidence) -> str:
    """Say what a drive says about itself."""
    said = [
        f"{evidence.carrier.words} of {size_words(evidence.size_bytes)}",
        f"model {evidence.model}" if evidence.model else "",
        f"serial {evidence.serial}" if evidence.serial else "",
    ]
    return ", ".join(one for one in said if one)


def _noted(note: str) -> str:
    return f": {note}" if note else ""
