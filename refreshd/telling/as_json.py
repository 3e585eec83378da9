"""Records as JSON objects. Keys that stand here are stable; new ones may be added."""

from __future__ import annotations

from datetime import date, datetime

from refreshd.adapters.export import Exported
from refreshd.cards import Evidence, Finding, PassHistory, PassState
from refreshd.errors import InvariantBrokenError, RefreshdError
from refreshd.events import Entry
from refreshd.health_cards import HealthState
from refreshd.passes.bench import PassReport
from refreshd.policy_review import Decided, Remark
from refreshd.verbs.care import TakenIn, Withdrawn
from refreshd.verbs.deciding import Accepted
from refreshd.verbs.looking import DriveView, FindingView, ShelfLine, ShelfList
from refreshd.wiring.shelf import JournalVerified

JsonObject = dict[str, object]


def error_object(error: RefreshdError | InvariantBrokenError) -> JsonObject:
    """Return what went wrong, as the value of ``error``."""
    return error_of(type(error).__name__, str(error), error.exit_code)


def error_of(kind: str, message: str, exit_code: int) -> JsonObject:
    """Return an error that has no class of its own in the tree."""
    return {"kind": kind, "message": message, "exit_code": exit_code}


def day(value: date | None) -> str | None:
    """Return a calendar day as ISO 8601."""
    return None if value is None else value.isoformat()


def moment(value: datetime) -> str:
    """Return a time as ISO 8601, UTC, whole seconds."""
    return value.strftime("%Y-%m-%dT%H:%M:%SZ")


def finding_object(finding: Finding) -> JsonObject:
    """Return a finding."""
    return {
        "id": finding.id,
        "kind": finding.kind.value,
        "start_byte": finding.span.start,
        "length_bytes": finding.span.length,
        "drive": finding.drive,
        "state": finding.state.value,
        "opened_on": day(finding.opened_on),
        "note": finding.note,
    }


def pass_object(report: PassReport) -> JsonObject:
    """Return what a pass did; with ``error`` when it was stopped before its end."""
    told: JsonObject = {
        "drive": report.drive,
        "pass": report.pass_id,
        "kind": report.kind.value,
        "outcome": report.outcome.value,
        "bytes_read": report.bytes_read,
        "bytes_written": report.bytes_written,
        "bytes_skipped": report.bytes_skipped,
        "seconds": round(report.seconds, 3),
        "findings": [finding_object(finding) for finding in report.findings],
        "mended": [
            {
                "start_byte": one.span.start,
                "length_bytes": one.span.length,
                "how": one.how,
            }
            for one in report.mended
        ],
        "notes": list(report.notes),
    }
    if report.stopped_by is not None:
        told["error"] = error_object(report.stopped_by)
    return told


def taken_in_object(taken: TakenIn) -> JsonObject:
    """Return what an accession did: the pass, or the inventory of a folder, and the card."""
    told: JsonObject = {"drive": taken.card.number}
    if taken.report is not None:
        told = pass_object(taken.report)
    if taken.inventory is not None:
        told["inventory"] = {
            "files": taken.inventory.files,
            "file_bytes": taken.inventory.file_bytes,
            "other_items": taken.inventory.other_items,
            "unreadable_items": taken.inventory.unreadable_items,
            "listing_sha256": taken.inventory.listing_sha256,
        }
    card = taken.card
    return told | {
        "shelfmark": card.shelfmark,
        "title": card.title,
        "medium": card.medium.value,
        "holding": card.holding,
        "is_taken_in": card.is_taken_in,
        "is_taken_up_again": taken.is_taken_up_again,
    }


def shelf_object(shelf: ShelfList) -> JsonObject:
    """Return the shelf list."""
    return {"as_of": day(shelf.as_of), "drives": [shelf_line_object(one) for one in shelf.lines]}


def shelf_line_object(line: ShelfLine) -> JsonObject:
    """Return one drive of the shelf list."""
    return {
        "number": line.card.number,
        "shelfmark": line.card.shelfmark,
        "title": line.card.title,
        "last_rewrite": day(line.rewritten.on),
        "last_fixity": day(line.card.last_fixity),
        "due": day(line.due.due),
        "counts_from": line.due.counts_from.value,
        "counted_date": day(line.due.counted_date),
        "overdue_days": line.due.overdue_days,
        "held_chunks": line.rewritten.held_chunks,
        "fixity_due": day(line.due.fixity_due),
        "fixity_counts_from": line.due.fixity_counts_from.value,
        "fixity_overdue_days": line.due.fixity_overdue_days,
        "open_findings": line.open_findings,
        "is_taken_in": line.card.is_taken_in,
        "hold": line.card.hold,
        "health": _health_object(line.card.health),
    }


