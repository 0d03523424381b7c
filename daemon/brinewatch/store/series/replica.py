"""The replica as a part of the watch: it sends what is new, waits when it must, and says when it falls behind.

It has a thread of its own and reads the history as anybody may, beside the daemon: alarms and history never wait
for it, and a server that hangs holds up nothing.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path

from brinewatch.errors import StoreError
from brinewatch.moment import span_text, utc_text
from brinewatch.ports import Clock
from brinewatch.store.history_rows import DAY_US
from brinewatch.store.series.courier import Courier
from brinewatch.store.series.feed import Batch, Feed
from brinewatch.store.series.position import SeriesFile
from brinewatch.store.series.server import NotNow, PersonNeeded, Server
from brinewatch.store.series.settings import SeriesSettings
from brinewatch.store.series.verify import Compared, send_again, verify
from brinewatch.store.thread import StoreThread

log = logging.getLogger(__name__)

_OPEN_S = 30.0
_STOP_S = 1.0
_BACK_OFF_FROM_S, _BACK_OFF_TO_S = 5.0, 300.0
_PERSON_S = 600.0  # where trying again helps only when somebody has been there
# between two batches of a backlog: a small computer has better things to do
_BREATH_S = 0.25
# a batch whose parts are all tried one by one, each answered as late as may be
_TURN_S = 4 * 3600.0
# a UTC day is compared when it has been over for so long, and again so long after what it lacked was sent
_LATE_S, _READABLE_S = 3 * 3600.0, 30.0


class Replica:
    """One shed's copy on one server. on_health(well, words) is called in the event loop.

    Use: `open` before the history writes anything, then `run` until cancelled.
    """

    def __init__(
        self, settings: SeriesSettings, shed: str, data: Path, zone: tzinfo, server: Server, clock: Clock,
        on_health: Callable[[bool, str], None] = lambda well, words: None,
    ) -> None:  # fmt: skip
        self._settings = settings
        self._clock = clock
        self._server = server
        self._on_health = on_health
        self._file = SeriesFile(data)
        self._feed = Feed(data, zone, shed, self._file)
        self._stop = False
        self._courier = Courier(server, settings.batch, self._feed.newest, lambda: self._stop)
        self._thread = StoreThread("time-series server", clock)
        self._data, self._zone, self._shed = data, zone, shed
        self._settled = False
        self._checked = -1
        self._unlike = ""
        self._batch: Batch | None = None
        self._failures = 0
        self._refused = 0
        self._person = ""
        self._late = ""
        self._caught_mono: float | None = None
        self._told: tuple[bool, str] | None = None

    async def open(self) -> tuple[str, ...]:
        """Find the place to go on from; returns what people should know. A disk that fails keeps nobody from
        watching: it is looked for again."""
        self._thread.start()
        now = self._clock.now()
        try:
            notes = await self._thread.run(lambda: self._feed.begin(now), _OPEN_S)
        except TimeoutError:
            return (f"{self._settings.url}: the position was not found within {_OPEN_S:g} s.",)
        except StoreError as error:
            return (str(error),)
        caught = self._feed.caught_utc
        away = now.utc - caught if caught and now.trusted else 0.0
        self._caught_mono = now.mono - max(0.0, away)
        return notes

    async def run(self) -> None:
        """Send what is new every every_s until cancelled."""
        self._thread.start()
        self._stop = False
        try:
            while True:
                pause = await self._turn()
                self._tell()
                await self._clock.sleep(pause)
        finally:
            self._stop = True
            if not self._thread.stuck:
                await self._end()
            await self._thread.stop(_STOP_S)

    async def _end(self) -> None:
        now = self._clock.now()

        def work() -> None:
            self._feed.rest(now)
            self._file.close()
            self._server.close()

        try:
            await self._thread.run(work, _STOP_S)
        except (TimeoutError, StoreError) as error:
            log.info("The position of the replica is as old as it stands: %s", error or "a write is not answered")

    async def _turn(self) -> float:
        """One batch; returns how long to wait then, in seconds."""
        try:
            more = await self._thread.run(self._work, _TURN_S)
        except NotNow as error:
            self._person, self._late = "", error.what
            self._failures += 1
            growing = min(_BACK_OFF_FROM_S * 2.0 ** min(self._failures - 1, 20), _BACK_OFF_TO_S)
            log.info("series: %s", error.what)
            return growing if error.after_s is None else max(error.after_s, 1.0)
        except PersonNeeded as error:
            self._person = str(error)
            return _PERSON_S
        except StoreError as error:
            self._late = str(error)
            return _BACK_OFF_TO_S
        except TimeoutError:
            self._late = f"{self._settings.url} did not answer."
            return _BACK_OFF_TO_S
        self._failures, self._person, self._late = 0, "", ""
        settled, self._settled = self._settled and not more, not more
        if more:
            return _BREATH_S
        self._caught_mono = self._clock.now().mono
        if settled:  # what was sent a look ago can be read back by now
            await self._check()
        return self._settings.every_s

    # -- the check of yesterday -----------------------------------------------------------------------------------

    async def _check(self) -> None:
        """Once a day, hold the UTC day that is over against what the server has: some say yes and keep nothing, and
        what they had in memory is lost in a power cut. What is missing is sent again."""
        now = self._clock.now()
        day = round((now.utc - _LATE_S) // 86400 - 1) * DAY_US
        if not now.trusted or self._checked == day:
            return
        try:
            wrong = await self._thread.run(lambda: self._look_at(day), _TURN_S)
            if wrong:
                log.warning("series: %s; sent again", _unlike(wrong))
                await self._thread.run(lambda: self._send_again(wrong), _TURN_S)
                await self._clock.sleep(_READABLE_S)
                wrong = await self._thread.run(lambda: self._look_at(day), _TURN_S)
        except PersonNeeded as error:  # it may be that the token is for writing only
            log.warning("series: what the server holds could not be compared: %s", error)
            wrong = []
        except (NotNow, StoreError, TimeoutError) as error:
            self._late = f"Yesterday could not be compared: {error or 'no answer'}"
            return
        self._checked = day
        self._unlike = _unlike(wrong)

    def _look_at(self, day_us: int) -> list[Compared]:
        if day_us / 1e6 < self._feed.since_utc:
            return []  # of that day not all was sent
        found = verify(self._data, self._zone, self._shed, self._server, day_us, self._file.refused())
        return [one for one in found if not one.same]

    def _send_again(self, wrong: list[Compared]) -> None:
        refused = send_again(self._data, self._zone, self._shed, self._courier, wrong)
        self._file.set_aside(refused, self._clock.now().utc)

    # -- in the thread --------------------------------------------------------------------------------------------

    def _work(self) -> bool:
        try:
            return self._next()
        except sqlite3.DatabaseError as error:  # the position's file is damaged: it is looked over and begun anew
            self._feed.forget()
            self._batch = None
            raise StoreError(f"{self._settings.url}: the position is lost ({error}).") from error

    def _next(self) -> bool:
        now = self._clock.now()
        batch = self._feed.next(now, self._courier.most) if self._batch is None else self._batch
        # gathered once, however often it has to be brought: by then more may wait behind it
        self._batch = None if batch is None else replace(batch, last=False)
        if batch is None:
            self._feed.idle(now)
        else:
            refused = self._courier.bring(batch.lines)
            self._feed.done(batch, [*batch.refused, *refused], self._clock.now())
        self._batch = None
        self._refused = self._file.refused_count()
        return batch is not None and not batch.last

    def _tell(self) -> None:
        now = self._clock.now()
        if self._caught_mono is None:
            self._caught_mono = now.mono
        behind = now.mono - self._caught_mono
        if self._person:
            health = (False, self._person)
        elif self._refused:
            health = (False, f"{self._refused} readings were refused: brinewatch series refused.")
        elif behind >= self._settings.behind_h * 3600:
            health = (False, f"The time-series server is {span_text(behind)} behind. {self._late}".strip())
        elif self._unlike:
            health = (False, self._unlike)
        else:
            health = (True, self._late)
        if health != self._told:
            self._told = health
            self._on_health(*health)


def _unlike(wrong: list[Compared]) -> str:
    if not wrong:
        return ""
    day = utc_text(wrong[0].day_us / 1e6)[:10]
    lacks, other = sum(one.missing for one in wrong), sum(one.other + one.extra for one in wrong)
    return f"Of {day} the server lacks {lacks} readings and has {other} others: brinewatch series verify."


__all__ = ["Replica"]
