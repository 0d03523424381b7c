"""Ringing a phone: a call that is never spoken in, to wake somebody for the text that came before it.

`ATD+447700900101;` (TS 27.007, 6.2), a look every second at what became of it (`+CLCC`, 7.18), `AT+CHUP` (6.5) or
`ATH` after the set time. Between these the line is free, so that a text never waits for a phone that rings.

| what becomes of it | what it means here |
|---|---|
| it rang, was answered, or was turned away as busy | done: the phone was reached |
| no carrier, no answer, not even ringing | tried again while it is worth it |
| the modem refuses to dial | a person must act: it can only send texts |
"""

from __future__ import annotations

import asyncio
import logging
import re

from brinewatch.errors import BrinewatchError, NeedsPerson, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.notify.at import CallEnded, ModemRefused
from brinewatch.notify.modem import Modem
from brinewatch.notify.sms import SmsNotifier
from brinewatch.ports import Clock
from brinewatch.waiting import news_or

log = logging.getLogger(__name__)

_LOOK_EVERY_S = 1.0
_DIAL_S = 20.0
# <stat> of +CLCC
_ACTIVE, _ALERTING = 0, 3
# one that is answered is heard to be a call; no use in paying for silence
_ANSWERED_S = 2.0


class VoiceNotifier:
    """The way "voice", on the modem of the texts. ring_s: how long a phone is rung."""

    way = "voice"

    def __init__(self, texts: SmsNotifier, clock: Clock, ring_s: float) -> None:
        self._texts = texts
        self._clock = clock
        self._ring_s = ring_s
        self._ended = asyncio.Event()
        self._end = ""
        texts.on_call_end = self._on_end

    async def run(self) -> None:
        """The texts keep the modem up."""
        while True:
            await self._clock.sleep(3600.0)

    async def send(self, message: Message) -> Receipt:
        """Ring one phone. Raises RetryLater or NeedsPerson."""
        modem = self._texts.modem
        self._ended.clear()
        self._end = ""
        try:
            await modem.ask(f"ATD{message.to};", seconds=_DIAL_S)
        except CallEnded as error:
            if error.how == "BUSY":
                return Receipt((), self._clock.now())
            raise RetryLater(f"The phone {message.to} did not ring ({error.how.lower()}).") from error
        except ModemRefused as error:
            hint = "Leave out modem.ring_s, or use a modem that can call."
            raise NeedsPerson(f"The modem will not ring {message.to}: {error.what}", hint) from error
        except BrinewatchError as error:
            raise RetryLater(error.what) from error
        try:
            words = await self._follow(modem)
        except BrinewatchError as error:
            raise RetryLater(f"The call to {message.to} was lost: {error.what}") from error
        finally:
            await self._hang_up(modem)
        if not words:
            raise RetryLater(f"The phone {message.to} did not ring ({self._end.lower() or 'nothing came of it'}).")
        log.info("voice: %s %s", message.to, words)
        return Receipt((), self._clock.now())

    async def _follow(self, modem: Modem) -> str:
        """What became of the call, "" when the phone was not reached."""
        until = self._clock.now().mono + self._ring_s
        found = ""
        while self._clock.now().mono < until:
            await news_or(self._ended, self._clock, min(until, self._clock.now().mono + _LOOK_EVERY_S))
            if self._end:
                return self._ended_as(found)
            states = await self._states(modem)
            if _ACTIVE in states:
                await news_or(self._ended, self._clock, self._clock.now().mono + _ANSWERED_S)
                return "was answered"
            if _ALERTING in states:
                found = "rang"
            elif not states:
                # the call is gone; the modem's word for it may come after
                await news_or(self._ended, self._clock, self._clock.now().mono + _LOOK_EVERY_S)
                return self._ended_as(found)
        return found

    def _ended_as(self, found: str) -> str:
        return "was busy" if self._end == "BUSY" else found

    async def _states(self, modem: Modem) -> list[int]:
        """<stat> of every call there is; a modem that cannot tell is taken to ring."""
        try:
            lines = await modem.ask("AT+CLCC", answer="+CLCC:")
        except ModemRefused:
            return [_ALERTING]
        found = [re.match(r"\+CLCC: ?\d+, ?\d+, ?(\d+)", line) for line in lines]
        return [int(one[1]) for one in found if one is not None]

    async def _hang_up(self, modem: Modem) -> None:
        for command in ("AT+CHUP", "ATH"):
            try:
                await modem.ask(command)
            except ModemRefused:
                continue
            except BrinewatchError as error:
                log.warning("voice: not hung up: %s", error.what)
            return

    def _on_end(self, line: str) -> None:
        self._end = line
        self._ended.set()
