"""Waiting for news or for an instant, whichever comes first."""

from __future__ import annotations

import asyncio

from brinewatch.ports import Clock


async def news_or(event: asyncio.Event, clock: Clock, until: float) -> None:
    """Until the event is set, or the monotonic second has come. Nothing is left running, whatever ends it."""
    waits = [asyncio.ensure_future(event.wait()), asyncio.ensure_future(clock.sleep_until(until))]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for wait in waits:
            wait.cancel()
        await asyncio.gather(*waits, return_exceptions=True)
