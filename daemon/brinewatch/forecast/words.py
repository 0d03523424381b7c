"""A forecast in words: for a page, and for a text message."""

from __future__ import annotations

from collections.abc import Mapping
from math import floor, inf

from brinewatch.forecast.outlook import Forecast
from brinewatch.quantities import QUANTITIES

_A_MINUTE_S = 60.0


def sentence(forecast: Forecast) -> str:
    """ "about 3 h 10 min to 65 %, 2 h 20 min at the earliest". The earliest is rounded down, never up."""
    limit = _limit(forecast)
    if forecast.crossed:
        return f"{limit} is passed"
    if forecast.never:
        return f"{limit} is not reached"
    earliest = _span(rounded(forecast.earliest_s, down=True))
    if not forecast.corrected:
        if forecast.earliest_s < _A_MINUTE_S:
            return f"{limit} may be near (not measured)"
        return f"at least {earliest} to {limit} (not measured)"
    if forecast.middle_s == inf:
        return f"{limit} perhaps not reached, {earliest} at the earliest"
    middle = _span(rounded(forecast.middle_s, down=False))
    return f"about {middle} to {limit}, {earliest} at the earliest"


def short(forecast: Forecast) -> tuple[str, Mapping[str, str]]:
    """For a text message: how it is to be said ("about", "unmeasured", "near", "perhaps", "passed", "never") and
    its numbers, such as what "O2 65%", middle "3h10", earliest "2h20"; a time of less than a minute is ""."""
    limit = _limit(forecast).replace(" ", "")
    what = {"what": f"{QUANTITIES[forecast.quantity].symbol} {limit}"}
    if forecast.crossed:
        return "passed", what
    if forecast.never:
        return "never", what
    earliest = what | {"earliest": _tight(rounded(forecast.earliest_s, down=True))}
    if not forecast.corrected:
        return ("near", what) if forecast.earliest_s < _A_MINUTE_S else ("unmeasured", earliest)
    if forecast.middle_s == inf:
        return "perhaps", earliest
    return "about", earliest | {"middle": _tight(rounded(forecast.middle_s, down=False))}


def rounded(seconds: float, *, down: bool) -> float:
    """Whole minutes below 20, five to an hour, ten to six hours, half hours to two days, then hours."""
    if seconds == inf:
        return inf
    minutes = seconds / 60.0
    grain = next((g for most, g in ((20, 1), (60, 5), (360, 10), (2880, 30)) if minutes < most), 60)
    return 60.0 * grain * (floor(minutes / grain) if down else floor(minutes / grain + 0.5))


def _limit(forecast: Forecast) -> str:
    quantity = QUANTITIES[forecast.quantity]
    number = f"{forecast.limit:g}"
    return number if quantity.unit in ("pH", "state") else f"{number} {quantity.unit}"


def _parts(seconds: float) -> tuple[int, int, int]:
    minutes = round(seconds / 60.0)
    if minutes < 90:
        return 0, 0, minutes
    if minutes < 2880:
        return 0, minutes // 60, minutes % 60
    return minutes // 1440, minutes % 1440 // 60, 0


def _span(seconds: float) -> str:
    days, hours, minutes = _parts(seconds)
    if days:
        return f"{days} d {hours} h" if hours else f"{days} d"
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min" if minutes else "now"


def _tight(seconds: float) -> str:
    days, hours, minutes = _parts(seconds)
    if days:
        return f"{days}d{hours:02d}h" if hours else f"{days}d"
    if hours:
        return f"{hours}h{minutes:02d}"
    return f"{minutes}min" if minutes else ""
