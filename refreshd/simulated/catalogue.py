"""A catalogue in memory, quick enough for tens of thousands of simulated power cuts.

It is a `Book` of plain mappings under the same tally as the real catalogue. Every value in it
is immutable, so a snapshot copies references only.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from refreshd.book import Register, last_rewrite
from refreshd.cards import (
    Delivery,
    DriveCard,
    Evidence,
    Finding,
    FindingState,
    LastRewrite,
    PassHistory,
    PassState,
    Pause,
    ShelfRow,
    Slip,
    Stay,
)
from refreshd.chain import evidence_digest
from refreshd.errors import UnknownDriveError, UsageError
from refreshd.events import Entry
from refreshd.expectation import own_rate
from refreshd.health_cards import HealthEntry, PassWatch
from refreshd.proving_cards import Certificate, Proving
from refreshd.quantities import (
    DriveNumber,
    FindingId,
    PassId,
    PassKind,
    ProvingId,
    SlipNumber,
    proving_serial,
)
from refreshd.register import count_row, read_run, rows_of, unpack_days
from refreshd.tally import add, check_follows


@dataclass(slots=True)
class Snapshot:
    """All that a catalogue holds at one moment; also the `Book` that the tally works on."""

    head: tuple[int, str] | None = None
    cards: dict[DriveNumber, DriveCard] = field(default_factory=dict)
    recorded_counts: dict[DriveNumber, int] = field(default_factory=dict)
    unfinished: dict[DriveNumber, dict[PassId, PassState]] = field(default_factory=dict)
    ended: dict[DriveNumber, tuple[PassHistory, ...]] = field(default_factory=dict)
    found_ones: dict[FindingId, Finding] = field(default_factory=dict)
    packed: dict[tuple[Register, DriveNumber, int], bytes] = field(default_factory=dict)
    day_counts: dict[DriveNumber, dict[int, int]] = field(default_factory=dict)
    slips: dict[SlipNumber, Slip] = field(default_factory=dict)
    open_slips: dict[DriveNumber, Slip] = field(default_factory=dict)
    stays: dict[DriveNumber, Stay] = field(default_factory=dict)
    strangers: frozenset[str] = frozenset()
    deliveries: frozenset[Delivery] = frozenset()
    pause: Pause | None = None
    policy_taken: str | None = None
    readings: dict[DriveNumber, tuple[HealthEntry, ...]] = field(default_factory=dict)
    watches: dict[DriveNumber, tuple[PassWatch, ...]] = field(default_factory=dict)
    provings: dict[ProvingId, Proving] = field(default_factory=dict)  # the unfinished ones
    certificates: tuple[Certificate, ...] = ()
    last_proving: int = 0

    def copy(self) -> Snapshot:
        """Return a snapshot that later changes leave alone."""
        return replace(
            self,
            cards=dict(self.cards),
            recorded_counts=dict(self.recorded_counts),
            unfinished={number: dict(states) for number, states in self.unfinished.items()},
            ended=dict(self.ended),
            found_ones=dict(self.found_ones),
            packed=dict(self.packed),
            day_counts={number: dict(counts) for number, counts in self.day_counts.items()},
            slips=dict(self.slips),
            open_slips=dict(self.open_slips),
            stays=dict(self.stays),
            readings=dict(self.readings),
            watches=dict(self.watches),
            provings=dict(self.provings),
        )

    def card(self, number: DriveNumber) -> DriveCard | None:
        """Return a card, withdrawn or not."""
        return self.cards.get(number)

    def put_card(self, card: DriveCard) -> None:
        """Add or replace a card."""
        self.cards[card.number] = card

    def recorded(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        return self.recorded_counts.get(number, 0)

    def put_recorded(self, number: DriveNumber, chunks: int) -> None:
        """Replace that number."""
        self.recorded_counts[number] = chunks

    def open_passes(self, number: DriveNumber) -> Mapping[PassId, PassState]:
        """Return the unfinished passes of a drive, as they are now."""
        return dict(self.unfinished.get(number, {}))

    def put_pass(self, state: PassState) -> None:
        """Add or replace an unfinished pass."""
        self.unfinished.setdefault(state.drive, {})[state.id] = state

    def end_pass(self, ended: PassHistory) -> None:
        """Remove an unfinished pass and keep what became of it."""
        del self.unfinished[ended.drive][ended.id]
        self.ended[ended.drive] = (*self.ended.get(ended.drive, ()), ended)

    def found(self, finding: FindingId) -> Finding | None:
        """Return a finding in any state."""
        return self.found_ones.get(finding)

    def put_finding(self, finding: Finding) -> None:
        """Add or replace a finding."""
        self.found_ones[finding.id] = finding

    def rows(self, register: Register, number: DriveNumber, rows: range) -> Mapping[int, bytes]:
        """Return those packed rows that there are."""
        held = ((row, self.packed.get((register, number, row))) for row in rows)
        return {row: packed for row, packed in held if packed is not None}

    def put_row(self, register: Register, number: DriveNumber, row: int, packed: bytes) -> None:
        """Add or replace a packed row."""
        if register is Register.DAYS:
            counts = self.day_counts.setdefault(number, {})
            before = self.packed.get((register, number, row))
            if before is not None:
                count_row(counts, min(unpack_days(before)), -1)
            count_row(counts, min(unpack_days(packed)), 1)
        self.packed[register, number, row] = packed

    def slip(self, number: SlipNumber) -> Slip | None:
        """Return a slip in any state."""
        return self.slips.get(number)

    def open_slip(self, drive: DriveNumber) -> Slip | None:
        """Return the open slip of a drive, if it has one."""
        return self.open_slips.get(drive)

    def highest_slip(self) -> int:
        """Return the highest number that was given to a slip; 0: none was."""
        return next(reversed(self.slips), 0)  # T6: they were added in this order

    def put_slip(self, slip: Slip) -> None:
        """Add or replace a slip."""
        self.slips[slip.number] = slip
        if slip.is_open:
            self.open_slips[slip.drive] = slip
        else:
            self.open_slips.pop(slip.drive, None)

    def put_delivery(self, delivery: Delivery) -> None:
        """Keep what was handed to a channel; once is enough."""
        self.deliveries |= {delivery}

    def drop_deliveries(self, slip: SlipNumber) -> None:
        """Forget what was handed to any channel about a slip."""
        self.deliveries = frozenset(one for one in self.deliveries if one.slip != slip)

    def stay(self, drive: DriveNumber) -> Stay | None:
        """Return the stay of a drive, if it is plugged in."""
        return self.stays.get(drive)

    def put_stay(self, stay: Stay) -> None:
        """Add or replace the stay of a drive."""
        self.stays[stay.drive] = stay

    def end_stay(self, drive: DriveNumber) -> None:
        """Remove the stay of a drive."""
        del self.stays[drive]

    def put_stranger(self, digest: str) -> None:
        """Keep the digest of a stranger's evidence; once is enough."""
        self.strangers |= {digest}

    def put_pause(self, pause: Pause | None) -> None:
        """Replace the pause; None: there is none."""
        self.pause = pause

    def put_policy_taken(self, sha256: str) -> None:
        """Replace the digest of the policy that the service runs under."""
        self.policy_taken = sha256

    def surely_in_care(self, names: Evidence) -> DriveCard | None:
        """Return the drive in care that surely gave this evidence, if there is one."""
        cards = (card for _, card in sorted(self.cards.items()) if card.withdrawn_on is None)
        return next((card for card in cards if card.evidence.is_surely_of(names)), None)

    def put_reading(self, reading: HealthEntry) -> None:
        """Add a health reading to the series of its drive."""
        self.readings[reading.drive] = (*self.readings.get(reading.drive, ()), reading)

    def put_watch(self, watch: PassWatch) -> None:
        """Add what was watched of one run of a pass."""
        self.watches[watch.drive] = (*self.watches.get(watch.drive, ()), watch)

    def open_provings(self) -> tuple[Proving, ...]:
        """Return the unfinished provings, by number."""
        return tuple(self.provings.values())  # T16: they were added in this order

    def highest_proving(self) -> int:
        """Return the highest number that was given to a proving; 0: none was."""
        return self.last_proving

    def put_proving(self, proving: Proving) -> None:
        """Add or replace an unfinished proving."""
        self.provings[proving.id] = proving
        self.last_proving = max(self.last_proving, proving_serial(proving.id))

    def end_proving(self, ended: ProvingId, certificate: Certificate | None) -> None:
        """Close an unfinished proving, and keep its certificate; None: it was given up."""
        del self.provings[ended]
        if certificate is not None:
            self.certificates = (*self.certificates, certificate)


