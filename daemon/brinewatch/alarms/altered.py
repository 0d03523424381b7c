"""Limits changed at the shed itself, in a file beside its data and never in a keeper's own.

What may be changed, what needs a second thought, and how it is written. Pure: text in, text out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import AwareDatetime, Field, ValidationError

from brinewatch.alarms.change import Override
from brinewatch.alarms.events import Priority
from brinewatch.alarms.memory import LONGEST_DELAY_S
from brinewatch.alarms.rules import Above, Alarm, Below, Broken, Differs, Rate
from brinewatch.alarms.when import amount
from brinewatch.errors import Fault
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.settings import Settings, faults_of, key_path, table_of

FILE = "overrides.toml"
KEYS = ("limit", "deadband", "on_delay_s", "off_delay_s")
MOST = 200
_NAMED = 3
# a critical alarm that waits longer than this before it calls is no alarm any more (judgement)
LONGEST_CRITICAL_S = 900.0
_HEAD = """\
# Limits changed at the shed itself, beside its own rules. Written by the daemon; every change is in the journal.
# List them, or take one back: brinewatch override. Rules that are to last belong into the shed file.
"""


class Altered(Settings):
    """One alarm changed here, by whom and why."""

    alarm: str = Field(
        pattern=r"^[a-z][a-z0-9-]*@[a-z0-9-]+\.[a-z0-9_]+$", description="Which alarm: rule@stage.quantity."
    )
    limit: float | None = Field(default=None, description="Another limit.")
    unit: str | None = Field(default=None, description="Unit of limit and deadband; the quantity's own if none.")
    deadband: float | None = Field(default=None, ge=0, description="Another deadband.")
    on_delay_s: float | None = Field(
        default=None, ge=0, le=LONGEST_DELAY_S, description="Another on-delay in seconds."
    )
    off_delay_s: float | None = Field(
        default=None, ge=0, le=LONGEST_DELAY_S, description="Another off-delay in seconds."
    )
    why: str = Field(min_length=1, max_length=300, description="Why; shown beside the alarm.")
    by: str = Field(min_length=1, max_length=100, description="Who changed it.")
    at: AwareDatetime = Field(description="When, with its offset from UTC.")
    change: int = Field(ge=1, description="Number of the change, as the journal has it.")

    @property
    def override(self) -> Override:
        """As a shed file would say it."""
        rule, _, point = self.alarm.partition("@")
        return Override(
            rule=rule, points=[point], limit=self.limit, unit=self.unit, deadband=self.deadband,
            on_delay_s=self.on_delay_s, off_delay_s=self.off_delay_s, why=self.why,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class AlteredFile:
    """What stands in the file. newest: number of the newest change, also where that took one back; idle: rows that
    fit no alarm now; they are kept."""

    rows: tuple[Altered, ...] = ()
    newest: int = 0
    idle: tuple[Altered, ...] = ()


def read_altered(text: str, file: str = FILE) -> tuple[AlteredFile, list[Fault]]:
    """The rows that are right, and every fault of the others."""
    try:
        table = table_of(text)
    except ValueError as error:
        return AlteredFile(), [Fault(file, "(the file)", None, f"TOML; {error}")]
    faults = [
        Fault(file, key, "(here)", "no such key; known here: change, override")
        for key in table
        if key not in ("change", "override")
    ]
    newest = table.get("change", 0)
    if isinstance(newest, bool) or not isinstance(newest, int) or newest < 0:
        faults.append(Fault(file, "change", newest, "the number of the newest change"))
        newest = 0
    listed = table.get("override", [])
    if not isinstance(listed, list):
        faults.append(Fault(file, "override", "(a table)", "a list of tables: write [[override]] above each"))
        listed = []
    rows: dict[str, Altered] = {}
    for place, one in enumerate(listed):
        here = ("override", place)
        try:
            row = Altered.model_validate(one)
        except ValidationError as error:
            faults += faults_of(error, file, here, Altered)
            continue
        if row.alarm in rows:
            faults.append(Fault(file, key_path((*here, "alarm")), row.alarm, "an alarm that is changed once"))
        elif all(getattr(row, key) is None for key in KEYS):
            faults.append(Fault(file, key_path(here), "(a table)", f"something to change: {', '.join(KEYS)}"))
        else:
            rows[row.alarm] = row
    return AlteredFile(tuple(rows.values()), max([newest, *(row.change for row in rows.values())])), faults


def written(content: AlteredFile) -> str:
    """The file as text: what `read_altered` gives back."""
    parts = [_HEAD, f"change = {content.newest}\n"]
    for row in (*content.rows, *content.idle):
        parts.append("\n[[override]]\n")
        parts += (
            f"{key} = {toml_value(value)}\n"
            for key in type(row).model_fields
            if (value := getattr(row, key)) is not None
        )
    return "".join(parts)


def toml_value(value: object) -> str:
    """One text, number or instant as TOML."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="seconds")
    # a TOML basic string is a JSON string, but for the one control character JSON lets stand (toml.io, v1.0.0)
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")


