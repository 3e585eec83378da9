"""An NVMe drive that is asked about itself, and a root side that asks it for others.

Fault model: it knows no self-tests, refuses a command, or goes in the middle; the kernel does not
let this process ask; the root side refuses, or is away.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from refreshd.errors import RefusedError
from refreshd.health_cards import SelfTestKind
from refreshd.kernel.nvme import Done, Order, Pages
from refreshd.pages import commands
from refreshd.pages.commands import AdminCommand
from tests import pages_made

NOT_ALLOWED = OSError(errno.EACCES, "not permitted")
INVALID_OPCODE = Done(status=0x4001)
"""Do Not Retry, Invalid Command Opcode. Source: NVMe base specification, status field."""


def identify(*, knows_self_test: bool = True, minutes: int = 35) -> bytes:
    """Return Identify Controller with or without self-tests."""
    raw = bytearray(pages_made.nvme_identify())
    raw[256] = 0b10000 if knows_self_test else 0
    raw[316:318] = minutes.to_bytes(2, "little")
    return bytes(raw)


HEALTH = pages_made.Health().page()
TESTS = pages_made.nvme_self_tests([(2, 0, 1200, 0)])


@dataclass
class AskedNvme:
    """The way to one NVMe drive, and what it answers; notes what was sent."""

    answers: dict[AdminCommand, Done | Exception] = field(
        default_factory=lambda: {
            commands.nvme_identify(): Done(identify()),
            commands.nvme_health(): Done(HEALTH),
            commands.nvme_self_test_log(): Done(TESTS),
            commands.nvme_self_test(SelfTestKind.SHORT): Done(),
            commands.nvme_self_test(SelfTestKind.EXTENDED): Done(),
        }
    )
    celsius: int | None = None
    sleeps_in_kernel: bool = False
    asked: list[AdminCommand] = field(default_factory=list)
    fails_with: Exception | None = None

    def is_suspended(self) -> bool:
        """Say whether the kernel has put it to sleep."""
        return self.sleeps_in_kernel

    def hwmon_celsius(self) -> int | None:
        """Return what the sensor says."""
        return self.celsius

    @contextmanager
    def nvme(self) -> Iterator[Order]:
        """Take questions."""
        yield self._done

    def _done(self, command: AdminCommand) -> Done:
        self.asked.append(command)
        if self.fails_with is not None:
            raise self.fails_with
        answer = self.answers.get(command, INVALID_OPCODE)
        if isinstance(answer, Exception):
            raise answer
        return answer


@dataclass
class ToldBySomebody:
    """A root side: what it tells, or why it refuses."""

    pages: Pages | RefusedError = field(default_factory=lambda: RefusedError("was not asked for"))
    is_started: bool = False
    asked: list[str] = field(default_factory=list)

    def read_pages(self) -> Pages:
        """Tell the pages."""
        self.asked.append("pages")
        if isinstance(self.pages, RefusedError):
            raise self.pages
        return self.pages

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Tell whether it was started."""
        self.asked.append(kind)
        if isinstance(self.pages, RefusedError):
            raise self.pages
        return self.is_started
