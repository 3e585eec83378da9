"""What a drive says beside its numbers."""

from __future__ import annotations

from typing import NamedTuple

from refreshd.health_cards import OwnWord, SelfTest


class Told(NamedTuple):
    """Whether it says that it is failing, its self-tests, and what it warns of."""

    says: OwnWord = OwnWord.NOT_SAID
    self_tests: tuple[SelfTest, ...] = ()
    warnings: tuple[str, ...] = ()
