"""Which rule it was: a short name for a bound rule as it stood, so that a later change of it shows.

Two rules have the same version when they judge and call alike and give the same reason for being changed here;
their wording may differ.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from hashlib import sha256
from typing import Any

from brinewatch.alarms.only import Only
from brinewatch.alarms.rules import Alarm, Broken

_LENGTH = 12  # of 64 hexadecimal digits: 48 bits, far from a chance meeting among the rules of one shed


def body_of(alarm: Alarm) -> str:
    """All that the version stands for, as JSON with sorted keys: numbers in the quantity's own unit."""
    rule = alarm.rule
    broken = isinstance(rule.condition, Broken)
    body = {
        "alarm": alarm.id, "quantity": alarm.quantity, "unit": rule.unit,
        "when": {rule.condition.head: True} if broken else rule.condition.spelled(alarm.quantity),
        "reads": [where.point for where in rule.condition.inputs()], "max_age_s": alarm.max_age_s,
        "deadband": rule.deadband, "on_delay_s": rule.on_delay_s, "off_delay_s": rule.off_delay_s,
        "priority": rule.priority.value, "repeat_s": rule.repeat_s, "ack_expires_s": rule.ack_expires_s,
        "latching": rule.latching, "emergency": rule.emergency, "attended": rule.attended,
        "takes": rule.takes, "needs": list(rule.needs), "causes": list(alarm.causes), "only": _only(rule.only),
        "source": rule.source, "standing": rule.standing, "changed": alarm.note,
    }  # fmt: skip
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def _only(only: Only | None) -> Mapping[str, Any] | None:
    if only is None:
        return None
    return {
        "hours": only.hours, "months": only.months, "start_up": only.start_up,
        "where": only.where.point if only.where else "",
    }  # fmt: skip


def version_of(body: str) -> str:
    """The version that stands for a body."""
    return sha256(body.encode()).hexdigest()[:_LENGTH]


def version_of_all(versions: Mapping[str, str]) -> str:
    """One version for a whole set of rules, by alarm id; their order does not matter."""
    return version_of(json.dumps(sorted(versions.items()), separators=(",", ":")))


def begin_text(before: Mapping[str, str] | None, now: Mapping[str, str]) -> str:
    """What to write down when a watch begins. before: versions of the last one by alarm id, None when unknown."""
    head = f"The watch begins with {len(now)} alarms, rule set {version_of_all(now)}"
    if not before:
        return f"{head}."
    if before == now:
        return f"{head}, as before."
    changed = [
        *_named("changed", (key for key in now if key in before and now[key] != before[key])),
        *_named("new", (key for key in now if key not in before)),
        *_named("gone", (key for key in before if key not in now)),
    ]
    return f"{head}, before it was {version_of_all(before)} ({'; '.join(changed)})."


def change_text(alarm: str, number: int, version: str, since: str = "now") -> str:
    """What to write down when a change made at the shed itself begins to count."""
    return f"Change {number} counts from {since} on: {alarm}, rule version {version}."


_CHANGE = re.compile(r"Change (\d+) counts from .*: (\S+@\S+), rule version ([0-9a-f]+)\.")


def change_of(text: str) -> tuple[str, str] | None:
    """Alarm and version out of such a line; None for any other."""
    found = _CHANGE.fullmatch(text)
    return (found[2], found[3]) if found else None


def _named(word: str, keys: Iterable[str]) -> list[str]:
    names = ", ".join(sorted(keys))
    return [f"{word}: {names}"] if names else []
