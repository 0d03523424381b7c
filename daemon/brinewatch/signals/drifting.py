"""Drift: whether the mean of a tidal day moves further than the water's does, and since when.

The mean over 24.84 h leaves neither tide nor day in. It is held against those one, two and three days earlier, hour
by hour; weather wanders back and forth within such a time, fouling goes one way. No QARTOD test; SUSPECT at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag
from brinewatch.signals.limits import Drift
from brinewatch.signals.windows import Part, Window, mean_of, pushed

DAY_S = 86400.0
DRIFT_DAYS = 3
_TIDAL_DAY_S = 89428.0
_LOOK_BACK_S = DRIFT_DAYS * DAY_S + _TIDAL_DAY_S
_PARTS = 97  # hours
_ENOUGH_PARTS = 22  # hours of a tidal day that must have been seen: less leaves a part of the daily swing in
# of two days nearly as far off, the nearer in time is taken; a drift has begun when this part of its way is gone
_NEARLY, _BEGUN = 0.8, 0.25
_HOME = 5  # values in a row at home again, and a drift is over


@dataclass(frozen=True, slots=True)
class Drifted:
    """How far the mean of a tidal day has moved at most, within how many days, and from where."""

    by: float
    days: int
    usual: float


@dataclass(frozen=True, slots=True)
class Days:
    """The past days by the hour, what they say, and how many values in a row have been home again."""

    hours: Window | None = None
    drifted: Drifted | None = None
    home: int = 0


def lived(was: Days, value: float, mono: float, asked: Drift) -> Days:
    """With one more value taken in; the means are compared anew when an hour is full."""
    hours, drifted = pushed(was.hours, _LOOK_BACK_S, mono, value, _PARTS), was.drifted
    if was.hours is None or hours.parts[-1].begins != was.hours.parts[-1].begins:
        found = _drifted(hours.parts[:-1], mono)
        # a drift that stands is over when the values come home, not when too little is seen to tell
        drifted = found if found is not None or not _stands(drifted, asked) else drifted
    return replace(was, hours=hours, drifted=drifted)


def come_home(was: Days, value: float, mono: float, asked: Drift) -> Days:
    """A drift is over when the values are back at what was usual; where it had led to is forgotten then."""
    drifted = was.drifted
    if drifted is None or not _stands(drifted, asked):
        return replace(was, home=0) if was.home else was
    home = was.home + 1 if (value - drifted.usual) / drifted.by < 0.5 else 0
    return replace(was, home=home) if home < _HOME else Days(_until(was.hours, drift_began(was, mono)))


def mended(was: Days) -> Days:
    """What is left when the probe has just been put right: the oldest day, from before it went wrong."""
    return Days(None if was.hours is None else _until(was.hours, was.hours.parts[0].begins + _TIDAL_DAY_S))


def usual(days: Days, mono: float) -> float | None:
    """The mean of a tidal day three days ago, or of the oldest; None when little more than a day was seen."""
    if days.hours is None:
        return None
    parts = days.hours.parts
    oldest = [part for part in parts if part.begins <= parts[0].begins + _TIDAL_DAY_S]
    if len(oldest) < _ENOUGH_PARTS or mono - oldest[-1].begins < DAY_S / 2.0:
        return None
    return mean_of(oldest)


def drift_began(days: Days, mono: float) -> float:
    """Monotonic second at which a standing drift had gone a part of its way.

    The mean of a tidal day shows what was half of one earlier.
    """
    if days.drifted is None or days.hours is None:
        return mono
    for hours in range(24 * days.drifted.days):
        then = mono - 3600.0 * hours
        mean = _tidal_mean(days.hours.parts, then)
        if mean is None:
            return then
        if abs(mean - days.drifted.usual) < _BEGUN * abs(days.drifted.by):
            return then - _TIDAL_DAY_S / 2.0
    return mono - days.drifted.days * DAY_S


def drift_verdict(days: Days, quantity: str, asked: Drift | None) -> tuple[Flag, str]:
    """SUSPECT while the day's mean has moved too far in some days, with why."""
    drifted = days.drifted
    if asked is None or drifted is None or not _stands(drifted, asked):
        return Flag.PASS, ""
    return Flag.SUSPECT, (
        f"The day's mean went {'up' if drifted.by > 0 else 'down'} by {abs(drifted.by):.3g} "
        f"{QUANTITIES[quantity].unit} in {span_text(drifted.days * DAY_S)}, more than {asked.beyond:g}: fouling, "
        "or the probe drifts?"
    )


def _stands(drifted: Drifted | None, asked: Drift) -> bool:
    return drifted is not None and abs(drifted.by) > asked.beyond


def _until(hours: Window | None, mono: float) -> Window | None:
    """What the days held up to then."""
    parts = () if hours is None else tuple(part for part in hours.parts if part.begins <= mono)
    return replace(hours, parts=parts) if hours is not None and parts else None


def _drifted(parts: Sequence[Part], mono: float) -> Drifted | None:
    """The mean of the past tidal day against those one, two and three days earlier; None when too little was seen.

    Of two that are nearly as far apart, the nearer in time: it tells better when the drift began. What is back at
    the oldest of them is coming home, not drifting.
    """
    newest = _tidal_mean(parts, mono)
    if newest is None:
        return None
    found = []
    for days in range(1, DRIFT_DAYS + 1):
        older = _tidal_mean(parts, mono - days * DAY_S)
        if older is not None:
            found.append(Drifted(newest - older, days, older))
    furthest = max((abs(one.by) for one in found), default=0.0)
    best = next((one for one in found if abs(one.by) >= _NEARLY * furthest), None)
    if best is None or found[-1].by * best.by < 0.5 * best.by**2:
        return None
    return best


def _tidal_mean(parts: Sequence[Part], until: float) -> float | None:
    within = [part for part in parts if until - _TIDAL_DAY_S < part.begins <= until]
    return mean_of(within) if len(within) >= _ENOUGH_PARTS else None
