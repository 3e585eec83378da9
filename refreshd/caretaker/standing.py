"""How things stand: the caretaker's state as frozen values. Changes nothing."""

from __future__ import annotations

from datetime import datetime

from refreshd.caretaker.arrivals import is_of_server
from refreshd.caretaker.house import House
from refreshd.caretaker.leaving import is_released
from refreshd.caretaker.occupants import Occupant, Run, Work
from refreshd.caretaker.readings import last_reading
from refreshd.caretaker.status import Doing, DriveHere, DriveToMind, Status, VisitUnderWay
from refreshd.caretaker.visits import timeout_s
from refreshd.health_cards import Measure, Verdict
from refreshd.hours import is_quiet, next_edge

PLANNED_SHOWN = 30


def status(house: House, next_bell: datetime | None) -> Status:
    """Return how things stand."""
    local, spans = house.local_now, house.policy.visits.quiet_hours
    edge = next_edge(spans, local)
    quiet = is_quiet(spans, local)
    asked_for = set(house.slips)
    planned = [visit for visit in house.planned if visit.drive not in asked_for]
    return Status(
        at=house.now,
        bays=house.policy.visits.bays,
        slips=tuple(sorted(house.slips.values(), key=lambda slip: slip.number)),
        here=tuple(_here(house, one) for one in house.occupants),
        visits=tuple(
            _visit(house, one, one.run)
            for one in house.occupants
            if one.run is not None and not one.hanging
        ),
        planned=tuple(planned[:PLANNED_SHOWN]),
        pause=house.pause,
        quiet_until=edge if quiet else None,
        quiet_from=None if quiet else edge,
        is_on_battery=house.around.is_on_battery(),
        clock_alarm=house.scribe.clock_alarm,
        record_alarm=house.scribe.record_alarm,
        open_findings=sum(row.open_findings for row in house.rows),
        to_mind=_to_mind(house),
        backlog=house.backlog,
        next_bell=next_bell,
    )


def _to_mind(house: House) -> tuple[DriveToMind, ...]:
    """Return the drives whose health asks for something, the worst first."""
    found = [
        DriveToMind(row.card.number, row.card.health)
        for row in house.rows
        if row.card.health is not None and row.card.health.verdict.severity > Verdict.FIT.severity
    ]
    return tuple(sorted(found, key=lambda one: (-one.health.verdict.severity, one.drive)))


def _here(house: House, one: Occupant) -> DriveHere:
    stay = None if one.drive is None else house.stays.get(one.drive)
    doing, why = _doing(house, one)
    last = last_reading(house, one)
    return DriveHere(
        seat=one.seat,
        doing=doing,
        drive=one.drive,
        evidence=one.evidence,
        arrived_at=one.arrived_at if stay is None else stay.arrived_at,
        why=why,
        released_at=None if stay is None else stay.released_at,
        health=None if one.drive is None else house.card(one.drive).health,
        celsius=None if last is None else last.reading.measures.get(Measure.CELSIUS),
        read_at=None if last is None else last.at,
    )


def _doing(house: House, one: Occupant) -> tuple[Doing, str]:
    """Return what becomes of a disk, and why."""
    trouble = _trouble(one)
    if trouble is not None:
        return trouble
    if one.run is not None:
        return Doing.VISITING, "" if one.run.stop is None else one.run.stop.why
    if one.work is Work.RELEASE:
        return Doing.RELEASING, one.kept
    if one.kept:
        return Doing.KEPT, one.kept
    if one.over is not None:
        return (Doing.RELEASED if is_released(house, one) else Doing.RELEASING), one.over.note
    return _waiting(house, one)


def _trouble(one: Occupant) -> tuple[Doing, str] | None:
    """Return why nothing can be done with a disk, or not yet; None: it is a drive in care."""
    if one.hanging:
        return Doing.HANGING, one.hanging
    if one.work is Work.IDENTIFY:
        return Doing.IDENTIFYING, ""
    if one.unclear:
        return (Doing.IN_USE if is_of_server(one) else Doing.UNCLEAR), one.unclear
    if one.drive is None and one.run is None and not one.waits_for:
        return (Doing.STRANGER if one.is_stranger else Doing.IDENTIFYING), ""
    return None


def _waiting(house: House, one: Occupant) -> tuple[Doing, str]:
    if one.waits_for:
        return Doing.WAITING, one.waits_for
    if one.drive is not None and house.card(one.drive).withdrawn_on is not None:
        return Doing.IDLE, "it was withdrawn from care"
    return Doing.IDLE, "its pass was stopped by hand" if one.is_stopped_by_hand else ""


def _visit(house: House, one: Occupant, run: Run) -> VisitUnderWay:
    progress = run.progress
    silent_s = house.now_s - one.heard_s
    hangs = silent_s >= timeout_s(house, one.drive)
    return VisitUnderWay(
        seat=one.seat,
        drive=run.order.number,
        kind=run.order.kind,
        is_closing=run.order.is_closing,
        asked_by=run.order.asked_by,
        begun_at=run.begun_at,
        done_bytes=progress.done_bytes,
        of_bytes=progress.of_bytes,
        doing=progress.doing,
        rate_bytes_per_s=progress.rate_bytes_per_s,
        left_s=progress.left_s,
        silent_s=silent_s,
        hangs_at_byte=progress.done_bytes if hangs else None,
        stopping="" if run.stop is None else run.stop.why,
    )
