"""Which alarm a person means: rule@point, or the rule alone where only one point has it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from difflib import get_close_matches

from brinewatch.errors import BrinewatchError

_SHOWN = 5
_HINT = "Every alarm's name: brinewatch rules SHED.toml, and rule@point in what brinewatch state shows."


def meant(text: str, alarms: Collection[str]) -> str:
    """The id of the alarm that is meant. alarms: ids (rule@point) of all there are.

    Raises BrinewatchError when there is none of that name, or more than one.
    """
    if text in alarms:
        return text
    points = [one for one in alarms if one.partition("@")[0] == text]
    if len(points) == 1:
        return points[0]
    if points:
        raise BrinewatchError(f"{text} stands at {len(points)} points.", f"Name one: {_some(points)}.")
    near = get_close_matches(text, [*alarms, *{one.partition("@")[0] for one in alarms}], n=3)
    raise BrinewatchError(f"No alarm is called {text}.", f"Perhaps {_some(near)}." if near else _HINT)


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(sorted(names)[:_SHOWN]) + more