def _health_object(state: HealthState | None) -> JsonObject | None:
    """Return where a drive's health stands in brief; null: never read."""
    if state is None:
        return None
    return {
        "verdict": state.verdict.value,
        "read_on": day(state.read_on),
        "is_silent": state.is_silent,
    }


def drive_object(view: DriveView) -> JsonObject:
    """Return everything that is known of one drive."""
    card = view.card
    return shelf_line_object(view.line) | {
        "medium": card.medium.value,
        "evidence": evidence_object(card.evidence),
        "chunk_bytes": card.chunk_bytes,
        "chunks": card.grid.count,
        "recorded_chunks": view.recorded_chunks,
        "accessioned_on": day(card.accessioned_on),
        "claimed_written_on": day(card.claimed_written_on),
        "withdrawn_on": day(card.withdrawn_on),
        "holding": card.holding,
        "copies": list(view.copies),
        "proof": view.proof,
        "passes": [_history_object(one) for one in view.passes],
        "unfinished_passes": [_state_object(one) for one in view.unfinished],
        "findings": [finding_object(one) for one in view.findings],
    }


def evidence_object(evidence: Evidence) -> JsonObject:
    """Return what a medium says about itself."""
    return {
        "carrier": evidence.carrier.value,
        "size_bytes": evidence.size_bytes,
        "logical_bytes": evidence.logical_bytes,
        "physical_bytes": evidence.physical_bytes,
        "wwn": evidence.wwn,
        "model": evidence.model,
        "serial": evidence.serial,
        "signatures": list(evidence.signatures),
        "is_rotational": evidence.is_rotational,
        "has_own_names": evidence.has_own_names,
    }


def _history_object(done: PassHistory) -> JsonObject:
    return {
        "pass": done.id,
        "kind": done.kind.value,
        "begun_at": moment(done.begun_at),
        "ended_at": moment(done.ended_at),
        "outcome": done.outcome.value,
        "reached_end": done.reached_end,
        "bytes_checked": done.checked_bytes,
        "bytes_rewritten": done.rewritten_bytes,
        "findings": done.findings,
        "note": done.note,
    }


def _state_object(state: PassState) -> JsonObject:
    return {
        "pass": state.id,
        "kind": state.kind.value,
        "begun_at": moment(state.begun_at),
        "next_chunk": state.next_chunk,
    }


def findings_object(views: tuple[FindingView, ...]) -> JsonObject:
    """Return the open findings."""
    return {"findings": [finding_object(view.finding) for view in views]}


def accepted_object(accepted: Accepted) -> JsonObject:
    """Return what was accepted."""
    return {
        "drive": accepted.card.number,
        "accepted": [finding_object(one) for one in accepted.findings],
        "still_open": accepted.still_open,
    }


def withdrawn_object(withdrawn: Withdrawn) -> JsonObject:
    """Return what remains of a drive that was withdrawn."""
    return {
        "drive": withdrawn.card.number,
        "withdrawn_on": day(withdrawn.card.withdrawn_on),
        "open_findings": withdrawn.open_findings,
        "staged": None if withdrawn.staged is None else str(withdrawn.staged),
        "unfinished_passes": [kind.value for kind in withdrawn.unfinished],
    }


def entry_object(entry: Entry) -> JsonObject:
    """Return a record of the journal as it stands there."""
    return entry.model_dump(mode="json")


def exported_object(exported: Exported) -> JsonObject:
    """Return what was exported."""
    return {
        "directory": str(exported.directory),
        "files": exported.files,
        "total_bytes": exported.total_bytes,
        "records": exported.records,
        "last_record": exported.last_record,
        "journal": verified_object(JournalVerified(exported.verification)),
    }


def verified_object(checked: JournalVerified) -> JsonObject:
    """Return what the journal was found to be."""
    found = checked.verification
    return {
        "is_untouched": found.is_untouched,
        "is_complete": found.is_complete,
        "records": found.records,
        "head": None
        if found.head is None
        else {"sequence": found.head[0], "digest": found.head[1]},
        "catalogue_asked": not checked.unasked,
        "note": checked.unasked,
        "problems": [
            {
                "what": problem.what.value,
                "file": problem.place.file,
                "line": problem.place.line,
                "first_record": problem.first,
                "last_record": problem.last,
                "note": problem.note,
            }
            for problem in found.problems
        ],
    }


def remark_object(remark: Remark) -> JsonObject:
    """Return one remark on the policy file."""
    return {
        "line": remark.line or None,
        "key": remark.key,
        "given": remark.given,
        "says": remark.says,
    }


def decided_object(decided: Decided) -> JsonObject:
    """Return one value of the policy and who decided it."""
    return {
        "key": decided.key,
        "value": decided.value,
        "table": decided.table,
        "line": decided.line,
        "by": decided.by,
    }
