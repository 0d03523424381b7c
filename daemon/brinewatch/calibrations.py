"""The daemon's end of a calibration: it holds the probe's alarms, hands over what the probe says, keeps the record.

A visit is one person at one probe. It ends when told to, or by itself when nobody has looked for half an hour.
While it lasts the probe's readings are not judged, but for the air pressure only two minutes in any quarter of an
hour: a blower that stops must be heard, so a gauge that lies open longer than that calls.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, span_text
from brinewatch.ports import Clock
from brinewatch.readings import Flag, Reading, quantity_of, stage_of
from brinewatch.seawater.pressure import barometer_doubt
from brinewatch.signals.due import Overdue, overdue, overdue_text
from brinewatch.signals.lines import Lines
from brinewatch.signals.received import record_of_body
from brinewatch.signals.records import CalibrationRecord, Visit
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper

HOLD_S = 1800.0
AIR_HOLD_S, AIR_IN_S = 120.0, 900.0
_KEPT = 2000  # samples between two looks: more than half an hour at one a second
_AHEAD_S = 5.0
_DUE_EVERY_S = 60.0
# how old what is known of the water may be: as for what is derived from it
_WATER: Mapping[str, float] = {"temperature": 3600.0, "salinity": 7 * 86400.0, "barometric_pressure": 6 * 3600.0}


@dataclass(slots=True)
class _Call:
    """One person at one probe. until: when it ends unless somebody looks, monotonic seconds."""

    probe: str
    points: tuple[str, ...]
    by: str
    until: float
    said: dict[str, deque[tuple[float, float]]] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class _AirHolds:
    """How long the air's alarms have been held since a quarter of an hour began."""

    began: float
    used_s: float = 0.0
    since: float | None = None

    def left(self, mono: float) -> float:
        return AIR_HOLD_S - self.used_s - (0.0 if self.since is None else mono - self.since)


