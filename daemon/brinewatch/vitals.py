"""What a watch says of itself, gathered from its parts, and the rising numbers it says it under."""

from __future__ import annotations

import json
import logging
import shutil
from collections.abc import Mapping
from pathlib import Path

from brinewatch import __version__
from brinewatch.alarms.events import Priority, State
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.readings import quantity_of
from brinewatch.sentry.beats import CRITICAL_S, CYCLE_S, Beat
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper

log = logging.getLogger(__name__)

Health = Mapping[str, tuple[bool | None, str]]

_OUTBOX = 500
_STARTS = "heartbeat.json"
# a start with a smaller number was counted, not read from a calendar
_YEAR_2020 = 1_577_836_800
# what may be older is no probe but entered by people
_BY_HAND_S = 3600.0


class Numbers:
    """Numbers for beats that only ever rise, over restarts too: of a start, and within it."""

    def __init__(self, folder: Path, now: Moment) -> None:
        self._file = folder / _STARTS
        self.n = 0
        self.obeyed: tuple[int, int] = (-1, -1)
        before = 0
        try:
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            before = int(kept["start"])
            self.obeyed = (int(kept["obeyed"][0]), int(kept["obeyed"][1]))
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            log.debug("No number of an earlier start in %s", self._file)
        # seconds of the calendar outdo any count that was lost with its card
        self.start = max(before + 1, int(now.utc) if now.trusted else 0)
        self._keep()

    def next(self, now: Moment) -> tuple[int, int]:
        if self.start < _YEAR_2020 and now.trusted:
            # the clock was set meanwhile: a lookout that knew greater numbers hears us again
            self.start, self.n = int(now.utc), 0
            self._keep()
        self.n += 1
        return self.start, self.n

    def obey(self, number: tuple[int, int]) -> None:
        """Remember the newest order obeyed."""
        self.obeyed = number
        self._keep()

    def _keep(self) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._file.with_suffix(".new")
            fresh.write_text(json.dumps({"start": self.start, "obeyed": self.obeyed}), encoding="utf-8")
            fresh.replace(self._file)
        except OSError as error:
            log.warning("The number of this start cannot be kept: %s", error)


class Facts:
    """What a watch says of itself, gathered from its parts."""

    def __init__(self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, health: Health) -> None:
        self._shed, self._keeper, self._journal, self._health = shed, keeper, journal, health
        # health is set by the watch itself at every look: it proves nothing of the probes; nor does what is entered
        self._critical = {
            alarm.point: max(CRITICAL_S, 2 * alarm.max_age_s)
            for alarm in shed.alarms
            if alarm.rule.priority is Priority.CRITICAL
            and quantity_of(alarm.point) not in ("health", "shed_sign")
            and alarm.max_age_s <= _BY_HAND_S
        }
        fastest = min((probe.every for bus in shed.buses.values() for probe in bus.probe), default=CYCLE_S)
        self._cycle_s = max(CYCLE_S, 3 * fastest)
        self._good: dict[str, float] = {}

    async def beat(
        self, order: tuple[int, int], every_s: float, now: Moment, until_utc: float | None = None
    ) -> Beat:
        view = self._keeper.overview(now)
        checked = None if view.checked is None else now.mono - view.checked.mono
        oldest, allowed, which = self._oldest_good(now)
        mains = [one for point, one in self._keeper.latest.items() if quantity_of(point) == "mains" and one.usable]
        return Beat(
            self._shed.shed.key, order[0], order[1], now.utc, now.trusted, every_s, __version__,
            cycle_age_s=checked, cycle_allowed_s=self._cycle_s, critical_age_s=oldest,
            critical_allowed_s=allowed, critical=which, outbox_age_s=await self._outbox_age(now),
            failing=tuple(sorted(part for part, (well, _) in self._health.items() if well is False)),
            mains=all(one.value for one in mains) if mains else None, disk_free_percent=self._disk(),
            standing=len(view.alarms),
            unanswered=sum(one.state is State.UNACKNOWLEDGED for one in view.alarms), until_utc=until_utc,
        )  # fmt: skip

    def _oldest_good(self, now: Moment) -> tuple[float | None, float, str]:
        """Age, allowed age and point of the good reading that is oldest for what it may be."""
        held = self._keeper.held(now)
        for point in self._critical:
            reading = self._keeper.latest.get(point)
            if point in held:
                self._good[point] = now.mono  # somebody is at that probe, for a bounded time
            elif reading is not None and reading.usable:
                self._good[point] = reading.at.mono
        never = [point for point in self._critical if point not in self._good]
        if never:
            return None, self._critical[never[0]], never[0]
        if not self._critical:
            return None, CRITICAL_S, ""
        which = max(self._critical, key=lambda point: (now.mono - self._good[point]) / self._critical[point])
        return now.mono - self._good[which], self._critical[which], which

    async def _outbox_age(self, now: Moment) -> float | None:
        try:
            waiting = [
                one
                for one in await self._journal.outbox(_OUTBOX)
                if one.state in (Delivery.WAITING, Delivery.UNKNOWN)
            ]
        except BrinewatchError:
            return None  # that the journal fails is said by its own part
        return max((now.utc - one.message.created_utc for one in waiting), default=None)

    def _disk(self) -> float | None:
        try:
            usage = shutil.disk_usage(self._shed.data)
        except OSError:
            return None
        return 100.0 * usage.free / usage.total
