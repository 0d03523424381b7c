"""The history of an invented shed, and the replica of it, with time that is stepped."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from brinewatch.clock import SteppingClock
from brinewatch.readings import Flag, Reading
from brinewatch.store.history import History
from brinewatch.store.reader import StoreReader
from brinewatch.store.series.feed import lines_of
from brinewatch.store.series.lines import Line
from brinewatch.store.series.position import SeriesFile
from brinewatch.store.series.replica import Replica
from brinewatch.store.series.server import Server
from brinewatch.store.series.settings import SeriesSettings

BEGAN = 1_716_928_000.0  # 2024-05-28 20:26:40 UTC: servers drop what lies days ahead of their own clock


class Shed:
    """One shed: its clock, its history, and what it has told people of its replica's health."""

    def __init__(self, folder: Path, key: str = "gannet-quay", began: float = BEGAN) -> None:
        self.folder = folder
        self.key = key
        self.clock = SteppingClock(began)
        self.history = History(folder / "history.sqlite", self.clock)
        self.health: list[tuple[bool, str]] = []

    @contextlib.asynccontextmanager
    async def open(self):  # type: ignore[no-untyped-def]
        await self.history.open()
        try:
            yield self
        finally:
            await self.history.close()

    async def read(
        self, points: Sequence[str], count: int, value: Callable[[int], float | None] = lambda i: 8.0 + i / 100,
        every: float = 5.0, flag: Flag = Flag.PASS, began: float | None = None,
    ) -> list[Reading]:  # fmt: skip
        """Readings of these points, one a scan with some jitter, written at once."""
        now = self.clock.now()
        start = now.utc if began is None else began
        found = []
        for i in range(count):
            number, at = value(i), now.later(start - now.utc + i * every + 0.001 * ((i * 7) % 5))
            raw = None if number is None else 0.99 * number
            found += [
                Reading(point, point.rpartition(".")[2], number, raw, flag, "", at, "tank probe")
                for point in points
            ]
        self.history.add(found)
        assert await self.history.flush()
        return found

    def settings(self, url: str, **more: object) -> SeriesSettings:
        return SeriesSettings.model_validate(
            {"url": url, "bucket": "sheds", "server": "victoria-metrics", "answer_s": 3.0, "every_s": 60.0} | more
        )

    def replica(self, settings: SeriesSettings, token: str = "") -> Replica:
        return Replica(
            settings, self.key, self.folder, self.clock.now().zone, Server(settings, token), self.clock,
            lambda well, words: self.health.append((well, words)),
        )  # fmt: skip

    async def run(self, replica: Replica, seconds: float) -> None:
        """Let it work for so long, as a part of the daemon does, then end it."""
        task = asyncio.create_task(replica.run())
        try:
            await self.clock.drive(self.clock.now().mono + seconds)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    @contextlib.contextmanager
    def file(self) -> Iterator[SeriesFile]:
        with SeriesFile(self.folder) as one:
            yield one

    def told(self, point: str, since: float = 0.0, until: float = 1e11) -> list[Line]:
        """What a server should have of a point."""
        with StoreReader(self.folder, self.clock.now().zone) as store:
            return [
                line
                for lines, _, _ in lines_of(store, self.key, point, round(since * 1e6), round(until * 1e6), 10_000)
                for line in lines
            ]

    def pairs(self, point: str) -> list[tuple[int, float]]:
        return [(line.ms, line.value) for line in self.told(point) if line.value is not None]
