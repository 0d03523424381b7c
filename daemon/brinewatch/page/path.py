"""The run of the water and of the air, stop by stop: what is watched there, what fails, what follows from what."""

from __future__ import annotations

from dataclasses import dataclass

from brinewatch.alarms.events import State
from brinewatch.overview import AlarmView, AsideView, Overview, PointView, StageView
from brinewatch.page.marks import MARK_OF, MARKS, WORDS, mark_of, shown, span
from brinewatch.readings import Flag

_FLAGS = {Flag.NOT_EVALUATED: "not judged yet", Flag.SUSPECT: "suspect", Flag.FAIL: "not to be trusted"}
_CONSEQUENCE = "Consequence"
_LATE_SCANS = 2.0  # a value older than so many scans is told with its age
_PROMPT_S = 5.0  # and none younger than this, however fast it is read
_LATE_S = 300.0  # or than this, where nothing reads it by itself


@dataclass(frozen=True, slots=True)
class Row:
    """One point of a stop. mark: "" or "unknown" or "suspect"; note: why it is marked, or how old it is; way: its
    trend and its nearest limit, short; more: the rest there is to say, in sentences."""

    point: str
    name: str
    value: str
    mark: str = ""
    note: str = ""
    way: str = ""
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """One stage on the line. alarms: number and title of each that stands here; from_: what it follows from; to:
    what follows from it; each with where on the page that is."""

    key: str
    name: str
    path: str
    mark: str
    word: str
    rows: tuple[Row, ...]
    alarms: tuple[tuple[int, str], ...]
    cut: bool = False
    last: bool = False
    from_: tuple[tuple[str, str], ...] = ()
    to: tuple[tuple[str, str], ...] = ()


class Path:
    """Makes the stops of an overview."""

    def __init__(self, overview: Overview) -> None:
        self._stages = overview.stages
        self._names = {stage.key: stage.name for stage in overview.stages}
        standing = {one.alarm: one for one in overview.alarms}
        # by stage: what is there because of something else, and what that is
        self._effects: dict[str, list[tuple[AlarmView | AsideView, AlarmView]]] = {}
        held = [one for one in overview.aside if one.state is State.SUPPRESSED and one.holds]
        effects: list[AlarmView | AsideView] = [*overview.alarms, *held]
        for one in effects:
            if (cause := standing.get(one.cause)) is not None:
                self._effects.setdefault(one.stage, []).append((one, cause))

    def line(self, path: str) -> tuple[Stop, ...]:
        """The stops of one path. Below an alarm on the air line it is drawn cut: what hangs on it is lost there."""
        here = [stage for stage in self._stages if stage.path == path]
        cut = path == "water" and any(_cuts(stage) for stage in self._stages if stage.path == "air")
        made = []
        for place, stage in enumerate(here):
            cut = cut or (path == "air" and _cuts(stage))
            made.append(self._stop(stage, cut, place == len(here) - 1))
        return tuple(made)

    def beside(self, path: str) -> tuple[Stop, ...]:
        """Stages that stand on no line."""
        return tuple(self._stop(stage) for stage in self._stages if stage.path == path and stage.points)

    def _stop(self, stage: StageView, cut: bool = False, last: bool = False) -> Stop:
        rows = tuple(row_of(point) for point in stage.points)
        own = [mark_of(alarm) for alarm in stage.alarms] + ["unknown" for row in rows if row.mark == "unknown"]
        effects = self._effects.get(stage.key, ())
        marks = own or [MARK_OF[one.priority] for one, _ in effects]
        mark = min(marks, key=MARKS.index, default="")
        alarms = tuple((alarm.number, alarm.title) for alarm in stage.alarms)
        word = WORDS.get(mark, "") if own or not effects else _CONSEQUENCE
        return Stop(stage.key, stage.name, stage.path, mark, word, rows, alarms, cut, last,
                    self._from(stage), self._to(stage))  # fmt: skip

    def _from(self, stage: StageView) -> tuple[tuple[str, str], ...]:
        found: dict[str, str] = {}
        for one, cause in self._effects.get(stage.key, ()):
            where = "" if cause.stage == stage.key else f", {self._names.get(cause.stage, cause.stage)}"
            found.setdefault(f"#a{cause.number}", f"{one.title}: because of {cause.title}{where}")
        return tuple(found.items())

    def _to(self, stage: StageView) -> tuple[tuple[str, str], ...]:
        found: dict[str, list[str]] = {}
        for key in self._names:
            for one, cause in self._effects.get(key, ()):
                if cause.stage == stage.key != key:
                    found.setdefault(key, []).append(one.title)
        return tuple(
            (f"#s-{key}", f"{self._names.get(key, key)}: {', '.join(dict.fromkeys(titles))}")
            for key, titles in found.items()
        )


def _cuts(stage: StageView) -> bool:
    return any(mark_of(alarm) == "danger" for alarm in stage.alarms)


def row_of(point: PointView) -> Row:
    """A point as its stop says it."""
    value = shown(point.shown, point.name)
    known = point.reading is not None and point.reading.value is not None
    if not known:
        return Row(point.point, point.name, "no value", "unknown", "" if value == "no value" else value)
    age = f"{span(point.age_s)} old" if point.age_s is not None else "old"
    late = _LATE_S if point.every_s is None else max(_PROMPT_S, _LATE_SCANS * point.every_s)
    said = [_FLAGS[point.flag]] if point.flag in _FLAGS else []
    reason = point.reading.reason if point.reading else ""
    if said and reason:
        said = [f"{said[0]}: {reason}"]
    marked = bool(said)
    if point.old or (point.age_s is not None and point.age_s > late):
        said.append(age)
    if point.old or not point.flag.usable:
        return Row(point.point, point.name, value, "unknown", ", ".join(said) or "missing", more=_more(point))
    way = ", ".join(one for one in (_short(point.trend), _short(point.limit)) if one)
    return Row(point.point, point.name, value, "suspect" if marked else "", ", ".join(said), way, _more(point))


def _short(text: str) -> str:
    """Without the number of the limit, which is told with the rest."""
    return shown(text.partition(" of ")[0])


def _more(point: PointView) -> tuple[str, ...]:
    sure = f"It may be off by {shown(point.uncertainty)} either way (95 %)." if point.uncertainty else ""
    limit = f"{shown(point.limit)}." if point.limit else ""
    every = f"Read every {span(point.every_s)}." if point.every_s else ""
    return tuple(one[:1].upper() + one[1:] for one in (limit, sure, point.basis, every) if one)
