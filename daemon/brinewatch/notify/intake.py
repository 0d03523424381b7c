"""What comes in by the modem: texts are handed on whole, reports are told, and only then is either deleted.

A stop at any moment may hand a text on twice but never loses it.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Sequence

from brinewatch.messages import DeliveryReport, Inbound
from brinewatch.notify.at import ModemRefused
from brinewatch.notify.inbox import Letter, Stored, letters
from brinewatch.notify.modem import Modem
from brinewatch.notify.pdu import Deliver, PduError, StatusReport, decode
from brinewatch.ports import Clock, OnInbound, OnReport

log = logging.getLogger(__name__)

# a report must not be told before the outbox has written down the reference it is about
_REPORT_WAITS_S = 2.0
# a long text that stays without some of its parts is handed on with a gap
_PARTS_WAIT_S = 3600.0
_REPORT_MEMORY = "SR"


class Intake:
    """Empties the modem. last_send: monotonic time the latest message was handed over."""

    def __init__(self, way: str, clock: Clock, on_inbound: OnInbound, on_report: OnReport) -> None:
        self.last_send = float("-inf")
        self._way = way
        self._clock = clock
        self._on_inbound = on_inbound
        self._on_report = on_report
        # what came without being stored, and what memories beside the usual one may hold something
        self._direct: list[Stored] = []
        self._memories: set[str] = set()
        self._reports_wait = False
        # done with, but still lying in the modem
        self._done: set[Stored] = set()
        # not readable at this look and at the one before
        self._doubtful: set[Stored] = set()
        self._doubtful_before: set[Stored] = set()
        self._first_seen: dict[tuple[str, int, int], float] = {}

    def look_everywhere(self) -> None:
        """A modem was opened: reports may have come in while nobody listened."""
        self._memories.add(_REPORT_MEMORY)

    def announced(self, line: str, pdu: str) -> bool:
        """Note what the modem said unasked; whether it means that something came in."""
        if pdu:
            length = re.search(r"(\d+)$", line)
            self._direct.append(Stored(None, pdu, int(length[1]) if length else len(pdu) // 2))
            return True
        if line.startswith("+CDSI:") and (memory := re.search(r'"(\w+)"', line)):
            self._memories.add(memory[1])
        return line.startswith(("+CMTI:", "+CDSI:"))

    @property
    def again_at(self) -> float:
        """When to look again at the latest though nothing more is announced."""
        if self._doubtful:
            return float("-inf")
        return self.last_send + _REPORT_WAITS_S if self._reports_wait else float("inf")

    async def take_in(self, modem: Modem) -> None:
        """Hand on what lies in the modem: texts first, reports when their references are sure to be known."""
        self._reports_wait = False
        self._doubtful, self._doubtful_before = set(), self._doubtful
        await modem.select()
        await self._empty(modem, [*self._direct, *await modem.stored()])
        for memory in sorted(self._memories):
            try:
                await modem.select(memory)
                await self._empty(modem, await modem.stored())
            except ModemRefused as error:
                log.debug("Modem: no memory %s: %s", memory, error.what)
        await modem.select()
        if not self._reports_wait:
            self._memories.clear()

    async def _empty(self, modem: Modem, lying: Sequence[Stored]) -> None:
        reports: list[tuple[Stored, StatusReport]] = []
        texts: list[tuple[Stored, Deliver]] = []
        for stored in lying:
            if stored in self._done:
                await self._drop(modem, stored)
                continue
            try:
                got = decode(stored.pdu, stored.length)
            except PduError as error:
                await self._unreadable(modem, stored, error)
                continue
            if isinstance(got, StatusReport):
                reports.append((stored, got))
            else:
                texts.append((stored, got))
        await self._hand_on(modem, letters(texts))
        if reports and self._clock.now().mono < self.last_send + _REPORT_WAITS_S:
            self._reports_wait = True
            return
        for stored, report in reports:
            self._tell(report)
            await self._drop(modem, stored)

    async def _hand_on(self, modem: Modem, found: Sequence[Letter]) -> None:
        now = self._clock.now()
        cramped = not all(letter.complete for letter in found) and await modem.full()
        for letter in found:
            if letter.key and not letter.complete:
                age = now.mono - self._first_seen.setdefault(letter.key, now.mono)
                if age < _PARTS_WAIT_S and not cramped:
                    continue
            log.info("Modem: text from %s, %d characters", letter.sender, len(letter.text))
            try:
                self._on_inbound(Inbound(self._way, letter.sender, letter.text, now))
            except Exception:
                # it stays in the modem and is handed on again at the next look
                log.exception("Modem: a text from %s could not be taken in", letter.sender)
                continue
            if letter.key:
                self._first_seen.pop(letter.key, None)
            self._done.update(letter.parts)
            for stored in letter.parts:
                await self._drop(modem, stored)

    def _tell(self, got: StatusReport) -> None:
        report = DeliveryReport(self._way, got.recipient, got.reference, got.state, got.detail, self._clock.now())
        try:
            self._on_report(report)
        except Exception:
            # what is lost is only the mark that the text arrived
            log.exception("Modem: the report on message %d could not be taken in", got.reference)

    async def _unreadable(self, modem: Modem, stored: Stored, error: PduError) -> None:
        """What cannot be read twice is written to the log and deleted, or it would fill the modem."""
        if stored not in self._doubtful_before and stored.index is not None:
            self._doubtful.add(stored)
            return
        log.warning("Modem: a message cannot be read and is dropped: %s PDU %s", error.what, stored.pdu)
        await self._drop(modem, stored)

    async def _drop(self, modem: Modem, stored: Stored) -> None:
        if stored.index is None:
            self._direct.remove(stored)
            self._done.discard(stored)
            return
        self._done.add(stored)
        try:
            await modem.delete(stored.index)
        except ModemRefused as error:
            log.warning("Modem: a message that was taken in stays in place %d: %s", stored.index, error.what)
        else:
            self._done.discard(stored)
