"""Look at a sample of the drive before the first write of a visit."""

from __future__ import annotations

from refreshd.passes.visit import EARLY_LEAST, Suspect, Visit, is_recorded, path_doubted

SAMPLE_CHUNKS = 256
SAMPLE_SHARE = 64
SAMPLE_LEAST = 8
"""At most 256 chunks, at most one in 64 (the sample costs a small drive little, then), at
least eight: what this must catch, a dock that re-maps or the wrong drive, differs nearly
everywhere."""


def sample_differs(visit: Visit) -> bool:
    """Read a sample spread over the drive; say whether so much differs that it is no decay.

    Raises PathDoubtedError when a second reading of a differing chunk matches. Damaged chunks
    met here are not findings yet: the pass meets them again in their turn.
    """
    recorded = {chunk: visit.digests(chunk, 1)[0] for chunk in _sample(visit.card.grid.count)}
    chunks = [chunk for chunk, digest in recorded.items() if is_recorded(digest)]
    suspects = [
        Suspect(reading.chunk, recorded[reading.chunk], reading.digest)
        for reading in visit.bench.lanes.each(visit.reader.read, chunks)
        if reading.digest is not None and reading.digest != recorded[reading.chunk]
    ]
    seconds = list(visit.read_again(suspects, visit.metered.traffic))
    for suspect in seconds:
        if suspect.second is not None and suspect.second.digest == suspect.recorded:
            visit.doubt_path(suspect.chunk)
            raise path_doubted()
    return len(seconds) >= EARLY_LEAST and len(seconds) * 100 > len(chunks)


def _sample(count: int) -> list[int]:
    """Return chunk numbers spread evenly over the drive, the first and the last among them."""
    wanted = min(SAMPLE_CHUNKS, max(SAMPLE_LEAST, count // SAMPLE_SHARE), count)
    if wanted == 1:
        return [0]
    return sorted({index * (count - 1) // (wanted - 1) for index in range(wanted)})
