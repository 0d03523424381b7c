"""Which alarm can explain which, worked out once from what rules take away and need, and from the water's path.

A rule that `takes` something is a cause of every rule that `needs` it, and of all that hangs on those in turn. What
is lost in the air or the room is lost everywhere; what is lost at a stop of the water, there and downstream.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from brinewatch.alarms.rules import Alarm
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.readings import stage_of


@dataclass(frozen=True, slots=True)
class Place:
    """Where a stage stands: its path (water, air, room, watch) and its number along it."""

    path: str
    number: int


def linked(alarms: Sequence[Alarm], places: Mapping[str, Place], file: str = "the rule sets") -> list[Alarm]:
    """The same alarms, each with its causes, the one furthest up first.

    Raises ConfigurationError when losses explain one another in a circle: then nothing would call.
    """
    up = _losses(alarms, file)
    takers: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        if alarm.rule.takes:
            takers.setdefault(alarm.rule.takes, []).append(alarm)
    made = []
    for alarm in alarms:
        words = sorted({word for need in alarm.rule.needs for word in (need, *up.get(need, ()))})
        words.sort(key=lambda word: len(up.get(word, ())))
        causes = [
            other.id
            for word in words
            for other in takers.get(word, ())
            if other.id != alarm.id and word != alarm.rule.takes and _reaches(other, alarm, places)
        ]
        made.append(replace(alarm, causes=tuple(causes)) if causes else alarm)
    return made


def _losses(alarms: Sequence[Alarm], file: str) -> dict[str, tuple[str, ...]]:
    """Each loss with all that it can itself be explained by."""
    direct: dict[str, set[str]] = {}
    for alarm in alarms:
        if alarm.rule.takes:
            direct.setdefault(alarm.rule.takes, set()).update(alarm.rule.needs)
    found: dict[str, tuple[str, ...]] = {}
    for word in direct:
        above: set[str] = set()
        todo = list(direct[word])
        while todo:
            one = todo.pop()
            if one not in above:
                above.add(one)
                todo += direct.get(one, ())
        if word in above:
            rule = next(alarm.rule for alarm in alarms if alarm.rule.takes == word)
            circle = ", ".join(sorted(above))
            raise ConfigurationError(
                [
                    Fault(
                        file,
                        f"{rule.key}.needs",
                        word,
                        f"no circle: what takes {word} must not hang on it ({circle})",
                    )
                ]
            )
        found[word] = tuple(sorted(above))
    return found


def _reaches(cause: Alarm, alarm: Alarm, places: Mapping[str, Place]) -> bool:
    here, there = places.get(stage_of(cause.point)), places.get(stage_of(alarm.point))
    if here is None or here.path != "water":
        return True
    return there is not None and there.path == "water" and there.number >= here.number
