"""The finding book of one pass: joins neighbours, knows what was open before, writes it down."""

from __future__ import annotations

from refreshd.cards import Finding
from refreshd.events import FindingClosed, FindingOpened
from refreshd.ports import Ledger
from refreshd.quantities import (
    ChunkGrid,
    Digest,
    DriveNumber,
    FindingId,
    FindingKind,
    PassId,
    Span,
    join_spans,
)


class FindingBook:
    """Told what became of each chunk; records findings, each of them once."""

    def __init__(
        self, ledger: Ledger, drive: DriveNumber, pass_id: PassId, grid: ChunkGrid
    ) -> None:
        self._ledger = ledger
        self._drive = drive
        self._pass_id = pass_id
        self._grid = grid
        self._whole_span = Span(0, grid.size_bytes)
        self._open: dict[FindingId, Finding] = {}
        self._by_chunk: dict[int, list[FindingId]] = {}
        self._healed: dict[FindingId, int] = {}
        self._unwritten: list[Span] = []  # unreadable, not yet written down
        self._met: set[FindingId] = set()  # opened or met again by this pass
        for finding in ledger.findings(drive):
            self._enter(finding)

    @property
    def standing(self) -> tuple[Finding, ...]:
        """All open findings of the drive, by place: a pass taken up again reports them, too."""
        return tuple(sorted(self._open.values(), key=lambda one: (one.span, one.id)))

    @property
    def whole_drive(self) -> Finding | None:
        """The open finding that speaks of the whole drive, if there is one."""
        if self._grid.count == 1:
            return None  # a chunk that is the whole drive is a chunk
        return next((one for one in self._open.values() if one.span == self._whole_span), None)

    def matched(self, chunk: int) -> None:
        """A chunk was read and matches: what was said against it alone no longer stands."""
        for finding in self._touching(range(chunk, chunk + 1)):
            self._healed[finding.id] = self._healed.get(finding.id, 0) + 1
            if self._healed[finding.id] == len(self._grid.chunks_of(finding.span)):
                self.close(finding, "read again, and matches its recorded digest")

    def mismatch(self, chunk: int, observed: Digest | None, note: str = "") -> None:
        """A chunk differed in two readings. `observed` is None when these differed, too."""
        self._open_one(FindingKind.MISMATCH, self._grid.span(chunk), observed, note)

    def unreadable(self, spans: tuple[Span, ...]) -> None:
        """Sectors cannot be read. Written down at the next `settle`, neighbours joined."""
        self._unwritten.extend(spans)

    def suspect_whole_drive(self, note: str) -> None:
        """So much differs that this is another dock, an edited drive or the wrong one."""
        for finding in self.standing:
            is_chunk = finding.span != self._whole_span
            if is_chunk and finding.kind is FindingKind.MISMATCH and finding.id in self._met:
                self.close(finding, "replaced by one finding for the whole drive")
        if self.whole_drive is None:
            self._record(FindingKind.MISMATCH, self._whole_span, None, note)

    def settle(self, note: str = "") -> None:
        """Write down the unreadable ranges met so far. Called before every checkpoint.

        A range that goes on from one this pass wrote down before is joined with it.
        """
        for span in join_spans(self._unwritten):
            self._open_one(FindingKind.UNREADABLE, self._joined(span), None, note)
        self._unwritten.clear()

    def _joined(self, span: Span) -> Span:
        if span.start == 0:
            return span
        before = self._grid.chunks_of(Span(span.start - 1, 1))
        for finding in self._touching(before):
            if (
                finding.kind is FindingKind.UNREADABLE
                and finding.span.end == span.start
                and finding.id in self._met
            ):
                self.close(finding, "joined with its neighbour")
                return Span(finding.span.start, span.end - finding.span.start)
        return span

    def close(self, finding: Finding, how: str) -> None:
        """Say that a finding no longer stands."""
        self._ledger.record(
            FindingClosed(drive=self._drive, pass_id=self._pass_id, finding_id=finding.id, how=how)
        )
        self._forget(finding)

    def close_touching(self, span: Span, how: str) -> None:
        """Close every finding that a mended range settles."""
        for finding in self._touching(self._grid.chunks_of(span)):
            self.close(finding, how)

    def _open_one(self, kind: FindingKind, span: Span, observed: Digest | None, note: str) -> None:
        for finding in self._touching(self._grid.chunks_of(span)):
            if (finding.kind, finding.span, finding.observed) == (kind, span, observed):
                self._met.add(finding.id)
                return
            if finding.span.overlaps(span):
                self.close(finding, "replaced by what a later reading found")
        self._record(kind, span, observed, note)

    def _record(self, kind: FindingKind, span: Span, observed: Digest | None, note: str) -> None:
        event = FindingOpened(
            drive=self._drive,
            pass_id=self._pass_id,
            finding_id=self._ledger.next_finding_id(),
            finding_kind=kind,
            start_byte=span.start,
            length_bytes=span.length,
            observed=observed,
            note=note,
        )
        opened_on = self._ledger.record(event).at.date()
        finding = Finding(
            id=event.finding_id,
            drive=self._drive,
            kind=kind,
            span=span,
            opened_on=opened_on,
            observed=observed,
            note=note,
        )
        self._enter(finding)
        self._met.add(finding.id)

    def _enter(self, finding: Finding) -> None:
        self._open[finding.id] = finding
        if self._is_by_chunk(finding):
            for chunk in self._grid.chunks_of(finding.span):
                self._by_chunk.setdefault(chunk, []).append(finding.id)

    def _forget(self, finding: Finding) -> None:
        del self._open[finding.id]
        if self._is_by_chunk(finding):
            for chunk in self._grid.chunks_of(finding.span):
                self._by_chunk[chunk].remove(finding.id)

    def _is_by_chunk(self, finding: Finding) -> bool:
        """Say whether a finding speaks of chunks; one of the whole drive would index millions."""
        return finding.span != self._whole_span or self._grid.count == 1

    def _touching(self, chunks: range) -> list[Finding]:
        ids = {one: None for chunk in chunks for one in self._by_chunk.get(chunk, ())}
        return [self._open[one] for one in ids]
