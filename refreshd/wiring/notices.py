"""The ways out for notices, as the policy has them.

How the service joins them, in its one thread that may write the ledger::

    outbox = NoticeOutbox(clock, tell, ledger.deliveries(), pages_of)
    outbox.use(*ways_out(policy.notices))  # again after each change of the policy
    ...                                    # the caretaker posts; after a restart it posts open
    ...                                    # slips anew: the outbox knows who has which
    outbox.close(seconds)

`tell(event)` is called by other threads: it carries the event to the service's own, which records
it, `lambda event: loop.call_soon_threadsafe(record, event)`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from refreshd.adapters.apprise_way import by_apprise
from refreshd.adapters.notice_outbox import Pages, Way
from refreshd.adapters.page_directory import write_pages
from refreshd.adapters.secret_file import read_address
from refreshd.adapters.wall import say_on_terminals
from refreshd.policy_tables import Channel, NoticeRules
from refreshd.ports import Urgency

WALL = "wall"

WaysOut = tuple[tuple[Way, ...], Callable[[Pages], None] | None]


def ways_out(rules: NoticeRules) -> WaysOut:
    """Return the ways of a policy, and how the page with the slips is written (None: not)."""
    ways = [
        Way(name, frozenset(Urgency(kind) for kind in channel.gets), by_apprise(_address(channel)))
        for name, channel in rules.channel.items()
    ]
    if rules.wall:
        ways.append(Way(WALL, frozenset(Urgency), say_on_terminals))
    page = rules.page_directory
    return tuple(ways), None if page is None else partial(write_pages, Path(page))


def _address(channel: Channel) -> Callable[[], str]:
    """Return where the address comes from; a file is read anew for each notice."""
    if channel.url_file is not None:
        return partial(read_address, Path(channel.url_file))
    address = channel.url or ""  # the review of the policy refuses a channel without either
    return lambda: address
