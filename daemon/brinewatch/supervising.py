"""Each part of the daemon runs on its own: one that fails is started again alone, and says so."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock

log = logging.getLogger(__name__)

Part = Callable[[], Awaitable[None]]

_RESTART_FROM_S, _RESTART_TO_S = 1.0, 60.0


async def supervise(name: str, part: Part, clock: Clock, say: Callable[[str], None]) -> None:
    """Keep one part running: an error ends it, is said, and it is started again after a pause that grows."""
    pause = _RESTART_FROM_S
    while True:
        began = clock.now().mono
        try:
            await part()
            return
        except BrinewatchError as error:
            say(f"{name}: {error}")
        except Exception as error:
            log.exception("The part %s failed", name)
            say(f"{name} failed ({type(error).__name__}: {error}) and is started again.")
        if clock.now().mono - began > _RESTART_TO_S:
            pause = _RESTART_FROM_S
        await clock.sleep(pause)
        pause = min(2 * pause, _RESTART_TO_S)
