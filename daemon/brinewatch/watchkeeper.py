"""From samples to events, without touching the world: the one way every reading goes.

sample -> calibration and quality flag -> derived quantities -> alarm engine -> events. The daemon, a replayed
record and the tests all keep watch with this same class; it reads no clock and opens nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from brinewatch.alarms.causes import consequences
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import step
from brinewatch.alarms.events import AlarmEvent, Command, State
from brinewatch.alarms.features import Features, ForecastOf, wanted, wanted_forecasts
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Alarm, age_s
from brinewatch.moment import Moment
from brinewatch.overview import AlarmView, AsideView, Overview, PointView, StageView
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, Sample, quantity_of, stage_of
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.derived import Derivation, derive
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.signals.quality import Quality, QualityMemory, judge

_RECENT = 50
# what is over but not answered stands behind what still holds
_OVER = (State.RETURNED, State.LATCHED)


@dataclass(frozen=True, slots=True)
class Channel:
    """How one measured point is to be judged. every_s: how often it is read."""

    every_s: float
    quality: Quality
    calibration: Calibration = field(default_factory=Calibration)
    accuracy: float | None = None


@dataclass(frozen=True, slots=True)
class StagePlan:
    """One stage as the overview shows it: path, key, name, kind and its points in order."""

    path: str
    key: str
    name: str
    kind: str
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one step brought: new readings, verdicts for history, alarm events and changed alarm memories."""

    readings: tuple[Reading, ...]
    revised: tuple[Reading, ...]
    events: tuple[AlarmEvent, ...]
    changed: Mapping[str, dict[str, object] | None]


