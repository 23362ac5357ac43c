"""Which network card stamps packets by itself, and its clock beside the host's. Rim: asks the kernel, changes nothing.

Only a card that stamps already is used; its mode is never switched, for whoever keeps PTP on this host needs it as it
is. A stamp does not say whose clock it was read from, and a packet to one address may come by any interface: so card
stamps are used only while all cards of this host that stamp share one clock. Asked: SIOCGHWTSTAMP (struct
hwtstamp_config of linux/net_tstamp.h) and ETHTOOL_GET_TS_INFO (struct ethtool_ts_info of linux/ethtool.h); both without
privilege.

Verified on hardware: nothing yet (structures as published, only). How to check it: deploy/REFERENCES.md.
"""

from __future__ import annotations

import ctypes
import fcntl
import socket
import struct
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from noonmark.agent.card_time import CardTime, Converted
from noonmark.agent.hardware_clock import Comparison

SIOCGHWTSTAMP, SIOCETHTOOL = 0x89B1, 0x8946
ETHTOOL_GET_TS_INFO = 0x41
FILTER_ALL = 1
"""HWTSTAMP_FILTER_ALL; 0 is NONE, most others are for packets of PTP only."""
LOOK_AGAIN = 10.0
"""Seconds between looks whether another card began to stamp."""
_MODE = struct.Struct("=iii")
_ABILITIES = struct.Struct("=IIi32x")

Ask = Callable[[str, int, bytes], bytes]
"""(interface, request, structure) -> the structure as the kernel filled it. Raises OSError."""


def ask_kernel(interface: str, request: int, structure: bytes) -> bytes:
    """By ioctl with struct ifreq, whose data is a pointer to the structure."""
    buffer = ctypes.create_string_buffer(structure, len(structure))
    wanted = struct.pack("@16sP16x", interface.encode(), ctypes.addressof(buffer))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        fcntl.ioctl(sock.fileno(), request, wanted)
    return buffer.raw


@dataclass(frozen=True, slots=True)
class Card:
    """An interface whose card stamps."""

    interface: str
    clock: int
    """Its clock is /dev/ptpN; negative: it has none."""
    receives: bool
    """It stamps all that comes, not only packets of PTP."""
    sends: bool


def stamping_cards(ask: Ask = ask_kernel, interfaces: Sequence[str] | None = None) -> list[Card]:
    """The interfaces whose card stamps something now."""
    cards = []
    for name in [name for _, name in socket.if_nameindex()] if interfaces is None else interfaces:
        try:
            _, transmit, receive = _MODE.unpack(ask(name, SIOCGHWTSTAMP, bytes(_MODE.size)))
            if not transmit and not receive:
                continue
            head = struct.pack("=I", ETHTOOL_GET_TS_INFO).ljust(_ABILITIES.size, b"\0")
            _, _, clock = _ABILITIES.unpack(ask(name, SIOCETHTOOL, head))
        except OSError:
            continue  # as every interface without such a card answers
        cards.append(Card(name, clock, receive == FILTER_ALL, transmit != 0))
    return cards


@dataclass(frozen=True, slots=True)
class Finding:
    """Whether card stamps can be used: the clock's path, or empty; and why, in words."""

    path: str
    text: str


def judge(cards: Sequence[Card]) -> Finding:
    """Which clock to use. Pure."""
    clocks = {card.clock for card in cards}
    names = ", ".join(card.interface for card in cards)
    if not cards:
        return Finding("", "none: no interface's card stamps")
    if len(clocks) > 1:
        return Finding("", f"none: the cards of {names} stamp by different clocks, and a stamp does not tell by which")
    (clock,) = clocks
    if clock < 0:
        return Finding("", f"none: the card of {names} has no clock that can be read")
    comes, leaves = any(card.receives for card in cards), any(card.sends for card in cards)
    if not comes and not leaves:
        return Finding("", f"none: the card of {names} stamps packets of PTP only")
    what = " and as they ".join(["come"] * comes + ["leave"] * leaves)
    return Finding(f"/dev/ptp{clock}", f"/dev/ptp{clock}, of {names}, stamps packets as they {what}")


class Device(Protocol):
    """What is needed of a card's clock (reference_phc.HardwareClock)."""

    def compare_best(self) -> Comparison | None:
        """Raises OSError or ValueError."""

    def close(self) -> None:
        """Give it back."""


class CardStamps:
    """The one card clock of this host, followed whenever a stamp needs it."""

    def __init__(
        self,
        device: Device,
        cards: Sequence[Card],
        look: Callable[[], Sequence[Card]] = stamping_cards,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._device = device
        self._clocks = {card.clock for card in cards}
        self._look, self._monotonic = look, monotonic
        self._look_at = monotonic() + LOOK_AGAIN
        self._sure = True
        self._compared = False
        self._time = CardTime()
        self.counts: Counter[str] = Counter()
        """What became of stamps, see ProbeStatistics.card_stamps."""

    def follow(self) -> None:
        """Compare card and host: to be called after stamps were fetched and before they are converted."""
        now = self._monotonic()
        if now >= self._look_at:
            self._look_at = now + LOOK_AGAIN
            self._sure = {card.clock for card in self._look()} <= self._clocks
        self._compared = self._sure and self._compare()

    def _compare(self) -> bool:
        try:
            comparison = self._device.compare_best()
        except (OSError, ValueError):
            comparison = None
        if comparison is None:
            self.counts["unreadable"] += 1
            return False
        jumps = self._time.jumps
        self._time.compared(comparison)
        if self._time.jumps > jumps:
            self.counts["jump"] += 1
        return True

    def convert(self, card_ns: int) -> Converted | None:
        """The host's time at a card stamp; None where it cannot be told."""
        return self._time.convert(card_ns) if self._compared else None

    def close(self) -> None:
        """Give the card's clock back."""
        self._device.close()


def open_card(look: Callable[[], Sequence[Card]] = stamping_cards) -> tuple[CardStamps | None, str]:
    """This host's card, if it can be used; and in words which, or why not."""
    from noonmark.agent.reference_phc import HardwareClock

    cards = look()
    found = judge(cards)
    if not found.path:
        return None, found.text
    try:
        device = HardwareClock(found.path)
    except (OSError, ValueError) as error:
        return None, f"none: {found.path} cannot be read: {getattr(error, 'strerror', None) or error}"
    return CardStamps(device, cards, look), found.text
