"""A simulated room in which a new drive is proved: honest, or a liar of one kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from refreshd.cards import Evidence
from refreshd.events import DriveProved
from refreshd.health_cards import HeatLimits, SelfTest, SelfTestKind, SelfTestOutcome
from refreshd.passes.bench import Bench, PassOptions
from refreshd.passes.heat import begun
from refreshd.passes.proving.beginning import Found, Making
from refreshd.passes.proving.looking import look_over
from refreshd.passes.proving.opening import known_patterns, open_proving
from refreshd.passes.proving.running import run_proving
from refreshd.passes.proving.work import CHECKPOINT_BYTES, TimedMedium
from refreshd.passes.watch import Watch
from refreshd.ports import Examiner, Lanes, ProvingWish
from refreshd.proving_cards import Certificate, ProvingStep
from refreshd.quantities import KIB, MIB, Geometry, Outcome
from refreshd.simulated.clock import SimulatedClock
from refreshd.simulated.disk import PowerLine, SimulatedDisk
from refreshd.simulated.drive import SimulatedDrive
from refreshd.simulated.examiner import SimulatedExaminer
from refreshd.simulated.lanes import InlineLanes
from refreshd.simulated.ledger import SimulatedLedger
from tests.fakes.room import QuietAttendant

SEED = "0123456789abcdef" * 2
WISH = ProvingWish()


@dataclass
class NewDrive(SimulatedDrive):
    """A drive that says who it is. `signatures`: of what somebody had made on it."""

    signatures: tuple[str, ...] = ()
    has_own_names: bool = True

    def evidence(self) -> Evidence:
        """Return what the drive says."""
        said = super().evidence()
        return replace(said, signatures=self.signatures, has_own_names=self.has_own_names)


@dataclass
class WrappingDrive(NewDrive):
    """Claims the size of its disk, and keeps no more than `real_bytes`, round and round."""

    real_bytes: int = 0

    def read(self, start: int, into: memoryview) -> None:
        """Read from where the bytes are in truth."""
        for at, place, length in self._pieces(start, len(into)):
            super().read(place, into[at : at + length])

    def write(self, start: int, data: memoryview) -> None:
        """Write to where they go in truth."""
        for at, place, length in self._pieces(start, len(data)):
            super().write(place, data[at : at + length])

    def _pieces(self, start: int, length: int) -> list[tuple[int, int, int]]:
        pieces, at = [], 0
        while at < length:
            place = (start + at) % self.real_bytes
            piece = min(length - at, self.real_bytes - place)
            pieces.append((at, place, piece))
            at += piece
        return pieces


@dataclass
class DroppingDrive(NewDrive):
    """Claims the size of its disk, and forgets what is written past `real_bytes`."""

    real_bytes: int = 0

    def write(self, start: int, data: memoryview) -> None:
        """Take what it has room for, and say nothing of the rest."""
        room = max(0, min(len(data), self.real_bytes - start))
        if room:
            super().write(start, data[:room])


@dataclass
class TestingExaminer(SimulatedExaminer):
    """One that knows self-tests: each takes its minutes and ends as is set."""

    __test__ = False  # no test, whatever pytest makes of its name

    clock: SimulatedClock = field(default_factory=SimulatedClock)
    minutes: dict[SelfTestKind, int] = field(
        default_factory=lambda: {SelfTestKind.SHORT: 2, SelfTestKind.EXTENDED: 600}
    )
    ends: dict[SelfTestKind, SelfTestOutcome] = field(default_factory=dict)
    started: list[SelfTestKind] = field(default_factory=list)
    under_way: SelfTestKind | None = None
    began_s: float = 0.0
    last: SelfTest | None = None

    def start_self_test(self, kind: SelfTestKind) -> bool:
        """Start one."""
        self._asked()
        self.started.append(kind)
        self.under_way, self.began_s = kind, self.clock.elapsed_s()
        return True

    def self_test_minutes(self, kind: SelfTestKind) -> int | None:
        """Say how long it takes."""
        return self.minutes[kind]

    def self_test(self) -> SelfTest | None:
        """Say how far it is, or how the last one ended."""
        self._asked()
        kind = self.under_way
        if kind is None:
            return self.last
        passed = (self.clock.elapsed_s() - self.began_s) / (60 * self.minutes[kind])
        if passed < 1:
            left = 100 - int(passed * 10) * 10
            return SelfTest(kind, SelfTestOutcome.UNDER_WAY, percent_left=left)
        self.under_way = None
        outcome = self.ends.get(kind, SelfTestOutcome.PASSED)
        bad = 4711 if outcome is SelfTestOutcome.FAILED else None
        self.last = SelfTest(kind, outcome, at_power_on_hours=1210, first_bad_sector=bad)
        return self.last


class ProvingRoom:
    """Everything a proving needs, and the means to break it."""

    def __init__(
        self,
        size: int = 8 * MIB,
        drive: type[NewDrive] = NewDrive,
        chunk: int = 64 * KIB,
        cache: int = 0,
        lag: int = MIB,
    ) -> None:
        self.line = PowerLine()
        self.clock = SimulatedClock()
        self.disk = SimulatedDisk(Geometry(size, 512, 4096), self.line, cache_bytes=cache)
        self.drive: NewDrive = drive(self.disk)
        self.ledger = SimulatedLedger(self.clock, self.line)
        self.attendant = QuietAttendant()
        self.lanes: Lanes = InlineLanes()
        self.examiner: Examiner | None = TestingExaminer(clock=self.clock)
        self.chunk, self.lag = chunk, lag
        self.heat = HeatLimits()
        self.checkpoint_bytes = CHECKPOINT_BYTES

    def bench(self) -> Bench:
        """Return the ports of a new run."""
        self.drive.forbid_writing()
        return Bench(
            self.drive,
            self.ledger,
            self.clock,
            self.lanes,
            self.attendant,
            examiner=self.examiner,
        )

    @property
    def options(self) -> PassOptions:
        """Return options that fit the room."""
        return PassOptions(readback_lag_bytes=self.lag, heat=self.heat)

    def found(self, bench: Bench) -> Found:
        """Look the drive over."""
        evidence = self.drive.evidence()
        watch = Watch(bench, begun(self.heat, None, is_silent=True), is_rewriting=False)
        metered = TimedMedium.over(bench, watch, self.options)
        known = known_patterns(self.ledger.unfinished_provings(), evidence.size_bytes)
        look = look_over(metered, bench.lanes, evidence, known)
        return Found(self.drive.place, evidence, self.drive.presence(), look)

    def prove(self, wish: ProvingWish = WISH, seed: str = SEED) -> Certificate:
        """Prove the drive, or take it up again."""
        bench = self.bench()
        found = self.found(bench)
        work = open_proving(bench, self.options, found, wish, Making(seed, self.chunk))
        work.checkpoint_bytes = self.checkpoint_bytes
        entry = run_proving(work)
        assert isinstance(entry.event, DriveProved)
        return entry.event.certificate

    def gone(self) -> None:
        """Pull the drive out."""
        self.disk.is_gone = True

    def at_step(self, step: ProvingStep, share: float, act: Callable[[], None]) -> None:
        """Do something once a step has come so far."""
        if not isinstance(self.attendant, ActingAttendant):
            self.attendant = ActingAttendant()
        self.attendant.acts.append((DOING[step], share, act))


DOING = {
    ProvingStep.CAPACITY: "writing markers",
    ProvingStep.WRITE: "writing the pattern",
    ProvingStep.READ: "reading and comparing",
    ProvingStep.SHORT_TEST: "short self-test",
    ProvingStep.EXTENDED_TEST: "extended self-test",
}


@dataclass
class ActingAttendant(QuietAttendant):
    """Does things, each once, when a step has come so far."""

    acts: list[tuple[str, float, Callable[[], None]]] = field(default_factory=list)

    def moved(self, done_bytes: int, of_bytes: int, doing: str) -> None:
        """Act when it is time."""
        super().moved(done_bytes, of_bytes, doing)
        due = [one for one in self.acts if one[0] == doing and done_bytes >= one[1] * of_bytes]
        for one in due:
            self.acts.remove(one)
            one[2]()


def outcome_of(certificate: Certificate, step: ProvingStep) -> Outcome:
    """Return the worst outcome of one step."""
    order = list(Outcome)
    return max((one.outcome for one in certificate.results if one.step is step), key=order.index)


def said(certificate: Certificate, step: ProvingStep) -> str:
    """Return all sentences of one step."""
    return " ".join(s for one in certificate.results if one.step is step for s in one.sentences)
