"""A drive and a staging file on simulated disks: the ports, and nothing the disk does not do."""

from __future__ import annotations

from dataclasses import dataclass, field

from refreshd.cards import Carrier, Evidence, Presence
from refreshd.errors import (
    DriveGoneError,
    FlushFailedError,
    MistakenDriveError,
    StagingFailedError,
    UnreadableError,
    WriteFailedError,
    require,
)
from refreshd.quantities import Geometry, Span
from refreshd.simulated.disk import DiskFault, Kind, SimulatedDisk


@dataclass
class SimulatedDrive:
    """`ports.BlockMedium` on a simulated disk."""

    disk: SimulatedDisk
    serial: str = "SIM0001"
    boot_id: str = "boot-1"
    disk_sequence: int = 1
    place: str = "simulated drive"
    is_writable: bool = False
    holes: tuple[Span, ...] = ()
    proofs: int = 0  # how often the identity was proved
    is_exchanged: bool = False  # another drive answers on the same node
    times_writable: list[int] = field(default_factory=list)  # length of the log at each opening

    @property
    def geometry(self) -> Geometry:
        """Size and sectors."""
        return self.disk.geometry

    @property
    def has_drive_cache(self) -> bool:
        """Say whether the drive answers from a cache of its own."""
        return self.disk.cache_bytes > 0

    def evidence(self) -> Evidence:
        """Return what the drive says about itself."""
        geometry = self.disk.geometry
        return Evidence(
            carrier=Carrier.BLOCK,
            size_bytes=geometry.size_bytes,
            logical_bytes=geometry.logical_bytes,
            physical_bytes=geometry.physical_bytes,
            model="SIMULATED",
            serial=self.serial,
            is_rotational=True,
        )

    def presence(self) -> Presence:
        """Return the stay that the drive is in."""
        return Presence(self.boot_id, self.disk_sequence)

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into` from byte `start`."""
        try:
            self.disk.read(start, into)
        except DiskFault as fault:
            if fault.kind is Kind.GONE:
                raise DriveGoneError(f"{self.place} is gone") from fault
            raise UnreadableError(self.place, Span(start, len(into)), fault.kind) from fault

    def write(self, start: int, data: memoryview) -> None:
        """Write at byte `start`."""
        require(self.is_writable, "nothing is written before writing was allowed (I9)")
        try:
            self.disk.write(start, data)
        except DiskFault as fault:
            if fault.kind is Kind.GONE:
                raise DriveGoneError(f"{self.place} is gone") from fault
            raise WriteFailedError(self.place, Span(start, len(data)), fault.kind) from fault

    def flush(self) -> None:
        """Make writes durable."""
        try:
            self.disk.flush()
        except DiskFault as fault:
            if fault.kind is Kind.GONE:
                raise DriveGoneError(f"{self.place} is gone") from fault
            raise FlushFailedError(f"{self.place}: {fault.kind} on flush") from fault

    def data_spans(self, span: Span) -> tuple[Span, ...]:
        """Return the parts of `span` that are not holes."""
        parts = [span]
        for hole in self.holes:
            parts = [rest for part in parts for rest in _without(part, hole)]
        return tuple(parts)

    def drop_cache(self) -> None:
        """Do nothing: this machine's memory holds none of it."""

    def prove_identity(self) -> None:
        """Count the proof; refuse an exchanged drive."""
        self.proofs += 1
        if self.disk.is_gone:
            raise DriveGoneError(f"{self.place} is gone")
        if self.is_exchanged:
            raise MistakenDriveError(f"{self.place} is another drive now; nothing more is written")

    def allow_writing(self) -> None:
        """Prove identity, then take writes."""
        self.prove_identity()
        self.is_writable = True
        self.times_writable.append(len(self.disk.log))

    def forbid_writing(self) -> None:
        """Take no more writes."""
        self.is_writable = False

    def close(self) -> None:
        """Let go of the drive."""
        self.is_writable = False

    def replug(self) -> None:
        """Take the drive out and plug it in again: another stay."""
        self.disk_sequence += 1
        self.disk.is_gone = False
        self.disk.failure = None


@dataclass
class SimulatedStaging:
    """`ports.StagingFile` on a simulated disk."""

    disk: SimulatedDisk
    kept: dict[str, bytes] = field(default_factory=dict)

    @property
    def size_bytes(self) -> int:
        """Room in bytes."""
        return self.disk.geometry.size_bytes

    @property
    def block_bytes(self) -> int:
        """Alignment of offsets and lengths."""
        return self.disk.geometry.physical_bytes

    def read(self, start: int, into: memoryview) -> None:
        """Fill `into`."""
        try:
            self.disk.read(start, into)
        except DiskFault as fault:
            raise StagingFailedError(f"staging: {fault}") from fault

    def write(self, start: int, data: memoryview) -> None:
        """Write `data`."""
        try:
            self.disk.write(start, data)
        except DiskFault as fault:
            raise StagingFailedError(f"staging: {fault}") from fault

    def flush(self) -> None:
        """Make writes durable."""
        try:
            self.disk.flush()
        except DiskFault as fault:
            raise StagingFailedError(f"staging: {fault}") from fault

    def keep_aside(self, name: str, data: memoryview) -> str:
        """Keep bytes outside of the ring."""
        self.disk.line.step()
        self.kept[name] = bytes(data)
        return f"kept/{name}"


def _without(part: Span, hole: Span) -> list[Span]:
    if not part.overlaps(hole):
        return [part]
    rest = []
    if part.start < hole.start:
        rest.append(Span(part.start, hole.start - part.start))
    if hole.end < part.end:
        rest.append(Span(hole.end, part.end - hole.end))
    return rest
