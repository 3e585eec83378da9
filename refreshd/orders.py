"""What a worker is asked to do: words of its command line, and back."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from refreshd.ports import ProvingWish
from refreshd.quantities import MediumKind, PassKind

IDENTIFY, VISIT, ACCESSION, PROVING = "identify", "visit", "accession", "proving"
REST, RELEASE = "rest", "release"


@dataclass(frozen=True, slots=True)
class Order:
    """One act on one disk."""

    act: str
    node: str
    sequence: int | None
    state: Path
    policy: Path | None = None
    has_policy_text: bool = False  # the text of the policy is the first line of stdin
    drive: str = ""
    kind: PassKind | None = None
    is_closing: bool = False
    lets_sleep: bool = False
    is_erasing: bool = False
    erase_drive: str = ""
    is_reading_only: bool = False
    leaves_out_extended_test: bool = False
    is_anew: bool = False
    shelfmark: str = ""
    title: str = ""
    medium: MediumKind | None = None
    written_on: date | None = None
    holding: str | None = None

    @property
    def proving_wish(self) -> ProvingWish:
        """What is wanted of a proving."""
        return ProvingWish(
            is_erasing=self.is_erasing,
            is_reading_only=self.is_reading_only,
            erase_drive=self.erase_drive,
            leaves_out_extended_test=self.leaves_out_extended_test,
            is_anew=self.is_anew,
        )

    @property
    def pass_kind(self) -> PassKind:
        """The pass that a visit is for."""
        if self.kind is not None:
            return self.kind
        return PassKind.PROVING if self.act == PROVING else PassKind.ACCESSION

    def words(self) -> list[str]:
        """Return the words that `read_order` reads back."""
        told = [self.act, f"--state={self.state}"]
        if self.sequence is not None:
            told.append(f"--sequence={self.sequence}")
        if self.policy is not None:
            told.append(f"--policy={self.policy}")
        if self.has_policy_text:
            told.append("--policy-text")
        return [*told, *self._words_of_act(), "--", self.node]

    def _words_of_act(self) -> list[str]:
        if self.act == VISIT:
            told = [f"--drive={self.drive}", f"--kind={self.pass_kind.value}"]
            return told + _flags(closing=self.is_closing, lets_sleep=self.lets_sleep)
        if self.act == PROVING:
            named = [f"--erase-drive={self.erase_drive}"] if self.erase_drive else []
            return named + _flags(
                erase=self.is_erasing,
                read_only=self.is_reading_only,
                no_extended_test=self.leaves_out_extended_test,
                anew=self.is_anew,
            )
        if self.act != ACCESSION:
            return []
        told = [f"--drive={self.drive}", f"--shelfmark={self.shelfmark}", f"--title={self.title}"]
        if self.medium is not None:
            told.append(f"--medium={self.medium.value}")
        if self.written_on is not None:
            told.append(f"--written-on={self.written_on.isoformat()}")
        if self.holding is not None:
            told.append(f"--holding={self.holding}")
        return told


def _flags(**given: bool) -> list[str]:
    return [f"--{name.replace('_', '-')}" for name, is_given in given.items() if is_given]


def read_order(words: Sequence[str]) -> Order:
    """Read the words of the command line; argparse ends the process on wrong ones."""
    asked = _parser().parse_args(words)
    return Order(**vars(asked))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m refreshd.worker",
        description="One act on one disk, started by the service.",
        allow_abbrev=False,
    )
    acts = parser.add_subparsers(dest="act", required=True)
    for name, tells in (
        (IDENTIFY, "say which drive is at a node"),
        (VISIT, "run a pass on a drive in care"),
        (ACCESSION, "take a drive into care"),
        (PROVING, "prove a drive that is not in care"),
        (REST, "let a disk stop turning that is not used for a while"),
        (RELEASE, "flush and stop a disk, so that it may be unplugged"),
    ):
        act = acts.add_parser(name, help=tells, allow_abbrev=False)
        _add_seat(act)
        if name in {VISIT, ACCESSION}:
            act.add_argument("--drive", required=True, help="accession number")
        if name == VISIT:
            kinds = (PassKind.FIXITY, PassKind.REFRESH, PassKind.HEALTH)
            act.add_argument("--kind", type=PassKind, choices=kinds, required=True)
            act.add_argument("--closing", dest="is_closing", action="store_true")
            act.add_argument("--lets-sleep", action="store_true")
        if name == PROVING:
            _add_proving(act)
        if name == ACCESSION:
            act.add_argument("--shelfmark", required=True)
            act.add_argument("--title", required=True)
            act.add_argument("--medium", type=MediumKind, choices=tuple(MediumKind))
            act.add_argument("--written-on", type=date.fromisoformat)
            act.add_argument("--holding")
    return parser


def _add_proving(act: argparse.ArgumentParser) -> None:
    act.add_argument("--erase", dest="is_erasing", action="store_true")
    act.add_argument("--erase-drive", default="", help="which drive may be written over")
    act.add_argument("--read-only", dest="is_reading_only", action="store_true")
    act.add_argument("--no-extended-test", dest="leaves_out_extended_test", action="store_true")
    act.add_argument("--anew", dest="is_anew", action="store_true")


def _add_seat(act: argparse.ArgumentParser) -> None:
    act.add_argument("node", help="device node of a whole disk, such as /dev/sdb")
    act.add_argument("--sequence", type=int, help="disk sequence number of the disk that is meant")
    act.add_argument("--state", type=Path, required=True, help="state directory")
    act.add_argument("--policy", type=Path, help="policy file; left out: built-in values")
    act.add_argument(
        "--policy-text",
        dest="has_policy_text",
        action="store_true",
        help="the text of the policy is the first line of stdin, as a JSON string",
    )
