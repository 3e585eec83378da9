"""Whether a drive was proved before content is entrusted to it: said, or insisted on."""

from __future__ import annotations

from refreshd.cards import Carrier, Evidence
from refreshd.drive import LOOP_MODEL
from refreshd.errors import RefusedError
from refreshd.policy_values import Unproved
from refreshd.ports import Attendant, Ledger
from refreshd.proving_cards import Certificate
from refreshd.quantities import DriveNumber, Outcome


def proof_missing(ledger: Ledger, evidence: Evidence) -> str | None:
    """
    Say in what way a drive is not proved; None: its last proving ended well.

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
    return _of_the_last(certificates[-1])


def _of_the_last(certificate: Certificate) -> str | None:
    if certificate.outcome is not Outcome.FAIL:
        return None
    return (
        f"it failed its proving {certificate.id} on {certificate.ended_at.date()}; `refreshd prove "
        f"--show {certificate.id}` says why"
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

    Raises:
        RefusedError: The policy insists.

    """
    missing = proof_missing(ledger, evidence)
    if missing is None:
        return
    if unproved is Unproved.REFUSE:
        raise RefusedError(
            f'{number}: {missing}. The policy insists on it (unproved = "refuse"): a drive without '
            "content is proved by `refreshd prove PATH` before its accession. One that holds "
            f'content already can be let through by unproved = "say" in [drive.{number}]'
        )
    attendant.said(f"{number}: {missing}.")
