"""Trials of a pass: one seed is one accident; the answer says what harm came of it, or None.

A sound engine answers None to every seed. A seeded protocol bug must not get far.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import cache
from random import Random

from refreshd.errors import PathDoubtedError, RefreshdError
from refreshd.events import PathDoubted
from refreshd.passes.bench import PassReport
from refreshd.passes.ring import MAGIC
from refreshd.quantities import FindingKind, PassKind, Span
from refreshd.simulated.disk import Choose, Failure, Op, random_fates
from tests.fakes.broken_ports import (
    BusyAttendant,
    FlippingStaging,
    exchange_at_error,
    watched,
    writes_of,
)
from tests.fakes.cuts import fork, power_on, run_until_cut, steps_of, unrecoverable
from tests.fakes.room import K07, Plan, Room, damaged, taken_in

Trial = Callable[[int], str | None]
Prepare = Callable[[Room, Random], None]

SHORT = Plan()
LONG = Plan(chunks=40, lag=1024)  # more segments than slots, so that slots are used again
WIDE_HEADERS = Plan(chunk=512, chunks=64, segment_chunks=16, short_by=0, lag=4096)
CACHED = Plan(chunks=40, cache=4096, lag=8192, segment_chunks=4)
TIGHT = Plan(chunks=12, lag=1024, slots=2)  # a ring so small that slots are used again at once
SINGLE_SECTORS = Plan(chunk=512, chunks=20, short_by=0, lag=2048)

RUNS_MAX = 6  # how often a pass may be run until it ends


@cache
def base_room(plan: Plan) -> Room:
    """Return a drive in care, to be forked."""
    return taken_in(plan)


@cache
def length_of(plan: Plan) -> int:
    """Return the steps of an undisturbed refresh."""
    return steps_of(base_room(plan), Room.refresh)


def false_dates(room: Room) -> str | None:
    """I4: whatever is dated today holds its bytes on the medium, now."""
    today = room.clock.now().date().toordinal()
    days = room.ledger.written_days(K07, 0, room.grid.count)
    for chunk, day in enumerate(days):
        span = room.grid.span(chunk)
        if day == today and not is_held(room, span):
            return f"chunk {chunk} is dated but the medium does not hold it"
    return None


def is_held(room: Room, span: Span) -> bool:
    """Say whether the medium gives the bytes that it gave when it was taken in."""
    logical = room.plan.logical
    sectors = range(span.start // logical, -(-span.end // logical))
    is_readable = room.disk.bad.isdisjoint(sectors)
    return (
        is_readable and room.disk.medium[span.start : span.end] == room.truth[span.start : span.end]
    )


def wrong_bytes(room: Room) -> str | None:
    """Say where the medium gives other bytes than it ought to; the unreadable is not wrong."""
    logical = room.plan.logical
    for start in range(0, room.plan.size, logical):
        span = Span(start, logical)
        if start // logical not in room.disk.bad and not is_held(room, span):
            return f"wrong bytes at {start}"
    return None


def ended(room: Room, act: Callable[[Room], PassReport] = Room.refresh) -> PassReport:
    """Run a pass until it ends by itself."""
    report = act(room)
    for _ in range(RUNS_MAX):
        if report.stopped_by is None:
            break
        report = act(room)
    return report


def after_all(room: Room) -> str | None:
    """Let the pass end; say what is not as it was."""
    if room.ledger.unfinished_pass(K07, PassKind.REFRESH) is not None:
        report = ended(room)
        if report.stopped_by is not None:
            return f"the pass does not end: {report.stopped_by}"
    if room.ledger.findings():
        return f"a finding of our own making: {room.ledger.findings()[0].span}"
    return None if is_held(room, Span(0, room.plan.size)) else "the drive holds other bytes"


def cut_trial(plan: Plan, prepare: Prepare | None = None) -> Trial:
    """Return the trial of up to four cuts; `prepare` adds another accident."""

    def trial(seed: int) -> str | None:
        random = Random(seed)
        room = fork(base_room(plan))
        if prepare is not None:
            prepare(room, random)
        for _ in range(random.randint(1, 4)):
            if run_until_cut(room, random.randint(1, length_of(plan)), Room.refresh) is not None:
                break
            power_on(room, random_fates(random), random_fates(random), new_boot=True)
            if lost := unrecoverable(room):
                return f"chunks {lost} are lost"
            if harm := false_dates(room):
                return harm
        return after_all(room)

    return trial


def dated_trial(seed: int) -> str | None:
    """A wrong sector behind the drive's cache, and a cut: nothing is dated that is not held."""
    random = Random(seed)
    room = fork(base_room(CACHED))
    wrong_drive(room, random)
    if run_until_cut(room, random.randint(1, length_of(CACHED)), Room.refresh) is None:
        power_on(room, random_fates(random), random_fates(random), new_boot=True)
    return false_dates(room)