class Watchkeeper:
    """Keeps the latest readings and the alarm memories of one shed."""

    def __init__(
        self,
        name: str,
        stages: Sequence[StagePlan],
        channels: Mapping[str, Channel],
        derivations: Sequence[Derivation],
        alarms: Sequence[Alarm],
        units: DisplayUnits,
        started: Moment,
        memory: Memory | None = None,
    ) -> None:
        self._name = name
        self._stages = tuple(stages)
        self._channels = channels
        self._derivations = tuple(derivations)
        self._alarms = tuple(alarms)
        self._by_id = {alarm.id: alarm for alarm in alarms}
        self._max_age = {alarm.point: alarm.max_age_s for alarm in alarms}
        self._units = units
        self._started = started
        self._memory = memory or Memory()
        self._quality: dict[str, QualityMemory] = {}
        self._latest: dict[str, Reading] = {}
        self._features = Features(wanted(alarms))
        self._noted: dict[str, Reading] = {}
        self._recent: list[AlarmEvent] = []
        self._checked: Moment | None = None

    @property
    def latest(self) -> Mapping[str, Reading]:
        return self._latest

    @property
    def memory(self) -> Memory:
        return self._memory

    def due(self, now: Moment) -> float | None:
        """The monotonic second at which time alone can next change an alarm."""
        dues = (next_due(self._alarms, self._memory, self._judged_by, now), self._features.due(now))
        return min((due for due in dues if due is not None), default=None)

    @property
    def _judged_by(self) -> Mapping[str, Reading]:
        """All that alarms are judged by: readings, and under keys of their own features, forecasts, things done."""
        return {**self._latest, **self._features.readings, **self._noted}

    @property
    def forecasts_wanted(self) -> Sequence[ForecastOf]:
        """The forecasts the rules look up; `note` is how they are told."""
        return wanted_forecasts(self._alarms)

    @property
    def reach(self) -> Mapping[str, float]:
        """By point: how many seconds of the past `replay` should be given after a restart."""
        return self._features.reach

    def replay(self, readings: Iterable[Reading], now: Moment) -> None:
        """Past readings, oldest first: what looks at a stretch of time need not wait for it to pass anew."""
        self._features.replay(
            replace(one, at=replace(one.at, mono=now.mono - (now.utc - one.at.utc))) for one in readings
        )

    def note(self, readings: Iterable[Reading]) -> None:
        """Forecasts (under `forecast_key`), and when things were last done (under `done_key`)."""
        self._noted.update((one.point, one) for one in readings)

    def stage_name(self, key: str) -> str:
        """The stage's name as people say it."""
        return next((stage.name for stage in self._stages if stage.key == key), key)

    def alarm(self, key: str) -> Alarm | None:
        return self._by_id.get(key)

    def take(self, samples: Iterable[Sample], now: Moment, commands: Sequence[Command] = ()) -> Outcome:
        """Judge new samples and step every alarm. Call with none to let time alone pass."""
        fresh: dict[str, Reading] = {}
        revised: list[Reading] = []
        for sample in samples:
            reading, verdict = self._judged(sample, now)
            fresh[sample.point] = reading
            if verdict is not None:
                revised.append(verdict)
        # a value entered by hand is read again at every scan; it is news only once
        news = {point for point, reading in fresh.items() if not self._known(reading)}
        self._latest.update(fresh)
        for derivation in self._derivations:
            # worked out anew when its leading input is read, not at each of the others: one reading a scan
            leading = next(iter(derivation.inputs.values()), None)
            if leading in fresh:
                fresh[derivation.point] = self._latest[derivation.point] = _derived(derivation, self._latest, now)
                news.add(derivation.point)
        if any(reading.usable for reading in fresh.values()):
            self._checked = now
        readings = tuple(reading for point, reading in fresh.items() if point in news)
        return self._step(now, commands, readings, tuple(revised))

    def _judged(self, sample: Sample, now: Moment) -> tuple[Reading, Reading | None]:
        channel, memory = self._channels[sample.point], self._quality.get(sample.point)
        try:
            reading, self._quality[sample.point], verdict = judge(
                sample, channel.quality, memory, now, channel.calibration, channel.accuracy
            )
        except Exception as error:  # noqa: BLE001 - a test that fails is a failed reading, which has its alarm
            return _failed(sample.point, sample.probe, sample.at, error), None
        return reading, verdict

    def _known(self, reading: Reading) -> bool:
        before = self._latest.get(reading.point)
        return before is not None and before.at == reading.at

    def note_health(self, parts: Mapping[str, tuple[bool, str]], now: Moment) -> None:
        """The watch's own parts, as readings like any other: the point is PART.health."""
        for part, (well, reason) in parts.items():
            point = f"{part}.health"
            reading = Reading(point, "health", float(well), None, Flag.PASS, reason, now, "brinewatch")
            self._latest[point] = reading
            self._features.take((reading,), now)

    def _step(
        self, now: Moment, commands: Sequence[Command], readings: tuple[Reading, ...], revised: tuple[Reading, ...]
    ) -> Outcome:
        self._features.take(readings, now)
        result = step(self._alarms, self._memory, self._judged_by, now, commands)
        self._memory = result.memory
        self._recent = [*self._recent, *result.events][-_RECENT:]
        changed = {key: self._memory.saved(key) for key in result.changed}
        return Outcome(readings, revised, tuple(result.events), changed)

    def show(self, point: str, value: float | None) -> str:
        """A value of a point in the shed's display units."""
        return "no value" if value is None else show(quantity_of(point), value, self._units)

    def overview(self, now: Moment, told: Mapping[int, tuple[str, ...]] | None = None) -> Overview:
        """The shed now. told: how far each alarm's messages got, by alarm number."""
        held = consequences(self._memory.alarms, self._by_id)
        alarms = sorted(
            (
                self._alarm_view(alarm, (told or {}), held.get(alarm.id, ()))
                for alarm in self._alarms
                if self._stands(alarm)
            ),
            key=lambda view: (view.state in _OVER, view.priority.rank, view.since.utc),
        )
        stages = tuple(
            StageView(
                plan.key, plan.name, plan.kind, plan.path,
                tuple(self._point_view(point, now) for point in plan.points),
                tuple(view for view in alarms if view.stage == plan.key),
            )
            for plan in self._stages
        )  # fmt: skip
        return Overview(
            self._name, now, self._checked, self._started, stages, tuple(alarms), tuple(reversed(self._recent)),
            aside=self._aside(), attended=self._attended(),
        )  # fmt: skip

    def _aside(self) -> tuple[AsideView, ...]:
        """What does not call now, but for what its standing cause speaks of already."""
        views = []
        for alarm in self._alarms:
            one = self._memory.alarms.get(alarm.id)
            if one is None or not one.state.aside:
                continue
            cause = self._by_id.get(one.reason)
            why = f"follows from: {cause.rule.title}" if cause else one.reason
            views.append(
                AsideView(
                    one.number,
                    alarm.id,
                    alarm.rule.title,
                    one.state,
                    stage_of(alarm.point),
                    one.active,
                    why,
                    one.until,
                )
            )
        return tuple(views)

    def _attended(self) -> str:
        mode = self._memory.attended
        if mode is None:
            return ""
        return f"{mode.by} works in the shed until {mode.until.local:%H:%M}: alarms of that work do not call."

    def _stands(self, alarm: Alarm) -> bool:
        memory = self._memory.alarms.get(alarm.id)
        return memory is not None and memory.state.standing

    def _point_view(self, point: str, now: Moment) -> PointView:
        quantity = QUANTITIES[quantity_of(point)]
        reading = self._latest.get(point)
        if reading is None:
            return PointView(point, quantity.name, quantity.key, None, "not read yet", Flag.MISSING, None, True)
        age = age_s(reading, now)
        shown = self.show(point, reading.value) if reading.value is not None else reading.reason or "no value"
        return PointView(
            point,
            quantity.name,
            quantity.key,
            reading,
            shown,
            reading.flag,
            age,
            age > self._max_age.get(point, float("inf")),
            " ".join(f"{part.rstrip('.')}." for part in (reading.reason, reading.basis) if part),
        )

    def _alarm_view(self, alarm: Alarm, told: Mapping[int, tuple[str, ...]], held: Sequence[Alarm]) -> AlarmView:
        memory, rule = self._memory.alarms[alarm.id], alarm.rule
        reading = self._latest.get(alarm.point)
        limit = ""
        if rule.limit is not None:
            limit = f"{rule.side} {self.show(alarm.point, rule.limit)}"
        value = reading.value if reading and not rule.about_data else None
        shown = (
            self.show(alarm.point, value)
            if value is not None
            else (reading.reason if reading else "") or "no value"
        )
        return AlarmView(
            memory.number,
            alarm.id,
            rule.title,
            min(rule.priority, memory.priority, key=lambda one: one.rank),
            memory.state,
            stage_of(alarm.point),
            alarm.point,
            shown,
            limit,
            memory.began or self._started,
            rule.todo + ((f"Caution: {rule.caution}",) if rule.caution else ()),
            rule.why,
            memory.acknowledged_by,
            told.get(memory.number, ()),
            tuple(dict.fromkeys(other.rule.title for other in held)),
            memory.incident,
        )


def _derived(derivation: Derivation, readings: Mapping[str, Reading], now: Moment) -> Reading:
    try:
        return derive(derivation, readings, now)
    except Exception as error:  # noqa: BLE001 - a sum that fails is a failed reading, which has its alarm
        return _failed(derivation.point, "derived", now, error)


def _failed(point: str, probe: str, at: Moment, error: Exception) -> Reading:
    reason = f"The program failed here: {type(error).__name__}: {error}"
    return Reading(point, quantity_of(point), None, None, Flag.FAIL, reason, at, probe)
