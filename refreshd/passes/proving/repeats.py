"""Does the content of a drive repeat itself? One that wraps round reads the same again. Pure."""

from __future__ import annotations

from refreshd.quantities import ChunkGrid, Digest

REMEMBERED = 64
"""Chunks at the beginning that are remembered, 256 MiB of 4 MiB each."""

IN_A_ROW = 3
"""So many of them, all different, must come again in the same order."""


class Repeats:
    """Watches a drive being read from its beginning; finds a wrap at a multiple of chunks."""

    def __init__(self, grid: ChunkGrid) -> None:
        self._grid = grid
        self._first: dict[Digest, int] = {}
        self._usual: set[Digest] = set()
        self._distance, self._run = 0, 0
        self._is_told = False

    def add(self, chunk: int, digest: Digest) -> None:
        """Take the digest of one chunk; in order."""
        if chunk < REMEMBERED:
            # What comes twice at the beginning, zeros above all, tells nothing further on.
            if digest in self._first:
                self._usual.add(digest)
            self._first.setdefault(digest, chunk)
            return
        known = self._first.get(digest)
        if known is None or digest in self._usual:
            self._run = 0
            return
        distance = chunk - known
        self._run = self._run + 1 if distance == self._distance else 1
        self._distance = distance

    def found(self) -> str | None:
        """Say once that the drive repeats itself."""
        if self._is_told or self._run < IN_A_ROW:
            return None
        self._is_told = True
        length = self._distance * self._grid.chunk_bytes
        return (
            f"What stands at its beginning comes again from byte {length} on, "
            f"{self._run} chunks in a row: it wraps round, and holds no more than {length} bytes, "
            "or somebody copied it so."
        )
