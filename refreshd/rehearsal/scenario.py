"""What is invented: the drives of a small archive, and what befalls them. Values only."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from refreshd.quantities import KIB, MIB, ChunkGrid, DriveNumber, Span

DRIVE_BYTES = 24 * MIB
CHUNK_BYTES = 256 * KIB
SEGMENT_BYTES = 2 * MIB
NEW_IMAGE, NEW_BYTES = "new.img", 8 * MIB
"""The drive that was just bought, and that nothing is on."""
BLOCK_BYTES = 4 * KIB
"""What one bad place takes: a physical sector of a large drive."""

GRID = ChunkGrid(DRIVE_BYTES, CHUNK_BYTES)


@dataclass(frozen=True, slots=True)
class InventedDrive:
    """A drive of the archive that does not exist. `about` says what its recordings are."""

    number: DriveNumber
    shelfmark: str
    title: str
    about: str

    @property
    def image(self) -> str:
        """The name of the file that stands in for it."""
        return f"{self.number}.img"


DRIVES = (
    InventedDrive(DriveNumber("K01"), "R1-B01-S1", "Ferry bells and fog horns", "bells"),
    InventedDrive(DriveNumber("K02"), "R1-B01-S2", "Songs of the net menders", "songs"),
    InventedDrive(DriveNumber("K03"), "R1-B02-S1", "Interviews, reels 1 to 7", "interviews"),
    InventedDrive(DriveNumber("K04"), "R1-B02-S2", "Wind in the old lighthouse", "wind"),
    InventedDrive(DriveNumber("K05"), "R1-B02-S3", "Ice in the harbour basin", "ice"),
)


@dataclass(frozen=True, slots=True)
class PlaceOn:
    """One byte of one drive."""

    drive: DriveNumber
    byte: int


@dataclass(frozen=True, slots=True)
class Cut:
    """A process killed in the middle of the so-many-th write of a refresh."""

    drive: DriveNumber
    write: int


@dataclass(frozen=True, slots=True)
class Scenario:
    """
    What befalls the drives in the three years; everything else stays as it is.

    Args:
        drives: The archive.
        altered: One bit of this byte flips.
        unreadable: The 4 KiB that hold this byte cannot be read any more.
        edited: Somebody corrects a line of the index on this drive, on another computer.
        cut: The refresh of this drive is killed.
        hot: This drive is too hot in its first year; it is the one whose reading is shown.
        failing: This drive says by the end that it is about to fail.

    """

    drives: tuple[InventedDrive, ...] = DRIVES
    altered: PlaceOn = field(default=PlaceOn(DriveNumber("K03"), 9_876_543))
    unreadable: PlaceOn = field(default=PlaceOn(DriveNumber("K04"), 12_345_678))
    edited: DriveNumber = field(default=DriveNumber("K03"))
    cut: Cut = field(default=Cut(DriveNumber("K02"), 43))
    hot: DriveNumber = field(default=DriveNumber("K01"))
    failing: DriveNumber = field(default=DriveNumber("K05"))

    def __post_init__(self) -> None:
        known = {drive.number for drive in self.drives}
        meant = {self.altered.drive, self.unreadable.drive, self.edited, self.cut.drive}
        if self.failing in meant:
            raise ValueError(f"{self.failing} is failing: nothing else can befall it")
        meant |= {self.hot, self.failing}
        if not meant <= known:
            raise ValueError(f"no such drives: {', '.join(sorted(meant - known))}")
        for place in (self.altered, self.unreadable):
            if not 0 <= place.byte < DRIVE_BYTES:
                raise ValueError(f"byte {place.byte} is not on a drive of {DRIVE_BYTES} bytes")
        if self.cut.write < 1:
            raise ValueError(f"the cut falls in write 1 or later, not {self.cut.write}")
        same = self.altered.drive == self.unreadable.drive
        if same and chunk_of(self.altered.byte) == chunk_of(self.unreadable.byte):
            raise ValueError("an unreadable chunk cannot be seen to differ: move one of the two")

    @property
    def unreadable_span(self) -> Span:
        """The bytes that cannot be read."""
        return Span(self.unreadable.byte // BLOCK_BYTES * BLOCK_BYTES, BLOCK_BYTES)

    def apart_from_edit(self, byte: int) -> Scenario:
        """Return a scenario whose damage does not share the chunk of the edit at `byte`.

        Where a file lies is the choice of whoever made the file system, and two mishaps in one
        chunk could not be told apart: damage moves on by one chunk.
        """
        return replace(
            self,
            altered=self._apart(self.altered, byte),
            unreadable=self._apart(self.unreadable, byte),
        )

    def _apart(self, place: PlaceOn, byte: int) -> PlaceOn:
        if place.drive != self.edited or chunk_of(place.byte) != chunk_of(byte):
            return place
        return PlaceOn(place.drive, (place.byte + CHUNK_BYTES) % DRIVE_BYTES)

    def drive(self, number: DriveNumber) -> InventedDrive:
        """Return one drive."""
        return next(drive for drive in self.drives if drive.number == number)


def chunk_of(byte: int) -> Span:
    """Return the chunk that holds a byte."""
    return GRID.span(byte // CHUNK_BYTES)
