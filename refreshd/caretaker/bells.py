"""When the caretaker wants to be rung at the latest.

Everything that time brings has a moment here, so that nothing is missed by sleeping until then.
At least once an hour, whatever is planned: clocks are set, summer time begins, and the moment of
a quiet hour may be off by one hour on such a night.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from refreshd.caretaker.house import House
from refreshd.caretaker.leaving import waits_too_long_at
from refreshd.caretaker.occupants import Occupant
from refreshd.caretaker.prompting import WAIT_FOR_START_S, is_waiting_for_start
from refreshd.caretaker.readings import reading_due_s
from refreshd.caretaker.visits import timeout_s
from refreshd.hours import next_edge
from refreshd.policy_tables import OnBattery

AT_LEAST_EVERY = timedelta(hours=1)
NEVER = datetime.max.replace(tzinfo=UTC)


def next_due(house: House) -> datetime:
    """Return the first moment at which time brings something, in UTC; NEVER: none is."""
    now = house.now
    return min((moment for moment in _moments(house) if moment > now), default=NEVER)


def _moments(house: House) -> Iterator[datetime]:
    if house.scribe.retry_s is not None:
        yield house.wall(house.scribe.retry_s)
    if house.prompt_at is not None:
        yield house.prompt_at
    if is_waiting_for_start(house):
        yield house.now + timedelta(seconds=WAIT_FOR_START_S)
    for one in house.occupants:
        yield from _of_occupant(house, one)
    pause = house.around.ledger.pause()
    if pause is not None and pause.until is not None:
        yield pause.until
    if any(one.run is not None or one.waits_for for one in house.occupants):
        yield from _of_passes(house)


def _of_passes(house: House) -> Iterator[datetime]:
    """Yield when something may begin or end to speak against all passes."""
    edge = next_edge(house.policy.visits.quiet_hours, house.local_now)
    if edge is not None:
        yield edge.astimezone(UTC)
    every_s = house.around.battery_every_s
    if every_s is None or house.policy.visits.on_battery is not OnBattery.REST:
        return
    # Who waits for something else is looked at again when that is over.
    if any(one.run is not None for one in house.occupants) or house.around.is_on_battery():
        yield house.now + timedelta(seconds=every_s)


def _of_occupant(house: House, one: Occupant) -> Iterator[datetime]:
    if one.retry_s is not None:
        yield house.wall(one.retry_s)
    if one.cool_s is not None:
        yield house.wall(one.cool_s)
    read_s = reading_due_s(house, one)
    if read_s is not None and read_s > house.now_s:
        yield house.wall(read_s)
    waits_at = waits_too_long_at(house, one)
    if waits_at is not None:
        yield waits_at
    if one.is_usable and one.run is None and one.over is None:
        yield house.wall(one.idle_s + house.policy.slips.connected_s)
    run = one.run
    longest_s = house.policy.visits.longest_visit_s
    if run is not None and run.stop is None and longest_s is not None and one.first_begun_at:
        yield one.first_begun_at + timedelta(seconds=longest_s)
    if one.work is not None and not one.is_hang_said:
        yield house.wall(one.heard_s + timeout_s(house, one.drive))
