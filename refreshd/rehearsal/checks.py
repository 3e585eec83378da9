"""What must come of it: every step of the story is compared with what the scenario brings.

A step that goes otherwise is said at once and remembered, so that the rehearsal is a check that
can fail.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from refreshd.cards import Finding
from refreshd.durations import Duration, add, counted
from refreshd.health_cards import Verdict
from refreshd.proving_cards import ProvingStep
from refreshd.quantities import DriveNumber, FindingKind, Outcome, Span
from refreshd.rehearsal import images
from refreshd.rehearsal.scenario import Scenario, chunk_of
from refreshd.rehearsal.stage import Stage
from refreshd.verbs.health import certificates, health_list, health_of
from refreshd.verbs.looking import open_findings, shelf_list
from refreshd.verbs.records import check_journal

FINE, FINDINGS, REFUSED = 0, 1, 3
"""Exit codes of the real verbs."""


class CannotGoOnError(Exception):
    """A verb was refused or failed, so that the rest of the story has no ground."""


@dataclass(frozen=True, slots=True)
class Expected:
    """One finding that must come out: kind and place."""

    drive: DriveNumber
    kind: FindingKind
    span: Span

    @classmethod
    def of(cls, finding: Finding) -> Expected:
        """Return what a finding that was made amounts to."""
        return cls(finding.drive, finding.kind, finding.span)

    def __str__(self) -> str:
        return f"{self.kind} of {self.span.length} bytes at byte {self.span.start} of {self.drive}"


@dataclass
class Checks:
    """
    Compares; remembers what went otherwise than told.

    Args:
        scenario: What befalls the drives.
        stage: Where the drives and the record are.
        tell: Says a deviation to the audience.

    """

    scenario: Scenario
    stage: Stage
    tell: Callable[[str], None]
    deviations: list[str] = field(default_factory=list)
    _edit: Expected | None = None
    _digests: dict[DriveNumber, str] = field(default_factory=dict)

    def fact(self, fact: bool, otherwise: str) -> None:  # noqa: FBT001 - the fact is the point of the call.
        """Remember `otherwise`, a sentence without its full stop, unless the fact holds."""
        if not fact:
            self.deviations.append(otherwise)
            self.tell(f"NOT AS TOLD: {otherwise}.")

    def ended(self, code: int, wanted: int, what: str) -> None:
        """Compare the exit code of a verb; one that failed leaves nothing to go on with."""
        self.fact(code == wanted, f"{what} should have ended with exit code {wanted}, not {code}")
        if code not in {FINE, FINDINGS, wanted}:
            raise CannotGoOnError

    # ── what is remembered of the mishaps ──

    def edited_at(self, byte: int) -> None:
        """Remember where the edit lies."""
        self._edit = Expected(self.scenario.edited, FindingKind.MISMATCH, chunk_of(byte))

    def remember_images(self) -> None:
        """Remember every byte of the drives, as they are before the refreshes."""
        self._digests = {drive.number: self._digest(drive.number) for drive in self.scenario.drives}

    def _digest(self, number: DriveNumber) -> str:
        return images.digest_of(Path(self.stage.image(self.scenario.drive(number))))

    # ── findings ──

    def wanted(self, number: DriveNumber | None = None) -> list[Expected]:
        """Return the findings that the scenario brings, of one drive or of all, by place."""
        altered, bad = self.scenario.altered, self.scenario.unreadable
        found = {
            Expected(altered.drive, FindingKind.MISMATCH, chunk_of(altered.byte)),
            Expected(bad.drive, FindingKind.UNREADABLE, self.scenario.unreadable_span),
        }
        if self._edit is not None:
            found.add(self._edit)
        mine = [one for one in found if number in {None, one.drive}]
        return sorted(mine, key=lambda one: (one.drive, one.span))

    def findings(self, number: DriveNumber) -> None:
        """Compare the open findings of a drive with those that the scenario brings."""
        wanted = set(self.wanted(number))
        found = {Expected.of(view.finding) for view in open_findings(self.stage.station(), number)}
        for expected in sorted(wanted - found, key=str):
            self.fact(fact=False, otherwise=f"{expected} should have been found")
        for expected in sorted(found - wanted, key=str):
            self.fact(fact=False, otherwise=f"{expected} should not have been found")

    def finding_of_edit(self) -> Finding | None:
        """Return the finding that the edit became; None, and a deviation, if there is none."""
        found = open_findings(self.stage.station(), self.scenario.edited)
        for view in found:
            if Expected.of(view.finding) == self._edit:
                return view.finding
        self.fact(
            fact=False, otherwise=f"the edit on {self.scenario.edited} should be an open finding"
        )
        return None

    def edit_is_accepted(self) -> None:
        """Take the edit for right from now on."""
        self._edit = None

    # ── shelf, journal, bytes ──

    def all_due(self, today: date) -> None:
        """Compare the shelf before the refreshes."""
        lines = shelf_list(self.stage.station()).lines
        due, wanted = sum(line.due.overdue_days > 0 for line in lines), len(self.scenario.drives)
        self.fact(
            due == len(lines) == wanted,
            f"{counted(wanted, 'drive')} should be overdue on {today}, not {due}",
        )

    def all_refreshed(self, today: date, interval: Duration) -> None:
        """Compare the shelf after the refreshes."""
        for line in shelf_list(self.stage.station()).lines:
            number, on = line.card.number, line.rewritten.on
            if number == self.scenario.failing:
                self.fact(on is None, f"{number} should not count as rewritten, not on {on}")
                continue
            chunks = {chunk_of(one.span.start) for one in self.wanted(number)}
            self.fact(
                on is not None and on >= today, f"{number} should count as rewritten on {today}"
            )
            self.fact(
                line.rewritten.held_chunks == len(chunks),
                f"{counted(len(chunks), 'chunk')} of {number} should wait for a decision",
            )
            self.fact(line.due.due >= add(today, interval), f"{number} should be due in {interval}")

    # ── proving ──

    def is_proved(self, size_bytes: int) -> None:
        """Compare the certificate of the new drive: passed, all of it written and read."""
        found = certificates(self.stage.station(), None)
        passed = [one for one in found if one.evidence.size_bytes == size_bytes]
        self.fact(len(passed) == 1, f"there should be one certificate, not {len(passed)}")
        for one in passed:
            self.fact(
                one.plan.is_writing and one.outcome is not Outcome.FAIL,
                f"the new drive should have been written over and passed, not {one.outcome}",
            )
            ended = {result.step for result in one.results}
            for step in ProvingStep:
                self.fact(step in ended, f'the proving should have come to "{step}"')

    # ── health ──

    def has_rested(self, number: DriveNumber) -> None:
        """Compare what was watched of the last pass of a drive: it rested for heat."""
        watches = health_of(self.stage.station(), number).watches
        rests = watches[-1].heat_pauses if watches else ()
        self.fact(bool(rests), f"the reading of {number} should have rested for heat")

    def is_held(self, number: DriveNumber) -> None:
        """Compare the card of the drive that fails: on hold, by its own word."""
        card = health_of(self.stage.station(), number).card
        says = card.health is not None and card.health.verdict is Verdict.DO_NOT_WRITE
        self.fact(says, f'the verdict on {number} should be "{Verdict.DO_NOT_WRITE}"')
        self.fact(card.hold is not None, f"{number} should be on hold")

    def worst_is(self, number: DriveNumber) -> None:
        """Compare the shelf by health: one drive is on top, nothing speaks against the others."""
        first, *others = health_list(self.stage.station()).cards
        self.fact(first.number == number, f"{number} should be the worst, not {first.number}")
        for card in others:
            verdict = Verdict.NOT_KNOWN if card.health is None else card.health.verdict
            self.fact(
                verdict is Verdict.FIT, f'the verdict on {card.number} should not be "{verdict}"'
            )

    def journal(self) -> None:
        """Verify the journal once more, without the words."""
        found = check_journal(self.stage.station()).verification
        self.fact(
            found.is_untouched and not found.problems and found.records > 0,
            "the journal should be whole",
        )

    def images(self) -> None:
        """Compare every byte of the drives with what it was before the refreshes."""
        for number, before in self._digests.items():
            self.fact(
                self._digest(number) == before,
                f"the bytes of {number} should be what they were before the refreshes",
            )


def listed(texts: Sequence[str]) -> str:
    """Return words as a list in a sentence."""
    return " and ".join(filter(None, (", ".join(texts[:-1]), *texts[-1:])))
