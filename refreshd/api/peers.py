"""Who is at the other end of the socket, as the kernel says, and what the policy lets them do."""

from __future__ import annotations

import errno
import grp
import os
import pwd
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from refreshd.policy_tables import AccessRules

SO_PEERGROUPS = 59
"""Source: Linux include/uapi/asm-generic/socket.h, since 4.13; the standard library lacks it."""

_CREDENTIALS = struct.Struct("iII")  # Source: unix(7), struct ucred: pid, uid, gid
_GROUP_BYTES = 4
_ANSWER_BYTES_MAX = 1024  # as much as socket.getsockopt takes: 256 groups
_ROOT = 0


class _Socket(Protocol):
    """What is asked of a socket; asyncio hands out something that is none, and knows this."""

    def getsockopt(self, level: int, optname: int, buflen: int, /) -> bytes:
        """Return an option of the socket."""


@dataclass(frozen=True, slots=True)
class Peer:
    """The process that connected, as it was when it did. `groups` has its own group, too."""

    uid: int
    groups: frozenset[int]


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody whom the policy lets in. `name` is written down as who asked."""

    uid: int
    name: str
    may_act: bool

    @property
    def is_root(self) -> bool:
        """Say whether this is the superuser."""
        return self.uid == _ROOT


def peer_of(connection: _Socket) -> Peer:
    """Return who connected. Source: unix(7), SO_PEERCRED; the peer cannot choose what it says."""
    told = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    _, uid, gid = _CREDENTIALS.unpack(told)
    return Peer(uid, frozenset({gid, *_groups_by_kernel(connection)}))


def _groups_by_kernel(connection: _Socket) -> tuple[int, ...]:
    try:
        told = connection.getsockopt(socket.SOL_SOCKET, SO_PEERGROUPS, _ANSWER_BYTES_MAX)
    except OSError as err:
        # ERANGE: more than fit. ENOPROTOOPT: a kernel without it. The user database says the rest.
        if err.errno not in {errno.ERANGE, errno.ENOPROTOOPT}:
            raise
        return ()
    return struct.unpack(f"{len(told) // _GROUP_BYTES}I", told)


def groups_by_database(uid: int) -> frozenset[int]:
    """Return the groups that a user has by the user database. May ask a network, and wait."""
    try:
        user = pwd.getpwuid(uid)
    except KeyError:
        return frozenset()
    return frozenset(os.getgrouplist(user.pw_name, user.pw_gid))


def group_id(name: str) -> int | None:
    """Return the number of a group; None: this server has none of that name."""
    try:
        return grp.getgrnam(name).gr_gid
    except KeyError:
        return None


def name_of(uid: int) -> str:
    """Return a user's name, as it is written in the journal."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


@dataclass(frozen=True, slots=True)
class Doorkeeper:
    """
    Decides who may look and who may act. Asks the user database, so it may wait: never in a loop.

    Args:
        rules: The groups of the policy that is in force now.
        own_uid: The user whom the service runs as; whoever is that user owns its record anyway.

    """

    rules: Callable[[], AccessRules]
    own_uid: int

    def caller(self, peer: Peer) -> Caller | None:
        """Return what a peer may do; None: nothing at all."""
        if peer.uid in {_ROOT, self.own_uid}:
            return Caller(peer.uid, name_of(peer.uid), may_act=True)
        rules = self.rules()
        if self._is_in(peer, rules.act_group):
            return Caller(peer.uid, name_of(peer.uid), may_act=True)
        if self._is_in(peer, rules.look_group):
            return Caller(peer.uid, name_of(peer.uid), may_act=False)
        return None

    def _is_in(self, peer: Peer, name: str) -> bool:
        """Ask the kernel first; who was let into a group later is in the database alone."""
        group = group_id(name)
        if group is None:
            return False
        return group in peer.groups or group in groups_by_database(peer.uid)
