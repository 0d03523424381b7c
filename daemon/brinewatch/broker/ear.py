"""A connection to a broker that hears what is published there."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from typing import Any

from brinewatch.broker.link import Link
from brinewatch.errors import RetryLater

log = logging.getLogger(__name__)

# topic, payload, whether the broker had kept it from before
OnMessage = Callable[[str, bytes, bool], None]

_REFUSED = 0x80  # reason codes of a SUBACK from here on are refusals (OASIS MQTT 5.0, 3.9.3)


class Ear(Link):
    """A link that hears too."""

    on_message: OnMessage | None = None

    def _attach(self) -> None:
        self._subscribed: dict[int, asyncio.Future[None]] = {}
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe
        super()._attach()

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        if self.on_message is None:
            return
        try:
            self.on_message(message.topic, message.payload, bool(message.retain))
        except Exception:
            # whatever a stranger sends, the next message is heard
            log.exception("A message on %s could not be taken in", message.topic)

    def _on_subscribe(self, _client: Any, _data: Any, mid: int, reasons: Any, _properties: Any) -> None:
        answer = self._subscribed.pop(mid, None)
        if answer is None or answer.done():
            return
        refused = [reason for reason in reasons if reason.value >= _REFUSED]
        if refused:
            answer.set_exception(self._refusal(refused[0], "to let it listen"))
        else:
            answer.set_result(None)

    async def listen(self, topics: Sequence[str], on_message: OnMessage) -> None:
        """Subscribe at QoS 1. Raises NeedsPerson when the broker refuses, RetryLater when it does not answer."""
        self.on_message = on_message
        with self._clock.hold():
            code, mid = self._client.subscribe([(topic, 1) for topic in topics])
            if code != 0 or mid is None:
                raise RetryLater(
                    f"The broker {self._broker} could not be asked for its messages (code {int(code)})."
                )
            answer: asyncio.Future[None] = self._loop.create_future()
            self._subscribed[mid] = answer
            try:
                async with self._clock.deadline(self._answer_s):
                    await answer
            except TimeoutError:
                raise RetryLater(f"The broker {self._broker} did not answer the subscription.") from None
            finally:
                self._subscribed.pop(mid, None)
