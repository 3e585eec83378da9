"""What holds for the whole shelf, value by value, and what of it contradicts itself or is doubtful.

refreshd.policy_review says the same of the values of one drive, and gives each its line.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from refreshd.durations import is_shorter, wait_text
from refreshd.hours import QuietSpan
from refreshd.policy import DrivePolicy, KeyPath, Policy, effective, toml_text
from refreshd.policy_tables import (
    SHELF_TABLES,
    Gets,
    NoticeRules,
    Section,
    SlipRules,
    VisitRules,
    keys_of,
)
from refreshd.quantities import MediumKind

LEFT_OUT = "left out"
_LEFT_OUT: Mapping[tuple[KeyPath, str], str] = {(("staging",), "directory"): '"STATE/staging"'}
"""What a value that is not given comes to, where there is more to say than that."""

MINUTES_A_DAY = 24 * 60
ALLOWED_MINUTES_DOUBTFUL = 60
VISIT_S_DOUBTFUL = 3600
"""A large drive needs a day and more; an hour a visit would ask for it dozens of times.

Source: three times over 4 TB at 150 MB/s is 22 hours; common practice, no source.
"""

CONNECTED_S_DOUBTFUL = 600
"""Nobody is at the drive so soon after its visit; common practice, no source."""

_NO_SECRET = frozenset({"mailto", "mailtos"})
"""Kinds of addresses that can do without a password; of the others most hold a token."""

_SECRET_WORDS = ("pass=", "password=", "pwd=", "token=", "key=", "secret=")


@dataclass(frozen=True, slots=True)
class Objection:
    """Something to say about one value, or (without a key) about one table."""

    path: KeyPath
    key: str
    says: str


def sections(policy: Policy) -> Iterator[tuple[KeyPath, Section]]:
    """Yield every table that holds for the whole shelf, with its place in the file."""
    for name in SHELF_TABLES:
        yield (name,), getattr(policy, name)
    for name, channel in policy.notices.channel.items():
        yield ("notices", "channel", name), channel


def value_texts(path: KeyPath, section: Section) -> Mapping[str, str]:
    """Return every value of a table as the file has it, by its key; of an address, its kind."""
    dumped = section.model_dump(mode="json", by_alias=True, exclude={"channel"})
    return {
        key: _LEFT_OUT.get((path, key), LEFT_OUT) if value is None else toml_text(value)
        for key, value in dumped.items()
    }


def is_given(section: Section, key: str) -> bool:
    """Say whether the file names a value."""
    return keys_of(type(section))[key] in section.model_fields_set


def refused(policy: Policy) -> Iterator[Objection]:
    """Yield what cannot stand together; each value alone is within its bounds."""
    if allowed_minutes(policy.visits.quiet_hours) == 0:
        says = "together they last the whole day, so that no pass could ever run"
        yield Objection(("visits",), "quiet_hours", says)
    for name, channel in policy.notices.channel.items():
        path = ("notices", "channel", name)
        if channel.url and channel.url_file:
            says = "url is given, too. Keep one of the two"
            yield Objection(path, "url_file", says)
        if not channel.url and not channel.url_file:
            says = "says not where notices go. Give it url, or url_file"
            yield Objection(path, "", says)


def doubtful(policy: Policy) -> Iterator[Objection]:
    """Yield what is allowed but doubtful. What is built in never is."""
    for found in (
        *_of_visits(policy.visits),
        *_of_slips(policy.slips),
        *_of_intervals(policy),
        *_of_notices(policy.notices),
    ):
        _, section = next(one for one in sections(policy) if one[0] == found.path)
        if not found.key or is_given(section, found.key):
            yield found


def allowed_minutes(quiet_hours: tuple[QuietSpan, ...]) -> int:
    """Return how many minutes of a day lie outside of quiet hours."""
    quiet: set[int] = set()
    for span in quiet_hours:
        begin, end = (at.hour * 60 + at.minute for at in (span.begin, span.end))
        quiet.update(minute % MINUTES_A_DAY for minute in range(begin, end + _over(begin, end)))
    return MINUTES_A_DAY - len(quiet)


def _over(begin: int, end: int) -> int:
    """Return what a span over midnight has more than its times say."""
    return 0 if begin < end else MINUTES_A_DAY


def _of_visits(visits: VisitRules) -> Iterator[Objection]:
    allowed = allowed_minutes(visits.quiet_hours)
    if 0 < allowed < ALLOWED_MINUTES_DOUBTFUL:
        says = f"they leave {allowed} minutes a day; a large drive would take weeks"
        yield Objection(("visits",), "quiet_hours", says)
    longest = visits.longest_visit_s
    if longest is not None and longest < VISIT_S_DOUBTFUL:
        says = (
            "a refresh of a drive of 4 TB takes about 22 hours at 150 MB/s, so the drive would be "
            f"asked for {round(22 * 3600 / longest)} times; each start of a drive wears it, too"
        )
        yield Objection(("visits",), "longest_visit", says)


def _of_slips(slips: SlipRules) -> Iterator[Objection]:
    last = slips.reminders[-1]
    if not is_shorter(last, slips.lapses_after):
        key = "reminders" if "reminders" in slips.model_fields_set else "lapses_after"
        says = (
            f"the last reminder, which escalates, comes after {last}, but a slip lapses after "
            f"{slips.lapses_after}: nobody would ever hear of a drive that is not brought"
        )
        yield Objection(("slips",), key, says)
    if slips.connected_s < CONNECTED_S_DOUBTFUL:
        says = (
            f"{wait_text(slips.connected_s)} after its visit hardly anybody has come for the drive "
            "yet, so that every visit would end with a reminder"
        )
        yield Objection(("slips",), "left_connected", says)


def _of_intervals(policy: Policy) -> Iterator[Objection]:
    """Compare with the intervals of drives; those of media that may not be there do not count."""
    early, grace = policy.slips.early, policy.slips.grace
    for whose, values in _cases(policy):
        interval = values.refresh_interval
        if not is_shorter(early, interval):
            says = (
                f"not shorter than the refresh interval of {whose}, {interval}: no drive is asked "
                "for in the first quarter of its interval, so this promises more than is done"
            )
            yield Objection(("slips",), "early", says)
        if not is_shorter(grace, interval):
            says = (
                f"not shorter than the refresh interval of {whose}, {interval}: such a drive could "
                "wait twice as long as it should before anybody is told"
            )
            yield Objection(("slips",), "grace", says)


def _cases(policy: Policy) -> Iterator[tuple[str, DrivePolicy]]:
    disk = MediumKind.HARD_DISK
    yield "hard disks", effective(policy, disk, None)
    for number, rules in policy.drive.items():
        if "refresh_interval" in rules.model_fields_set:
            yield f"drive {number}", effective(policy, disk, number)


def _of_notices(notices: NoticeRules) -> Iterator[Objection]:
    for name, channel in notices.channel.items():
        if channel.url and holds_secret(channel.url):
            says = (
                "this address may hold a password or a token, and others can read this file. Put "
                "it into a file of its own and name that as url_file"
            )
            yield Objection(("notices", "channel", name), "url", says)
    told = {kind for channel in notices.channel.values() for kind in channel.gets}
    if not notices.channel or notices.wall:
        return
    if Gets.SLIPS not in told and notices.page_directory is None:
        yield Objection(("notices",), "", "no channel gets slips: nobody hears what to bring")
    if Gets.ALARMS not in told:
        yield Objection(("notices",), "", "no channel gets alarms: nobody hears what goes wrong")


def holds_secret(address: str) -> bool:
    """Say whether an address may hold something that others must not read. Errs towards yes."""
    kind, _, rest = address.partition("://")
    who, at, _ = rest.partition("?")[0].rpartition("@")
    has_password = bool(at) and ":" in who
    has_word = any(word in rest.lower() for word in _SECRET_WORDS)
    return kind not in _NO_SECRET or has_password or has_word
