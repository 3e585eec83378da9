"""What a policy comes to: who decided each value, what contradicts itself, what is doubtful."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from refreshd.durations import Duration, is_shorter
from refreshd.policy import (
    BUILT_IN_BY_MEDIUM,
    Contradiction,
    DrivePolicy,
    KeyPath,
    Layer,
    Policy,
    Rules,
    contradictions_in,
    decider,
    effective,
    resolve,
    table_text,
    toml_text,
)
from refreshd.policy_shelf import (
    Objection,
    doubtful,
    is_given,
    refused,
    sections,
    value_texts,
)
from refreshd.quantities import MIB, DriveNumber, MediumKind

Lines = Mapping[KeyPath, int]
"""The line of each key of a policy file. Empty: there is no file, everything is built in."""

YEAR = Duration(years=1)
READBACK_LAG_BYTES_DOUBTFUL = 512 * MIB
"""Source: twice the largest cache of drives at hand, 256 MiB; common practice, no source."""

REQUEST_TIMEOUT_S_DOUBTFUL = 60
"""The kernel waits 30 s for a command, then aborts and resets, which takes as long again.

Source: Linux SCSI documentation, default of the sysfs attribute device/timeout.
"""

DISK_CELSIUS_ALLOWED = 60
"""Highest temperature at work of disks at hand. Source: a maker's specification of 2018, which
reports 60 C as its limit; others from memory. Above 48 C service life counts shorter (Fujitsu
C141-E090, reliability)."""

PAUSE_CELSIUS_COOL = 40
"""Drives at work are at 35 to 45 °C in a room (common practice, no source)."""

GO_ON_CELSIUS_COOL = 35
"""Drives that idle are some 10 °C above their room (common practice, no source)."""

MONTH = Duration(months=1)
ATTACHED_INTERVAL_S_DOUBTFUL = 3600
"""Drives that stop by themselves do so after 10 to 30 minutes (common practice, no source)."""

DISKS = frozenset({MediumKind.HARD_DISK, MediumKind.SHINGLED_DISK})


@dataclass(frozen=True, slots=True)
class Decided:
    """One value, and who decided it. `table` and `line` are None where it is built in."""

    key: str
    value: str
    table: str | None
    line: int | None
    by: str

    def sentence(self) -> str:
        """Return it as one line of text."""
        return f"{self.key} = {self.value}  ({self.by})"


@dataclass(frozen=True, slots=True, order=True)
class Remark:
    """Something to say about one place of a policy file. Line 0: the file as a whole."""

    line: int
    key: str  # with its table, as ``[drive.K07] rate_limit``; empty: the file as a whole
    given: str  # as the file has it; empty: nothing is given
    says: str

    def sentence(self, file: str) -> str:
        """Return it as one line of text."""
        where = f"{file} line {self.line}" if self.line else file
        what = " = ".join(part for part in (self.key, self.given) if part)
        return f"{where}: {what}: {self.says}" if what else f"{where}: {self.says}"


def explain(
    policy: Policy, lines: Lines, medium: MediumKind, number: DriveNumber | None = None
) -> tuple[Decided, ...]:
    """
    Return every value in force for one drive with the table and line that decided it.

    The values of the whole shelf come last, as ``visits.bays`` and ``notices.channel.mail.url``.

    Raises:
        PolicyError: If values from different tables contradict each other.
    """
    texts = resolve(policy, medium, number).as_text()
    of_drive = (
        _decided(key, text, decider(policy, key, medium, number), lines)
        for key, text in texts.items()
    )
    return (*of_drive, *_shelf_wide(policy, lines))


def contradictions(policy: Policy, lines: Lines) -> tuple[Remark, ...]:
    """Return what cannot stand together in the file, sorted by line."""
    found = {clash.remark for clash in _clashes(policy, lines) if clash.is_certain}
    found |= {_objected(policy, lines, one) for one in refused(policy)}
    return tuple(sorted(found))


def cautions(policy: Policy, lines: Lines) -> tuple[Remark, ...]:
    """Return what is allowed but doubtful anywhere in the file, sorted by line.

    The medium of a drive stands on its card, not in the file: a drive's own table is looked
    at as a hard disk's. `cautions_for` knows better.
    """
    cases: list[_Case] = [(medium, None) for medium in MediumKind]
    cases += [(MediumKind.HARD_DISK, number) for number in policy.drive]
    found = {remark for case in cases for remark in _doubts(policy, lines, case)}
    found |= {clash.remark for clash in _clashes(policy, lines) if not clash.is_certain}
    found |= {_objected(policy, lines, one) for one in doubtful(policy)}
    return tuple(sorted(found))


def cautions_for(
    policy: Policy, lines: Lines, medium: MediumKind, number: DriveNumber | None = None
) -> tuple[Remark, ...]:
    """Return what is allowed but doubtful for one drive, sorted by line."""
    return tuple(sorted(_doubts(policy, lines, (medium, number))))


_Case = tuple[MediumKind, DriveNumber | None]


@dataclass(frozen=True, slots=True)
class _Clash:
    """Two values that contradict each other, surely or only for some media."""

    remark: Remark
    is_certain: bool


def _clashes(policy: Policy, lines: Lines) -> Iterator[_Clash]:
    """Try every medium alone, then every drive that has a table, as each medium."""
    for number in (None, *policy.drive):
        found = [
            (medium, contradiction)
            for medium in MediumKind
            for contradiction in contradictions_in(effective(policy, medium, number))
        ]
        for medium, contradiction in found:
            layers = tuple(decider(policy, key, medium, number) for key in contradiction.keys)
            if number is not None and all(layer.path[:1] != ("drive",) for layer in layers):
                continue  # said already of the medium alone
            media = sum(other.keys == contradiction.keys for _, other in found)
            is_certain = media == len(MediumKind) or (number is None and _is_meant(layers))
            whose = "" if is_certain else _if_it_is(medium, number)
            yield _Clash(_clash_remark(contradiction, layers, whose, lines), is_certain)


def _is_meant(layers: tuple[Layer, ...]) -> bool:
    """Say whether values of one medium clash by what the file says, not by what is built in."""
    return all(layer.path for layer in layers) or any(
        layer.path[:1] == ("medium",) for layer in layers
    )


def _if_it_is(medium: MediumKind, number: DriveNumber | None) -> str:
    return f"for {medium}: " if number is None else f"if {number} is {medium}: "


def _clash_remark(
    found: Contradiction, layers: tuple[Layer, ...], whose: str, lines: Lines
) -> Remark:
    """Put a contradiction at the value that the file gives, and name who decided the other."""
    mine = 0 if layers[0].path else 1
    key, layer = found.keys[mine], layers[mine]
    other = _decided(found.keys[1 - mine], "", layers[1 - mine], lines)
    says = f"{whose}{found.says} ({other.key}: {other.by})"
    return _remark(layer, key, says, lines)


def _doubts(policy: Policy, lines: Lines, case: _Case) -> Iterator[Remark]:
    """Yield what is doubtful about the values of one drive or medium; built-in ones never are."""
    values = effective(policy, *case)
    for key, says in _doubtful(values, case[0]):
        yield _remark(decider(policy, key, *case), key, says, lines)


def _doubtful(values: DrivePolicy, medium: MediumKind) -> Iterator[tuple[str, str]]:
    """Yield the key and the reason of each doubtful value."""
    interval = values.refresh_interval
    if medium in DISKS and is_shorter(interval, YEAR):
        yield (
            "refresh_interval",
            "for a hard disk, more than yearly is excessive wear (common practice, no source)",
        )
    built_in = BUILT_IN_BY_MEDIUM.get(medium)
    if built_in is not None and is_shorter(built_in.refresh_interval, interval):
        yield "refresh_interval", _fades(medium, built_in)
    if values.readback_lag_bytes < READBACK_LAG_BYTES_DOUBTFUL:
        yield (
            "readback_lag",
            (
                "the cache of a drive may be large enough to answer a read-back so soon, and then "
                "it proves nothing about the medium; 512 MiB or more is safe for known drives"
            ),
        )
    if values.request_timeout_s < REQUEST_TIMEOUT_S_DOUBTFUL:
        yield (
            "request_timeout",
            (
                "the kernel itself waits 30 seconds before it resets a drive, so a drive that only "
                "struggles with a bad place would be held to hang"
            ),
        )
    yield from _doubtful_heat(values, medium)
    yield from _doubtful_readings(values)


def _doubtful_heat(values: DrivePolicy, medium: MediumKind) -> Iterator[tuple[str, str]]:
    hot = (("pause_at", values.pause_celsius), ("give_up_at", values.give_up_celsius))
    for key, celsius in hot:
        if medium in DISKS and celsius > DISK_CELSIUS_ALLOWED:
            yield (
                key,
                (
                    f"hotter than the {DISK_CELSIUS_ALLOWED} °C that makers of hard disks allow at "
                    "work (their specifications); above some 48 °C a disk ages faster"
                ),
            )
    if values.pause_celsius < PAUSE_CELSIUS_COOL:
        yield (
            "pause_at",
            (
                "drives at work are at 35 °C to 45 °C in a room, so a pass would rest most of the "
                "time (common practice, no source)"
            ),
        )
    if values.go_on_celsius < GO_ON_CELSIUS_COOL:
        yield (
            "go_on_at",
            (
                "a drive that rests is some 10 °C above its room, so it may never cool to this, "
                "and the pass is given up (common practice, no source)"
            ),
        )


def _doubtful_readings(values: DrivePolicy) -> Iterator[tuple[str, str]]:
    interval = values.health_interval
    if interval is not None and is_shorter(interval, MONTH):
        yield (
            "health_interval",
            (
                "each reading asks a drive out that no pass brings, and starting and handling it "
                "more than monthly wears it more than the reading tells (common practice, no "
                "source)"
            ),
        )
    attached = values.attached_health_interval_s
    if attached is not None and attached < ATTACHED_INTERVAL_S_DOUBTFUL:
        yield (
            "health_while_attached",
            (
                "a drive that is asked so often may never stop by itself, since asking can count "
                "as work, and each answer is a record of the journal (common practice, no source)"
            ),
        )


def _fades(medium: MediumKind, built_in: Rules) -> str:
    """Say why a medium without power does not wait as long as a hard disk."""
    kept = {
        MediumKind.SSD: "an SSD without power must keep its data for 1 year at 30 C",
        MediumKind.FLASH: "sticks and cards without power keep less well than an SSD, which must "
        "for 1 year at 30 C",
    }[medium]
    return f"longer than the {built_in.refresh_interval} built in for {medium}: {kept} (JESD218)"


def _decided(key: str, value: str, layer: Layer, lines: Lines) -> Decided:
    if layer.table is None:
        return Decided(key, value, None, None, layer.built_in)
    line = lines.get((*layer.path, key))
    by = layer.table if line is None else f"{layer.table} line {line}"
    return Decided(key, value, layer.table, line, by)


def _remark(layer: Layer, key: str, says: str, lines: Lines) -> Remark:
    """Make a remark about a value that a table of the file gives."""
    given = toml_text(layer.rules.model_dump(mode="json", by_alias=True)[key])
    return Remark(lines.get((*layer.path, key), 0), f"{layer.table} {key}", given, says)


def _shelf_wide(policy: Policy, lines: Lines) -> Iterator[Decided]:
    """Yield the values that hold for the whole shelf, as ``visits.bays``."""
    for path, section in sections(policy):
        for key, text in value_texts(path, section).items():
            table = table_text(path) if is_given(section, key) else None
            decided = _decided(key, text, Layer(Rules(), path, table), lines)
            yield replace(decided, key=".".join((*path, key)))


def _objected(policy: Policy, lines: Lines, found: Objection) -> Remark:
    """Make a remark about a value, or a table, that holds for the whole shelf."""
    table = table_text(found.path)
    if not found.key:
        return Remark(_table_line(found.path, lines), table, "", found.says)
    section = next(section for path, section in sections(policy) if path == found.path)
    given = value_texts(found.path, section)[found.key]
    line = lines.get((*found.path, found.key), 0)
    return Remark(line, f"{table} {found.key}", given, found.says)


def _table_line(path: KeyPath, lines: Lines) -> int:
    """Return where a table begins; one that has no header, where its first key stands."""
    below = (line for key, line in lines.items() if key[: len(path)] == path)
    return lines.get(path) or min(below, default=0)
