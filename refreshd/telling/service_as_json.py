"""Records of the service as JSON objects. Keys that stand here are stable; new ones may come."""

from __future__ import annotations

from datetime import datetime

from refreshd.cards import Pause, Slip
from refreshd.caretaker.status import DriveHere, Status, VisitUnderWay
from refreshd.health_cards import HealthState
from refreshd.reception.wire import Heard
from refreshd.spreading import PlannedVisit
from refreshd.telling.as_json import JsonObject, day, moment
from refreshd.verbs.slips import PlannedLine, PullLine, PullList


def slip_object(slip: Slip) -> JsonObject:
    """Return a slip."""
    return {
        "slip": slip.number,
        "drive": slip.drive,
        "errand": slip.errand.value,
        "state": slip.state.value,
        "reason": slip.reason,
        "issued_on": day(slip.issued_on),
        "due_on": day(slip.due_on),
        "grace_ends_on": day(slip.grace_ends_on),
        "changed_on": day(slip.changed_on),
        "expected_seconds": slip.expected_s,
        "reissue_of": slip.reissue_of,
        "reminders": slip.reminders,
        "reminded_on": day(slip.reminded_on),
        "is_escalated": slip.is_escalated,
        "note": slip.note,
    }


def pull_list_object(found: PullList) -> JsonObject:
    """Return the pull list."""
    return {
        "as_of": day(found.as_of),
        "to_bring": [_line_object(line) for line in found.to_bring],
        "to_put_away": [_line_object(line) for line in found.to_put_away],
        "at_work": [_line_object(line) for line in found.at_work],
        "planned": [_planned_object(line) for line in found.planned],
        "overload": found.overload,
    }


def _line_object(line: PullLine) -> JsonObject:
    return slip_object(line.slip) | {
        "shelfmark": line.card.shelfmark,
        "title": line.card.title,
        "place": line.place,
        "is_released": line.is_released,
    }


def _planned_object(line: PlannedLine) -> JsonObject:
    card = line.card
    return visit_object(line.visit) | {"shelfmark": card.shelfmark, "title": card.title}


def visit_object(visit: PlannedVisit) -> JsonObject:
    """Return a visit that will be asked for."""
    return {
        "drive": visit.drive,
        "errand": visit.errand.value,
        "on": day(visit.on),
        "due_on": day(visit.due_on),
        "reason": visit.reason,
        "expected_seconds": visit.expected_s,
    }


def _maybe(at: datetime | None) -> str | None:
    return None if at is None else moment(at)


def status_object(status: Status) -> JsonObject:
    """Return how things stand. Quiet hours are on the server's own clock on the wall."""
    return {
        "at": moment(status.at),
        "is_well": status.is_well,
        "clock_alarm": status.clock_alarm,
        "record_alarm": status.record_alarm,
        "open_findings": status.open_findings,
        "backlog": status.backlog,
        "to_mind": [{"drive": one.drive} | _health_object(one.health) for one in status.to_mind],
        "bays": status.bays,
        "here": [_here_object(here) for here in status.here],
        "visits": [_under_way_object(visit) for visit in status.visits],
        "slips": [slip_object(slip) for slip in status.slips],
        "planned": [visit_object(visit) for visit in status.planned],
        "pause": None if status.pause is None else _pause_object(status.pause),
        "quiet_until": None if status.quiet_until is None else status.quiet_until.isoformat(),
        "quiet_from": None if status.quiet_from is None else status.quiet_from.isoformat(),
        "is_on_battery": status.is_on_battery,
    }


def _pause_object(pause: Pause) -> JsonObject:
    return {
        "said_by": pause.said_by,
        "since": moment(pause.since),
        "until": _maybe(pause.until),
    }


def _here_object(here: DriveHere) -> JsonObject:
    return {
        "node": here.seat.node,
        "drive": here.drive,
        "doing": here.doing.value,
        "why": here.why,
        "arrived_at": moment(here.arrived_at),
        "released_at": _maybe(here.released_at),
        "health": None if here.health is None else _health_object(here.health),
        "celsius": here.celsius,
        "health_read_at": _maybe(here.read_at),
    }


def _health_object(health: HealthState) -> JsonObject:
    return {
        "verdict": health.verdict.value,
        "read_on": day(health.read_on),
        "is_silent": health.is_silent,
        "reasons": list(health.reasons),
    }


def _under_way_object(visit: VisitUnderWay) -> JsonObject:
    return {
        "node": visit.seat.node,
        "drive": visit.drive,
        "kind": visit.kind.value,
        "asked_by": visit.asked_by,
        "begun_at": moment(visit.begun_at),
        "done_bytes": visit.done_bytes,
        "of_bytes": visit.of_bytes,
        "doing": visit.doing,
        "rate_bytes_per_s": visit.rate_bytes_per_s,
        "seconds_left": visit.left_s,
        "hangs_at_byte": visit.hangs_at_byte,
        "stopping": visit.stopping,
    }


def heard_object(line: Heard) -> JsonObject:
    """Return what happened, as it travelled."""
    return line.model_dump(mode="json")
