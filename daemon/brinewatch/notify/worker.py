"""One worker for one way: takes what is due from the outbox and hands it over until it is sent, failed or expired.

At least once: a message that was handed over but whose outcome could not be written down is not sent again by this
process, but is after a restart. Each way has a worker of its own, so that a hung way never delays another.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from brinewatch.errors import NeedsPerson, OutcomeUnknown, RetryLater, StoreError
from brinewatch.messages import Delivery, Message, Receipt
from brinewatch.moment import Moment
from brinewatch.ports import Clock, Notifier, Outbox
from brinewatch.waiting import news_or

log = logging.getLogger(__name__)

OnTrouble = Callable[[str, str], None]

FIRST_RETRY_S = 5.0
LAST_RETRY_S = 300.0
# a message handed over without an answer may still be on its way; the pause lets a late report come in first
UNKNOWN_PAUSE_S = 60.0
# seconds of UTC are too large to be exact: the outbox must not find a message not quite due when it is looked at
_ROUNDING_S = 0.001


@dataclass(slots=True)
class _Try:
    """What this process knows of one message: how often it was tried, when it may be tried again (monotonic)."""

    message: Message
    expires_mono: float
    failures: int = 0
    unknowns: int = 0
    not_before: float = float("-inf")
    # held back only because the way was down; never one that may have arrived: a report may yet settle it
    way_down: bool = False


@dataclass(slots=True)
class _Outcome:
    """One ending that the outbox has not taken yet."""

    message: Message
    state: Delivery
    at: Moment
    references: tuple[int, ...] = ()
    detail: str = ""
    retry_at_utc: float | None = None
    refused: bool = False

    @property
    def over(self) -> bool:
        return self.retry_at_utc is None


class WayWorker:
    """Carries the messages of one way.

    on_trouble(way, reason) is called when a person must act or a message was given up; deadline_s bounds one
    hand-over in real seconds (the notifier has finer ones); poll_s is how often the outbox is asked unprompted;
    seed fixes the jitter of the back-off.
    """

    def __init__(
        self,
        notifier: Notifier,
        outbox: Outbox,
        clock: Clock,
        on_trouble: OnTrouble,
        *,
        deadline_s: float = 120.0,
        poll_s: float = 5.0,
        seed: int | None = None,
    ) -> None:
        self.way = notifier.way
        self._notifier = notifier
        self._outbox = outbox
        self._clock = clock
        self._on_trouble = on_trouble
        self._deadline_s = deadline_s
        self._poll_s = poll_s
        self._random = random.Random(seed)  # noqa: S311 - spreads retries, guards nothing
        self._woken = asyncio.Event()
        self._tries: dict[str, _Try] = {}
        # what lives here because the outbox does not have it, or says it is not due yet
        self._pushed: dict[str, Message] = {}
        self._early: dict[str, Message] = {}
        self._unwritten: dict[str, _Outcome] = {}
        self._outbox_well = True

    def wake(self) -> None:
        """There may be a new message in the outbox: look at once."""
        self._woken.set()

    def retry_now(self) -> None:
        """The way works again: what waits only because it was down is tried at once."""
        for key, one in self._tries.items():
            if one.way_down:
                one.not_before, one.way_down = float("-inf"), False
                self._early[key] = one.message
        self._woken.set()

    def push(self, message: Message) -> None:
        """Send a message the outbox could not take: from memory, ahead of all others, until sent or expired."""
        self._pushed[message.id] = message
        self._try_of(message, self._clock.now())
        self._woken.set()

    async def run(self) -> None:
        """Work until cancelled. A message being handed over at that moment stays due."""
        while True:
            self._woken.clear()
            while (message := await self._next()) is not None:
                await self._carry(message)
            await self._rest()

    async def _next(self) -> Message | None:
        """The message to try now: those in memory first, then the oldest due one not held back."""
        await self._write()
        now = self._clock.now()
        due = await self._due(now)
        for message in due:
            self._try_of(message, now)
        for message in [*self._pushed.values(), *due, *self._early.values()]:
            unwritten = self._unwritten.get(message.id)
            if unwritten is not None and unwritten.over:
                continue  # it has ended; only the outbox does not know yet
            if self._try_of(message, now).not_before <= now.mono:
                return message
        return None

    async def _due(self, now: Moment) -> Sequence[Message]:
        try:
            due = await self._outbox.due(self.way, now)
        except StoreError as error:
            if self._outbox_well:
                log.warning("%s: outbox not readable, going on from memory: %s", self.way, error)
            self._outbox_well = False
            return ()
        if not self._outbox_well:
            log.info("%s: outbox readable again", self.way)
            self._outbox_well = True
        return due

    def _try_of(self, message: Message, now: Moment) -> _Try:
        # how long it is worth sending is fixed at first sight: a later step of the wall clock must not expire it
        if message.id not in self._tries:
            left = float("inf")
            if message.expires_utc is not None:
                left = message.expires_utc - now.utc
                if left <= 0:
                    # the outbox gives out nothing it knows to be too old: then the wall clock has stepped meanwhile
                    left = message.expires_utc - message.created_utc
            self._tries[message.id] = _Try(message, now.mono + left)
        return self._tries[message.id]

    async def _carry(self, message: Message) -> None:
        now = self._clock.now()
        one = self._try_of(message, now)
        if now.mono >= one.expires_mono:
            await self._expired(message, one, now)
            return
        try:
            receipt = await self._hand_over(message)
        except RetryLater as error:
            one.failures += 1
            one.way_down = not one.unknowns
            await self._again(message, one, self._backoff(one.failures), error.what)
        except NeedsPerson as error:
            one.failures += 1
            one.way_down = not one.unknowns
            self._trouble(str(error))
            await self._again(message, one, LAST_RETRY_S, f"a person must act: {error}")
        except OutcomeUnknown as error:
            await self._unknown(message, one, error.what)
        except Exception as error:
            log.exception("%s: message %s: the notifier failed in an unforeseen way", self.way, message.id)
            one.failures += 1
            self._trouble(f"unforeseen failure: {error!r}")
            await self._again(message, one, self._backoff(one.failures), f"unforeseen failure: {error!r}")
        else:
            log.info("%s: message %s to %s sent, references %s", self.way, message.id, message.to,
                     receipt.references)  # fmt: skip
            await self._settle(_Outcome(message, Delivery.SENT, receipt.at, receipt.references))
            self.retry_now()

    async def _hand_over(self, message: Message) -> Receipt:
        try:
            async with self._clock.deadline(self._deadline_s):
                return await self._notifier.send(message)
        except TimeoutError:
            raise OutcomeUnknown(f"No end to the hand-over within {self._deadline_s:.0f} s.") from None

    async def _unknown(self, message: Message, one: _Try, what: str) -> None:
        one.unknowns += 1
        if one.unknowns == 1:
            detail = f"{what} It may have arrived; it is tried once more and may then arrive twice."
            await self._again(message, one, UNKNOWN_PAUSE_S, detail, Delivery.UNKNOWN)
            return
        detail = f"{what} It was tried twice and may have arrived; it is not tried again."
        self._trouble(f"message {message.id} to {message.to}: nobody knows whether it went out. {detail}")
        await self._settle(_Outcome(message, Delivery.UNKNOWN, self._clock.now(), detail=detail))

    async def _expired(self, message: Message, one: _Try, now: Moment) -> None:
        state, detail = Delivery.FAILED, "expired before it could be sent"
        if one.unknowns:
            state, detail = Delivery.UNKNOWN, "may have arrived, and expired before it could be sent once more"
        self._trouble(f"message {message.id} to {message.to} {detail}")
        await self._settle(_Outcome(message, state, now, detail=detail))

    async def _again(
        self, message: Message, one: _Try, pause: float, detail: str, state: Delivery = Delivery.WAITING
    ) -> None:
        if one.unknowns:
            state = Delivery.UNKNOWN  # once it may have arrived, a later refusal does not make it certain
        now = self._clock.now()
        # never held beyond its end, so that expiry is noticed and said on time
        pause = max(0.0, min(pause, one.expires_mono - now.mono))
        one.not_before = now.mono + pause
        log.warning("%s: message %s to %s not sent, next try in %.0f s: %s", self.way, message.id, message.to,
                    pause, detail)  # fmt: skip
        await self._settle(_Outcome(message, state, now, detail=detail, retry_at_utc=now.utc + pause - _ROUNDING_S))

    def _backoff(self, failures: int) -> float:
        step = FIRST_RETRY_S * 2.0 ** min(failures - 1, 16)
        return min(LAST_RETRY_S, step * self._random.uniform(1.0, 1.3))

    async def _settle(self, outcome: _Outcome) -> None:
        """Write one ending down, or keep it until the outbox takes it."""
        key = outcome.message.id
        self._early.pop(key, None)
        if outcome.over:
            self._tries.pop(key, None)
            self._pushed.pop(key, None)
        self._unwritten[key] = outcome
        await self._write()

    async def _write(self) -> None:
        """Tell the outbox every ending it has not taken yet; one it refuses does not stand before the others."""
        for key, outcome in list(self._unwritten.items()):
            try:
                await self._outbox.settle(
                    outcome.message, outcome.state, outcome.at, references=outcome.references,
                    detail=outcome.detail, retry_at_utc=outcome.retry_at_utc,
                )  # fmt: skip
            except StoreError as error:
                if not outcome.refused:
                    log.warning(
                        "%s: message %s is %s, not written down yet: %s", self.way, key, outcome.state, error
                    )
                outcome.refused = True
            else:
                del self._unwritten[key]

    def _trouble(self, reason: str) -> None:
        log.error("%s: %s", self.way, reason)
        self._on_trouble(self.way, reason)

    async def _rest(self) -> None:
        """Until woken, the next poll, or the first held-back message may be tried."""
        now = self._clock.now()
        held = [one.not_before for one in self._tries.values() if one.not_before > now.mono]
        until = min([now.mono + self._poll_s, *held])
        await news_or(self._woken, self._clock, until)