# -- one alarm and another ---------------------------------------------------------------------------------------


def numbers_of(alarm: Alarm) -> Mapping[str, float]:
    """What of an alarm may be changed here, as it is: the limit (if it has one) and the deadband in the quantity's
    own unit, the delays in seconds. What is counted or foretold for one number beforehand is not among it."""
    rule = alarm.rule
    delays = {"on_delay_s": rule.on_delay_s, "off_delay_s": rule.off_delay_s}
    match rule.condition:
        case Broken():
            return {}
        case Below() | Above():
            return {"limit": rule.condition.limit, "deadband": rule.deadband, **delays}
        case Rate():
            return {"limit": rule.condition.speed, **delays}
        case Differs():
            return {"limit": rule.condition.by, **delays}
    return delays


def unit_of(alarm: Alarm, unit: str) -> str:
    """A unit as it stands behind the limit of an alarm: that of a rate is told per time."""
    condition = alarm.rule.condition
    return f"{unit} per {condition.per}" if isinstance(condition, Rate) else unit


def is_difference(alarm: Alarm) -> bool:
    """Whether the limit is a difference and no place on the scale: 1 degF is then 0.56 degC."""
    return isinstance(alarm.rule.condition, Rate | Differs)


def wrong(row: Altered, base: Alarm) -> list[tuple[str, object, str]]:
    """(key, value, expected) for what may not be changed of this alarm here, or not so far."""
    may = numbers_of(base)
    found: list[tuple[str, object, str]] = [
        (key, value, f"none: {base.rule.title} has no such number that can be changed here")
        for key in KEYS
        if key not in may and (value := getattr(row, key)) is not None
    ]
    longest = max(LONGEST_CRITICAL_S, base.rule.on_delay_s)
    late = row.on_delay_s is not None and row.on_delay_s > longest
    if late and (base.rule.priority is Priority.CRITICAL or base.rule.emergency):
        found.append(("on_delay_s", row.on_delay_s, f"at most {longest:g} s for a critical alarm"))
    return found


def looser(base: Alarm, now: Alarm) -> bool:
    """Whether it would be crossed later, or by less."""
    before, after = numbers_of(base).get("limit"), numbers_of(now).get("limit")
    if before is None or after is None or before == after:
        return False
    return after < before if base.rule.side == "min" else after > before


def second_thoughts(base: Alarm, now: Alarm) -> list[str]:
    """Why a change must be confirmed word for word; none when it need not."""
    rule, found = base.rule, []
    loose, late = looser(base, now), now.rule.on_delay_s > base.rule.on_delay_s
    if (rule.emergency or rule.priority is Priority.CRITICAL) and (loose or late):
        what = "an emergency" if rule.emergency else "critical"
        found.append(f"This alarm is {what}: so changed it calls later, or not at all.")
    if rule.standing == "published" and loose:
        found.append("Its limit is a published one, and would be loosened.")
    return found


def differences(before: Alarm, after: Alarm) -> list[str]:
    """What differs, each as "limit 70 to 65 %"; numbers in the quantity's own unit."""
    unit = QUANTITIES[before.quantity].unit if before.quantity in QUANTITIES else ""
    names = {"limit": "limit", "deadband": "deadband", "on_delay_s": "on-delay", "off_delay_s": "off-delay"}
    old, new = numbers_of(before), numbers_of(after)
    found = []
    for key, name in names.items():
        if key not in new or old.get(key) == new[key]:
            continue
        if key.endswith("_s"):
            found.append(f"{name} {_span(old[key])} to {_span(new[key])}")
        else:
            said = unit_of(after, unit) if key == "limit" else unit
            found.append(f"{name} {old[key]:.10g} to {new[key]:.10g} {said}".rstrip())
    return found


def _span(seconds: float) -> str:
    return span_text(seconds) if seconds else "none"


def in_own_unit(quantity_key: str, value: float, unit: str, *, difference: bool) -> float:
    """A number in one of the quantity's units, in its own. KeyError for another unit."""
    quantity = QUANTITIES[quantity_key]
    return amount(quantity, value, unit) if difference else quantity.to_canonical(value, unit)


def title_of(alarm: Alarm) -> str:
    """An alarm by its title and its point."""
    return f"{alarm.rule.title} ({alarm.point})"


def summary(rows: Sequence[Altered]) -> str:
    """One line about all of them; "" when there are none."""
    if not rows:
        return ""
    head = "One alarm is changed here" if len(rows) == 1 else f"{len(rows)} alarms are changed here"
    named = ", ".join(dict.fromkeys(row.alarm.partition("@")[2] for row in rows[:_NAMED]))
    return f"{head}: {named}{' and others' if len(rows) > _NAMED else ''}. See: brinewatch override"
