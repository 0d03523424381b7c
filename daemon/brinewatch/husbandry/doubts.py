"""Whether a value is unlike those before it, or beyond a limit: asked back before it is kept, never refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import median

from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of

# Judgement, all of it. A value may stand off the middle of those before by five times their usual distance from it
# (the median absolute deviation times 1.4826, which is a standard deviation where they are normal: Rousseeuw and
# Croux 1993, J. Am. Stat. Assoc. 88:1273), by half of it, or by five steps of the last digit, whichever is most.
_MANY, _SHARE, _STEPS, _SIGMA = 5.0, 0.5, 5.0, 1.4826
_FEW = 4  # with fewer values before it, three times the last one or a third of it is unlike
_TIMES = 3.0
# a hand refractometer is read to 1 and follows the warmth of the sample (common practice, no source)
_APART = 2.0
_COUNTERS = ("lamp_hours", "media_hours")
OLD_S = 7 * 86400.0

Show = Callable[[str, float], str]


def doubts(
    point: str, value: float, before: Sequence[float], limits: Sequence[tuple[str, float, str]], show: Show,
    most: tuple[float, str] | None = None,
) -> list[str]:  # fmt: skip
    """What to ask back, a sentence each; none when the value is like the others.

    before: the values of the point that count, the newest last; limits: side (min or max), limit and title of each
    alarm that would judge it, the most urgent first; show: a value as people see it; most: more than this is
    unlikely, and what it is.
    """
    quantity = QUANTITIES[quantity_of(point)]
    if quantity.states is not None:
        return []
    found = []
    step = 10.0**-quantity.decimals
    if quantity.key in _COUNTERS:
        if before and value < before[-1]:
            found.append(f"It was {show(point, before[-1])}: hours do not go back. Right if the part was changed.")
    elif unlike := _unlike(value, before, step):
        middle = show(point, median(before))
        words = f"The last was {show(point, before[-1])}" if unlike == "last" else f"It is usually about {middle}"
        found.append(f"{words}; {show(point, value)} is unlike that. Check the number, the tank and the kit.")
    for side, limit, title in limits:
        if (side == "max" and value > limit) or (side == "min" and value < limit):
            over = "above" if side == "max" else "below"
            found.append(f"{over.capitalize()} {show(point, limit)}: saved, it stands for the alarm {title!r}.")
            break  # the most urgent one says enough
    if most is not None and value > most[0]:
        found.append(f"That is more than {most[1]} ({show(point, most[0])}).")
    return found


def _unlike(value: float, before: Sequence[float], step: float) -> str:
    if not before:
        return ""
    if len(before) < _FEW:
        last = before[-1]
        near = abs(value - last) <= _STEPS * step or last / _TIMES <= value <= last * _TIMES
        return "" if near else "last"
    middle = median(before)
    apart = _SIGMA * median(abs(one - middle) for one in before)
    room = max(_MANY * apart, _SHARE * abs(middle), _STEPS * step)
    return "usual" if abs(value - middle) > room else ""


def apart(point: str, value: float, where: str, probe: float, show: Show) -> str:
    """What to ask back of a refractometer that is apart from a probe; "" when they agree as well as they can."""
    if abs(value - probe) <= _APART:
        return ""
    return (
        f"The probe says {show(point, probe)} ({where}). Zero the refractometer with fresh water, measure again; "
        "if they still differ, save it and look at the probe."
    )


def old(age_s: float) -> str:
    """What to ask back of a value measured so long ago; "" when that is usual."""
    return f"It was measured {span_text(age_s)} ago. Is the day right?" if age_s > OLD_S else ""
