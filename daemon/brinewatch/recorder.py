"""Hearing comes before recording, and recording before anything else."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from brinewatch.alarms.events import AlarmEvent
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery, Message
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.store.journal import Journal


class Told:
    """The outbox, with an ear for how far each message got."""

    def __init__(self, journal: Journal, settled: Callable[[Message, Delivery], None]) -> None:
        self._journal = journal
        self._settled = settled
        self.due, self.report = journal.due, journal.report

    async def settle(self, message: Message, state: Delivery, now: Moment, **how: Any) -> None:
        self._settled(message, state)
        await self._journal.settle(message, state, now, **how)
        # a report may have come in before
        reached = self._journal.reached(message)
        if reached is not None and reached is not state:
            self._settled(message, reached)


class Recorder:
    """Commits what the watchkeeper brought, in order, and sees that the messages leave whatever the disk does.

    release(messages): called with the messages that may now be sent; those marked recorded=False are not in the
    outbox yet and are sent from memory. The journal itself keeps what the disk would not take and writes it later.
    """

    def __init__(self, journal: Journal, clock: Clock, release: Callable[[Sequence[Message]], None]) -> None:
        self._journal = journal
        self._clock = clock
        self._release = release
        self._events: list[AlarmEvent] = []
        self._memories: dict[str, Mapping[str, Any] | None] = {}
        self._messages: list[Message] = []
        self._stir = asyncio.Event()

    def add(
        self,
        events: Sequence[AlarmEvent],
        memories: Mapping[str, Mapping[str, Any] | None],
        messages: Sequence[Message],
    ) -> None:
        """Queue one step's outcome; what is queued while a commit runs goes into the next one together."""
        if events or memories or messages:
            self._events += events
            self._memories.update(memories)
            self._messages += messages
            self._stir.set()

    async def run(self) -> None:
        while True:
            await self._stir.wait()
            await self.commit()

    async def commit(self) -> None:
        """One transaction for all that has gathered."""
        self._stir.clear()
        events, self._events = self._events, []
        memories, self._memories = self._memories, {}
        messages, self._messages = self._messages, []
        if not (events or memories or messages):
            return
        try:
            self._release(await self._journal.commit(events, memories, messages, self._clock.now()))
        except StoreError:
            self._release([replace(message, recorded=False) for message in messages])
