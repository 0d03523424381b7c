"""Parts that die or hang are started again alone; one that does not obey keeps the watchdog unfed."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from brinewatch.clock import SystemClock
from brinewatch.errors import StoreError
from brinewatch.keeping import Keeping
from brinewatch.supervising import Part, Parts, Watched
from brinewatch.systemd import ServiceManager
from keeping.manager import Heard, listening

ADDRESS = f"@brinewatch-parts-{os.getpid()}"


class Life:
    def __init__(self, heard: Heard) -> None:
        self.heard, self.said = heard, list[str]()
        self.clock = Watched(SystemClock(), 0.1)
        self.parts = Parts(self.clock, self.said.append)
        manager = ServiceManager({"NOTIFY_SOCKET": ADDRESS, "WATCHDOG_USEC": "150000"})
        self.looked: float | None = self.clock.now().mono
        self.keeping = Keeping(self.parts, self.clock, manager, lambda: self.looked, lambda: "All is well.")

    def health(self) -> dict[str, tuple[bool, str]]:
        return self.parts.health(self.clock.now())

    async def fed_for(self, seconds: float) -> int:
        before = self.heard.said("WATCHDOG=1")
        await asyncio.sleep(seconds)
        return self.heard.said("WATCHDOG=1") - before


@asynccontextmanager
async def living(name: str, make: object) -> AsyncIterator[Life]:
    with listening(ADDRESS) as heard:
        life = Life(heard)
        assert callable(make)
        part: Part = make(life)
        life.parts.start([(name, part), ("keeping", life.keeping.run)])
        try:
            await heard.until(lambda: heard.said("READY=1") == 1)
            yield life
        finally:
            await life.parts.end()


async def test_rounds_are_fed_while_all_come_round_and_ready_is_said_once() -> None:
    def make(life: Life) -> Part:
        async def part() -> None:
            while True:
                with life.clock.hold():
                    async with life.clock.deadline(0.5):
                        await asyncio.sleep(0.01)
                await life.clock.sleep(0.01)

        return part

    async with living("bus a", make) as life:
        assert await life.fed_for(0.5) >= 4
        assert life.heard.said("READY=1") == 1
        assert life.health() == {"parts": (True, ""), "extras": (True, "")}


async def test_parts_that_keep_failing_are_started_again_told_of_by_what_they_are_for_and_fed_for() -> None:
    def make(life: Life) -> Part:
        async def page() -> None:
            raise StoreError("The port is taken.")

        async def bus() -> None:
            raise OSError("no such thing")

        life.parts.start([("page", page)])
        return bus

    async with living("bus a", make) as life:
        assert life.health() == {"parts": (True, ""), "extras": (True, "")}
        assert await life.fed_for(0.5) >= 4
        for _ in range(400):
            if not all(well for well, _ in life.health().values()):
                break
            await asyncio.sleep(0.02)
        assert life.health() == {
            "parts": (False, "bus a keeps failing: OSError: no such thing"),
            "extras": (False, "page keeps failing: The port is taken."),
        }
        told = {one.name: one for one in life.parts.told(life.clock.now())}
        assert (told["page"].often, told["page"].why) == (True, "The port is taken.")
        assert told["page"].restarts >= 3
        assert (told["keeping"].restarts, told["keeping"].why, told["keeping"].ago_s) == (0, "", None)
        assert life.said[:2] == [
            "page: The port is taken.",
            "bus a failed (OSError: no such thing) and is started again.",
        ]
        assert await life.fed_for(0.3) >= 2


async def test_a_part_that_hangs_is_cut_and_started_again_alone() -> None:
    lives = 0

    def make(life: Life) -> Part:
        async def part() -> None:
            nonlocal lives
            lives += 1
            if lives == 1:
                while True:
                    try:
                        async with life.clock.deadline(0.05):
                            await asyncio.sleep(60)
                    except TimeoutError:
                        pass
                    with life.clock.hold():
                        try:
                            async with life.clock.deadline(0.05):
                                try:
                                    await asyncio.sleep(60)
                                except asyncio.CancelledError:
                                    await asyncio.sleep(60)  # does not end when its time is up, only when it is cut
                        except TimeoutError:
                            pass
            await asyncio.Event().wait()

        return part

    async with living("bus a", make) as life:
        await life.heard.until(lambda: lives == 2)
        assert "bus a hung and is started again." in life.said
        assert life.heard.said("STATUS=Hangs: bus a") >= 1
        assert await life.fed_for(0.4) >= 3


async def test_a_part_that_obeys_nobody_is_never_fed_for() -> None:
    free = asyncio.Event()

    def make(life: Life) -> Part:
        async def part() -> None:
            await life.clock.sleep(1.2)
            async with life.clock.deadline(0.05):
                while not free.is_set():
                    try:
                        await free.wait()
                    except asyncio.CancelledError:
                        continue

        return part

    async with living("bus a", make) as life:
        await life.heard.until(lambda: life.heard.said("STATUS=Hangs: bus a") >= 2)
        assert await life.fed_for(0.5) == 0
        assert life.health()["parts"] == (False, "bus a hangs")
        free.set()
        await life.heard.until(lambda: life.said == ["bus a ended by itself and is started again."])
        assert await life.fed_for(0.4) >= 3


async def test_work_that_hangs_beside_the_parts_is_not_fed_for_either() -> None:
    free = asyncio.Event()

    def make(life: Life) -> Part:
        async def work() -> None:
            async with life.clock.deadline(0.05):
                while not free.is_set():
                    try:
                        await free.wait()
                    except asyncio.CancelledError:
                        continue

        async def part() -> None:
            await life.clock.sleep(1.2)
            life.parts.spawn(work())
            await asyncio.Event().wait()

        return part

    async with living("bus a", make) as life:
        await life.heard.until(lambda: life.heard.said("STATUS=Hangs: a piece of work") >= 2)
        assert await life.fed_for(0.4) == 0
        free.set()
        await asyncio.sleep(0.1)
        assert await life.fed_for(0.4) >= 3


async def test_a_long_wait_of_a_nested_deadline_is_no_hang_for_the_hold_around_it() -> None:
    def make(life: Life) -> Part:
        async def part() -> None:
            with life.clock.hold():
                async with life.clock.deadline(3600):
                    await asyncio.Event().wait()

        return part

    async with living("calendar", make) as life:
        running = life.parts._parts[0]
        assert not running.hangs(asyncio.get_running_loop().time() + 3000)
        assert running.hangs(asyncio.get_running_loop().time() + 3700)


async def test_a_loop_that_stands_still_feeds_nobody() -> None:
    fed: list[int] = []

    def make(life: Life) -> Part:
        async def part() -> None:
            await life.clock.sleep(1.2)
            fed.append(life.heard.said("WATCHDOG=1"))
            time.sleep(0.6)  # twelve rounds
            fed.append(life.heard.said("WATCHDOG=1"))
            await asyncio.Event().wait()

        return part

    async with living("bus a", make) as life:
        await life.heard.until(lambda: len(fed) == 2)
        assert fed[0] == fed[1] > 0


async def test_alarms_that_are_not_judged_are_not_fed_for() -> None:
    def make(life: Life) -> Part:
        async def part() -> None:
            await asyncio.Event().wait()

        return part

    async with living("bus a", make) as life:
        assert await life.fed_for(0.3) >= 2
        life.looked = life.clock.now().mono - 91
        await asyncio.sleep(0.1)
        assert await life.fed_for(0.3) == 0
        assert life.heard.said("STATUS=The alarms have not been judged") >= 2


async def test_a_part_that_ends_by_itself_is_started_again_unless_it_is_a_record_played() -> None:
    ended: list[str] = []

    def make(life: Life) -> Part:
        async def part() -> None:
            ended.append("bus a")

        async def record() -> None:
            ended.append("record")

        life.parts.start([("record", record)])
        return part

    async with living("bus a", make) as life:
        await life.heard.until(lambda: ended.count("bus a") == 2)
        assert life.said == ["bus a ended by itself and is started again."] * 2
        assert ended.count("record") == 1
