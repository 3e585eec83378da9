"""A file whose disk fails on command, served through FUSE to the real kernel.

The fault model: a read or write that touches a bad range fails with an errno; a transfer ends
early once (a short read or write); a flush fails with an errno, once or for ever; it may hold less
than it claims, and then wraps round or forgets what lies past its end. Every request is
counted. Needs root and /dev/fuse.

Source of opcodes and layouts: Linux include/uapi/linux/fuse.h, protocol 7.31.
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests import loops

NAME = b"drive.img"
_FILE_ID, _FOLDER_ID = 2, 1
_SILENT = {2, 36, 42}  # FORGET, INTERRUPT, BATCH_FORGET want no answer


@dataclass
class FaultyFile:
    """The content, the faults, and what was asked."""

    content: bytearray
    bad: dict[range, int] = field(default_factory=dict)  # bytes that fail, with the errno
    short_once: int | None = None  # the next transfer ends after so many bytes
    is_uncached: bool = False  # the kernel passes every transfer on as it is (FOPEN_DIRECT_IO)
    flush_errno: int = 0
    flush_failures: int = 0  # how many flushes still fail
    flushes: int = 0
    real_bytes: int = 0  # what it holds in truth; 0: all that it claims
    is_dropping: bool = False  # what lies past that is forgotten; else it wraps round
    path: Path = Path()

    def answer(self, opcode: int, node: int, body: bytes) -> bytes | int:
        """Answer one request: bytes, or a negative errno."""
        acts = {
            1: self._lookup,
            3: self._getattr,
            14: self._open,
            15: self._read,
            16: self._write,
            17: self._statfs,
            18: self._nothing,
            20: self._fsync,
            25: self._nothing,
            26: self._init,
            38: self._nothing,
        }
        act = acts.get(opcode)
        return act(node, body) if act else -errno.ENOSYS

    def _init(self, _node: int, _body: bytes) -> bytes:
        big_writes = 1 << 5
        return struct.pack("<IIIIHHII", 7, 31, 131072, big_writes, 12, 9, 131072, 1) + bytes(36)

    def _attributes(self, node: int) -> bytes:
        mode = 0o040755 if node == _FOLDER_ID else 0o100644
        size = 0 if node == _FOLDER_ID else len(self.content)
        times = (0, 0, 0, 0, 0, 0)
        return struct.pack(
            "<QQQQQQIIIIIIIIII", node, size, size // 512, *times, mode, 1, 0, 0, 0, 4096, 0
        )

    def _statfs(self, _node: int, _body: bytes) -> bytes:
        blocks = len(self.content) // 4096
        return struct.pack("<QQQQQIIII24x", blocks, 0, 0, 1, 0, 4096, 255, 4096, 0)

    def _lookup(self, _node: int, body: bytes) -> bytes | int:
        if body.rstrip(b"\0") != NAME:
            return -errno.ENOENT
        return struct.pack("<QQQQII", _FILE_ID, 0, 0, 0, 0, 0) + self._attributes(_FILE_ID)

    def _getattr(self, node: int, _body: bytes) -> bytes:
        return struct.pack("<QII", 0, 0, 0) + self._attributes(node)

    def _open(self, _node: int, _body: bytes) -> bytes:
        return struct.pack("<QII", 0, int(self.is_uncached), 0)

    def _nothing(self, _node: int, _body: bytes) -> bytes:
        return b""

    def _fault(self, start: int, length: int) -> int:
        hit = [
            no for bad, no in self.bad.items() if start < bad.stop and bad.start < start + length
        ]
        return -hit[0] if hit else 0

    def _shortened(self, length: int) -> int:
        short, self.short_once = self.short_once, None
        return length if short is None else min(short, length)

    def _read(self, _node: int, body: bytes) -> bytes | int:
        _, start, length = struct.unpack_from("<QQI", body)
        length = self._shortened(length)
        return self._fault(start, length) or self._held(start, length)

    def _write(self, _node: int, body: bytes) -> bytes | int:
        _, start, length = struct.unpack_from("<QQI", body)
        length = self._shortened(length)
        fault = self._fault(start, length)
        if fault:
            return fault
        self._hold(start, body[40 : 40 + length])
        return struct.pack("<II", length, 0)

    def _held(self, start: int, length: int) -> bytes:
        if not self.real_bytes:
            return bytes(self.content[start : start + length])
        if self.is_dropping:
            kept = self.content[start : min(start + length, self.real_bytes)]
            return bytes(kept).ljust(length, b"\0")
        return b"".join(bytes(self.content[piece]) for piece in self._pieces(start, length))

    def _hold(self, start: int, data: bytes) -> None:
        if not self.real_bytes:
            self.content[start : start + len(data)] = data
        elif self.is_dropping:
            kept = data[: max(0, self.real_bytes - start)]
            self.content[start : start + len(kept)] = kept
        else:
            done = 0
            for piece in self._pieces(start, len(data)):
                length = piece.stop - piece.start
                self.content[piece] = data[done : done + length]
                done += length

    def _pieces(self, start: int, length: int) -> Iterator[slice]:
        """Yield where the bytes of a transfer lie in truth."""
        end = start + length
        while start < end:
            place = start % self.real_bytes
            piece = min(end - start, self.real_bytes - place)
            yield slice(place, place + piece)
            start += piece

    def _fsync(self, _node: int, _body: bytes) -> bytes | int:
        self.flushes += 1
        if not self.flush_failures:
            return b""
        self.flush_failures -= 1
        return -self.flush_errno


def _serve(fd: int, file: FaultyFile) -> None:
    """Answer requests until the file system is unmounted."""
    while True:
        try:
            request = os.read(fd, 1 << 18)
        except OSError as err:
            if err.errno == errno.ENODEV:
                return
            raise
        _, opcode, unique, node = struct.unpack_from("<IIQQ", request)
        if opcode in _SILENT:
            continue
        found = file.answer(opcode, node, request[40:])
        body = found if isinstance(found, bytes) else b""
        fault = 0 if isinstance(found, bytes) else found
        os.write(fd, struct.pack("<IiQ", 16 + len(body), fault, unique) + body)


@contextmanager
def served(content: bytes, point: Path) -> Iterator[FaultyFile]:
    """Serve a file under a mount point and yield what steers it."""
    point.mkdir()
    file = FaultyFile(bytearray(content), path=point / os.fsdecode(NAME))
    fd = os.open("/dev/fuse", os.O_RDWR)
    options = f"fd={fd},rootmode=40000,user_id=0,group_id=0,allow_other"
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"test", os.fsencode(point), b"fuse", 0, options.encode()):
        raise OSError(ctypes.get_errno(), "mounting FUSE failed")
    thread = threading.Thread(target=_serve, args=(fd, file))
    thread.start()
    try:
        yield file
    finally:
        loops.run("umount", point)
        thread.join()
        os.close(fd)
