"""A stamped socket that also asks for the network card's stamps, and turns them into the host's time. Rim.

Kernel and card stamp each packet: on receipt both stamps come in one message, on departure each in its own
(SOF_TIMESTAMPING_OPT_TX_SWHW, without which the card's would come instead of the kernel's). A departure is told at once
as the kernel stamped it, and made more exact when the card's stamp comes. Source: kernel documentation,
networking/timestamping.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeVar

from noonmark.agent import cmsg
from noonmark.agent.card_stamps import CardStamps
from noonmark.agent.card_time import judge_departure, judge_receipt
from noonmark.agent.timestamping import STAMPING_FLAGS, Received, StampedSocket
from noonmark.proto.records import StampSource

TX_HARDWARE, RX_HARDWARE, RAW_HARDWARE, OPT_TX_SWHW = 1 << 0, 1 << 2, 1 << 6, 1 << 14
WAITING_AT_MOST = 256
"""Departures whose card stamp may yet come."""

Token = TypeVar("Token")


class CardSocket(StampedSocket[Token]):
    """The same with card stamps: receipts carry them where they are believed, departures are in `card_departures`."""

    flags = STAMPING_FLAGS | TX_HARDWARE | RX_HARDWARE | RAW_HARDWARE | OPT_TX_SWHW

    def __init__(self, host: str, port: int, card: CardStamps) -> None:
        super().__init__(host, port)
        self._card = card
        self._receipts: list[int] = []
        self._card_sent: list[tuple[int, int]] = []
        self._departed: dict[int, tuple[Token, int]] = {}
        self._receipt, self._departure = self._card_receipt, self._card_departure

    def _card_receipt(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int]:
        ancillary = cmsg.split(bytes(control[start : start + length]))
        self._receipts.append(cmsg.card_time(ancillary))
        return cmsg.receive_details(ancillary)

    def _card_departure(self, control: bytes | bytearray, start: int, length: int) -> tuple[int, int] | None:
        ancillary = cmsg.split(bytes(control[start : start + length]))
        found = cmsg.transmit_details(ancillary)
        if found is not None and found[0] in self._awaited:
            self._departed[found[0]] = (self._awaited[found[0]], found[1])
        sent = cmsg.card_departure(ancillary)
        if sent is not None:
            self._card_sent.append(sent)
        return found

    def receive(self) -> list[Received]:
        """As without a card; stamps are the card's where that is believed and says more."""
        self._receipts.clear()
        messages = super().receive()
        if not any(self._receipts):
            return messages
        self._card.follow()
        bettered: list[Received] = []
        for message, card_ns in zip(messages, self._receipts, strict=True):
            data, address, kernel_ns, hop_limit, reply_source, source = message
            if kernel_ns and card_ns:
                kernel_ns, by, outcome = judge_receipt(kernel_ns, self._card.convert(card_ns))
                self._card.counts[outcome] += 1
                source = source if by is None else by
            bettered.append((data, address, kernel_ns, hop_limit, reply_source, source))
        return bettered

    def transmit_stamps(self) -> list[tuple[Token, int]]:
        """As without a card; what it stamped besides is in `card_departures`."""
        stamps = super().transmit_stamps()
        if self._card_sent:
            self._card.follow()
            self.card_departures = [*self.card_departures, *self._believed_departures()]
            self._card_sent.clear()
        while len(self._departed) > WAITING_AT_MOST:
            del self._departed[next(iter(self._departed))]
        return stamps

    def _believed_departures(self) -> Iterator[tuple[Token, int, StampSource]]:
        for number, card_ns in self._card_sent:
            departed = self._departed.pop(number, None)
            if departed is None:
                self._card.counts["unmatched"] += 1
                continue
            token, kernel_ns = departed
            time_ns, by, outcome = judge_departure(kernel_ns, self._card.convert(card_ns))
            self._card.counts[outcome] += 1
            if by is not None:
                yield token, time_ns, by

    def forget_awaited(self) -> None:
        """Give up the stamps still to come, the card's too."""
        super().forget_awaited()
        self._departed.clear()
        self.card_departures = ()

    @property
    def awaits_stamps(self) -> bool:
        """Whether a stamp of kernel or card is still to come."""
        return super().awaits_stamps or bool(self._departed)
