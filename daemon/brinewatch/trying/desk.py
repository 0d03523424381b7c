"""What the pages of limits ask of the daemon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from brinewatch.alarms.altered import differences, numbers_of, second_thoughts
from brinewatch.alarms.condition import plain
from brinewatch.alarms.rules import Alarm, words
from brinewatch.alarms.ruleset import Source
from brinewatch.config import ShedFile, known_sources
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.moment import Moment, span_text, utc_of
from brinewatch.overriding import Overrides, listed
from brinewatch.page.limit_views import AlarmLine, AlarmSheet, ChangedLine, Refused, StageLines, TrialView
from brinewatch.page.words import when
from brinewatch.ports import Clock
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import stage_of
from brinewatch.signals.display import show
from brinewatch.trials import SPANS, USUAL, Trial, Trials
from brinewatch.trying import telling, typed
from brinewatch.watchkeeper import Watchkeeper

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

_TRIED = "tried on the past"
_STANDING = {
    "published": "Published limit", "derived": "Derived from", "judgement": "Judgement, in view of",
}  # fmt: skip


class LimitDesk:
    """overrides: what is changed here; trials: rehearsals under way and over."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, overrides: Overrides, trials: Trials, clock: Clock
    ) -> None:
        self._file, self._rules = shed, shed.in_force
        self._keeper = keeper
        self._overrides = overrides
        self._trials = trials
        self._clock = clock
        self.shed = shed.shed.name

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the pages."""
        from brinewatch.page.rehearse import add_rehearsals

        add_rehearsals(app, templates, self)

    # -- what there is ------------------------------------------------------------------------------------------

    def stages(self) -> Sequence[StageLines]:
        changed = {row.alarm for row in self._rules.content.rows}
        found = []
        for stage in self._file.stages:
            lines = [
                AlarmLine(one.id, one.rule.title, self._asks(one), one.id in changed)
                for one in self._rules.alarms
                if stage_of(one.point) == stage.settings.key and numbers_of(one)
            ]
            if lines:
                found.append(StageLines(stage.settings.name, lines))
        return found

    def _asks(self, alarm: Alarm) -> str:
        return f"{QUANTITIES[alarm.quantity].name}: {words(alarm, self._show)}"

    def changed(self) -> Sequence[ChangedLine]:
        return [self._changed(row) for row in listed(self._rules)]

    def _changed(self, row: Mapping[str, object]) -> ChangedLine:
        alarm, at = str(row["alarm"]), utc_of(str(row["at"]), self._file.zone)
        now = self._clock.now()
        differs, grave = row["differs"], row["grave"]
        assert isinstance(differs, list)
        assert isinstance(grave, list)
        return ChangedLine(
            alarm, str(row["title"]), self._place(alarm), "; ".join(differs), str(row["why"]), str(row["by"]),
            when(now.later(at - now.utc), now), grave,
        )  # fmt: skip

    def notes(self) -> Sequence[str]:
        return self._rules.told[1 if self._rules.content.rows else 0 :]

    def sheet(self, alarm: str) -> AlarmSheet | None:
        base, now = self._rules.of(alarm), self._rules.now(alarm)
        if base is None or now is None or not numbers_of(now):
            return None
        units = typed.units_for(now, self._file.shed.display)
        changed = next((one for one in self.changed() if one.alarm == alarm), None)
        return AlarmSheet(
            alarm, base.rule.title, self._place(alarm), base.rule.priority.value, self._asks(now),
            base.rule.why, self._where(base), typed.fields_of(base, now, units), units, changed,
            list(SPANS.items()), USUAL, "" if self._trials.last_s is None else span_text(self._trials.last_s),
        )  # fmt: skip

    def _where(self, alarm: Alarm) -> list[str]:
        rule = alarm.rule
        file = next((one.file for one in self._file.rulesets if any(r.key == rule.key for r in one.rules)), "")
        said = [f"Rule {rule.key}, {f'of the file {file}' if file else 'built in'}."]
        source = self._sources.get(rule.source)
        if source is None:
            said.append("Judgement." if rule.standing == "judgement" else f"Its number is {rule.standing}.")
        else:
            # a source that is somebody's judgement says so itself
            head = "" if source.standing == "judgement" else f"{_STANDING[rule.standing]}: "
            place = f", {source.where}" if source.where else ""
            said.append(f"{head}{source.citation.rstrip('.')}{place}.")
        if alarm.note:
            said.append(f"Changed by the shed file: {alarm.note}")
        said.append(f"Time to act: {rule.time_available}")
        return said

    @cached_property
    def _sources(self) -> Mapping[str, Source]:
        try:
            return known_sources(self._file.folder)
        except (BrinewatchError, ConfigurationError):
            return {}

    def _place(self, alarm: str) -> str:
        return self._keeper.stage_name(stage_of(alarm.partition("@")[2]))

    def _show(self, quantity: str, value: float, amount: bool = False) -> str:
        return plain(quantity, value, amount) if amount else show(quantity, value, self._file.shed.display)

    # -- rehearsals ---------------------------------------------------------------------------------------------

    def running(self) -> int | None:
        one = self._trials.running
        return one.number if one is not None else None

    def stop(self, number: int) -> None:
        self._trials.stop(number)

    def start(self, alarm: str, typed_in: Mapping[str, str], by: str) -> int:
        base, now = self._rules.of(alarm), self._rules.now(alarm)
        if base is None or now is None or not numbers_of(now):
            raise BrinewatchError("There is no such alarm.", "Choose one from the list.")
        asked = typed.wanted(base, now, typed_in, typed.units_for(now, self._file.shed.display))
        if not any(key != "unit" for key in asked):
            # as the shed's own files have it: all are named, so that they stand in place of the changed ones
            asked = dict(numbers_of(base))
        try:
            row, _, _ = self._overrides.drafted({"alarm": alarm, **asked}, by, _TRIED)
        except BrinewatchError as error:
            raise Refused({"": str(error)}) from None
        whole = row.model_copy(update={key: value for key, value in numbers_of(base).items() if key not in asked})
        return self._trials.start(whole, typed_in, typed_in.get("since", USUAL), by).number

    def trial(self, number: int) -> TrialView | None:
        one = self._trials.of(number)
        if one is None:
            return None
        base, now = self._rules.of(one.alarm), self._rules.now(one.alarm)
        if base is None or now is None:
            return None
        tried = self._as_tried(one)
        grave = second_thoughts(base, tried) if tried is not None else []
        state = "running" if one.ended is None else "done" if one.found is not None else "failed"
        zone, found = self._file.zone, one.found
        alarms = {alarm.id: alarm for alarm in self._rules.alarms}
        rest = (
            ("", [], [], [])
            if found is None
            else (
                telling.headline(found, one.alarm), telling.facts(found, one.alarm),
                telling.kinds(found, one.alarm, alarms, self._keeper.stage_name, self._keeper.show, zone),
                telling.advice(found, one.alarm),
            )
        )  # fmt: skip
        return TrialView(
            number, one.alarm, base.rule.title, self._place(one.alarm), state, one.by,
            f"the last {SPANS[one.since].removeprefix('a ')}", self._took(one),
            differences(now, tried) if tried is not None else [], *rest,
            list(found["notes"]) if found is not None else [], one.fault, one.hint, grave,
            base.rule.short if grave else "", one.kept, one.typed,
        )  # fmt: skip

    def _as_tried(self, one: Trial) -> Alarm | None:
        rows = [row for row in self._rules.content.rows if row.alarm != one.alarm]
        try:
            alarms = self._rules.with_rows([*rows, one.row])
        except ConfigurationError:
            return None
        return next(alarm for alarm in alarms if alarm.id == one.alarm)

    def _took(self, one: Trial) -> str:
        end: Moment = one.ended or self._clock.now()
        return span_text(end.mono - one.began.mono)

    # -- in force -----------------------------------------------------------------------------------------------

    async def save(self, number: int, why: str, confirmed: str, by: str) -> str:
        one = self._trials.of(number)
        if one is None or one.ended is None:
            raise BrinewatchError("Nothing was changed: that rehearsal is not over.", "Wait for it, or try again.")
        if one.kept:
            raise BrinewatchError("Nothing was changed: these values are saved already.", "Go to the list.")
        base = self._rules.of(one.alarm)
        own = numbers_of(base) if base is not None else {}
        row = {key: value for key in ("limit", "deadband", "on_delay_s", "off_delay_s")
               if (value := getattr(one.row, key)) is not None and value != own.get(key)}  # fmt: skip
        if not row:
            one.kept = await self.take_back(one.alarm, why, by)
            return one.kept
        unit = {"unit": one.row.unit} if "limit" in row or "deadband" in row else {}
        done = await self._overrides.answer(
            {"do": "override set", "alarm": one.alarm, **row, **unit, "why": why, "confirmed": confirmed, "by": by}
        )
        one.kept = str(done["line"])
        return one.kept

    async def take_back(self, alarm: str, why: str, by: str) -> str:
        request = {"do": "override take back", "alarm": alarm, "why": why, "by": by}
        return str((await self._overrides.answer(request))["line"])


__all__ = ["LimitDesk"]