class Calibrations:
    """Visits, records and due dates of one shed. note: one line for people and the journal."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, clock: Clock, note: Callable[[str], None]
    ) -> None:
        self._shed = shed
        self._able = shed.calibratable()
        self._feeding = {point: probe.name for point, (_, probe, _) in shed.channels().items()}
        self._keeper = keeper
        self._journal = journal
        self._clock = clock
        self._note = note
        self._calls: dict[str, _Call] = {}
        self._air: dict[str, _AirHolds] = {}
        self._due: tuple[Sequence[CalibrationRecord], bool, float, Sequence[Overdue]] | None = None

    # -- beside the watch ---------------------------------------------------------------------------------------

    def hear(self, readings: Sequence[Reading], now: Moment) -> None:
        """Take in the newest readings for whoever looks, and end the visits nobody looks at any more."""
        for call in [one for one in self._calls.values() if now.mono >= one.until]:
            self._close(call, now)
            self._note(f"Calibration of {call.probe} by {call.by} ended by itself; its alarms are on again.")
        for probe, air in self._air.items():
            if air.since is not None and air.left(now.mono) <= 0.0:
                air.used_s, air.since = AIR_HOLD_S, None
                self._note(
                    f"The alarms of {probe} are on again: the air is held for {span_text(AIR_HOLD_S)} at most."
                )
        for call in self._calls.values():
            for reading in readings:
                if reading.point not in call.points:
                    continue
                if reading.raw is not None:
                    series = call.said.setdefault(reading.point, deque(maxlen=_KEPT))
                    series.append((reading.at.mono, reading.raw))
                    call.reasons.pop(reading.point, None)
                else:
                    call.reasons[reading.point] = reading.reason or "The probe gave no value."

    def health(self, now: Moment) -> tuple[bool | None, str]:
        """Whether every calibration is within its time; None when something has a due date and no clock tells."""
        records = self._journal.calibrations()
        kept = self._due
        if (
            kept is None
            or kept[0] is not records
            or kept[1] != now.trusted
            or not 0.0 <= now.mono - kept[2] < _DUE_EVERY_S
        ):
            every = {point: channel.calibrate_every_days for point, (_, channel) in self._able.items()}
            kept = self._due = (records, now.trusted, now.mono, overdue(every, records, now.utc))
        late = kept[3]
        if not now.trusted and (late or any(one.due_utc for one in records)):
            return None, "The clock is not set: nobody knows what is due."
        probes = {point: probe.name for point, (probe, _) in self._able.items()}
        return not late, overdue_text(late, probes, now.zone)

    # -- requests -----------------------------------------------------------------------------------------------

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request of the command line. Raises BrinewatchError for what cannot be done."""
        match request["do"]:
            case "calibration begin":
                return self._begin(str(request.get("probe")), str(request.get("by") or "the command line"))
            case "calibration look":
                return self._look(self._call(str(request.get("probe"))))
            case "calibration save":
                return {"line": await self._save(request.get("record"))}
            case "calibration end":
                return self._end(self._find(str(request.get("probe"))))
            case "calibrations":
                return self._records(request.get("point"))
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")

    def _begin(self, name: str, by: str) -> Mapping[str, Any]:
        now, probe = self._clock.now(), self._find(name)
        points = tuple(point for point, (one, _) in self._able.items() if one.name == probe)
        other = self._calls.get(probe)
        if other is not None and other.by != by and now.mono < other.until:
            until = now.later(other.until - now.mono).local
            raise BrinewatchError(
                f"{probe} is being calibrated by {other.by}.",
                f"Let {other.by} end it; by itself it ends at {until:%H:%M}.",
            )
        described = [self._describe(point, now) for point in points]
        call = self._calls[probe] = _Call(probe, points, by, now.mono + HOLD_S)
        held_s = self._hold(call, now, begin=True)
        how = f"its alarms wait {span_text(held_s)} at most" if held_s else "its alarms stay on"
        self._note(f"Calibration of {probe} begun by {by}; {how}.")
        return {"points": described, "water": self._water(stage_of(points[0]), now), "held_s": held_s}

    def _look(self, call: _Call) -> Mapping[str, Any]:
        now = self._clock.now()
        call.until = now.mono + HOLD_S
        held_s = self._hold(call, now)
        said = {point: [list(pair) for pair in series] for point, series in call.said.items()}
        call.said.clear()
        return {"said": said, "reasons": dict(call.reasons), "held_s": held_s}

    def _end(self, probe: str) -> Mapping[str, Any]:
        call = self._calls.get(probe)
        if call is None:
            return {"line": f"No calibration of {probe} is under way; its alarms are on."}
        self._close(call, self._clock.now())
        self._note(f"Calibration of {probe} ended by {call.by}; its alarms are on again.")
        return {"line": f"The alarms of {probe} are on again."}

    def _close(self, call: _Call, now: Moment) -> None:
        del self._calls[call.probe]
        self._keeper.holds.release(call.points)
        air = self._air.get(call.probe)
        if air is not None and air.since is not None:
            air.used_s, air.since = air.used_s + now.mono - air.since, None

    def _hold(self, call: _Call, now: Moment, *, begin: bool = False) -> float:
        """Hold the points' alarms, and say for how many seconds; each look holds them on, but for the air's."""
        air_points = [point for point in call.points if quantity_of(point) == "air_pressure"]
        others = [point for point in call.points if point not in air_points]
        self._keeper.holds.hold(others, call.by, call.until)
        left = self._hold_air(call, air_points, now, begin) if air_points else 0.0
        return call.until - now.mono if others else left

    def _hold_air(self, call: _Call, points: Sequence[str], now: Moment, begin: bool) -> float:
        air = self._air.get(call.probe)
        if air is None or (begin and air.since is None and now.mono - air.began >= AIR_IN_S):
            air = self._air[call.probe] = _AirHolds(now.mono)
        if begin and air.since is None:
            air.since = now.mono
        left = 0.0 if air.since is None else max(0.0, air.left(now.mono))
        if left:
            self._keeper.holds.hold(points, call.by, now.mono + left)
        return left

    def _describe(self, point: str, now: Moment) -> Mapping[str, Any]:
        _, channel = self._able[point]
        reading = self._keeper.latest.get(point) or _unread(point, now)
        records = self._journal.calibrations()
        counts = Lines(records).live(point, now).id
        record = next((one for one in records if one.id == counts), None)
        return {
            "point": point, "quantity": channel.quantity.key, "unit": channel.quantity.unit,
            "accuracy": channel.accuracy, "record": record.to_dict() if record else None,
            "said": reading.raw, "value": reading.value, "flag": int(reading.flag), "reason": reading.reason,
        }  # fmt: skip

    def _water(self, stage: str, now: Moment) -> Mapping[str, float | None]:
        """The usable readings nearest to a stage, in the order of the shed file."""
        order = [one.settings.key for one in self._shed.stages]
        altitude, here = self._shed.shed.altitude_m, order.index(stage)
        found: dict[str, float | None] = dict.fromkeys(_WATER)
        for key in sorted(order, key=lambda other: abs(order.index(other) - here)):
            for quantity, oldest_s in _WATER.items():
                one = self._keeper.latest.get(f"{key}.{quantity}")
                if found[quantity] is not None or one is None or not one.usable or one.value is None:
                    continue
                if now.mono - one.at.mono + one.age_s > oldest_s:
                    continue
                if quantity == "barometric_pressure" and barometer_doubt(one.value, altitude):
                    continue
                found[quantity] = one.value
        return {**found, "altitude_m": altitude}

    # -- records ------------------------------------------------------------------------------------------------

    async def _save(self, body: object) -> str:
        now = self._clock.now()
        try:
            record = record_of_body(body)
        except (ValueError, TypeError, KeyError) as error:
            raise _refused(f"is not as agreed ({error})", "Restart the daemon: versions may differ.") from error
        self._check(record, now)
        kept = await self._journal.calibrate(record, now)
        self._note(f"Calibration record {record.id} kept, by {record.by}.")
        counts = now.later(record.effective_utc - now.utc).local
        line = f"Kept: {record.point}, record {record.id}"
        if record.visit is Visit.CALIBRATION:
            line += f", counts from {counts:%Y-%m-%d %H:%M}"
        if record.due_utc is not None:
            line += f", next due {now.later(record.due_utc - now.utc).local:%Y-%m-%d}"
        if not kept:
            line += ". The disk does not take it now: it is in memory only until the journal is well again"
        if not now.trusted:
            line += ". The clock is not set: its date may be wrong; put it right with --replaces once it is"
        return f"{line}."

    def _check(self, record: CalibrationRecord, now: Moment) -> None:
        records = self._journal.calibrations()
        if record.point not in self._able:
            raise _refused(
                f"names {record.point!r}, which takes no calibration here",
                f"Points: {', '.join(sorted(self._able))}.",
            )
        if record.probe != self._feeding[record.point]:
            raise _refused(
                f"names the probe {record.probe!r}; {self._feeding[record.point]!r} feeds {record.point}",
                "Read the shed file again: restart the daemon.",
            )
        if any(one.id == record.id for one in records):
            raise _refused(f"has the id {record.id}, which is there already", "Give it an id of its own.")
        if max(record.effective_utc, record.made_utc) > now.utc + _AHEAD_S:
            raise _refused("counts from or was made at a time to come", "Look at the clocks of both machines.")
        if not now.trusted and any(one.made_utc > record.made_utc for one in records):
            raise _refused(
                "is older than records made before it: the clock is wrong", "Set the clock, then save again."
            )
        if record.replaces:
            old = next((one for one in records if one.id == record.replaces), None)
            if old is None or old.point != record.point:
                raise _refused(
                    f"replaces {record.replaces!r}, which is no record of {record.point}",
                    "See: brinewatch calibrate --list",
                )
            later = next((one.id for one in records if one.replaces == record.replaces), "")
            if later:
                raise _refused(f"replaces {record.replaces}, which {later} has replaced", f"Replace {later}.")

    def _records(self, point: object) -> Mapping[str, Any]:
        records = self._journal.calibrations()
        if point is not None:
            if point not in self._feeding and not any(one.point == point for one in records):
                raise BrinewatchError(f"There is no point {point!r}.", f"Points: {', '.join(sorted(self._able))}.")
            records = tuple(one for one in records if one.point == point)
        now = self._clock.now()
        lines = Lines(records)
        names = {name: lines.live(name, now).id for name in sorted({one.point for one in records})}
        return {
            "records": [one.to_dict() for one in records],
            "in_force": {name: key for name, key in names.items() if key},
        }

    def _call(self, name: str) -> _Call:
        probe = self._find(name)
        if probe not in self._calls:
            raise BrinewatchError(
                f"No calibration of {probe} is under way; its alarms are on.",
                f"Begin it: brinewatch calibrate {probe}",
            )
        return self._calls[probe]

    def _find(self, name: str) -> str:
        """The probe of that name, or the one that feeds the point of that name."""
        probes = {probe.name for probe, _ in self._able.values()}
        probe = self._feeding.get(name, name)
        if probe in probes:
            return probe
        if probe in self._feeding.values():
            raise BrinewatchError(
                f"{name} takes no calibration.", "Test a switch by hand; a kit has its own standards."
            )
        raise BrinewatchError(
            f"There is no probe or point {name!r}.", f"Probes: {', '.join(sorted(probes)) or 'none'}."
        )


def _unread(point: str, now: Moment) -> Reading:
    return Reading(point, quantity_of(point), None, None, Flag.MISSING, "not read yet", now, "")


def _refused(why: str, hint: str) -> BrinewatchError:
    return BrinewatchError(f"Not saved: the record {why}.", hint)
