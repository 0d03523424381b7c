"""Growth, feed and loss of a batch by the equations of the trade; each names where it is published."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# Student's t, upper 97.5 %, by degrees of freedom (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2)
_T = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131, 2.120,
    2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
FEWEST = 3  # weighings on different days that make a trend


def specific_growth_rate(first_g: float, last_g: float, days: float) -> float:
    """SGR = (ln W2 - ln W1) / days * 100, % a day (Hopkins 1992, J. World Aquac. Soc. 23:173).

    ValueError for weights or a time that are not positive.
    """
    if not (first_g > 0 and last_g > 0 and days > 0):
        raise ValueError("weights and days must be positive")
    return (math.log(last_g) - math.log(first_g)) / days * 100.0


def feed_conversion_ratio(feed_g: float, gain_g: float) -> float:
    """FCR = feed eaten / live weight gained, both g (Hopkins 1992). ValueError without feed or without a gain."""
    if not (feed_g > 0 and gain_g > 0):
        raise ValueError("feed and gain must be positive")
    return feed_g / gain_g


def survival_percent(animals_in: int, deaths: float) -> float:
    """Share of the animals that came which have not been found dead, %. ValueError for impossible counts."""
    if animals_in <= 0 or not 0 <= deaths <= animals_in:
        raise ValueError("deaths must lie between none and all that came")
    return 100.0 * (animals_in - deaths) / animals_in


def student_t(freedom: int) -> float:
    """Student's t for 95 % two-sided; beyond 30 degrees of freedom that of 30, which is wider."""
    if freedom < 1:
        raise ValueError("at least one degree of freedom")
    return _T[min(freedom, len(_T)) - 1]


@dataclass(frozen=True, slots=True)
class Trend:
    """The least-squares line of ln(weight in g) over days. rate: its slope, 1/d, with its 95 % range; middle: the
    mean day and the mean of ln(weight); across: the sum of squares of the days about their mean; scatter: residual
    standard deviation of ln(weight); count: weighings; first, last: their days."""

    rate: float
    low: float
    high: float
    middle: tuple[float, float]
    across: float
    scatter: float
    count: int
    first: float
    last: float

    @property
    def grows(self) -> bool:
        """Whether the weighings tell growth from their scatter."""
        return self.low > 0.0


def growth_trend(weighings: Sequence[tuple[float, float]]) -> Trend | None:
    """The trend of weighings (day, g) by ordinary least squares; None of fewer than three different days.

    ValueError for a weight that is not positive.
    """
    if any(not weight > 0 for _, weight in weighings):
        raise ValueError("weights must be positive")
    count = len(weighings)
    if len({day for day, _ in weighings}) < FEWEST:
        return None
    days, logs = [day for day, _ in weighings], [math.log(weight) for _, weight in weighings]
    x, y = math.fsum(days) / count, math.fsum(logs) / count
    across = math.fsum((day - x) ** 2 for day in days)
    rate = math.fsum((day - x) * (log - y) for day, log in zip(days, logs, strict=True)) / across
    left = math.fsum((log - y - rate * (day - x)) ** 2 for day, log in zip(days, logs, strict=True))
    scatter = math.sqrt(left / (count - 2))
    room = student_t(count - 2) * scatter / math.sqrt(across)
    return Trend(rate, rate - room, rate + room, (x, y), across, scatter, count, min(days), max(days))


def day_of_weight(trend: Trend, weight_g: float) -> tuple[float, float, float] | None:
    """The day on which the trend reaches a weight: best, earliest and latest, 95 %; None when it does not grow.

    Inverse regression for the mean, by Fieller's theorem (Draper and Smith, Applied Regression Analysis, 3rd ed.,
    section 3.2): the days whose own 95 % range of the line holds the weight.
    """
    if not trend.grows:
        return None
    (x, y), rate = trend.middle, trend.rate
    up = math.log(weight_g) - y
    k = (student_t(trend.count - 2) * trend.scatter) ** 2
    g = rate * rate - k / trend.across
    middle, root = rate * up / g, math.sqrt(max(0.0, (rate * up) ** 2 - g * (up * up - k / trend.count))) / g
    return x + up / rate, x + middle - root, x + middle + root
