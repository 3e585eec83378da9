"""`ports.Examiner` on whatever cannot be asked: a silent drive is not a healthy one."""

from __future__ import annotations

from refreshd.health_cards import RawPages, Route, SelfTest, SelfTestKind, Vital


class SilentExaminer:
    """Whatever cannot be asked: `why` says it in words."""

    def __init__(self, why: str) -> None:
        """Keep the reason."""
        self._why = why

    def read(self) -> RawPages:
        """Answer nothing, and say why."""
        return RawPages(Route.SILENT, silence=self._why)

    def vital(self) -> Vital:
        """Answer nothing."""
        return Vital(None)

    def is_asleep(self) -> bool | None:
        """Say nothing."""
        return None

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Know none."""
        del kind
        return False

    def self_test(self) -> SelfTest | None:
        """Say nothing."""
        return None

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Say nothing."""
        del kind
        return None
