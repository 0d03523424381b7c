"""The daemon's end of limits changed at the shed: checked, journalled, written beside the data, in force at once.

The journal says first what was asked, then the file is written whole, then it counts, and the journal says so. What
is killed in between is told at the next start: whatever stands in the file counts, and nothing else.
"""

from __future__ import annotations

import asyncio
import logging
import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from brinewatch.alarms.altered import (
    FILE,
    KEYS,
    MOST,
    Altered,
    AlteredFile,
    differences,
    numbers_of,
    second_thoughts,
    written,
)
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.version import body_of, change_text, version_of
from brinewatch.config import ShedFile
from brinewatch.config.altered import RulesInForce
from brinewatch.config.plans import air_off_of
from brinewatch.errors import BrinewatchError, ConfigurationError, StoreError
from brinewatch.moment import Moment, utc_text
from brinewatch.phrases import one_line
from brinewatch.ports import Clock
from brinewatch.readings import stage_of
from brinewatch.settings import faults_of
from brinewatch.store.journal import Journal
from brinewatch.timeleft import TimeLeft
from brinewatch.watchkeeper import Watchkeeper
from brinewatch.wholefile import write_whole

log = logging.getLogger(__name__)

KIND = "override"
_WRITE_S = 10.0
_LOOKED_AT = 1000  # remarks, of which only the newest few can be unfinished
_ASKED = re.compile(r"Change (\d+) asked by ")
_NOT_MADE = "was not made"
_SETTLED = re.compile(rf"Change (\d+) (?:counts|{_NOT_MADE})")


