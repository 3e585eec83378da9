"""Whoever asks a drive about itself."""

from __future__ import annotations

from typing import Protocol

from refreshd.health_cards import RawPages, SelfTest, SelfTestKind, Vital


class Examiner(Protocol):
    """Asks one drive about itself by open standards. Moves no content, changes no setting.

    A drive that does not answer is no error: it is silent, and the answer says why. Every call
    may raise DriveGoneError; none may be made while the drive is to rest, since a question can
    keep it awake, save `is_asleep`.
    """

    def read(self) -> RawPages:
        """Ask for all pages."""

    def vital(self) -> Vital:
        """Ask for the temperature, and whether it says that it is failing: few commands."""

    def is_asleep(self) -> bool | None:
        """Say whether it stands still, without waking it; None: it does not say."""

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start a self-test beside its work; False: it knows none of this kind."""

    def self_test(self) -> SelfTest | None:
        """Return the self-test under way, or the last one that ended; None: it does not say."""

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Return how long it says that a self-test takes; None: it does not say."""
