"""The history: every reading, written in batches beside the alarms and never in their way.

Point and instant name a reading: the first one stands, and only a verdict in hindsight changes its flag and reason
(the flag given live is kept beside it). A reading comes back as `columns.as_kept` says: what a probe said, and what
it was taken for, exactly. `raw`, what the probe said before calibration, is the truth kept here; `value` is what it
was taken for at the time, and what it should be taken for now is a view of it (brinewatch.views).
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from brinewatch.errors import StoreError
from brinewatch.ports import Clock
from brinewatch.readings import Flag, Reading
from brinewatch.store import schema
from brinewatch.store.history_file import CHECK_BYTES, HistoryFile, Verdict, Written, microseconds
from brinewatch.store.thread import StoreThread

log = logging.getLogger(__name__)
T = TypeVar("T")

_OPEN_S = 60.0
_DEADLINE_S = 30.0
_CHECK_S = 6 * 3600.0
_READ_MOST = 200_000
# slices of background work: each short, so that writing never waits long, and so many in a row
_HOURS_AT_ONCE, _OLD_AT_ONCE, _CARRIED_AT_ONCE = 40, 2, 20
_OLD_A_TURN, _SLICES_A_NIGHT = 20, 5_000
_YEAR_S = 365.25 * 86400


class History:
    """Readings of one shed. Use it from one event loop; `add` and `revise` may be called before `open`.

    batch_s: seconds between writes, which is also what a power cut can cost; most: readings kept in memory while
    the disk does not take them, the oldest being dropped and counted beyond it; raw_years: how long readings are
    kept before only their hours are, None for ever. on_health(well, words) is called in the event loop when the
    file stops or begins to take readings.
    """

    def __init__(
        self,
        path: Path,
        clock: Clock,
        batch_s: float = 60.0,
        on_health: Callable[[bool, str], None] = lambda well, words: None,
        most: int = 20_000,
        deadline_s: float = _DEADLINE_S,
        raw_years: float | None = None,
    ) -> None:
        self._path = Path(path)
        self._clock = clock
        self._batch_s = batch_s
        self._on_health = on_health
        self._most = most
        self._deadline_s = deadline_s
        self._raw_years = raw_years
        self._file = HistoryFile(self._path, clock)
        self._thread = StoreThread("history", clock)
        self._waiting: deque[Reading | Verdict] = deque()
        self._latest: dict[str, Reading] = {}
        self._well = True
        self.dropped = 0
        self.repeated = 0

    async def open(self) -> tuple[str, ...]:
        """Open, make or mend the file; returns what went wrong with it, for people.

        A disk that fails keeps nobody from watching: readings are kept in memory and the file is tried again.
        NewerStore when the file must not be used.
        """
        self._thread.start()
        try:
            latest = await self._thread.run(self._file.open, _OPEN_S)
        except TimeoutError:
            return self._unopened(self._silent(_OPEN_S))
        except schema.NewerStore:
            await self._thread.stop(_OPEN_S)
            raise
        except StoreError as error:
            return self._unopened(error)
        except BaseException:
            await self._thread.stop(_OPEN_S)
            raise
        self._latest = {**latest, **self._latest}
        return self._notes()

    def _unopened(self, error: StoreError) -> tuple[str, ...]:
        self._tell(False, str(error))
        return (*self._notes(), str(error))

    async def run(self) -> None:
        """Write a batch every batch_s until cancelled. It never ends for the disk's sake: it tries again."""
        look = asyncio.create_task(self.check())  # it may take minutes, and holds nothing up
        try:
            while True:
                await self._clock.sleep(self._batch_s)
                if await self.flush():
                    await self.sum_up()
                    await self._slices(lambda: self._file.carry_over(_CARRIED_AT_ONCE), _OLD_A_TURN)
                    await self._slices(lambda: self._file.sum_up_before(_OLD_AT_ONCE), _OLD_A_TURN)
        finally:
            look.cancel()
            await asyncio.gather(look, return_exceptions=True)

    async def close(self) -> None:
        """Write what waits and let go of the file; a hanging disk is left to the kernel."""
        await self.flush()
        if not self._thread.stuck:
            try:
                await self._thread.run(self._file.close, self._deadline_s)
            except (TimeoutError, RuntimeError):
                log.error("The history could not be closed in time; %d readings are lost.", len(self._waiting))
        await self._thread.stop(self._deadline_s)

    # -- writing ------------------------------------------------------------------------------------------------

    def add(self, readings: Sequence[Reading]) -> None:
        """Take readings in; never waits."""
        self._waiting.extend(readings)
        self._latest.update((reading.point, reading) for reading in readings)
        self._bound()

    async def take_in(self, readings: Sequence[Reading]) -> Written:
        """Write readings of the past, at once and behind what waits. StoreError when they are not written (yet):
        handing the same ones in again writes none twice.
        """
        done = await self._ask(lambda: self._file.write(readings))
        for one in readings:
            newest = self._latest.get(one.point)
            if newest is None or newest.at.utc < one.at.utc:
                self._latest[one.point] = one
        return done

    def revise(self, verdict: Reading) -> None:
        """Take in a verdict given in hindsight: its flag and reason replace those of that point and instant."""
        self._waiting.append(Verdict(verdict.point, microseconds(verdict.at.utc), verdict.flag, verdict.reason))
        newest = self._latest.get(verdict.point)
        if newest is not None and microseconds(newest.at.utc) == microseconds(verdict.at.utc):
            self._latest[verdict.point] = replace(newest, flag=verdict.flag, reason=verdict.reason)
        self._bound()

    def _bound(self) -> None:
        over = len(self._waiting) - self._most
        if over > 0:
            for _ in range(over):
                self._waiting.popleft()
            self.dropped += over
            self._tell(False, f"{self._path} has not taken readings for long; the oldest are being dropped.")

    async def flush(self) -> bool:
        """Write all that waits. False when the disk did not take it; it is kept and tried again."""
        if not self._waiting:
            return True
        batch, self._waiting = self._waiting, deque()
        try:
            # the thread hands back what it wrote; a late end is found as readings met before, and harms nothing
            done = await self._thread.run(lambda: self._file.write(batch), self._deadline_s)
        except TimeoutError:
            return self._failed(batch, self._silent(self._deadline_s))
        except RuntimeError:
            return self._failed(batch, StoreError(f"{self._path} is not open.", "Open the history first."))
        except Exception as error:  # noqa: BLE001 - whatever broke, the readings are kept
            return self._failed(batch, schema.store_error(self._path, error))
        except BaseException:
            self._waiting.extendleft(reversed(batch))
            raise
        self._wrote(done)
        return True

    async def sum_up(self) -> None:
        """Summarise the hours that are over, some at a time so that writing never waits long.

        When that fails nothing is lost: the hours are tried again, and can be worked out from their readings.
        """
        now = microseconds(self._clock.now().utc)
        await self._slices(lambda: self._file.sum_up(now, _HOURS_AT_ONCE), None)

    async def _slices(self, work: Callable[[], int], most: int | None) -> bool:
        """Do background work a slice at a time, until there is no more of it. False when it failed or there is
        more.
        """
        done = 0
        try:
            while most is None or done < most:
                if not await self._ask(work):
                    return True
                done += 1
        except StoreError as error:
            log.warning("The history's own work waits: %s", error)
        finally:
            for note in self._notes():
                self._tell(False, note)
                self._tell(True, "")
        return False

    async def check(self) -> bool:
        """Look a large file over for damage, beside the watch; a damaged one is set aside, and what can be read of
        it carried over. False when it could not be done."""
        checker = StoreThread("history check", self._clock)
        checker.start()
        try:
            # a small one was checked when it was opened
            found = await checker.run(lambda: schema.look_over(self._path, CHECK_BYTES), _CHECK_S)
            if found:
                await self._ask(lambda: self._file.renew(found))
        except (TimeoutError, sqlite3.Error, OSError, StoreError) as error:
            log.warning("The history could not be checked: %s", error)
            return False
        finally:
            await checker.stop(1.0)
        for note in self._notes():
            self._tell(False, note)
        return True

    def _failed(self, batch: deque[Reading | Verdict], error: StoreError) -> bool:
        self._waiting.extendleft(reversed(batch))
        self._tell(False, str(error))
        self._bound()
        return False

    def _wrote(self, done: Written) -> None:
        self.repeated += done.repeated
        if done.repeated or done.homeless:
            # a batch cut off by a stop is written again whole: repeats are how nothing is lost
            log.info(
                "history: %d readings of an instant met before, %d verdicts on none", done.repeated, done.homeless
            )
        for note in self._notes():
            self._tell(False, note)
        self._tell(True, f"{self.dropped} readings have been lost so far." if self.dropped else "")

    # -- asking -------------------------------------------------------------------------------------------------

    async def latest(self) -> Mapping[str, Reading]:
        """The newest reading of each point, from memory."""
        return dict(self._latest)

    async def read(self, point: str, since_utc: float, until_utc: float) -> list[Reading]:
        """Readings of a point from since to before until, oldest first, those not yet written too.

        StoreError when there are more than memory should hold at once.
        """
        since, until = microseconds(since_utc), microseconds(until_utc)
        await self.flush()
        found = await self._ask(lambda: self._file.read(point, since, until, _READ_MOST + 1))
        if len(found) > _READ_MOST:
            raise StoreError(f"{point} has more than {_READ_MOST} readings in that time.", "Ask for a shorter one.")
        known = {microseconds(reading.at.utc) for reading in found}
        for item in self._waiting:  # what the disk has not taken
            if isinstance(item, Reading) and item.point == point:
                stamp = microseconds(item.at.utc)
                if since <= stamp < until and stamp not in known:
                    found.append(item)
        return sorted(found, key=lambda reading: reading.at.utc)

    async def counts(self) -> dict[Flag, int]:
        """How many readings there are by flag, those not yet written too."""
        await self.flush()
        waiting = [item.flag for item in self._waiting if isinstance(item, Reading)]
        counts = await self._ask(self._file.counts)
        for flag in waiting:
            counts[flag] = counts.get(flag, 0) + 1
        return counts

    async def tidy(self) -> None:
        """The night's care: pack what an earlier version wrote or a stop left, let go of what is older than
        raw_years, give room back to the disk, and look the file over. Its failure is told by on_health, not raised.
        """
        now = microseconds(self._clock.now().utc)
        try:
            await self._night(lambda: self._file.sum_up_before(_OLD_AT_ONCE))
            await self._night(lambda: self._file.sum_up(now, _HOURS_AT_ONCE))
            if self._raw_years is not None:
                before = now - microseconds(self._raw_years * _YEAR_S)
                await self._night(lambda: self._file.thin(before))
            await self._night(self._file.tidy)
            await self.check()
        except StoreError as error:
            self._tell(False, str(error))

    async def _night(self, work: Callable[[], int]) -> None:
        for _ in range(_SLICES_A_NIGHT):
            if not await self._ask(work):
                break
            await self.flush()

    async def _ask(self, work: Callable[[], T]) -> T:
        try:
            return await self._thread.run(work, self._deadline_s)
        except TimeoutError:
            raise self._silent(self._deadline_s) from None
        except RuntimeError as error:
            raise StoreError(f"{self._path} is not open.", "Open the history first.") from error
        except Exception as error:
            raise schema.store_error(self._path, error) from error

    def _notes(self) -> tuple[str, ...]:
        notes, self._file.notes = tuple(self._file.notes), []
        return notes

    def _silent(self, seconds: float) -> StoreError:
        return StoreError(f"{self._path} did not answer within {seconds:g} s.", "Look at the disk: it may hang.")

    def _tell(self, well: bool, words: str) -> None:
        if well != self._well:
            self._well = well
            log.log(logging.INFO if well else logging.ERROR, "history: %s", words or "takes readings again")
            self._on_health(well, words)


__all__ = ["History"]