class Overrides:
    """look: one step of the watch, so that what stands is judged by the new limit at once."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, clock: Clock, time_left: TimeLeft,
        look: Callable[[], object],
    ) -> None:  # fmt: skip
        self._shed, self._rules = shed, shed.in_force
        self._keeper = keeper
        self._journal = journal
        self._clock = clock
        self._time_left = time_left
        self._look = look
        self._file = shed.data / FILE
        self._one = asyncio.Lock()
        self._known = _text(self._file)

    # -- at the start -------------------------------------------------------------------------------------------

    async def recover(self, now: Moment) -> list[str]:
        """Write down what became of changes that a stop cut short, and what of the file does not count."""
        said = list(self._rules.told)
        try:
            remarks = [one.text for one in await self._journal.remarks(_LOOKED_AT) if one.kind == KIND]
        except StoreError as error:
            return [*said, f"What became of the changes of limits is not known: {error.what}"]
        asked = {int(found[1]) for text in remarks if (found := _ASKED.match(text))}
        settled: dict[int, str] = {}
        for text in remarks:  # the newest first
            if found := _SETTLED.match(text):
                settled.setdefault(int(found[1]), text)
        rows = {row.change: row for row in self._rules.content.rows}
        lines = []
        for number in sorted(asked | rows.keys()):
            row, last = rows.get(number), settled.get(number, "")
            counts = bool(last) and _NOT_MADE not in last
            if row is not None and not counts:
                lines.append(change_text(row.alarm, number, self._version(row.alarm), "this start"))
            elif number in asked and not last and number > self._rules.content.newest:
                lines.append(f"Change {number} {_NOT_MADE}: the watch stopped before it was written.")
            elif number in asked and not last:
                # one that took another back, or that a later one has replaced since
                lines.append(f"Change {number} counts: it was written before the watch stopped.")
        self._numbered = max([self._rules.content.newest, *asked])
        for text in (*lines, *(text for text in said if text not in remarks)):
            await self._journal.note(KIND, text, now)
        return [*said, *lines]

    _numbered = 0

    def _named(self, alarm: Alarm) -> str:
        return f"{alarm.rule.title} ({self._keeper.stage_name(stage_of(alarm.point))})"

    def _version(self, alarm: str) -> str:
        now = self._rules.now(alarm)
        return version_of(body_of(now)) if now is not None else ""

    # -- requests -----------------------------------------------------------------------------------------------

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request of the command line or the page. Raises BrinewatchError for what cannot be done."""
        match request["do"]:
            case "override list":
                return {
                    "rows": listed(self._rules),
                    "notes": [*self._rules.left_out, *map(str, self._rules.faults)],
                }
            case "override set":
                return {"line": await self._set(request)}
            case "override take back":
                return {"line": await self._take_back(request)}
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")

    def drafted(self, wanted: Mapping[str, Any], by: str, why: str) -> tuple[Altered, Alarm, Alarm]:
        """A change as it would be kept, the alarm as the shed's own files have it, and as it would be.

        BrinewatchError that says every reason why it cannot be.
        """
        key = str(wanted.get("alarm"))
        base = self._rules.of(key)
        if base is None:
            raise BrinewatchError(f"There is no alarm {key!r}.", "See: brinewatch rules")
        table = {name: value for name in (*KEYS, "unit") if (value := wanted.get(name)) is not None}
        for name in KEYS:
            value = table.get(name)
            if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
                raise BrinewatchError(f"{value!r} is no number for {name}.", "Give one.")
            if value is not None and not math.isfinite(value):
                raise BrinewatchError(f"{value} is no number for {name}.", "Give one.")
        at = datetime.fromtimestamp(math.floor(self._clock.now().utc), UTC)
        try:
            row = Altered.model_validate(
                {"alarm": key, **table, "why": one_line(why), "by": one_line(by), "at": at,
                 "change": max(self._numbered, self._rules.content.newest) + 1}
            )  # fmt: skip
        except ValidationError as error:
            said = [f"{_short(one.key)} {one.value!r}: expected {one.expected}" for one in faults_of(error, "")]
            raise BrinewatchError(f"{'; '.join(said)}.", "Choose another value.") from None
        alarms = self._tried([*(one for one in self._rules.content.rows if one.alarm != key), row])
        return row, base, next(one for one in alarms if one.id == key)

    def _tried(self, rows: Sequence[Altered]) -> tuple[Alarm, ...]:
        try:
            return self._rules.with_rows(rows)
        except ConfigurationError as error:
            said = []
            for fault in error.faults:
                # limits that stand beside one another are told with the rule they are of
                rule = fault.key.partition(".")[0]
                whose = f"{rule}: " if any(one.rule.key == rule for one in self._rules.base) else ""
                said.append(f"{whose}{_short(fault.key)} {fault.value!r}: expected {fault.expected}")
            raise BrinewatchError(f"{'; '.join(dict.fromkeys(said))}.", "Choose another value.") from None

    # -- changing -----------------------------------------------------------------------------------------------

    async def _set(self, request: Mapping[str, Any]) -> str:
        by, why = str(request.get("by") or ""), str(request.get("why") or "").strip()
        if not why:
            raise BrinewatchError("Nothing was changed: say why.", "Whoever reads the alarm next asks that.")
        async with self._one:
            row, base, new = self.drafted(request, by, why)
            before = self._rules.now(row.alarm)
            assert before is not None
            if numbers_of(before) == numbers_of(new):
                raise BrinewatchError("Nothing was changed: these are the values in force.", "Type others.")
            grave, typed = second_thoughts(base, new), str(request.get("confirmed") or "")
            if grave and typed.strip().casefold() != base.rule.short.casefold():
                raise BrinewatchError(
                    f"{' '.join(grave)} Nothing was changed.", f"To do it, type: {base.rule.short}"
                )
            rows = [*(one for one in self._rules.content.rows if one.alarm != row.alarm), row]
            if len(rows) > MOST:
                raise BrinewatchError(
                    f"{MOST} alarms are changed here already.", "Write lasting ones into the file."
                )
            words = [*differences(before, new), *(["confirmed word for word"] if grave else [])]
            await self._change(rows, row.change, row.alarm, by, ", ".join(words), row.why)
        return (
            f"Change {row.change} counts from now on: {self._named(base)}: {'; '.join(differences(before, new))}."
        )

    async def _take_back(self, request: Mapping[str, Any]) -> str:
        key, by = request.get("alarm"), one_line(str(request.get("by") or ""))
        why = one_line(str(request.get("why") or "")) or "taken back"
        async with self._one:
            content = self._rules.content
            listed = (*content.rows, *content.idle)
            row = next((one for one in listed if key in (one.alarm, one.change)), None)
            if row is None:
                raise BrinewatchError(f"{key} is not changed here.", "What is: brinewatch override")
            base, before = self._rules.of(row.alarm), self._rules.now(row.alarm)
            differs = differences(before, base) if before and base and row in content.rows else []
            number = max(self._numbered, content.newest) + 1
            rows = [one for one in content.rows if one is not row]
            words = ", ".join([*differs, f"change {row.change} taken back"])
            await self._change(rows, number, row.alarm, by, words, why)
        what = row.alarm if base is None else self._named(base)
        return f"Change {row.change} is taken back: {what} is as the shed's own rules have it."

    async def _change(
        self, rows: Sequence[Altered], number: int, alarm: str, by: str, words: str, why: str
    ) -> None:
        """Journal, file, watch, journal: in this order."""
        idle = tuple(one for one in self._rules.content.idle if one.alarm != alarm)
        content = AlteredFile(tuple(rows), number, idle)
        alarms = self._tried(rows)
        if self._rules.faults:
            raise BrinewatchError(
                f"Nothing was changed: {FILE} holds what cannot be read, and would be lost.",
                "What is wrong with it: brinewatch check",
            )
        now = self._clock.now()
        self._numbered = number
        asked = f"Change {number} asked by {by}: {alarm}: {words}. Why: {why}"
        if not await self._journal.note(KIND, asked, now):
            await self._journal.note(KIND, f"Change {number} {_NOT_MADE}: the journal could not be written.", now)
            raise StoreError("Nothing was changed: the journal cannot be written now.", "Look at the disk.")
        try:
            await self._write(written(content))
        except BrinewatchError as error:
            await self._journal.note(KIND, f"Change {number} {_NOT_MADE}: {error.what}", self._clock.now())
            raise
        self._rules.take(content, alarms)
        self._keeper.rule_by(alarms)
        self._time_left.air_off(air_off_of(self._shed))
        said = change_text(alarm, number, self._version(alarm))
        await self._journal.begin({one.id: body_of(one) for one in alarms}, self._clock.now(), said)
        log.info("%s", said)
        self._look()

    async def _write(self, text: str) -> None:
        try:
            with self._clock.hold():
                async with self._clock.deadline(_WRITE_S):
                    await asyncio.to_thread(_replace, self._file, text, self._known)
        except TimeoutError:
            raise StoreError(f"{FILE} could not be written within {_WRITE_S:g} s.", "Look at the disk.") from None
        except OSError as error:
            raise StoreError(f"{FILE} cannot be written: {error.strerror}.", "Look at the disk.") from error
        self._known = text


