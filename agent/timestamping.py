"""A UDP socket whose packets the kernel stamps: the only code of socket options and error queue there is. Rim.

Rules: nothing here blocks or waits; the owner watches `fileno` for reading. Linux puts transmit stamps on the
socket's error queue, which wakes the watcher whatever it asked for, so each wake must drain it. A stamp says which
packet it belongs to by that packet's count on the socket; stamps may be missing (a full receive buffer drops them)
and are never matched by order.

Where SO_TIMESTAMPING is refused the socket falls back to SO_TIMESTAMPNS (receipt only) and then to nothing; whoever
reads the stamps learns so from their absence, packet by packet. Source: kernel documentation,
networking/timestamping.
"""

from __future__ import annotations

import enum
import socket
from collections.abc import Sequence
from typing import Generic, TypeVar

from noonmark.agent import cmsg
from noonmark.agent.cmsg import AncillaryData
from noonmark.agent.mmsg import Batch
from noonmark.agent.socket_address import Address, AddressTable
from noonmark.proto.records import StampSource

SO_TIMESTAMPNS, SO_TIMESTAMPING = cmsg.SCM_TIMESTAMPNS, cmsg.SCM_TIMESTAMPING
TX_SOFTWARE, RX_SOFTWARE, SOFTWARE, OPT_ID, OPT_TSONLY = 1 << 1, 1 << 3, 1 << 4, 1 << 7, 1 << 11
STAMPING_FLAGS = TX_SOFTWARE | RX_SOFTWARE | SOFTWARE | OPT_ID | OPT_TSONLY
IP_RECVTTL, IPV6_RECVPKTINFO, IPV6_RECVHOPLIMIT = 12, 49, 51
MSG_ERRQUEUE = 0x2000
LONGEST_DATAGRAM = 9216
"""A jumbo frame's worth; longer datagrams are not test packets of anyone."""
AT_ONCE = 32
"""Datagrams a call."""
_ANCILLARY_LENGTH = 256
_DRAIN_AT_MOST = 1024
_AWAIT_AT_MOST = 1024


class Stamping(enum.Enum):
    """Which stamps the kernel agreed to give."""

    BOTH = "receive and transmit"
    RECEIVE = "receive only"
    NONE = "none"


Token = TypeVar("Token")
Outgoing = tuple[bytes, Address, Token, AncillaryData | None]
"""A datagram to send: its octets; whither; what comes back with its stamp; `reply_source` of the request, or None."""
Received = tuple[bytes, Address, int, int, AncillaryData | None, StampSource]
"""One datagram: its octets; whence;
its receive stamp (CLOCK_REALTIME, ns) or 0; TTL or hop limit on arrival or 0; what to pass to `send` with
the reply, so that it leaves from the address that the request came to; who took the stamp, if there is one. A plain
tuple: it is made for every packet."""
_KERNEL = StampSource.KERNEL


