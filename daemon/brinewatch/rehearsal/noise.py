"""What deadband and on-delay the noise of the readings asks for, told with its reason; judgement, to be weighed.

Noise is what is left of a reading when its two neighbours' mean is taken away, so that no slope counts: 1.4826
times the median of |x1 - 2 x2 + x3|, over the square root of six (a second difference of white noise has six times
its variance; the scaled median: Rousseeuw and Croux 1993, J. Am. Stat. Assoc. 88:1273), and never less than the
probe's own step allows to be seen. Water that is read seldom moves between readings: then nothing is suggested.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from brinewatch.alarms.rules import Above, Alarm, Below
from brinewatch.moment import span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Reading

_MAD_TO_SIGMA = 1.4826
# four standard deviations: a value that lies at the limit comes back over the deadband once in 30 000 readings
_BAND_SIGMAS = 4.0
_FEWEST = 60
_OFTEN_S = 120.0  # readings further apart than this tell of the water and not of the probe
_DUST = 1e-9
# as many readings in a row past a limit as noise about it makes once in a thousand
_IN_A_ROW = 10
# what lasts longer than this is an event and not noise; no delay is suggested that would hide it
_SHORT_S = 300.0
_ROUND = (1.0, 2.0, 5.0, 10.0)
_ROUND_S = (5.0, 10.0, 15.0, 30.0, 60.0, 90.0, 120.0, 180.0, 300.0, 600.0)


@dataclass(frozen=True, slots=True)
class Noise:
    """sigma: standard deviation of the noise in the quantity's unit; step: smallest difference between two readings
    that differ, 0 when none do; every_s: usual time between readings; readings: how many it was told from."""

    sigma: float
    step: float
    every_s: float
    readings: int


@dataclass(frozen=True, slots=True)
class Advice:
    """For one alarm. deadband, on_delay_s: suggested, None when what there is does; reason: why, for people."""

    alarm: str
    deadband: float | None
    deadband_now: float
    on_delay_s: float | None
    on_delay_now_s: float
    unit: str
    reason: str


def noise_of(readings: Iterable[Reading]) -> Noise | None:
    """The noise of one point's readings, oldest first; None when there are too few to tell."""
    known = [(one.at.utc, one.value) for one in readings if one.usable and one.value is not None]
    if len(known) < _FEWEST:
        return None
    every = median(later[0] - earlier[0] for earlier, later in pairwise(known))
    near = 3 * every  # not across a gap
    moves = [later[1] - earlier[1] for earlier, later in pairwise(known) if later[0] - earlier[0] <= near]
    bends = [
        one[1] - 2 * two[1] + three[1]
        for one, two, three in zip(known, known[1:], known[2:], strict=False)
        if two[0] - one[0] <= near and three[0] - two[0] <= near
    ]
    if not bends:
        return None
    sigma = _MAD_TO_SIGMA * median(abs(bend) for bend in bends) / math.sqrt(6)
    step = min((abs(move) for move in moves if abs(move) > _DUST), default=0.0)
    if sigma <= _DUST:
        # most readings repeat the ones before: the noise is under a step, as rounding makes it
        sigma = step / math.sqrt(12)
    return Noise(sigma, step, every, len(known))


def advise(alarm: Alarm, noise: Noise, short_runs_s: Sequence[float]) -> Advice | None:
    """What to change of a rule about a limit; None when it is well as it is, or no such rule.

    short_runs_s: how long each excursion past the limit lasted that ended by itself.
    """
    rule = alarm.rule
    if not isinstance(rule.condition, (Below, Above)) or QUANTITIES[alarm.quantity].states is not None:
        return None
    if noise.every_s > _OFTEN_S:
        return None
    unit, reasons = rule.unit, []
    band, delay = None, None
    wanted = _rounded(max(_BAND_SIGMAS * noise.sigma, 2 * noise.step))
    if noise.sigma and wanted > rule.deadband * (1 + 1e-9):
        band = wanted
        reasons.append(
            f"readings scatter by {noise.sigma:.2g} {unit} (one standard deviation): {wanted:g} {unit} is four "
            f"times that, or two steps of the probe ({noise.step:.2g} {unit})"
        )
    runs = [seconds for seconds in short_runs_s if seconds <= _SHORT_S]
    longest = max(runs, default=0.0)
    seconds = _rounded_s(max(1.2 * longest, _IN_A_ROW * noise.every_s if runs else 0.0))
    if runs and seconds is not None and seconds > rule.on_delay_s:
        delay = seconds
        reasons.append(
            f"{len(runs)} excursion{'s' if len(runs) > 1 else ''} of at most {span_text(longest)} ended by "
            f"{'themselves' if len(runs) > 1 else 'itself'}; check that {span_text(seconds)} more still leaves "
            f"people their time ({rule.time_available.rstrip('.').lower()})"
        )
    if not reasons:
        return None
    return Advice(alarm.id, band, rule.deadband, delay, rule.on_delay_s, unit, "; ".join(reasons) + ".")


def short_runs(alarm: Alarm, readings: Iterable[Reading]) -> list[float]:
    """How long the readings lay past an alarm's limit each time, its deadband and delays left out of account."""
    condition = alarm.rule.condition
    if not isinstance(condition, (Below, Above)):
        return []
    found: list[float] = []
    since: float | None = None
    for one in readings:
        if not one.usable or one.value is None:
            continue
        past = one.value < condition.limit if isinstance(condition, Below) else one.value > condition.limit
        if past and since is None:
            since = one.at.utc
        elif not past and since is not None:
            found.append(one.at.utc - since)
            since = None
    return found


def _decade(value: float) -> Sequence[float]:
    power = 10.0 ** math.floor(math.log10(value))
    return [one * power for one in _ROUND]


def _rounded(value: float) -> float:
    """Up to 1, 2 or 5 of its decade."""
    if value <= 0:
        return 0.0
    return float(f"{next(one for one in _decade(value) if one >= value * (1 - 1e-9)):.12g}")


def _rounded_s(seconds: float) -> float | None:
    return next((one for one in _ROUND_S if one >= seconds), None)
