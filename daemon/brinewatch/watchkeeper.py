"""From samples to events, without touching the world: the one way every reading goes.

sample -> calibration and quality flag -> derived quantities -> alarm engine -> events. The daemon, a replayed
record and the tests all keep watch with this same class; it reads no clock and opens nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from brinewatch.alarms.causes import consequences
from brinewatch.alarms.due import next_due
from brinewatch.alarms.engine import step
from brinewatch.alarms.events import AlarmEvent, Command, State
from brinewatch.alarms.features import Features, ForecastOf, wanted, wanted_forecasts
from brinewatch.alarms.memory import Memory
from brinewatch.alarms.rules import Alarm
from brinewatch.asides import aside_views, attended_text
from brinewatch.leading import beside_of, steps_of, title_of
from brinewatch.moment import Moment
from brinewatch.overview import AlarmView, Overview, StageView
from brinewatch.pointviews import Points
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, Sample, quantity_of, stage_of
from brinewatch.signals.crosscheck import NO_CROSSCHECK, CrossMemory, CrossPlan, crosscheck, doubt
from brinewatch.signals.derived import Derivation, derive
from brinewatch.signals.display import DisplayUnits, show
from brinewatch.signals.due import due_utc
from brinewatch.signals.following import Follower, FollowPlan, follower
from brinewatch.signals.holds import Hold, Holds, held, reached
from brinewatch.signals.lines import Lines
from brinewatch.signals.quality import Quality, QualityMemory, judge
from brinewatch.signals.records import CalibrationRecord
from brinewatch.signals.rounding import rounded
from brinewatch.signals.starting import StartUpFollower
from brinewatch.signals.status import ProbeView, Wire, probe_views

_RECENT = 50
# memories of followers lie beside those of alarms, whose names all have an @ and no colon
FOLLOW_MARK = "follow:"
# what is over but not answered stands behind what still holds
_OVER = (State.RETURNED, State.LATCHED)


@dataclass(frozen=True, slots=True)
class Channel:
    """How one measured point is to be judged. every_s: how often it is read; wire: where it comes from."""

    every_s: float
    quality: Quality
    accuracy: float | None = None
    wire: Wire | None = None


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
        follows: Sequence[FollowPlan] = (),
        cross: CrossPlan = NO_CROSSCHECK,
    ) -> None:
        self._name = name
        self._stages = tuple(stages)
        self._channels = channels
        self._derivations = tuple(derivations)
        self._followers = tuple(follower(plan) for plan in follows)
        self._remembered: dict[str, Mapping[str, object]] = {}
        self._cross, self._crossed = cross, CrossMemory()
        every = {point: channel.every_s for point, channel in channels.items()}
        for one in derivations:
            # as old as the slowest of what it is made of
            reads = [every[point] for point in one.inputs.values() if point in every]
            every |= {one.point: max(reads)} if reads else {}
        self._points = Points(every, {one.point: one.max_age_s for one in alarms}, units)
        self.rule_by(alarms)
        self._units, self._started = units, started
        self._memory = memory or Memory()
        self._quality: dict[str, QualityMemory] = {}
        self._records: Sequence[CalibrationRecord] = ()
        self._lines = Lines()
        self.holds = Holds()
        self._untold: frozenset[str] = frozenset()
        self._latest: dict[str, Reading] = {}
        self._features = Features(wanted(alarms))
        self._noted: dict[str, Reading] = {}
        self._recent: list[AlarmEvent] = []
        self._checked: Moment | None = None

    def rule_by(self, alarms: Sequence[Alarm]) -> None:
        """Judge by these alarms, the same ones with other numbers; what is remembered of each stays."""
        self._alarms, self._by_id = tuple(alarms), {alarm.id: alarm for alarm in alarms}
        self._points.limit_by(alarms)

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

    @property
    def alarms(self) -> Collection[str]:
        """Their ids."""
        return self._by_id.keys()

    def alarm(self, key: str) -> Alarm | None:
        return self._by_id.get(key)

    def calibrate(self, records: Sequence[CalibrationRecord]) -> None:
        """All calibration records there are; samples taken from now on are seen through them."""
        if records is not self._records:
            self._records, self._lines = records, Lines(records)

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
        for one in self._followers:
            if one.plan.leading in fresh:
                for reading in _followed(one, self._latest, now):
                    fresh[reading.point] = self._latest[reading.point] = reading
                    news.add(reading.point)
        doubted = self._crosschecked(fresh, now)
        fresh |= doubted
        self._latest |= doubted
        if any(fresh[point].usable for point in news):
            self._checked = now
        readings = tuple(reading for point, reading in fresh.items() if point in news)
        return self._step(now, commands, readings, tuple(revised))

    def _judged(self, sample: Sample, now: Moment) -> tuple[Reading, Reading | None]:
        channel, memory = self._channels[sample.point], self._quality.get(sample.point)
        hold = self.holds.of(sample.point, now)
        try:
            line = self._lines.live(sample.point, sample.at)
            if hold is not None or (memory and memory.last and memory.last.calibration != line.id):
                # what came before is no measure for what is seen otherwise, or elsewhere
                memory = None
                self._points.trends.forget(sample.point)
            reading, memory, verdict = judge(sample, channel.quality, memory, now, line, channel.accuracy)
            if hold is not None:
                self._quality.pop(sample.point, None)
                return held(reading, hold), None
            self._quality[sample.point] = memory
        except Exception as error:  # noqa: BLE001 - a test that fails is a failed reading, which has its alarm
            return _failed(sample.point, sample.probe, sample.at, error), None
        return reading, verdict

    def _crosschecked(self, fresh: Mapping[str, Reading], now: Moment) -> Mapping[str, Reading]:
        try:
            doubted, self._crossed = crosscheck(self._cross, self._latest, fresh, self._crossed, now)
        except Exception as error:  # noqa: BLE001 - readings stay judged; that they were not held together is said
            reason = f"Could not be held against others: {type(error).__name__}: {error}"
            return {point: doubt(one, [(Flag.SUSPECT, reason)]) for point, one in fresh.items() if one.usable}
        return doubted

    def _known(self, reading: Reading) -> bool:
        before = self._latest.get(reading.point)
        return before is not None and before.at == reading.at

    def probes(self, now: Moment) -> list[ProbeView]:
        """Every probe on the wires: what each of its channels said last, and how far it can be relied on."""
        wires = [channel.wire for channel in self._channels.values() if channel.wire is not None]
        due = {
            one.point: due_utc(self._lines.of(one.point), one.point, one.calibrate_every_days, now.utc)
            for one in wires
        }
        return probe_views(wires, self._latest, due, self.holds.now(now), now)

    def remembered(self) -> dict[str, Mapping[str, object]]:
        """What followers remember and have not been asked since it changed, by the name it is kept under."""
        now = {f"{FOLLOW_MARK}{one.plan.key}": one.saved() for one in self._followers}
        changed = {key: saved for key, saved in now.items() if self._remembered.get(key) != saved}
        self._remembered = now
        return changed

    def recall(self, memories: Mapping[str, Mapping[str, object]], same_boot: bool, now: Moment) -> list[str]:
        """Give followers back what they remembered. Says which memories cannot be used; they begin anew."""
        lost = []
        for one in self._followers:
            saved = memories.get(f"{FOLLOW_MARK}{one.plan.key}")
            if saved is None:
                continue
            try:
                one.restore(saved, same_boot, now)
            except (KeyError, TypeError, ValueError) as error:
                lost.append(f"What was counted for {one.plan.key} cannot be read ({error!r}) and begins anew.")
        return lost

    def entered(self, entries: Sequence[tuple[str, float, float]], anew: Collection[str] = ()) -> None:
        """Tests entered by hand: point, value, POSIX seconds; of the points `anew` all there are."""
        for one in self._followers:
            if isinstance(one, StartUpFollower):
                one.entered(entries, anew)

    def note_health(self, parts: Mapping[str, tuple[bool | None, str]], now: Moment) -> None:
        """The watch's own parts, as readings like any other: the point is PART.health.

        Neither well nor not (None): it cannot be told now, and its alarms stay as they are.
        """
        for part, (well, reason) in parts.items():
            flag, value = (Flag.NOT_EVALUATED, None) if well is None else (Flag.PASS, float(well))
            point = f"{part}.health"
            reading = Reading(point, "health", value, None, flag, reason, now, "brinewatch")
            self._latest[point] = reading
            self._features.take((reading,), now)
        self._untold = frozenset(f"{part}.health" for part, (well, _) in parts.items() if well is None)

    def held(self, now: Moment) -> frozenset[str]:
        """Points whose alarms must neither start nor end now."""
        made = [((one.point,), tuple(one.inputs.values())) for one in self._derivations]
        followed = [(one.plan.points, tuple(one.plan.inputs.values())) for one in self._followers]
        return self._untold | reached(self.holds.now(now), [*made, *followed], self._latest)

    def _step(
        self, now: Moment, commands: Sequence[Command], readings: tuple[Reading, ...], revised: tuple[Reading, ...]
    ) -> Outcome:
        self._features.take(readings, now)
        self._points.trends.take(readings)
        result = step(self._alarms, self._memory, self._judged_by, now, commands, self.held(now))
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
                tuple(self._points.view(one, self._latest.get(one), self._memory, now) for one in plan.points),
                tuple(view for view in alarms if view.stage == plan.key),
            )
            for plan in self._stages
        )  # fmt: skip
        return Overview(
            self._name, now, self._checked, self._started, stages, tuple(alarms), tuple(reversed(self._recent)),
            tuple(self._hold_note(point, hold, now) for point, hold in self.holds.now(now).items()),
            aside=aside_views(self._alarms, self._by_id, self._memory), attended=attended_text(self._memory),
        )  # fmt: skip

    def _hold_note(self, point: str, hold: Hold, now: Moment) -> str:
        name, stage = QUANTITIES[quantity_of(point)].name, self.stage_name(stage_of(point))
        until = now.later(hold.until_mono - now.mono + 59.0).local  # to the whole minute, never too early
        return (
            f"{stage}: {name} is being calibrated by {hold.by}; its alarms wait until {until:%H:%M} at the latest."
        )

    def _stands(self, alarm: Alarm) -> bool:
        memory = self._memory.alarms.get(alarm.id)
        return memory is not None and memory.state.standing

    def _cause(self, alarm: Alarm) -> str:
        """What a standing alarm follows from, of what stands in the same incident."""
        own, known = self._memory.alarms[alarm.id].incident, self._memory.alarms
        there = (key for key in alarm.causes if key in known and known[key].state.standing)
        return next((key for key in there if own and known[key].incident == own), "")

    def _alarm_view(self, alarm: Alarm, told: Mapping[int, tuple[str, ...]], held: Sequence[Alarm]) -> AlarmView:
        memory, rule = self._memory.alarms[alarm.id], alarm.rule
        reading = self._latest.get(alarm.point)
        limit = ""
        if rule.limit is not None:
            limit = f"{rule.side} {self.show(alarm.point, rule.limit)}"
        value = reading.value if reading and not rule.about_data else None
        shown = "no value" if value is None else self.show(alarm.point, value)
        if reading is not None and reading.reason and (value is None or alarm.quantity in ("health", "shed_sign")):
            shown = reading.reason.rstrip(".")  # "failing" says less than why
        return AlarmView(
            memory.number,
            alarm.id,
            title_of(alarm, held),
            min(rule.priority, memory.priority, key=lambda one: one.rank),
            memory.state,
            stage_of(alarm.point),
            alarm.point,
            shown,
            limit,
            memory.began or self._started,
            steps_of(alarm, held),
            rule.why,
            memory.acknowledged_by,
            told.get(memory.number, ()),
            beside_of(alarm, held),
            memory.incident,
            self._cause(alarm),
        )


def _derived(derivation: Derivation, readings: Mapping[str, Reading], now: Moment) -> Reading:
    try:
        return rounded(derive(derivation, readings, now))
    except Exception as error:  # noqa: BLE001 - a sum that fails is a failed reading, which has its alarm
        return _failed(derivation.point, "derived", now, error)


def _followed(one: Follower, readings: Mapping[str, Reading], now: Moment) -> Sequence[Reading]:
    try:
        return [rounded(made) for made in one.follow(readings, now)]
    except Exception as error:  # noqa: BLE001 - as above
        return [_failed(point, "derived", now, error) for point in one.plan.points]


def _failed(point: str, probe: str, at: Moment, error: Exception) -> Reading:
    reason = f"The program failed here: {type(error).__name__}: {error}"
    return Reading(point, quantity_of(point), None, None, Flag.FAIL, reason, at, probe)