class MemoryCatalogue:
    """A `CatalogueStore` without a file. Read and written by one thread."""

    def __init__(self) -> None:
        self._held = Snapshot()

    def snapshot(self) -> Snapshot:
        """Return what it holds now. Costs nothing: `apply` changes a copy, never this."""
        return self._held

    def restore(self, snapshot: Snapshot) -> None:
        """Go back to a snapshot, as a power cut does with an unfinished transaction."""
        self._held = snapshot

    def head(self) -> tuple[int, str] | None:
        """Return sequence and digest of the last journal entry it contains."""
        return self._held.head

    def apply(
        self, entries: Sequence[Entry], before_commit: Callable[[], None] | None = None
    ) -> None:
        """Add entries up, all or none of them."""
        check_follows(self._held.head, entries)
        if not entries:
            return
        after = self._held.copy()
        for entry in entries:
            add(entry, after)
        after.head = (entries[-1].sequence, entries[-1].digest)
        if before_commit is not None:
            before_commit()
        self._held = after

    def drives(self) -> tuple[DriveCard, ...]:
        """Return all drives in care, by number."""
        cards = sorted(self._held.cards.items())
        return tuple(card for _, card in cards if card.withdrawn_on is None)

    def drive(self, number: DriveNumber) -> DriveCard:
        """Return one card, withdrawn or not, or raise UnknownDriveError."""
        card = self._held.card(number)
        if card is None:
            raise UnknownDriveError(f"{number}: no such drive; `refreshd shelf` lists all")
        return card

    def digests(self, number: DriveNumber, first: int, count: int) -> bytes:
        """Return `count` recorded digests, packed; NO_DIGEST where none is recorded."""
        return self._run(Register.DIGESTS, number, first, count)

    def recorded_chunks(self, number: DriveNumber) -> int:
        """Return how many chunks from the start have been recorded."""
        return self._held.recorded(self.drive(number).number)

    def written_days(self, number: DriveNumber, first: int, count: int) -> array[int]:
        """Return, per chunk, the day of its last proved rewrite as a proleptic ordinal."""
        return unpack_days(self._run(Register.DAYS, number, first, count))

    def _run(self, register: Register, number: DriveNumber, first: int, count: int) -> bytes:
        rows = self._held.rows(register, self.drive(number).number, rows_of(first, count))
        return read_run(rows, register.width, first, count)

    def findings(self, number: DriveNumber | None = None) -> tuple[Finding, ...]:
        """Return open findings, of one drive or of all in care, by drive and place."""
        wanted = {card.number for card in self.drives()}
        if number is not None:
            wanted = {self.drive(number).number}
        found = (
            finding
            for finding in self._held.found_ones.values()
            if finding.drive in wanted and finding.state is FindingState.OPEN
        )
        return tuple(sorted(found, key=lambda one: (one.drive, one.span.start, _serial(one.id))))

    def finding(self, number: DriveNumber, finding: FindingId) -> Finding:
        """Return one finding in any state, or raise UsageError."""
        found = self._held.found(finding)
        if found is None or found.drive != number:
            raise UsageError(
                f"{number} has no finding {finding}; `refreshd findings` lists the open ones"
            )
        return found

    def unfinished_pass(self, number: DriveNumber, kind: PassKind) -> PassState | None:
        """Return the pass of this kind that was begun on this drive and has not ended."""
        unfinished = self._held.open_passes(self.drive(number).number).values()
        return next((state for state in unfinished if state.kind is kind), None)

    def next_finding_id(self) -> FindingId:
        """Return an id that no finding has had yet."""
        highest = max((_serial(finding) for finding in self._held.found_ones), default=0)
        return FindingId(f"F{highest + 1}")

    def passes(self, number: DriveNumber) -> tuple[PassHistory, ...]:
        """Return the passes over this drive that have ended, oldest first."""
        return self._held.ended.get(self.drive(number).number, ())

    def oldest_written(self, number: DriveNumber) -> LastRewrite:
        """Return the drive's last-rewrite date, and the chunks held back from it (I4)."""
        return self._rewritten(self.drive(number), self.findings(number))

    def _rewritten(self, card: DriveCard, found: Sequence[Finding]) -> LastRewrite:
        return last_rewrite(card, found, self._held.day_counts.get(card.number, {}), self._held)

    def shelf_rows(self) -> tuple[ShelfRow, ...]:
        """Return what planning needs of every drive in care, by number."""
        found: dict[DriveNumber, list[Finding]] = {}
        for finding in self.findings():
            found.setdefault(finding.drive, []).append(finding)
        return tuple(self._row(card, found.get(card.number, ())) for card in self.drives())

    def _row(self, card: DriveCard, found: Sequence[Finding]) -> ShelfRow:
        ended = self._held.ended.get(card.number, ())
        return ShelfRow(
            card=card,
            rewritten=self._rewritten(card, found),
            open_findings=len(found),
            unfinished=tuple(
                state for _, state in sorted(self._held.open_passes(card.number).items())
            ),
            last_refresh_at=_last_refresh(ended),
            own_rate_bytes_per_s=max(map(own_rate, ended), default=0),
        )

    def slips(self, number: DriveNumber | None = None) -> tuple[Slip, ...]:
        """Return the open slips of one drive or of all, by number."""
        if number is not None:
            slip = self._held.open_slip(self.drive(number).number)
            return () if slip is None else (slip,)
        return tuple(sorted(self._held.open_slips.values(), key=lambda slip: slip.number))

    def slip(self, slip: SlipNumber) -> Slip:
        """Return one slip in any state, or raise UsageError."""
        found = self._held.slip(slip)
        if found is None:
            raise UsageError(f"there is no slip {slip}; `refreshd pull-list` lists the open ones")
        return found

    def next_slip_number(self) -> SlipNumber:
        """Return a number that no slip has had yet."""
        return SlipNumber(self._held.highest_slip() + 1)

    def deliveries(self) -> frozenset[Delivery]:
        """Return what was handed to which channel, of the slips that are open."""
        return self._held.deliveries

    def stays(self) -> tuple[Stay, ...]:
        """Return the drives in care that are plugged in as far as the record knows, by number."""
        return tuple(stay for _, stay in sorted(self._held.stays.items()))

    def is_reported(self, stranger: Evidence) -> bool:
        """Say whether this drive was reported as a stranger before."""
        return evidence_digest(stranger) in self._held.strangers

    def pause(self) -> Pause | None:
        """Return who asked that no pass runs; None: passes may run."""
        return self._held.pause

    def policy_taken(self) -> str | None:
        """Return the digest of the policy that the service took last; None: it took none yet."""
        return self._held.policy_taken

    def health(self, number: DriveNumber) -> tuple[HealthEntry, ...]:
        """Return the health readings of a drive, oldest first."""
        return self._held.readings.get(self.drive(number).number, ())

    def watches(self, number: DriveNumber) -> tuple[PassWatch, ...]:
        """Return temperature and rate across the passes of a drive, oldest first."""
        return self._held.watches.get(self.drive(number).number, ())

    def unfinished_provings(self) -> tuple[Proving, ...]:
        """Return the provings that were begun and have neither ended nor been given up."""
        return self._held.open_provings()

    def certificates(self, names: Evidence | None = None) -> tuple[Certificate, ...]:
        """Return the certificates of all drives, or of one by its own names, oldest first."""
        found = self._held.certificates
        return tuple(one for one in found if names is None or one.evidence.is_surely_of(names))

    def next_proving_id(self) -> ProvingId:
        """Return an id that no proving has had yet."""
        return ProvingId(f"P{self._held.highest_proving() + 1}")


def _last_refresh(ended: Iterable[PassHistory]) -> datetime | None:
    refreshes = (one.ended_at for one in ended if one.kind is PassKind.REFRESH)
    return max(refreshes, default=None)


def _serial(finding: FindingId) -> int:
    """Return the number in a finding's id."""
    return int(finding.removeprefix("F"))
