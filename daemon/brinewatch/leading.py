"""What of an incident is said first: the same order on the page as in the texts to phones (`alarms/wording.py`).

A cause may be no more than a motor; what makes it urgent follows from it, and is named before it.
"""

from __future__ import annotations

from collections.abc import Sequence

from brinewatch.alarms.rules import Alarm


def title_of(alarm: Alarm, held: Sequence[Alarm]) -> str:
    """The alarm's title, after that of what follows from it and is more urgent. held: what follows, held back."""
    worse = _worse(alarm, held)
    title = alarm.rule.title
    if not worse:
        return title
    small = title[:1].lower() + title[1:] if title[1:2].islower() or title[1:2] == " " else title
    return f"{worse[0].rule.title}: {small}"


def beside_of(alarm: Alarm, held: Sequence[Alarm]) -> tuple[str, ...]:
    """Titles of what follows from it and is not named in its own, each once."""
    named = {one.rule.title for one in _worse(alarm, held)[:1]}
    return tuple(dict.fromkeys(one.rule.title for one in held if one.rule.title not in named))


def steps_of(alarm: Alarm, held: Sequence[Alarm]) -> tuple[str, ...]:
    """What to do: against the cause first, then for the animals; cautions last, each once."""
    rules = [alarm.rule, *(one.rule for one in _worse(alarm, held))]
    steps = [step for rule in rules for step in rule.todo]
    cautions = [f"Caution: {rule.caution}" for rule in rules if rule.caution]
    return tuple(dict.fromkeys([*steps, *cautions]))


def _worse(alarm: Alarm, held: Sequence[Alarm]) -> list[Alarm]:
    worse = [one for one in held if one.rule.priority.rank < alarm.rule.priority.rank]
    return sorted(worse, key=lambda one: one.rule.priority.rank)
