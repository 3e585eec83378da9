"""A worker from its first to its last moment."""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, NoReturn

from refreshd.adapters.priority import take_priority
from refreshd.configfile import LoadedPolicy, check_text
from refreshd.errors import InvariantBrokenError, PolicyError
from refreshd.orders import ACCESSION, PROVING, VISIT, Order, read_order
from refreshd.policy import Policy
from refreshd.ports import Clock, Seat
from refreshd.wiring.seats import OpenRequests, at_seat
from refreshd.wiring.station import Station, load_policy, real_clock
from refreshd.worker.acts import ACTS, Done, Workplace
from refreshd.worker.silence import SilenceWatch
from refreshd.worker.speaking import Speaker, StopRequest


def run() -> NoReturn:
    """Run the act that the command line names, and end without waiting for what hangs."""
    code = main(sys.argv[1:], sys.stdin.buffer, sys.stdout.fileno())
    # Threads wait on stdin, and one may hang in the kernel: the usual end would wait for them.
    sys.stderr.flush()
    os._exit(code)


def main(words: Sequence[str], stdin: BinaryIO, stdout: int) -> int:
    """Do one act; return the exit code."""
    request = StopRequest()
    request.listen_to_signals()
    order = read_order(words)
    clock = real_clock()
    speaker = Speaker(stdout, clock, request)
    try:
        policy = _policy(order, stdin)
    except PolicyError as err:
        sys.stderr.write(f"refreshd: {err}\n")
        return err.exit_code
    request.listen_to(stdin)
    if order.act in {VISIT, ACCESSION, PROVING} and (
        said := take_priority(policy.policy.visits.io_priority)
    ):
        speaker.said(said)
    try:
        return _acted(order, Station(order.state, policy, clock, speaker), speaker).exit_code
    except InvariantBrokenError as err:
        traceback.print_exception(err)
        return err.exit_code


def _acted(order: Order, station: Station, speaker: Speaker) -> Done:
    seat = Seat(order.node, order.sequence)
    requests = _watched(station.clock, speaker)
    return ACTS[order.act](Workplace(at_seat(station, seat, requests), seat, speaker), order)


def _watched(clock: Clock, speaker: Speaker) -> OpenRequests:
    requests = OpenRequests(clock)
    SilenceWatch(requests, clock, speaker.said).start()
    return requests


def _policy(order: Order, stdin: BinaryIO) -> LoadedPolicy:
    """Return the policy that is in force, which its file may no longer hold."""
    if order.has_policy_text:
        text = json.loads(stdin.readline())
        checked = check_text(text, str(order.policy))
        if checked.loaded is None:
            raise PolicyError("\n".join(checked.problem_sentences()))
        return checked.loaded
    if order.policy is None:
        return LoadedPolicy(Policy())
    return load_policy(Path(order.policy), {}, is_root=False)
