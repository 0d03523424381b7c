"""Whether the daemon goes on: parts that hang are cut, and the service manager hears of every good round."""

from __future__ import annotations

import logging
from collections.abc import Callable

from brinewatch.ports import Clock
from brinewatch.supervising import Parts
from brinewatch.systemd import ServiceManager

log = logging.getLogger(__name__)

# until the first good round it is looked more often, so that a start is known to be good at once
_FIRST_S = 1.0
# the alarms are looked at every half minute at least
_LOOKED_WITHIN_S = 90.0


class Keeping:
    """Looks every few seconds, in the event loop: where that stands still, nothing is fed.

    looked(): the monotonic second at which the alarms were last judged, None when never; sentence(): how the shed
    is, in one line.
    """

    def __init__(
        self, parts: Parts, clock: Clock, manager: ServiceManager, looked: Callable[[], float | None],
        sentence: Callable[[], str],
    ) -> None:  # fmt: skip
        self._parts, self._clock, self._manager = parts, clock, manager
        self._looked, self._sentence = looked, sentence
        self._ready = False

    async def run(self) -> None:
        while True:
            await self._clock.sleep(self._manager.every_s if self._ready else _FIRST_S)
            self._round()

    def _round(self) -> None:
        now, looked = self._clock.now(), self._looked()
        hung = self._parts.look()
        if hung:
            log.error("Hangs: %s", ", ".join(hung))
            self._manager.say(f"Hangs: {', '.join(hung)}")
        elif looked is None or now.mono - looked > _LOOKED_WITHIN_S:
            self._manager.say("The alarms have not been judged")
        elif self._ready:
            self._manager.alive(self._words())
        else:
            self._ready = True
            self._manager.ready(self._words())

    def _words(self) -> str:
        if not self._manager.listens:
            return ""  # a view of the whole shed every few seconds for nobody
        try:
            return self._sentence()
        except Exception as error:
            log.exception("How the shed is cannot be said")  # and is no reason to be started again
            return f"Cannot be said ({type(error).__name__})"