class StampedSocket(Generic[Token]):
    """One bound, non-blocking UDP socket. Raises OSError if it cannot be bound.

    `Token` is whatever the owner wants to get back with a packet's transmit stamp.
    """

    flags = STAMPING_FLAGS
    card_departures: Sequence[tuple[Token, int, StampSource]] = ()
    """Better transmit stamps than the kernel's, found at the last drain; only where card stamps are asked for."""

    def __init__(self, host: str, port: int, *, kernel_stamps: bool = True) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        try:
            self.stamping = self._enable_stamps() if kernel_stamps else Stamping.NONE
            self._ask_for_details(family, wildcard=host in ("", "0.0.0.0", "::"))
            self._socket.bind((host, port))
        except BaseException:
            self._socket.close()
            raise
        self.family = family
        self.address: Address = self._socket.getsockname()
        self.oversized = 0
        """Datagrams dropped for their length."""
        self.given_up = 0
        """Sent packets whose transmit stamp never came."""
        self._next_id = 0
        self._awaited: dict[int, Token] = {}
        self._found: list[tuple[Token, int]] = []
        self._transmit_stamps = self.stamping is Stamping.BOTH
        self._incoming = Batch(AT_ONCE, LONGEST_DATAGRAM, _ANCILLARY_LENGTH)
        self._outgoing = Batch(AT_ONCE, LONGEST_DATAGRAM, _ANCILLARY_LENGTH)
        self._errors = Batch(AT_ONCE, 1, _ANCILLARY_LENGTH)
        self._addresses = AddressTable()
        self._receipt, self._departure = cmsg.receive_details_at, cmsg.transmit_details_at

    def _enable_stamps(self) -> Stamping:
        for option, value, got in (
            (SO_TIMESTAMPING, self.flags, Stamping.BOTH),
            (SO_TIMESTAMPNS, 1, Stamping.RECEIVE),
        ):
            try:
                self._socket.setsockopt(socket.SOL_SOCKET, option, value)
            except OSError:
                continue
            return got
        return Stamping.NONE

    def _ask_for_details(self, family: int, *, wildcard: bool) -> None:
        if family == socket.AF_INET6:
            self._socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            self._socket.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVHOPLIMIT, 1)
            if wildcard:
                self._socket.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVPKTINFO, 1)
        else:
            self._socket.setsockopt(socket.IPPROTO_IP, IP_RECVTTL, 1)
            if wildcard:
                self._socket.setsockopt(socket.IPPROTO_IP, cmsg.IP_PKTINFO, 1)
        self._wildcard = wildcard

    def fileno(self) -> int:
        """Descriptor to watch for reading."""
        return self._socket.fileno()

    def close(self) -> None:
        """Give the port back."""
        self._socket.close()

    def receive(self) -> list[Received]:
        """Datagrams that are there now, some at most; none if there is none. Raises OSError if the socket failed."""
        batch, to_tuple = self._incoming, self._addresses.to_tuple
        control, receipt = batch.control, self._receipt
        messages: list[Received] = []
        source: AncillaryData | None = None
        for data, name, truncated, place, length in batch.datagrams(batch.receive(self._socket.fileno())):
            if truncated:
                self.oversized += 1
                continue
            kernel_ns, hop_limit = receipt(control, place, length)
            if self._wildcard:
                source = cmsg.reply_source(cmsg.split(bytes(control[place : place + length])))
            messages.append((data, to_tuple(name), kernel_ns, hop_limit, source, _KERNEL))
        return messages

    def send(self, messages: Sequence[Outgoing[Token]]) -> list[tuple[Token, OSError]]:
        """Send now, in order, all that can be sent; the others' tokens with what hindered each."""
        failures: list[tuple[Token, OSError]] = []
        for start in range(0, len(messages), AT_ONCE):
            self._send_some(messages[start : start + AT_ONCE], failures)
        return failures

    def _send_some(self, messages: Sequence[Outgoing[Token]], failures: list[tuple[Token, OSError]]) -> None:
        tokens: list[Token] = []
        put, to_structure = self._outgoing.put, self._addresses.to_structure
        for data, address, token, source in messages:
            try:
                put(len(tokens), data, to_structure(address), cmsg.join(source) if source else b"")
            except OSError as error:
                failures.append((token, error))
            else:
                tokens.append(token)
        first = 0
        while first < len(tokens):
            try:
                sent = self._outgoing.send(self._socket.fileno(), first, len(tokens) - first)
            except OSError as error:
                failures.append((tokens[first], error))
                self._restart_count()
                first += 1
                continue
            if self._transmit_stamps:
                for token in tokens[first : first + sent]:
                    self._awaited[self._next_id] = token
                    self._next_id = (self._next_id + 1) & 0xFFFF_FFFF
            first += sent

    def _restart_count(self) -> None:
        """After a failed send the kernel may or may not have counted it: make both sides start from 0 again.

        The count restarts when the option is newly set. Stamps still to come are given up; should one come with a
        number used again, it is older than the new packet's sending, by which its receiver tells.
        """
        if self._transmit_stamps:
            self._found = self.transmit_stamps()
            self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPING, self.flags & ~OPT_ID)
            self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPING, self.flags)
        self.forget_awaited()
        self._next_id = 0

    def forget_awaited(self) -> None:
        """Give up the transmit stamps still to come."""
        self.given_up += len(self._awaited)
        self._awaited.clear()

    @property
    def awaits_stamps(self) -> bool:
        """Whether a sent packet's stamp is still to come."""
        return bool(self._awaited or self._found)

    def transmit_stamps(self) -> list[tuple[Token, int]]:
        """Drain the error queue: the sent packets' tokens, each with CLOCK_REALTIME in ns at its leaving."""
        stamps, self._found = self._found, []
        batch, count = self._errors, AT_ONCE
        while count == AT_ONCE and len(stamps) < _DRAIN_AT_MOST:
            count = batch.receive(self._socket.fileno(), MSG_ERRQUEUE)
            for place, length in batch.controls(count):
                found = self._departure(batch.control, place, length)
                if found is not None and found[0] in self._awaited:
                    stamps.append((self._awaited.pop(found[0]), found[1]))
        if len(self._awaited) > _AWAIT_AT_MOST:
            self.forget_awaited()
        return stamps
