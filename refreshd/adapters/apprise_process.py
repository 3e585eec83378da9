"""A short-lived process that hands one notice to Apprise, and then gives all memory back.

Reads one JSON object from standard input, writes one to standard output. The address comes on
standard input, since every account of a server can read the arguments of a process. Whatever
Apprise says may hold parts of the address: they are taken out before anything is said.
"""

from __future__ import annotations

import json
import logging
import re
import signal
import sys
from collections.abc import Iterator
from urllib.parse import unquote, urlsplit

LONGEST_S = 90
"""After so long the process ends itself, also when nobody waits for it any more."""

HIDDEN = "…"
WHY_CHARACTERS_MAX = 240
_HOSTS_ARE_NO_SECRET = frozenset({"mailto", "mailtos"})
_PART = re.compile(r"[^/?&=;@:,#]+")
_SHORTEST_SECRET = 3


class _Said(logging.Handler):
    """Keeps what Apprise says."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[tuple[int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a message."""
        self.lines.append((record.levelno, record.getMessage()))


def hand_over(address: str, subject: str, body: str) -> str:
    """Hand one notice over; return why not in words without the address, or nothing."""
    try:
        import apprise  # noqa: PLC0415 - optional, and nobody else may pay for its memory.
    except ImportError:
        return "Apprise is not installed; install refreshd[notify]"
    said = _Said()
    logger = logging.getLogger("apprise")
    logger.handlers[:] = [said]
    logger.propagate = False
    logger.setLevel(logging.DEBUG)
    asset = apprise.AppriseAsset(app_id="refreshd", app_desc="refreshd", async_mode=False)
    way = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
    if way is None:
        return "Apprise does not understand the address"
    way.notify_format = apprise.NotifyFormat.TEXT  # Mails would else be HTML made from text.
    if way.notify(body=body, title=subject, notify_type=apprise.NotifyType.INFO):
        return ""
    return why_of(said.lines, address)


def why_of(lines: list[tuple[int, str]], address: str) -> str:
    """Return what Apprise said last, and what the system said below it, without the address."""
    loud = [text for level, text in lines if level >= logging.WARNING]
    low = [text for level, text in lines if level < logging.WARNING and "xception" in text]
    text = "; ".join((*loud[-1:], *low[-1:])) or "it was not taken, and no reason given"
    text = scrubbed(text, address)
    return "".join(one if one.isprintable() else " " for one in text)[:WHY_CHARACTERS_MAX]


def scrubbed(text: str, address: str) -> str:
    """Return a text without any part of an address that may be secret."""
    for secret in sorted(set(_secrets(address)), key=len, reverse=True):
        text = re.sub(re.escape(secret), HIDDEN, text, flags=re.IGNORECASE)
    return re.sub(f"{HIDDEN}(/?{HIDDEN})+", HIDDEN, text)


def _secrets(address: str) -> Iterator[str]:
    """Yield the parts of an address; where hosts are no secret, without the host."""
    parts = urlsplit(address)
    who, _, host = parts.netloc.rpartition("@")
    rest = [who, parts.path, parts.query, parts.fragment]
    if parts.scheme.lower() not in _HOSTS_ARE_NO_SECRET:
        rest.append(host)
    yield address
    for found in filter(None, rest):
        yield found
        for piece in _PART.findall(found):
            if len(piece) >= _SHORTEST_SECRET:
                yield from (piece, unquote(piece))


def main() -> int:
    """Serve one request."""
    signal.alarm(LONGEST_S)
    asked = json.load(sys.stdin)
    why = hand_over(asked["address"], asked["subject"], asked["body"])
    json.dump({"why": why}, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