def harsh_fates(random: Random) -> Choose:
    """Return a chooser that leaves half of the unflushed sectors unreadable."""

    def choose(_sector: int, versions: int) -> tuple[str, int, int]:
        return ("unreadable", 0, 0) if random.random() < 0.5 else ("version", versions, 0)

    return choose


def killed_trial(seed: int) -> str | None:
    """The process is killed, started again, and then the power fails."""
    random = Random(seed)
    room = fork(base_room(TIGHT))
    for steps in (length_of(TIGHT), 40):
        if run_until_cut(room, random.randint(1, steps), Room.refresh) is not None:
            return None
    power_on(room, harsh_fates(random), harsh_fates(random), new_boot=True)
    lost = unrecoverable(room)
    return f"chunks {lost} are lost" if lost else after_all(room)


def cut_in_recovery_trial(seed: int) -> str | None:
    """The power fails once in the pass, and again soon after the first write of the next run."""
    random = Random(seed)
    room = fork(base_room(TIGHT))
    step = random.randint(1, length_of(TIGHT))
    for _ in range(2):
        if run_until_cut(room, step, Room.refresh) is not None:
            return None
        power_on(room, harsh_fates(random), harsh_fates(random), new_boot=True)
        step = _first_write(room) + random.randint(0, 9)
    lost = unrecoverable(room)
    return f"chunks {lost} are lost" if lost else after_all(room)


def _first_write(room: Room) -> int:
    """Return the step at which a refresh would first write to the drive."""
    probe = fork(room)
    drive = watched(probe)
    probe.refresh()
    return drive.first_write_step


