"""Whether a drive was proved before content is entrusted to it: said, or insisted on."""

from __future__ import annotations

from collections.abc import Sequence

from refreshd.cards import Carrier, Evidence
from refreshd.drive import LOOP_MODEL
from refreshd.errors import RefusedError
from refreshd.policy_values import Unproved
from refreshd.ports import Attendant, Ledger
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, Outcome


def proof_missing(ledger: Ledger, evidence: Evidence) -> str | None:
    """
    Say in what way a drive is not proved; None: it was, and no failed proving stands.

    An image file, a loop device and a mounted folder are no drives, and nobody proves them.
    """
    if evidence.carrier is not Carrier.BLOCK or evidence.model == LOOP_MODEL:
        return None
    if not evidence.has_own_names or not (evidence.wwn or evidence.serial):
        return (
            "whether it was ever proved cannot be told, since it does not say itself which drive "
            "it is"
        )
    certificates = ledger.certificates(evidence)
    if not certificates:
        return "it was never proved: there is no certificate of an acceptance test"
    failed = _failed(certificates)
    if failed is None:
        return None
    return (
        f"it failed its proving {failed.id} on {failed.ended_at.date()}; `refreshd prove "
        f"--show {failed.id}` says why"
    )


def _failed(certificates: Sequence[Certificate]) -> Certificate | None:
    """
    Return the failed proving that stands; None: there is none.

    A later one that ended well settles it, but not by reading alone what failed by writing: a
    drive that holds less than it claims can be read without a complaint.
    """
    standing: Certificate | None = None
    for one in certificates:
        if one.outcome is Outcome.FAIL:
            standing = one
        elif standing is not None and (one.plan.is_writing or not standing.plan.is_writing):
            standing = None
    return standing


def _only_read(ledger: Ledger, evidence: Evidence) -> str | None:
    """Say that a drive, whose provings ended well, was never proved by writing."""
    certificates = ledger.certificates(evidence)
    if not certificates or any(one.plan.is_writing for one in certificates):
        return None
    return (
        f"its proving {certificates[-1].id} only read it: neither writing nor its capacity was "
        "tested"
    )


def heed_proof(
    ledger: Ledger,
    number: DriveNumber,
    evidence: Evidence,
    unproved: Unproved,
    attendant: Attendant,
) -> None:
    """
    Say that a drive was never proved, or insist on it, as the policy has it.

    One with content can only be proved by reading: that is enough for the policy, and it is said.

    Raises:
        RefusedError: The policy insists.

    """
    missing = proof_missing(ledger, evidence)
    if missing is None:
        if only_read := _only_read(ledger, evidence):
            attendant.said(f"{number}: {only_read}.")
        return
    if unproved is Unproved.REFUSE:
        raise RefusedError(
            f'{number}: {missing}. The policy insists on it (unproved = "refuse"): a drive without '
            "content is proved by `refreshd prove PATH` before its accession. One that holds "
            f'content already can be let through by unproved = "say" in [drive.{number}]'
        )
    attendant.said(f"{number}: {missing}.")


def proof_words(ledger: Ledger, evidence: Evidence) -> str:
    """Say of a drive in care whether it was proved, and where that stands; empty: no drive."""
    said = proof_missing(ledger, evidence) or _only_read(ledger, evidence)
    certificates = ledger.certificates(evidence)
    if said is not None or not certificates:
        return said or ""
    last = certificates[-1]
    remarks = ", with remarks" if last.outcome is Outcome.WARNING else ""
    return (
        f"it passed its proving {last.id} on {last.ended_at.date()}{remarks}; `refreshd prove "
        f"--show {last.id}` shows its certificate"
    )
