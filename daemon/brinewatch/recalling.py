"""What the store knows that rules ask of the past: given to the watch when it starts, and when it is news."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from brinewatch.alarms.events import AlarmEvent
from brinewatch.alarms.features import done_key
from brinewatch.alarms.nuisance import KEPT_S
from brinewatch.errors import StoreError
from brinewatch.moment import Moment
from brinewatch.readings import IMPORTED, Flag, Reading, quantity_of
from brinewatch.signals.following import FollowPlan
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.signals.starting import START_UP
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper

_ENTRIES = 1000


async def replay_history(keeper: Watchkeeper, history: History, now: Moment) -> list[str]:
    """Give windows over the past the readings they reach back to. Returns what could not be read, for people.

    Stored readings are as old as the wall clock says: when it is not trusted they are left alone.
    """
    if not now.trusted:
        return []
    past: list[Reading] = []
    notes = []
    for point, seconds in keeper.reach.items():
        try:
            past += await history.read(point, now.utc - seconds, now.utc)
        except StoreError as error:
            notes.append(f"The past of {point} cannot be read: {error} Its rates and spans begin anew.")
    # a file of earlier records must start no alarm, however young what it says
    past = [one for one in past if one.at.trusted and not one.probe.startswith(IMPORTED)]
    keeper.replay(sorted(past, key=lambda reading: reading.at.utc), now)
    return notes


async def recall_tests(
    keeper: Watchkeeper, plans: Sequence[FollowPlan], journal: Journal, anew: str = ""
) -> list[str]:
    """Give the followers of filters' starts the tests that were entered. anew: only those of one point, in place of
    what is known of it. Returns what could not be read."""
    inputs = {point for plan in plans if quantity_of(plan.points[0]) == START_UP for point in plan.inputs.values()}
    if anew:
        inputs &= {anew}
    found, notes = [], []
    for point in sorted(inputs):
        try:
            entries = await journal.entries(point, _ENTRIES)
        except StoreError as error:
            notes.append(f"The tests of {point} cannot be read: {error}")
            continue
        found += [(point, one.value, one.measured.utc) for one in entries if not one.corrected]
    keeper.entered(found, inputs if anew and not notes else ())
    return notes


async def events_before(journal: Journal, same_boot: bool, now: Moment) -> list[AlarmEvent]:
    """The alarm events of the last half hour, oldest first, with monotonic stamps that count as `now` counts."""
    try:
        logged = await journal.events(now.utc - KEPT_S, now.utc)
    except StoreError:
        return []  # floods and chatter are counted anew
    found = []
    for one in reversed(logged):
        at = one.event.at
        ago = now.mono - at.mono if same_boot else now.utc - at.utc
        if 0.0 <= ago <= KEPT_S and (same_boot or (now.trusted and at.trusted)):
            found.append(replace(one.event, at=replace(at, mono=now.mono - ago)))
    return found


class CalibrationsDone:
    """When each point was last calibrated, as readings for rules that ask."""

    def __init__(self) -> None:
        self._seen: tuple[Sequence[CalibrationRecord], bool] | None = None

    def news(self, records: Sequence[CalibrationRecord], now: Moment) -> list[Reading]:
        """All of them when there is something new, else none. Nothing is told by a clock that is not trusted."""
        if self._seen is not None and self._seen[0] is records and self._seen[1] == now.trusted:
            return []
        self._seen = (records, now.trusted)
        if not now.trusted:
            return []
        replaced = {one.replaces for one in records}
        last: dict[str, float] = {}
        for one in records:
            if one.visit is Visit.CALIBRATION and one.id not in replaced:
                last[one.point] = max(one.made_utc, last.get(one.point, one.made_utc))
        return [_done(point, utc, now) for point, utc in last.items()]


def _done(point: str, utc: float, now: Moment) -> Reading:
    at = Moment(now.mono - (now.utc - utc), utc, True, now.zone)
    key = done_key(point, "calibration")
    return Reading(key, quantity_of(point), 1.0, None, Flag.PASS, "", at, "journal")