def wrong_staging(room: Room, random: Random) -> None:
    """The server's disk stores a few sectors wrongly."""
    for _ in range(4):
        room.staging_disk.stored_wrongly[random.randrange(len(room.staging_disk.medium) // 512)] = 1


def wrong_drive(room: Room, random: Random) -> None:
    """The drive stores one sector wrongly behind its cache."""
    room.disk.stored_wrongly[random.randrange(room.plan.size // 512)] = 1


def rotting_staging_trial(seed: int) -> str | None:
    """Cut, then a byte of the staging disk rots: what is bad must never be put back."""
    random = Random(seed)
    room = fork(base_room(SINGLE_SECTORS))
    steps = random.randint(1, length_of(SINGLE_SECTORS))
    if run_until_cut(room, steps, Room.refresh) is not None:
        return None
    power_on(room, random_fates(random), random_fates(random), new_boot=True)
    for start in range(0, len(room.staging_disk.medium), 512):
        if room.staging_disk.medium[start : start + len(MAGIC)] != MAGIC:
            room.staging_disk.medium[start + 77] ^= 1
    ended(room)
    return wrong_bytes(room)


def cached_drive_trial(seed: int) -> str | None:
    """A wrong sector behind the drive's cache: caught and mended by the end of the pass."""
    room = fork(base_room(CACHED))
    wrong_drive(room, Random(seed))
    report = room.refresh()
    if report.stopped_by is not None:
        return f"the pass does not end: {report.stopped_by}"
    return false_dates(room) or wrong_bytes(room)


def flipped_memory_trial(seed: int) -> str | None:
    """Memory flips a bit after the verification, before or after the staged copy was made."""
    random = Random(seed)
    room = fork(base_room(SHORT))
    nth = random.randint(1, 12)
    room.staging = FlippingStaging(room.staging_disk, nth=nth, is_before=random.random() < 0.5)
    room.refresh()
    return wrong_bytes(room) or false_dates(room)


def flipped_memory_and_cut_trial(seed: int) -> str | None:
    """Memory flips between copy and write, and the power fails: no damage of our own making."""
    random = Random(seed)
    room = fork(base_room(SHORT))
    room.staging = FlippingStaging(room.staging_disk, nth=random.randint(1, 12), is_before=False)
    if run_until_cut(room, random.randint(1, length_of(SHORT)), Room.refresh) is None:
        power_on(room, random_fates(random), random_fates(random), new_boot=True)
    return after_all(room)


def failed_flush_trial(seed: int) -> str | None:
    """A flush fails once and loses any of what it should have kept."""
    random = Random(seed)
    room = fork(base_room(SHORT))
    room.disk.random = random
    room.disk.failure = Failure(random.randint(1, 5), frozenset({Op.FLUSH}))
    room.refresh()
    return false_dates(room) or after_all(room)


def elsewhere_trial(seed: int) -> str | None:
    """Cut, edited on another computer, brought back: the edit survives."""
    random = Random(seed)
    room = fork(base_room(LONG))
    if run_until_cut(room, random.randint(1, length_of(LONG)), Room.refresh) is not None:
        return None
    power_on(room, random_fates(random), random_fates(random), new_boot=True)
    for chunk in random.sample(range(room.grid.count), 2):
        room.disk.medium[chunk * 1024 + 5] ^= 0x55
    edited, bad = room.disk.content(), set(room.disk.bad)
    ended(room)
    if room.disk.content() != edited:
        return "an edit made elsewhere was overwritten"
    return None if room.disk.bad == bad else "something was written over the unreadable"


def path_trial(seed: int) -> str | None:
    """A reading is flipped once on its way: no finding, and nothing more is written."""
    room = fork(base_room(LONG))
    room.disk.flipped_once.add(Random(seed).randrange(room.plan.size // 512))
    report = room.refresh()
    if room.ledger.findings():
        return "a path error was taken for damage"
    if not isinstance(report.stopped_by, PathDoubtedError):
        return "the pass went on over a path in doubt"
    doubted = [type(entry.event) for entry in room.ledger.entries].count(PathDoubted)
    return None if doubted == 1 else "the doubt was not written down"


def exchanged_trial(seed: int) -> str | None:
    """At an I/O error another drive answers: it is never written to."""
    random = Random(seed)
    room = fork(base_room(LONG))
    other = exchange_at_error(room)
    op = random.choice([Op.READ, Op.WRITE, Op.FLUSH])
    room.disk.failure = Failure(random.randint(1, 40), frozenset({op}))
    room.refresh()
    return "another drive was written to" if writes_of(other) else None


def holes_trial(seed: int) -> str | None:
    """Holes of an image file are never written, whole chunks or parts of them."""
    random = Random(seed)
    room = Room(LONG)
    holes = tuple(Span(start * 512, 512) for start in sorted(random.sample(range(79), 9)))
    for hole in holes:
        room.disk.medium[hole.start : hole.end] = bytes(hole.length)
    room.drive.holes, room.truth = holes, room.disk.content()
    room.accession()
    room.years_pass()
    room.disk.log.clear()
    room.refresh()
    touched = [
        Span(start, length)
        for op, start, length in room.disk.log
        if op is Op.WRITE and any(hole.overlaps(Span(start, length)) for hole in holes)
    ]
    return f"a hole was written: {touched[0]}" if touched else after_all(room)


def damaged_chunk_trial(seed: int) -> str | None:
    """A chunk that differs, or cannot be read, is never written and becomes a finding."""
    random = Random(seed)
    room = fork(base_room(SHORT))
    sector = random.randrange(room.plan.size // 512)
    is_unreadable = random.random() < 0.5
    if is_unreadable:
        room.disk.bad.add(sector)
    else:
        damaged(room, sector * 512)
    report = room.refresh()
    if report.stopped_by is not None:
        return f"the pass does not end: {report.stopped_by}"
    if any(start // 1024 == sector // 2 for start in writes_of(room.disk)):
        return "a damaged chunk was written"
    kind = FindingKind.UNREADABLE if is_unreadable else FindingKind.MISMATCH
    return None if [one.kind for one in report.findings] == [kind] else "no finding"


def finding_and_cut_trial(seed: int) -> str | None:
    """Cut at any step of a pass over a drive with damage: the finding is never lost (I5)."""
    random = Random(seed)
    room = fork(base_room(SHORT))
    sector = random.randrange(room.plan.size // 512)
    room.disk.bad.add(sector)
    if run_until_cut(room, random.randint(1, length_of(SHORT)), Room.refresh) is not None:
        return None
    power_on(room, random_fates(random), random_fates(random), new_boot=True)
    if sector in room.disk.bad:
        ended(room)
        if not any(one.span.start <= sector * 512 < one.span.end for one in room.ledger.findings()):
            return "a finding was lost"
    return None


def passing_days_trial(seed: int) -> str | None:
    """I4: days go by within a pass; no chunk is dated later than its write began."""
    room = fork(base_room(CACHED))
    began: dict[int, int] = {}
    seen = 0

    def day_goes_by() -> None:
        nonlocal seen
        day = room.clock.now().date().toordinal()
        for start in writes_of(room.disk)[seen:]:
            began.setdefault(start // room.plan.chunk, day)
        seen = len(writes_of(room.disk))
        room.clock.time += timedelta(days=1 + seed % 3)

    room.attendant = BusyAttendant(at_move=day_goes_by)
    room.refresh()
    days = room.ledger.written_days(K07, 0, room.grid.count)
    late = [chunk for chunk, day in enumerate(days) if day > began.get(chunk, day)]
    return f"chunks {late} are dated later than their write" if late else None


def outcome_of(trial: Trial, seed: int) -> str | None:
    """Make a trial; an error of the engine itself is harm, too."""
    try:
        return trial(seed)
    except RefreshdError as err:
        return f"{type(err).__name__}: {err}"
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as err:
        return f"engine fault {type(err).__name__}: {err}"
