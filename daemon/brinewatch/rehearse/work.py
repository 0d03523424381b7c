"""One rehearsal from end to end: rules and readings together, the calls, and what they are held against."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from pathlib import Path

from brinewatch.alarms.events import AlarmEvent
from brinewatch.alarms.features import ForecastOf
from brinewatch.alarms.memory import resume
from brinewatch.alarms.rules import Above, Alarm, Below, Broken
from brinewatch.alarms.stretches import READINGS
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.config.instead import Instead
from brinewatch.config.sections import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, span_text
from brinewatch.phrases import instant_of, span_of
from brinewatch.readings import Reading, quantity_of
from brinewatch.rehearsal.answers import Answers
from brinewatch.rehearsal.calls import Call, Compared, calls_of, compare
from brinewatch.rehearsal.figures import Figures, figures_of
from brinewatch.rehearsal.noise import Advice, advise, noise_of, short_runs
from brinewatch.rehearsal.quick import Quick
from brinewatch.rehearsal.record import Kept, Record
from brinewatch.rehearsal.scans import Scans
from brinewatch.rehearse.given import Given, alarms_on, given, shed_with
from brinewatch.rehearse.sheet import Sheet, derived, read_sheet
from brinewatch.rehearse.stored import Stored, calibrations_done, watched
from brinewatch.rehearse.tellable import sorted_out
from brinewatch.signals.display import DisplayUnits
from brinewatch.store.reader import StoreReader

# what was really called is told by a watch whose scans lie elsewhere: seconds that are no move
_JOURNAL_WITHIN_S, _RULES_WITHIN_S = 60.0, 1.0
# noise is told from so many hours, spread over the time rehearsed
_SAMPLE_HOURS = 24
_HOUR_S = 3600.0


@dataclass(frozen=True)
class Found:
    """All that came of it. stretches: when there was a watch; left_out: alarm and why; against: words, "" for
    nothing; hours: how many, and how many hours of alarms were stepped of all."""

    name: str
    units: DisplayUnits
    zone: tzinfo
    stretches: Sequence[tuple[float, float]]
    answered_after_s: float | None
    alarms: Sequence[Alarm]
    events: Sequence[AlarmEvent]
    calls: Sequence[Call]
    against: str
    compared: Compared | None
    figures: Figures
    advice: Sequence[Advice]
    left_out: Sequence[tuple[str, str]]
    hours: tuple[int, int, int]
    notes: Sequence[str]

    @property
    def since(self) -> float:
        return self.stretches[0][0]

    @property
    def until(self) -> float:
        return self.stretches[-1][1]


@dataclass(frozen=True)
class _Asked:
    """What both ways of rehearsing need to know."""

    rules: Given
    since: str
    until: str | None
    after_s: float | None
    against: str | None


def rehearse(
    shed: Path,
    rules: Sequence[Path],
    csv: str | None,
    time: str | None,
    since: str,
    until: str | None,
    after_s: float | None,
    against: str | None,
    *,
    needs_shed: bool,
) -> Found:
    """Rehearse as the command line asks. BrinewatchError when it cannot be done."""
    asked = _Asked(given(rules), since, until, after_s, against)
    there = needs_shed or shed.is_file() or asked.rules.shed is not None
    if time is not None and csv is None:
        raise BrinewatchError("--time goes with --csv.", "Leave it out, or name a file of readings with --csv.")
    if csv is None:
        return _of_store(shed, asked)
    if not asked.rules.any and not shed.is_file():
        raise BrinewatchError(
            f"Nothing says which rules to try: there is no shed file {shed}.",
            "Name rules with --rules, or --shed FILE.",
        )
    return _of_file(shed if there else None, csv, time, asked)


# -- the store -----------------------------------------------------------------------------------------------


def _of_store(path: Path, asked: _Asked) -> Found:
    shed = read_shed(path)
    now = SystemClock(shed.zone).now()
    since, until = span_of(asked.since, asked.until, now)
    against = asked.against or ("rules" if asked.rules.any else "journal")
    if against == "rules" and not asked.rules.any:
        raise BrinewatchError("--against rules needs rules that differ.", "Name them with --rules.")
    tried = shed_with(path, asked.rules, {}) or shed
    with StoreReader(shed.data, shed.zone) as store:
        record = Stored(store, until, calibrations_done(store.calibrations(), now))
        stretches = watched(store, record, since, until)
        alarms, left_out = sorted_out(tried.alarms, record.points, True)
        run = _Run(alarms, record, shed.zone, asked.after_s, stretches)
        before: list[AlarmEvent] | None = None
        if against == "journal":
            left = {alarm for alarm, _ in left_out}
            before = [event for event in store.events(since, until) if event.alarm and event.alarm not in left]
        else:
            before = _Run(
                sorted_out(shed.alarms, record.points, True)[0], record, shed.zone, asked.after_s, stretches
            ).events
        advice = _advice(alarms, record, stretches)
    notes = [f"{record.rebuilt} hours had no summary and were worked out anew."] if record.rebuilt else []
    return _found(shed, shed.zone, run, asked, against, before, advice, left_out, notes)


# -- a file --------------------------------------------------------------------------------------------------


def _of_file(path: Path | None, csv: str, time: str | None, asked: _Asked) -> Found:
    if asked.against == "journal":
        raise BrinewatchError("--against journal goes with the store.", "With --csv leave it out.")
    shed = read_shed(path) if path is not None else None
    tried = shed_with(path, asked.rules, {})
    points = None
    if tried is not None:
        points = [f"{stage.settings.key}.{q}" for stage in tried.stages for q in stage.settings.watch]
    zone = tried.zone if tried is not None else UTC
    sheet = read_sheet(csv, time, points, zone)
    record = dict(sheet.readings)
    if tried is not None:
        record |= derived(sheet, tried.derivations)
        ages = _ages(sheet, record)
        tried = shed_with(path, asked.rules, ages)
        assert tried is not None
        alarms = list(tried.alarms)
    else:
        ages = sheet.ages
        alarms = alarms_on({point: quantity_of(point) for point in record}, asked.rules, ages)
    kept = Kept(record)
    alarms, left_out = sorted_out(alarms, record, False)
    begin, end = kept.span or (0.0, 0.0)
    last = Moment(end, end, True, zone)
    since = instant_of("--since", asked.since, last) if asked.since else begin
    until = instant_of("--until", asked.until, last) if asked.until else end + 1e-6
    if since >= until:
        raise BrinewatchError("--since is not before --until.", "Leave both out to take the whole file.")
    run = _Run(alarms, kept, zone, asked.after_s, [(since, until)])
    before, against = None, ""
    if asked.rules.any and shed is not None:
        against = "rules"
        present = read_shed(shed.path, Instead(ages=ages))
        before = _Run(
            sorted_out(present.alarms, record, False)[0], kept, zone, asked.after_s, [(since, until)]
        ).events
    notes = [*sheet.notes, *_unjudged(alarms, sheet), *_too_sparse(alarms, sheet)]
    advice = _advice(alarms, kept, [(since, until)])
    return _found(tried, zone, run, asked, against, before, advice, left_out, notes)


def _ages(sheet: Sheet, readings: Mapping[str, Sequence[Reading]]) -> Mapping[str, float]:
    """Of points that are derived too: they come with their leading input."""
    slowest = max(sheet.ages.values(), default=0.0)
    return {point: sheet.ages.get(point, slowest) for point in readings}


def _unjudged(alarms: Iterable[Alarm], sheet: Sheet) -> list[str]:
    """Silence about a column must not be taken for a clean bill."""
    judged = {alarm.point for alarm in alarms if not alarm.rule.about_data}
    left = [point for point in sheet.readings if point not in judged]
    return [f"No limit judges {', '.join(left)} by itself: nothing can call for it here."] if left else []


def _too_sparse(alarms: Iterable[Alarm], sheet: Sheet) -> list[str]:
    return [
        f"{alarm.id} needs {READINGS} readings in {span_text(one.over_s)}; the file has one every "
        f"{span_text(sheet.every_s[one.point])}: it cannot be told."
        for alarm in alarms
        for one in alarm.rule.condition.features()
        if not isinstance(one, ForecastOf) and one.over_s < READINGS * sheet.every_s.get(one.point, 0.0)
    ]


# -- both ----------------------------------------------------------------------------------------------------


class _Run:
    """The engine through all stretches. Between two of them the watch was off, and wakes up as the daemon does."""

    def __init__(
        self, alarms: Sequence[Alarm], record: Record, zone: tzinfo, after_s: float | None,
        stretches: Sequence[tuple[float, float]],
    ) -> None:  # fmt: skip
        self.alarms, self.stretches = alarms, stretches
        scans = Scans(alarms, record, zone, Answers(after_s))
        quick = Quick(scans)
        slept: float | None = None
        for since, until in stretches:
            if slept is not None:
                memory = scans.memory
                saved = {key: kept for key in memory.alarms if (kept := memory.saved(key)) is not None}
                scans.memory = resume(saved, slept, slept, False, scans.moment(since))
                scans.memory = replace(scans.memory, serial=memory.serial)
            quick.run(since, until)
            slept = until
        self.events, self.work = scans.events, quick.work


def _found(
    shed: ShedFile | None, zone: tzinfo, run: _Run, asked: _Asked, against: str, before: list[AlarmEvent] | None,
    advice: Sequence[Advice], left_out: Sequence[tuple[str, str]], notes: Sequence[str],
) -> Found:  # fmt: skip
    calls = calls_of(run.events)
    compared = None
    if before is not None:
        within = _JOURNAL_WITHIN_S if against == "journal" else _RULES_WITHIN_S
        compared = compare(calls_of(before), calls, within)
    watched_s = sum(until - since for since, until in run.stretches)
    alarms = [alarm for alarm in run.alarms if not isinstance(alarm.rule.condition, Broken)]
    stepped = sum(run.work.stepped.values())
    return Found(
        name=shed.shed.name if shed is not None else "the columns of the file",
        units=shed.shed.display if shed is not None else DisplayUnits(),
        zone=zone,
        stretches=run.stretches,
        answered_after_s=asked.after_s,
        alarms=alarms,
        events=run.events,
        calls=calls,
        against=against,
        compared=compared,
        figures=figures_of(calls, watched_s, run.stretches[-1][1]),
        advice=advice,
        left_out=left_out,
        hours=(run.work.hours, stepped, run.work.hours * len(run.alarms)),
        notes=notes,
    )  # fmt: skip


def _advice(alarms: Sequence[Alarm], record: Record, stretches: Sequence[tuple[float, float]]) -> list[Advice]:
    """From some hours spread over the time rehearsed, and those in which an alarm's limit was near."""
    found = []
    samples: dict[str, list[Reading]] = {}
    for alarm in alarms:
        if not isinstance(alarm.rule.condition, (Below, Above)):
            continue
        if alarm.point not in samples:
            samples[alarm.point] = _sample(record, alarm.point, stretches)
        noise = noise_of(samples[alarm.point])
        advice = advise(alarm, noise, short_runs(alarm, samples[alarm.point])) if noise is not None else None
        if advice is not None:
            found.append(advice)
    return found


def _sample(record: Record, point: str, stretches: Sequence[tuple[float, float]]) -> list[Reading]:
    hours = [
        start
        for since, until in stretches
        for start in _hours(since, until)
        if (row := record.hour(point, start)) is not None and row.usable
    ]
    step = max(1, len(hours) // _SAMPLE_HOURS)
    return [one for start in hours[::step] for one in record.readings([point], start, start + _HOUR_S)]


def _hours(since: float, until: float) -> Iterable[float]:
    start = since // _HOUR_S * _HOUR_S
    while start < until:
        yield start
        start += _HOUR_S