def listed(rules: RulesInForce) -> list[dict[str, Any]]:
    """Every alarm that is changed here, the newest change first."""
    rows = []
    for row in sorted(rules.content.rows, key=lambda one: -one.change):
        base, now = rules.of(row.alarm), rules.now(row.alarm)
        assert base is not None
        assert now is not None
        rows.append(
            {"alarm": row.alarm, "title": base.rule.title, "change": row.change, "by": row.by, "why": row.why,
             "at": utc_text(row.at.timestamp()), "differs": differences(base, now),
             "grave": second_thoughts(base, now)}
        )  # fmt: skip
    return rows


def _replace(file: Path, text: str, known: str | None) -> None:
    """The whole file or nothing of it, on the disk on return. known: as it was last seen; BrinewatchError when
    somebody else has changed it since."""
    if _text(file) != known:
        raise BrinewatchError(f"{FILE} was changed by hand since the watch began.", "Start the watch anew first.")
    write_whole(file, text.encode())


def _text(file: Path) -> str | None:
    try:
        return file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None


def _short(key: str) -> str:
    """The last word of a place: what stands before it names the file and the alarm, which are known here."""
    names = {"limit": "limit", "deadband": "deadband", "on_delay_s": "on-delay", "off_delay_s": "off-delay"}
    last = re.split(r"[. ]", key.partition(" at ")[0])[-1]
    return names.get(last, "limit" if last in ("below", "above") else last)


__all__ = ["KIND", "Overrides", "listed"]
