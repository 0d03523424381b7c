"""One air stop from end to end, on real wires: each step is seen from outside the daemon, or the smoke fails."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from brinewatch.alarms.events import Happening
from brinewatch.clock import SystemClock
from brinewatch.config import ShedFile
from brinewatch.demo import Say, lay_out, simulated
from brinewatch.errors import BrinewatchError
from brinewatch.service import Daemon

_ALARM = "air-stopped"
# what the daemon may add to scan and on-delay until the modem has asked for the text
_OWN_S = 0.25


class _Failed(BrinewatchError):
    """A step was not seen in its time."""


class _Steps:
    """Runs the steps one after another and says how long each took."""

    def __init__(self, clock: SystemClock, say: Say) -> None:
        self._clock = clock
        self._say = say
        self._start = clock.now().mono
        self.count = 0

    async def step(self, name: str, seconds: float, seen: Callable[[], Awaitable[Any]]) -> Any:
        """Wait until `seen` gives something true; its value. _Failed names the step."""
        self.count += 1
        began = self._clock.now().mono
        while True:
            value = await seen()
            now = self._clock.now().mono
            if value:
                self._say(f"  {now - self._start:5.1f} s  {self.count}. {name} ({now - began:.2f} s)")
                return value
            if now - began > seconds:
                raise _Failed(f"Step {self.count}, {name}: not seen within {seconds:g} s.")
            await self._clock.sleep(0.02)


async def smoke(shed_file: Path, folder: Path, say: Say) -> int:
    """Start, stop the air, hear the call, answer it, restore the air, hear the all-clear, stop. 0, or 1."""
    await asyncio.to_thread(shutil.rmtree, folder / "data", True)
    shed = lay_out(shed_file, folder)
    clock = SystemClock(shed.zone)
    async with simulated(shed, folder) as request:
        daemon = Daemon(shed, clock, lambda line: say(f"           {line}"))
        async with _listener(shed) as heard:
            running = asyncio.create_task(daemon.run())
            try:
                await _night(shed, daemon, running, request, heard, _Steps(clock, say), say)
            except _Failed as failure:
                say(f"FAILED: {failure.what}")
                return 1
            finally:
                daemon.stop()
                await asyncio.gather(running, return_exceptions=True)
    say("The smoke passed.")
    return 0


async def _night(
    shed: ShedFile,
    daemon: Daemon,
    running: asyncio.Task[None],
    request: Callable[[Mapping[str, Any]], Awaitable[Any]],
    heard: list[tuple[str, Any]],
    steps: _Steps,
    say: Say,
) -> None:
    alarm = next(one for one in shed.alarms if one.rule.key == _ALARM)
    limit = alarm.rule.limit
    assert limit is not None
    _, probe, _ = shed.channels()[alarm.point]
    number = -1
    by_hand = {point for point, (name, _, _) in shed.channels().items() if shed.buses[name].kind == "manual"}

    async def alive() -> bool:
        if running.done():
            running.result()
        if not hasattr(daemon, "keeper"):
            return False
        view = daemon.overview()
        points = [p for s in view.stages for p in s.points]
        blind = [p for p in points if not p.flag.usable and p.point not in by_hand and p.quantity != "nh3_n"]
        return not blind and view.well

    async def texts(since: int, *words: str) -> Any:
        sent = (await request({"do": "sent", "since": 0}))["sent"][since:]
        return [one for one in sent if all(word in one["text"] for word in words)]

    async def told(happening: Happening) -> Any:
        """What the broker carried of the loss of air, or of what explains it and names it in the one call."""
        return [
            payload
            for topic, payload in heard
            if "/alarms/" in topic and payload["happening"] == happening.value
            and (payload["alarm"] == alarm.id or payload["number"] == number or alarm.rule.short in payload["also"])
        ]  # fmt: skip

    await steps.step("every probe answers and all is well", 25, alive)
    first = shed.contacts[0].phone
    await request({"do": "fault", "name": "blower-stop", "rest": []})
    fell = (await request({"do": "falls-to", "kPa": limit}))["mono"]
    raised = await steps.step("the broker carries the alarm", 15, lambda: told(Happening.RAISED))
    number = int(raised[0]["number"])
    called = await steps.step(
        "the modem was handed the call, with the time left",
        5,
        lambda: texts(0, alarm.rule.short, "O2 ", f"OK {number}"),
    )
    took = min(one["prompt_mono"] for one in called) - fell
    allowed = probe.every + alarm.rule.on_delay_s + _OWN_S
    say(f"           air under {limit:g} kPa to the modem's prompt: {took:.2f} s (at most {allowed:.2f} s)")
    if took > allowed:
        raise _Failed(f"Step {steps.count}: the call took {took:.2f} s, at most {allowed:.2f} s is allowed.")
    say(f"           the phone shows: {called[0]['text']}")
    count = len(await texts(0))
    await request({"do": "text", "sender": first, "text": f"OK {number}"})
    await steps.step("the reply is taken as an acknowledgement", 5, lambda: told(Happening.ACKNOWLEDGED))
    await steps.step("the answer reached the phone", 5, lambda: texts(count, f"taken {number}"))
    await request({"do": "fault", "name": "blower-stop", "rest": [], "mend": True})
    await steps.step("air is back and the alarm has cleared", 15, lambda: told(Happening.CLEARED))
    await steps.step("the all-clear reached the phone", 5, lambda: texts(count, "ALL CLEAR", str(number)))
    await request({"do": "text", "sender": first, "text": "OK ALL"})
    await steps.step("nothing is left standing", 15, alive)
    daemon.stop()
    await steps.step("the daemon stops cleanly", 10, lambda: _done(running))
    life = [payload for topic, payload in heard if topic.endswith("/life")]
    if not life or life[-1]["life"] != "stopped":
        raise _Failed(f"Step {steps.count}: the broker was not told of the stop: {life[-1:]}")


async def _done(task: asyncio.Task[None]) -> bool:
    if task.done():
        task.result()
    return task.done()


@asynccontextmanager
async def _listener(shed: ShedFile) -> AsyncIterator[list[tuple[str, Any]]]:
    """Everything the broker carries for this shed, as another program would hear it."""
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.enums import CallbackAPIVersion

    assert shed.broker is not None
    heard: list[tuple[str, Any]] = []

    def on_message(client: Client, data: Any, message: MQTTMessage) -> None:
        heard.append((message.topic, json.loads(message.payload)))

    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    topic = f"{shed.broker.base}/{shed.shed.key}/#"

    def on_connect(client: Client, *_: Any) -> None:
        client.subscribe(topic, 1)

    client.on_connect = on_connect
    clock = SystemClock()
    for _ in range(200):
        try:
            await asyncio.to_thread(client.connect, shed.broker.host, shed.broker.port_in_use)
            break
        except OSError:
            await clock.sleep(0.05)
    else:
        raise BrinewatchError("The broker of the demo does not answer.", "Is mosquitto installed?")
    client.loop_start()
    try:
        yield heard
    finally:
        client.disconnect()
        await asyncio.to_thread(client.loop_stop)
