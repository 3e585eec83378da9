"""
A pass that takes its time on a virtual clock and touches no bytes.

It writes down through the ledger what a pass writes down, in its order, so that the caretaker and
the plan see what they would see of a real one. What was checkpointed is kept when it is cut short,
what was done since the last checkpoint is lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date

from refreshd.cards import DriveCard, PassState, Presence
from refreshd.errors import InvariantBrokenError, RefreshdError
from refreshd.events import (
    ChunksProved,
    DriveRewritten,
    FindingOpened,
    FixityChecked,
    PassBegun,
    PassEnded,
    PassInterrupted,
    PassResumed,
    RewriteRun,
)
from refreshd.health_cards import Moment
from refreshd.messages import AnyMessage, ErrorTold, Moved, VisitEnded, WorkerEnded, told
from refreshd.passes.health_gate import hold, take_reading
from refreshd.passes.opening import refuse_held
from refreshd.ports import Ledger, VisitOrder
from refreshd.quantities import DriveNumber, FindingKind, Outcome, PassId, PassKind
from refreshd.simulated.shelved import Mishap, ShelvedDrive
from refreshd.simulated.timeline import Timeline

START_S = 5.0
STOP_S = 20.0
WARM_S = 2 * 3600.0
VITAL_S = 15.0
CHECKPOINT_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Written:
    """A time in which a worker may have written to a drive, in seconds that have passed."""

    drive: DriveNumber
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Done:
    """A pass that reached its end, as it really was, whatever the clock on the wall said."""

    drive: DriveNumber
    kind: PassKind
    began_s: float
    ended_s: float


@dataclass
class PassRoom:
    """What all passes of a simulated server share, and what they really did."""

    timeline: Timeline
    ledger: Ledger
    written: list[Written] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)
    begun_s: dict[PassId, float] = field(default_factory=dict)
    failing_from_s: dict[DriveNumber, float] = field(default_factory=dict)


class TimedPass:
    """One worker that runs one pass. `say` hears its messages, the last one is `WorkerEnded`."""

    def __init__(
        self,
        room: PassRoom,
        drive: ShelvedDrive,
        order: VisitOrder,
        presence: Presence,
        say: Callable[[AnyMessage], None],
    ) -> None:
        self.order = order
        self.is_over = False
        self.is_hung = False
        self._room = room
        self._drive = drive
        self._presence = presence
        self._say = say
        self._at_checkpoint_s = 0.0
        self._at_checkpoint_on = date.min
        self._writes_from_s: float | None = None
        room.timeline.after(START_S, self._begin)

    # What happens to it

    def stop(self) -> None:
        """Stop at the next checkpoint."""
        stopped = ErrorTold(kind="PassStoppedError", message="stopped as asked", exit_code=4)
        self._room.timeline.after(STOP_S, lambda: self._cut_short(stopped, is_settled=True))

    def lose_drive(self) -> None:
        """Meet a disk that is gone."""
        if self.is_hung:
            self._end(WorkerEnded(exit_code=-9))
        else:
            gone = ErrorTold(kind="DriveGoneError", message="the drive is gone", exit_code=4)
            self._cut_short(gone, is_settled=False)

    def lose_power(self) -> None:
        """End without a word."""
        self._note_written()
        self.is_over = True

    # How it goes

    @property
    def _now_s(self) -> float:
        return self._room.timeline.now_s

    @property
    def _card(self) -> DriveCard:
        return self._room.ledger.drive(self.order.drive)

    @property
    def _state(self) -> PassState:
        state = self._room.ledger.unfinished_pass(self.order.drive, self.order.kind)
        if state is None:
            raise InvariantBrokenError(f"a pass over {self.order.drive} goes on that has ended")
        return state

    @property
    def _chunk_s(self) -> float:
        """Return the seconds for one chunk: read, or read, written and read back."""
        times = 3 if self.order.kind is PassKind.REFRESH else 1
        return self._card.chunk_bytes * times / self._drive.rate_bytes_per_s

    def _begin(self) -> None:
        if self.is_over:
            return
        try:
            self._open()
        except RefreshdError as err:
            self._fail(told(err))
            return
        self._writes_from_s = self._now_s
        self._mark_checkpoint()
        self._moved()
        mishap, self._drive.mishap = self._drive.mishap, None
        if mishap is not None:
            left_s = self._chunk_s * (self._card.grid.count - self._state.next_chunk)
            self._room.timeline.after(left_s / 2, lambda: self._go_wrong(mishap))
        if self._drive.is_too_hot():
            self._room.timeline.after(WARM_S, self._overheat)
        if self._drive.fails_in_pass and self.order.kind is PassKind.REFRESH:
            self._drive.fails_in_pass = False
            left_s = self._chunk_s * (self._card.grid.count - self._state.next_chunk)
            self._room.timeline.after(left_s / 3, self._begin_to_fail)
        self._go_on()

    def _open(self) -> None:
        order, ledger, card = self.order, self._room.ledger, self._card
        self._ask(Moment.BEFORE)
        if order.kind is PassKind.REFRESH:
            refuse_held(self._card)
        state = ledger.unfinished_pass(order.drive, order.kind)
        if state is not None:
            ledger.record(
                PassResumed(
                    drive=order.drive,
                    pass_id=state.id,
                    presence=self._presence,
                    next_chunk=state.next_chunk,
                )
            )
            return
        pass_id = PassId(f"{order.drive}/{card.passes + 1}")
        ledger.record(
            PassBegun(
                drive=order.drive,
                pass_id=pass_id,
                pass_kind=order.kind,
                presence=self._presence,
                segment_chunks=1,
                is_closing=order.is_closing,
            )
        )
        self._room.begun_s[pass_id] = self._now_s

    def _ask(self, moment: Moment) -> None:
        """Take a health reading, as a pass does before it begins and at its end."""
        examiner, room = self._drive.examiner, self._room
        if examiner is not None:
            take_reading(room.ledger, room.timeline.clock, self.order.drive, examiner, moment)

    def _overheat(self) -> None:
        why = "it is at 57 °C, and gets hotter even at rest"
        hot = ErrorTold(kind="OverheatedError", message=why, exit_code=4)
        self._cut_short(hot, is_settled=True)

    def _begin_to_fail(self) -> None:
        """Turn failing; the watch finds out at its next question."""
        if not self.is_over and self._drive.examiner is not None:
            self._drive.examiner.is_failing = True
            self._room.failing_from_s[self.order.drive] = self._now_s
            self._room.timeline.after(VITAL_S, self._fail_in_pass)

    def _fail_in_pass(self) -> None:
        if self.is_over or self.is_hung:
            return
        why = "the drive says that it is failing; nothing more is written to it"
        failing = ErrorTold(kind="DriveFailingError", message=why, exit_code=4)
        try:
            hold(self._room.ledger, self.order.drive, why)
            self._ask(Moment.DURING)
        except RefreshdError:
            pass  # The caretaker puts it on hold when it can.
        self._cut_short(failing, is_settled=False)

    def _go_on(self) -> None:
        """Work until the next checkpoint."""
        left = self._card.grid.count - self._state.next_chunk
        chunks = min(left, max(1, int(CHECKPOINT_S / self._chunk_s)))
        self._room.timeline.after(chunks * self._chunk_s, self._reached)

    def _reached(self) -> None:
        if self.is_over or self.is_hung:
            return
        try:
            self._settle()
            if self._state.next_chunk < self._card.grid.count:
                self._moved()
                self._go_on()
                return
            bad = self._finish()
        except RefreshdError as err:
            self._fail(told(err))
            return
        self._ended(Outcome.FAIL if bad else Outcome.SUCCESS, None, bad)

    def _settle(self) -> None:
        """Write a checkpoint: whole chunks only."""
        state, card = self._state, self._card
        chunks = int((self._now_s - self._at_checkpoint_s) / self._chunk_s + 1e-6)
        end = min(card.grid.count, state.next_chunk + chunks)
        good = [at for at in range(state.next_chunk, end) if at not in self._drive.bad_chunks]
        for chunk in sorted(set(range(state.next_chunk, end)) - set(good)):
            self._find(card, state, chunk)
        day = self._at_checkpoint_on
        runs = tuple(RewriteRun(first_chunk=at, count=1, written_on=day) for at in good)
        is_refresh = self.order.kind is PassKind.REFRESH
        self._room.ledger.record(
            ChunksProved(
                drive=card.number,
                pass_id=state.id,
                next_chunk=end,
                rewritten=runs if is_refresh else (),
                bytes_rewritten=len(good) * card.chunk_bytes if is_refresh else 0,
            )
        )
        self._mark_checkpoint()

    def _mark_checkpoint(self) -> None:
        self._at_checkpoint_s = self._now_s
        self._at_checkpoint_on = self._room.timeline.clock.now().date()

    def _find(self, card: DriveCard, state: PassState, chunk: int) -> None:
        """Open a finding, unless it is open since an earlier pass."""
        span, ledger = card.grid.span(chunk), self._room.ledger
        if all(finding.span != span for finding in ledger.findings(card.number)):
            ledger.record(
                FindingOpened(
                    drive=card.number,
                    pass_id=state.id,
                    finding_id=ledger.next_finding_id(),
                    finding_kind=FindingKind.UNREADABLE,
                    start_byte=span.start,
                    length_bytes=span.length,
                )
            )

    def _finish(self) -> int:
        """Write down that the drive was gone through to its end; return the findings."""
        self._ask(Moment.AFTER)
        state, card, ledger = self._state, self._card, self._room.ledger
        bad, is_refresh = len(self._drive.bad_chunks), self.order.kind is PassKind.REFRESH
        outcome = Outcome.FAIL if bad else Outcome.SUCCESS
        ledger.record(
            FixityChecked(
                drive=card.number,
                outcome=outcome,
                pass_id=state.id,
                moment="before rewrite" if is_refresh else "whole",
                method="lagged",
                bytes_checked=card.evidence.size_bytes,
                chunks_matched=card.grid.count - bad,
                chunks_differing=0,
                chunks_unreadable=bad,
            )
        )
        if is_refresh:
            rewritten = state.rewritten_bytes
            ledger.record(
                DriveRewritten(
                    drive=card.number,
                    pass_id=state.id,
                    bytes_rewritten=rewritten,
                    bytes_skipped=card.evidence.size_bytes - rewritten,
                )
            )
        ledger.record(
            PassEnded(
                drive=card.number,
                outcome=outcome,
                pass_id=state.id,
                pass_kind=self.order.kind,
                reached_end=True,
                checked_on=state.begun_at.date(),
                findings=bad,
            )
        )
        begun_s = self._room.begun_s.pop(state.id, self._writes_from_s or 0.0)
        self._room.done.append(Done(card.number, self.order.kind, begun_s, self._now_s))
        return bad

    def _cut_short(self, why: ErrorTold, *, is_settled: bool) -> None:
        """End before the end; the pass can be taken up again."""
        if self.is_over or self.is_hung:
            return
        if self._writes_from_s is not None:
            try:
                if is_settled:
                    self._settle()
                state = self._state
                self._room.ledger.record(
                    PassInterrupted(drive=state.drive, pass_id=state.id, reason=why.message)
                )
            except RefreshdError as err:
                why = told(err)
        self._ended(Outcome.WARNING, why, findings=0)

    def _go_wrong(self, mishap: Mishap) -> None:
        if self.is_over:
            return
        if mishap is Mishap.HANGS:
            self.is_hung = True
        else:
            self._end(WorkerEnded(exit_code=-11, last_words="segmentation fault"))

    def _moved(self) -> None:
        card = self._card
        done = min(self._state.next_chunk * card.chunk_bytes, card.evidence.size_bytes)
        self._say(Moved(done_bytes=done, of_bytes=card.evidence.size_bytes, doing="reading"))

    # How it ends

    def _fail(self, error: ErrorTold) -> None:
        self._ended(Outcome.FAIL, error, findings=0)

    def _ended(self, outcome: Outcome, error: ErrorTold | None, findings: int) -> None:
        self._say(
            VisitEnded(
                drive=self.order.drive,
                pass_kind=self.order.kind,
                outcome=outcome,
                is_complete=error is None,
                findings=findings,
                error=error,
            )
        )
        self._end(WorkerEnded(exit_code=0 if error is None else error.exit_code))

    def _end(self, message: WorkerEnded) -> None:
        self._note_written()
        self.is_over = True
        self._say(message)

    def _note_written(self) -> None:
        if self.order.kind is PassKind.REFRESH and self._writes_from_s is not None:
            written = Written(self.order.drive, self._writes_from_s, self._now_s)
            self._room.written.append(written)
            self._writes_from_s = None
