"""A whole lookout with a modem of its own on a real broker, and sheds whose signs of life are made here by hand."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from brinewatch.clock import SteppingClock
from brinewatch.config.lookout import read_lookout
from brinewatch.lookout.daemon import Lookout
from brinewatch.sentry.beats import Beat
from brinewatch.signing import sealed
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.store.journal import Remark

EVENING = 1_790_200_800.0  # 2026-09-23 22:00 UTC
WREN, QUAY_MODEM = "+447700900101", "+447700900150"
SECRET = "the quay and the lookout share this"

HEAD = """
[lookout]
key = "home"
name = "Lookout at home"
short_name = "LOOKOUT"
time_zone = "Etc/UTC"
[page]
enabled = false
[modem]
port = "ports/modem"
[[contact]]
name = "Wren"
phone = "+447700900101"
from_priority = "medium"
"""
BROKER = """
[broker]
host = "127.0.0.1"
port = {port}
keepalive_s = 2
answer_s = 0.3
"""
SHED = """
[[watch]]
key = "{key}"
name = "{key} shed"
secret_file = "secret"
"""


def lookout_text(port: int, *sheds: str, more: str = "") -> str:
    """A lookout's file for these sheds."""
    return HEAD + BROKER.format(port=port) + "".join(SHED.format(key=key) for key in sheds) + more


class Voice:
    """A client at the broker that says what it is told to, in its own thread: a shed's, or a forger's."""

    def __init__(self, port: int) -> None:
        from paho.mqtt.client import Client, MQTTv5
        from paho.mqtt.enums import CallbackAPIVersion

        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client._reset_sockets()


class Home:
    """One lookout at a time, in stepped time; the broker's answers come in real time between the steps."""

    def __init__(self, folder: Path, port: int, text: str) -> None:
        self.clock = SteppingClock(EVENING)
        self.folder, self.port = folder, port
        self.modem = ModemEmulator(self.clock, link=folder / "ports" / "modem")
        (folder / "ports").mkdir(parents=True, exist_ok=True)
        (folder / "lookout.toml").write_text(text, encoding="utf-8")
        secret = folder / "secret"
        secret.write_text(SECRET + "\n", encoding="utf-8")
        secret.chmod(0o600)
        self.said: list[str] = []
        self.numbers: dict[str, int] = {}
        self.start = 7
        self.voice: Voice
        self.lookout: Lookout
        self._task: asyncio.Task[None]

    async def begin(self) -> None:
        self.lookout = Lookout(read_lookout(self.folder / "lookout.toml"), self.clock, self.said.append)
        self._task = asyncio.create_task(self.lookout.run())
        await self.passes(12)

    async def end(self) -> None:
        self.lookout.stop()
        driver = asyncio.create_task(self.clock.drive())
        try:
            await self._task
        finally:
            driver.cancel()
            await asyncio.gather(driver, return_exceptions=True)

    async def passes(self, seconds: float) -> None:
        await self.clock.drive(self.clock.now().mono + seconds)
        if self._task.done():
            self._task.result()

    async def until(self, seen: Callable[[], object], seconds: float) -> float:
        """Let time pass until `seen()`; how long it took."""
        for second in range(int(seconds) + 1):
            if seen():
                return float(second)
            await self.passes(1.0)
        raise AssertionError(f"not seen within {seconds} s; the lookout said: {self.said}")

    async def really(self, seen: Callable[[], object], within: float = 10.0) -> None:
        """Wait in real time for what comes over a socket."""
        for _ in range(int(within / 0.02)):
            if seen():
                return
            await asyncio.sleep(0.02)
        raise AssertionError(f"not seen within {within} s; the lookout said: {self.said}")

    def fields(self, shed: str, **changes: Any) -> dict[str, Any]:
        """The next sign of life of a shed that is well."""
        self.numbers[shed] = self.numbers.get(shed, 0) + 1
        now = self.clock.now()
        made = Beat(shed, self.start, self.numbers[shed], now.utc, True, 30.0, "1", cycle_age_s=1.0,
                    critical_age_s=1.0,
                    critical="manifold.air_pressure", mains=True, disk_free_percent=40.0)  # fmt: skip
        return {**made.fields(), **changes}

    def beat_text(self, shed: str, **changes: Any) -> tuple[str, str]:
        topic = f"brinewatch/{shed}/beat"
        return topic, sealed(topic, self.fields(shed, **changes), SECRET)

    async def beat(self, *sheds: str, **changes: Any) -> None:
        """Each shed gives a sign of life, and it is heard."""
        for shed in sheds:
            topic, text = self.beat_text(shed, **changes)
            number = (self.start, self.numbers[shed])
            await self.speak(topic, text)
            post = self.lookout.signs.sheds[shed]
            await self.really(
                lambda post=post, number=number: post.watched.newest and post.watched.newest.order == number
            )  # type: ignore[misc]

    async def speak(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        await asyncio.to_thread(self.voice.say, topic, payload, retain=retain)

    async def beats(self, seconds: float, *sheds: str, **changes: Any) -> None:
        """Time in which each shed gives its signs of life every 30 s."""
        for _ in range(int(seconds // 30)):
            await self.beat(*sheds, **changes)
            await self.passes(30)

    def texts(self, *words: str) -> list[str]:
        return [one.text for one in self.modem.sent if all(word in one.text for word in words)]

    def standing(self) -> dict[str, str]:
        """What stands: alarm and what is shown of it."""
        return {one.alarm: one.shown for one in self.lookout.overview().alarms}

    async def notes(self) -> list[Remark]:
        return [one for one in await self.lookout.journal.remarks() if one.kind == "lookout"]


@asynccontextmanager
async def home(folder: Path, port: int, *sheds: str, more: str = "") -> AsyncIterator[Home]:
    made = Home(folder, port, lookout_text(port, *(sheds or ("quay",)), more=more))
    await made.modem.start()
    made.voice = Voice(port)
    try:
        await made.begin()
        try:
            yield made
        finally:
            await made.end()
    finally:
        made.voice.close()
        await made.modem.stop()
