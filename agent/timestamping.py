"""A UDP socket whose packets the kernel stamps: the only setsockopt, recvmsg and error-queue code there is. Rim.

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
from typing import Generic, TypeVar

from noonmark.agent import cmsg

Address = tuple[str, int] | tuple[str, int, int, int]

SO_TIMESTAMPNS, SO_TIMESTAMPING = cmsg.SCM_TIMESTAMPNS, cmsg.SCM_TIMESTAMPING
TX_SOFTWARE, RX_SOFTWARE, SOFTWARE, OPT_ID, OPT_TSONLY = 1 << 1, 1 << 3, 1 << 4, 1 << 7, 1 << 11
STAMPING_FLAGS = TX_SOFTWARE | RX_SOFTWARE | SOFTWARE | OPT_ID | OPT_TSONLY
IP_RECVTTL, IPV6_RECVPKTINFO, IPV6_RECVHOPLIMIT = 12, 49, 51
MSG_ERRQUEUE = 0x2000
LONGEST_DATAGRAM = 9216
"""A jumbo frame's worth; longer datagrams are not test packets of anyone."""
_MSG_TRUNC = int(socket.MSG_TRUNC)  # the enumeration is slow to compare
_ANCILLARY_LENGTH = 256
_DRAIN_AT_MOST = 1024
_AWAIT_AT_MOST = 1024


class Stamping(enum.Enum):
    """Which stamps the kernel agreed to give."""

    BOTH = "receive and transmit"
    RECEIVE = "receive only"
    NONE = "none"


Token = TypeVar("Token")
AncillaryData = list[tuple[int, int, bytes]]
Received = tuple[bytes, Address, int, int, AncillaryData | None]
"""One datagram: its octets; whence;
the kernel's receive stamp (CLOCK_REALTIME, ns) or 0; TTL or hop limit on arrival or 0; what to pass to `send` with
the reply, so that it leaves from the address that the request came to. A plain tuple: it is made for every packet."""


class StampedSocket(Generic[Token]):
    """One bound, non-blocking UDP socket. Raises OSError if it cannot be bound.

    `Token` is whatever the owner wants to get back with a packet's transmit stamp.
    """

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
        self._recvmsg = self._socket.recvmsg
        self._sendto = self._socket.sendto

    def _enable_stamps(self) -> Stamping:
        for option, value, got in (
            (SO_TIMESTAMPING, STAMPING_FLAGS, Stamping.BOTH),
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

    def receive(self) -> Received | None:
        """The next datagram; None when there is none. Raises OSError if the socket itself failed."""
        while True:
            try:
                data, ancillary, flags, address = self._recvmsg(LONGEST_DATAGRAM, _ANCILLARY_LENGTH)
            except (BlockingIOError, InterruptedError):
                return None
            if flags & _MSG_TRUNC:
                self.oversized += 1
                continue
            kernel_ns, hop_limit = cmsg.receive_details(ancillary)
            source = cmsg.reply_source(ancillary) if self._wildcard else None
            return data, address, kernel_ns, hop_limit, source

    def send(self, data: bytes, address: Address, token: Token, reply_source: AncillaryData | None = None) -> None:
        """Send now; the packet's transmit stamp will come with `token`. Raises OSError where it cannot be sent."""
        try:
            if reply_source:
                self._socket.sendmsg([data], reply_source, 0, address)
            else:
                self._sendto(data, address)
        except OSError:
            self._restart_count()
            raise
        identifier = self._next_id
        self._next_id = (identifier + 1) & 0xFFFF_FFFF
        if self._transmit_stamps:
            self._awaited[identifier] = token

    def _restart_count(self) -> None:
        """After a failed send the kernel may or may not have counted it: make both sides start from 0 again.

        The count restarts when the option is newly set. Stamps still to come are given up; should one come with a
        number used again, it is older than the new packet's sending, by which its receiver tells.
        """
        if self._transmit_stamps:
            self._found = self.transmit_stamps()
            self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPING, STAMPING_FLAGS & ~OPT_ID)
            self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPING, STAMPING_FLAGS)
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

    def transmit_stamp(self) -> tuple[Token, int] | None:
        """The next transmit stamp: its packet's token and CLOCK_REALTIME in ns; None when there is none now."""
        if self._found:
            return self._found.pop()
        while True:
            try:
                _, ancillary, _, _ = self._recvmsg(0, _ANCILLARY_LENGTH, MSG_ERRQUEUE)
            except (BlockingIOError, InterruptedError):
                if len(self._awaited) > _AWAIT_AT_MOST:
                    self.forget_awaited()
                return None
            found = cmsg.transmit_details(ancillary)
            if found is not None and found[0] in self._awaited:
                return self._awaited.pop(found[0]), found[1]

    def transmit_stamps(self) -> list[tuple[Token, int]]:
        """Drain the error queue."""
        stamps: list[tuple[Token, int]] = []
        while len(stamps) < _DRAIN_AT_MOST and (found := self.transmit_stamp()) is not None:
            stamps.append(found)
        return stamps
