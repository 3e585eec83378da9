"""Everything that can go wrong with the world, in one tree.

    RefreshdError                     exit code
    ├── PolicyError                       2    the policy file, or what was asked for
    │   └── UsageError                    2    a command was given words it cannot act on
    ├── RefusedError                      3    a guard said no; nothing was touched
    │   ├── MediumInUseError              3    mounted, swap, md, LVM, the running system
    │   │   └── MediumLockedError         3    somebody looks at it just now
    │   ├── UnknownDriveError             3    the drive is not on the shelf
    │   ├── MistakenDriveError            3    evidence of identity disagrees
    │   ├── DriveAtWorkError              3    another process works on it, or on a copy of it
    │   ├── DriveHeldError                3    on hold, or not taken in completely
    │   ├── StagingRefusedError           3    no place, or no room, for the staged copy
    │   ├── ClockError                    3    the clock is behind the record, or far ahead
    │   ├── CatalogueError                3    CatalogueTooNewError, CatalogueDamagedError,
    │   │                                      CatalogueAheadError
    │   ├── RootSideAwayError             3    nobody answers who may do what needs root
    │   └── JournalError                  3    JournalDamagedError, JournalTruncatedError
    ├── NotDeliveredError                 4    a channel did not take a notice
    ├── DaemonUnreachableError            5    no daemon answers
    └── DriveError                        4    the drive, its path, or the server's own disks
        ├── UnreadableError               4    a range of the medium cannot be read
        ├── WriteFailedError              4    a write did not reach the medium
        ├── FlushFailedError              4    nothing since the last good flush is known
        ├── DriveGoneError                4    unplugged, or answers no more
        ├── DriveHungError                4    one request took longer than the policy allows
        ├── NotHeldError                  4    the medium does not keep what is written to it
        ├── PathDoubtedError              4    two readings of the same bytes differed
        ├── OverheatedError               4    the drive went on getting hotter while it rested
        ├── DriveFailingError             4    the drive says in mid-pass that it is failing
        ├── StagingFailedError            4    the staged copy could not be made or proved
        ├── RecordFailedError             4    journal or catalogue could not be written
        └── PassStoppedError              4    somebody asked the pass to stop

A broken invariant is not in the tree: `InvariantBrokenError` is a fault of ours, nobody
answers it, the program stops and leaves the drive alone (exit code 70).

Findings (a mismatch, an unreadable range met by a pass) are values, not errors.
"""

from __future__ import annotations

from typing import ClassVar

from refreshd.quantities import Span


class RefreshdError(Exception):
    """Root of the tree. The message is one line that says what, where and what to do."""

    exit_code: ClassVar[int] = 4


class PolicyError(RefreshdError):
    """The policy cannot be used. Answer: mend the line that the message names."""

    exit_code = 2


class UsageError(PolicyError):
    """What was asked for makes no sense. Answer: ask differently, as the message says."""


class RefusedError(RefreshdError):
    """A guard refused before anything was touched. Answer: remove the reason it gives."""

    exit_code = 3


class MediumInUseError(RefusedError):
    """Something else uses the medium. Answer: unmount or detach it first."""


class MediumLockedError(MediumInUseError):
    """Another process holds the lock on the node, as udev does for a moment after each change.

    Answer: try again a little later; refuse when it stays locked.
    """


class UnknownDriveError(RefusedError):
    """No drive in care matches. Answer: take it into care, or name another place."""


class MistakenDriveError(RefusedError):
    """The evidence contradicts the card. Answer: look which drive this is; nothing was written."""


class DriveAtWorkError(RefusedError):
    """Another refreshd works on the drive, or on a copy of it. Answer: wait until it is done."""


class DriveHeldError(RefusedError):
    """The drive may not be written to now. Answer: settle what the message names."""


class StagingRefusedError(RefusedError):
    """There is no fit place or no room for staged copies. Answer: name another directory."""


class ClockError(RefusedError):
    """The clock cannot be believed (I4). Answer: set it, or attest that it is right."""


class CatalogueError(RefusedError):
    """The catalogue cannot be used as it is."""


class CatalogueTooNewError(CatalogueError):
    """A newer refreshd wrote this catalogue. Answer: install that version or a later one."""


class CatalogueDamagedError(CatalogueError):
    """The catalogue file is damaged. Answer: restore the export; the journal brings it up."""


class CatalogueAheadError(CatalogueError):
    """The catalogue holds records that the journal lacks: the journal was truncated (I5)."""


class RootSideAwayError(RefusedError):
    """Nobody answers. Answer: do without, and say what cannot be seen or done."""


class JournalError(RefusedError):
    """The journal cannot be used as it is."""


class JournalDamagedError(JournalError):
    """A record is damaged or out of place. Answer: `journal verify` says which."""


class JournalTruncatedError(JournalError):
    """Records are missing at the end of the journal. Answer: restore them from an export."""


class DaemonUnreachableError(RefreshdError):
    """No daemon answers at the socket. Answer: start it, or ask what needs none."""

    exit_code = 5


class NotDeliveredError(RefreshdError):
    """A channel did not take a notice. Answer: try again later. Never holds the address."""


class DriveError(RefreshdError):
    """The drive, its path or the server's disk failed. Answer: look, then run the pass again."""


class UnreadableError(DriveError):
    """A range could not be read. No bytes are attached that anybody could write."""

    def __init__(self, place: str, span: Span, cause: str) -> None:
        super().__init__(f"{place}: {cause} reading {span.length} bytes at byte {span.start}")
        self.place = place
        self.span = span
        self.cause = cause


class WriteFailedError(DriveError):
    """A write failed. What the range holds now is not known; the staged copy is."""

    def __init__(self, place: str, span: Span, cause: str) -> None:
        super().__init__(f"{place}: {cause} writing {span.length} bytes at byte {span.start}")
        self.place = place
        self.span = span
        self.cause = cause


class FlushFailedError(DriveError):
    """A flush failed. Never ask again: the kernel forgets the error, the data stays lost."""


class DriveGoneError(DriveError):
    """The drive answers no more. Answer: plug it in again; the pass goes on where it was."""


class DriveHungError(DriveError):
    """One request is still out after the longest time that the policy allows."""


class NotHeldError(DriveError):
    """The medium gave back other bytes than were written, twice. It goes on hold."""


class PathDoubtedError(DriveError):
    """The same bytes read twice differed: memory, cable or bridge. Nothing more is written."""


class OverheatedError(DriveError):
    """The drive got hotter while it rested. Answer: let it stop and cool, look at its airflow."""


class DriveFailingError(DriveError):
    """The drive says that it is failing. Nothing more is written: read it, copy it, replace it."""


class StagingFailedError(DriveError):
    """The staged copy could not be written, flushed or proved. The drive was not touched."""


class RecordFailedError(DriveError):
    """Journal or catalogue could not be made durable. Answer: make room, then run again."""


class PassStoppedError(DriveError):
    """The pass was asked to stop; it is checkpointed and goes on from there."""


class InvariantBrokenError(Exception):
    """A fault of ours: a promise of the program does not hold. Nobody answers this."""

    exit_code: ClassVar[int] = 70


def require(fact: bool, why: str) -> None:  # noqa: FBT001 - the fact is the point of the call.
    """Stop the program if `fact` does not hold. Not `assert`, which -O strips."""
    if not fact:
        raise InvariantBrokenError(why)
