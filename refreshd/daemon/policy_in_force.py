"""The policy in force: kept by its text, since its file may hold one by now that was refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from refreshd.configfile import LoadedPolicy, check_text
from refreshd.errors import PolicyError
from refreshd.events import PolicyTaken
from refreshd.wiring.places import policy_file
from refreshd.wiring.station import load_policy


@dataclass(frozen=True, slots=True)
class PolicySource:
    """Where the policy comes from. `named` None: the usual place, or built in."""

    named: Path | None
    environ: Mapping[str, str]
    is_root: bool

    @property
    def place(self) -> Path:
        """Where the file lies, or would lie."""
        return self.named or policy_file(self.environ, is_root=self.is_root)


@dataclass(frozen=True, slots=True)
class PolicyInForce:
    """A policy with the text that it was read from; None: it is built in."""

    loaded: LoadedPolicy
    place: Path
    text: str | None = None

    @property
    def event(self) -> PolicyTaken:
        """Return what is written down when it is taken."""
        if self.text is None:
            return PolicyTaken(file="built in", sha256="")
        return PolicyTaken(file=str(self.place), sha256=sha256(self.text.encode()).hexdigest())


def read_policy(source: PolicySource) -> PolicyInForce:
    """
    Read the policy that the file holds now.

    Raises:
        PolicyError: It cannot be used; one line for each problem.

    """
    loaded = load_policy(source.named, source.environ, is_root=source.is_root)
    if loaded.is_built_in:
        return PolicyInForce(loaded, source.place)
    try:
        text = source.place.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise PolicyError(f"{source.place}: was changed while it was read; try again") from err
    # The file may have been changed between the two readings: what is in force is this text.
    checked = check_text(text, loaded.file or str(source.place))
    if checked.loaded is None:
        raise PolicyError("\n".join(checked.problem_sentences()))
    return PolicyInForce(checked.loaded, source.place, text)


def read_policy_anew(source: PolicySource, before: PolicyInForce) -> PolicyInForce:
    """
    Read the policy that the file holds by now, for a service that runs.

    Raises:
        PolicyError: It cannot be used, or the file is gone: an editor moves one away for a moment,
            and built-in values in its place would notify nobody of anything.

    """
    policy = read_policy(source)
    if policy.text is None and before.text is not None:
        raise PolicyError(
            f"{source.place}: the policy file is gone; put it back, or start the service anew to "
            "run it with built-in values"
        )
    return policy
