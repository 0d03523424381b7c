"""The state of the shed as one value: what the page, the command line and the broker all show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from brinewatch.alarms.events import AlarmEvent, Priority, State
from brinewatch.moment import Moment, utc_text
from brinewatch.readings import Flag, Reading

_NAMED = 3


@dataclass(frozen=True, slots=True)
class PointView:
    """One measuring point now. shown: value with unit in the shed's display units, or the reason there is none;
    every_s: how often it is read, None where nothing reads it by itself; uncertainty: what it may be off by (95 %);
    trend: which way it goes; limit: how far the nearest limit is; each in words, "" where it is not known.
    """

    point: str
    name: str
    quantity: str
    reading: Reading | None
    shown: str
    flag: Flag
    age_s: float | None
    old: bool
    basis: str = ""
    every_s: float | None = None
    uncertainty: str = ""
    trend: str = ""
    limit: str = ""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One standing alarm. todo: first actions from the rule; told: how far each message got, per contact; also:
    what follows from it and is held back; incident: the same for all that has one cause; cause: the alarm it
    follows from although it calls, "" for none.
    """

    number: int
    alarm: str
    title: str
    priority: Priority
    state: State
    stage: str
    point: str
    shown: str
    limit: str
    since: Moment
    todo: tuple[str, ...]
    why: str
    acknowledged_by: str = ""
    told: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    incident: int = 0
    cause: str = ""


@dataclass(frozen=True, slots=True)
class AsideView:
    """One alarm that does not call now: shelved, out of service, held back. holds: whether its condition does;
    cause: the alarm it follows from, "" for none.
    """

    number: int
    alarm: str
    title: str
    state: State
    stage: str
    holds: bool
    why: str
    until: Moment | None = None
    cause: str = ""
    priority: Priority = Priority.LOW


@dataclass(frozen=True, slots=True)
class StageView:
    """One stage, in the order the water (or the air) runs."""

    key: str
    name: str
    kind: str
    path: str  # "water", "air" or "watch"
    points: tuple[PointView, ...]
    alarms: tuple[AlarmView, ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """Everything there is to say now, the most urgent alarm first. checked: of the newest usable reading."""

    shed: str
    at: Moment
    checked: Moment | None
    started: Moment
    stages: tuple[StageView, ...]
    alarms: tuple[AlarmView, ...]
    recent: tuple[AlarmEvent, ...] = ()
    notes: tuple[str, ...] = ()
    aside: tuple[AsideView, ...] = ()
    attended: str = ""
    left: str = ""  # how long is left, while the air is off

    @property
    def well(self) -> bool:
        return not self.alarms and not any(one.holds for one in self.aside)

    @property
    def sentence(self) -> str:
        """The state in one sentence, as a good watchkeeper would say it."""
        blind = list(dict.fromkeys(p.name for s in self.stages for p in s.points if not p.flag.usable or p.old))
        if self.alarms:
            worst, more = self.alarms[0], len(self.alarms) - 1
            over = worst.state in (State.RETURNED, State.LATCHED)
            text = (
                f"{worst.title}: over, now {worst.shown}, not answered."
                if over
                else f"{worst.title}: {worst.shown}."
            )
            with_it = f" With it: {', '.join(worst.also)}." if worst.also else ""
            return text + with_it + (f" {more} more." if more else "")
        if self.checked is None:
            return "Not one reading yet."
        if blind:
            names = ", ".join(blind[:_NAMED]) + (" and others" if len(blind) > _NAMED else "")
            return f"No alarm, but nothing is known now of: {names}."
        held = list(dict.fromkeys(one.title for one in self.aside if one.holds))
        if held:
            others = " and others" if len(held) > _NAMED else ""
            return f"No alarm calls, but held back or shelved: {', '.join(held[:_NAMED])}{others}."
        return "All is well."


def as_json(value: Any) -> Any:
    """An Overview (with its sentence) or any part of it as plain JSON values; instants as ISO 8601 UTC."""
    if isinstance(value, Moment):
        return utc_text(value.utc)
    if isinstance(value, (tuple, list)):
        return [as_json(item) for item in value]
    if isinstance(value, Flag):
        return int(value)
    if isinstance(value, Overview):
        return {"well": value.well, "sentence": value.sentence, **_fields(value)}
    if hasattr(value, "__dataclass_fields__"):
        return _fields(value)
    if isinstance(value, dict):
        return {key: as_json(item) for key, item in value.items()}
    return value


def _fields(value: Any) -> dict[str, Any]:
    return {key: as_json(getattr(value, key)) for key in value.__dataclass_fields__}
