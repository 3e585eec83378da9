"""What every verb works with: a place for the record, a policy, a clock, somebody who watches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from refreshd.adapters.evidence import whole_disks
from refreshd.adapters.folder import MountedFolder
from refreshd.adapters.staging_file import staging_objection
from refreshd.adapters.system_clock import SystemClock
from refreshd.configfile import LoadedPolicy, load, load_or_built_in
from refreshd.errors import PolicyError
from refreshd.policy import DrivePolicy, resolve
from refreshd.ports import Attendant, Clock, Examiner, Medium
from refreshd.quantities import DriveNumber, MediumKind
from refreshd.wiring.examining import examiner_at, examiner_for
from refreshd.wiring.media import WorkableMedium, open_medium
from refreshd.wiring.places import policy_file


@dataclass(frozen=True, slots=True)
class Station:
    """
    A server, or a rehearsal of one.

    Args:
        state: Directory of catalogue, journal and staging.
        policy: The policy in force, and the lines that decide in it.
        clock: Never asked past this one.
        attendant: Hears how a pass goes, and may stop it.
        open_medium: How a path becomes a medium.
        examiner_of: Who asks the drive behind a medium about itself; None: there is no drive.
        examiner_at: Likewise of a disk that is not to be opened; None: the path is no disk.
        look_in: Where a drive may be that nobody names the place of.
        staging_objection: Says why copies of a medium may not be staged in a directory.

    """

    state: Path
    policy: LoadedPolicy
    clock: Clock
    attendant: Attendant
    open_medium: Callable[[str], WorkableMedium | MountedFolder] = open_medium
    examiner_of: Callable[[Medium], Examiner | None] = examiner_for
    examiner_at: Callable[[str], Examiner | None] = examiner_at
    look_in: Callable[[], tuple[str, ...]] = whole_disks
    staging_objection: Callable[[str | Path, str], str | None] = staging_objection

    def policy_of(self, medium: MediumKind, number: DriveNumber) -> DrivePolicy:
        """Return the values in force for one drive."""
        return resolve(self.policy.policy, medium, number)

    @property
    def staging_directory(self) -> Path:
        """Where staged copies are kept by the policy in force."""
        directory = self.policy.policy.staging.directory
        return self.state / "staging" if directory is None else Path(directory)


def real_clock() -> Clock:
    """Return the server's own clock."""
    return SystemClock()


def load_policy(named: Path | None, environ: Mapping[str, str], *, is_root: bool) -> LoadedPolicy:
    """
    Read the policy: the file that was named, else the usual one, else what is built in.

    Raises:
        PolicyError: The file cannot be used, or the one that was named is not there.

    """
    if named is None:
        return load_or_built_in(policy_file(environ, is_root=is_root))
    try:
        return load(named)
    except ValueError as err:  # a null character in the name
        raise PolicyError(f"{named!r}: no path of a file") from err
