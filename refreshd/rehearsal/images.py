"""Image files that stand in for drives: a real file system with files, or a tape archive of them.

With mke2fs at hand the image is an ext4 file system, filled without mounting it and so without
root; without it the files lie in the image as a tar archive, as on a tape. Both hold the same
files, and every byte of the image is really there: a hole could not fade.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tarfile
import uuid
import wave
from dataclasses import dataclass
from hashlib import sha256, shake_128
from pathlib import Path

from refreshd.errors import RecordFailedError
from refreshd.quantities import MIB
from refreshd.rehearsal.scenario import DRIVE_BYTES, InventedDrive

RECORDINGS = 7
RECORDING_BYTES = 2 * MIB
FRAME_RATE = 22_050
INDEX = "index.txt"
BEFORE, AFTER = b"reel 3: recorded in spring", b"reel 3: recorded in autumn"
"""The line of the index that somebody corrects; both of one length, so no file moves."""

_ROOM = "the rehearsal needs about 250 MB here, set TMPDIR or name another place with --keep"

_SYSTEM_FOLDERS = "/usr/sbin:/sbin:/usr/bin:/bin"
"""Where mke2fs lies; the PATH of a plain user on Debian has no sbin."""


@dataclass(frozen=True, slots=True)
class Content:
    """The files of one drive: name and bytes."""

    files: tuple[tuple[str, bytes], ...]

    def file_at(self, piece: bytes) -> str | None:
        """Return the file that holds a piece of the drive; None: no file does."""
        return next((name for name, held in self.files if piece in held), None)


def content_of(drive: InventedDrive) -> Content:
    """Invent the recordings of a drive, the same each time: hiss, as of surf."""
    files = [(INDEX, _index(drive))]
    for reel in range(1, RECORDINGS + 1):
        hiss = shake_128(f"{drive.number} reel {reel}".encode()).digest(RECORDING_BYTES)
        files.append((f"{drive.about}-reel-{reel}.wav", _wav(hiss)))
    return Content(tuple(files))


def _index(drive: InventedDrive) -> bytes:
    lines = [drive.title.encode(), b""]
    for reel in range(1, RECORDINGS + 1):
        line = BEFORE.replace(b"reel 3", b"reel %d" % reel)
        lines.append(line + b", %s %d" % (drive.number.encode(), reel))
    return b"\n".join(lines) + b"\n"


def _wav(samples: bytes) -> bytes:
    into = io.BytesIO()
    with wave.open(into, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(FRAME_RATE)
        file.writeframes(samples)
    return into.getvalue()


def mke2fs() -> str | None:
    """Return where mke2fs is; None if it is not installed."""
    return shutil.which("mke2fs", path=_SYSTEM_FOLDERS) or shutil.which("mke2fs")


def make_image(path: Path, content: Content, maker: str | None) -> str:
    """
    Write an image of a drive, `DRIVE_BYTES` long, and say what it is.

    Args:
        path: The image; its folder is used for files in between.
        content: What is to be on it.
        maker: Path of mke2fs; None: make a tar archive.

    """
    raw = _ext4(path, content, maker) if maker else None
    kind = "an ext4 file system" if raw else "a tar archive"
    try:
        path.write_bytes(raw or _tar(content))
    except OSError as err:
        raise RecordFailedError(f"{path}: {err.strerror}; {_ROOM}") from err
    return kind


def make_blank(path: Path, size_bytes: int) -> None:
    """Write an image of a drive that nothing is on; every byte is there, and zero."""
    try:
        path.write_bytes(bytes(size_bytes))
    except OSError as err:
        raise RecordFailedError(f"{path}: {err.strerror}; {_ROOM}") from err


def _ext4(path: Path, content: Content, maker: str) -> bytes | None:
    """Return a file system with the files in it; None if this mke2fs cannot make one."""
    folder, made = path.with_suffix(".files"), path.with_suffix(".made")
    folder.mkdir()
    try:
        for name, held in content.files:
            (folder / name).write_bytes(held)
        known = uuid.uuid5(uuid.NAMESPACE_OID, content.files[0][1].decode())
        words = [maker, "-q", "-F", "-t", "ext4", "-b", "4096", "-U", str(known)]
        words += ["-d", str(folder), str(made), f"{DRIVE_BYTES // 1024}k"]
        done = subprocess.run(words, check=False, capture_output=True, stdin=subprocess.DEVNULL)
        return made.read_bytes() if done.returncode == 0 else None
    finally:
        shutil.rmtree(folder)
        made.unlink(missing_ok=True)


def _tar(content: Content) -> bytes:
    """Return a tar archive of the files, followed by zeros to the end of the drive."""
    into = io.BytesIO()
    with tarfile.open(fileobj=into, mode="w", format=tarfile.USTAR_FORMAT) as tape:
        for name, held in content.files:
            entry = tarfile.TarInfo(name)
            entry.size = len(held)
            tape.addfile(entry, io.BytesIO(held))
    return into.getvalue().ljust(DRIVE_BYTES, b"\0")


def flip_bit(path: Path, byte: int) -> None:
    """Alter one byte of an image behind everybody's back: its lowest bit flips."""
    with path.open("r+b", buffering=0) as image:
        image.seek(byte)
        held = image.read(1)
        image.seek(byte)
        image.write(bytes([held[0] ^ 1]))


def edit_index(path: Path) -> int:
    """Correct a line of the index as another computer would; return the byte where it lies."""
    at = path.read_bytes().index(BEFORE)
    with path.open("r+b", buffering=0) as image:
        image.seek(at)
        image.write(AFTER)
    return at


def piece_around(path: Path, byte: int) -> bytes:
    """Return the 64 bytes of an image, aligned, that hold a byte: enough to know a file by."""
    with path.open("rb") as image:
        image.seek(byte // 64 * 64)
        return image.read(64)


def digest_of(path: Path) -> str:
    """Return SHA-256 of a whole image, in hex."""
    with path.open("rb") as image:
        digest = sha256()
        while piece := image.read(MIB):
            digest.update(piece)
        return digest.hexdigest()
