"""Growth, feed and loss against worked examples, a handbook's table and a reference library."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from brinewatch.husbandry.growth import (
    day_of_weight,
    feed_conversion_ratio,
    growth_trend,
    specific_growth_rate,
    student_t,
    survival_percent,
)

# a made batch: 5 g growing at 2 % a day, weighed with some scatter
WEIGHED = ((0.0, 5.1), (14.0, 6.5), (28.0, 8.9), (42.0, 11.4), (56.0, 15.6))


@pytest.mark.parametrize(
    ("first", "last", "days", "rate"),
    [
        # worked example of an open calculator: (ln 100 - ln 50) * 100 / 10 = 6.931 %
        # (calculator.7search.cc, specific growth rate, read)
        (50.0, 100.0, 10.0, 6.931),
        # juvenile Apostichopus japonicus from 0.0385 to 1.508 g in 115 days (stocking densities in net cages, 2011,
        # abstract read; the weights are published, the rate is reckoned here by hand: ln(39.169) / 1.15)
        (0.0385, 1.508, 115.0, 3.189),
        # what doubles in 70 days grows by ln 2 / 70: the rule of seventy
        (1.0, 2.0, 70.0, 0.990),
    ],
)
def test_specific_growth_rate(first: float, last: float, days: float, rate: float) -> None:
    assert specific_growth_rate(first, last, days) == pytest.approx(rate, abs=5e-4)


@given(weight=st.floats(0.01, 1000), rate=st.floats(-3, 8), days=st.floats(1, 400))
def test_growth_goes_forward_as_it_goes_back(weight: float, rate: float, days: float) -> None:
    """W2 = W1 * exp(SGR / 100 * days), which is how the rate is defined."""
    assert specific_growth_rate(weight, weight * math.exp(rate / 100 * days), days) == pytest.approx(rate, abs=1e-6)


def test_feed_conversion_ratio() -> None:
    """Siikavuopio et al. (green sea urchins on restricted rations, abstract read): at the lowest ration 0.5 g of
    dry feed a gram of growth, at the highest 1.3 g."""
    assert feed_conversion_ratio(500.0, 1000.0) == 0.5
    assert feed_conversion_ratio(1300.0, 1000.0) == pytest.approx(1.3)


def test_survival() -> None:
    """Survival is the share of those at the start that are there at the end (definition of the trade)."""
    assert survival_percent(576, 0) == 100.0
    assert survival_percent(2000, 540) == 73.0


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: specific_growth_rate(0.0, 1.0, 10.0),
        lambda: specific_growth_rate(1.0, 2.0, 0.0),
        lambda: specific_growth_rate(1.0, float("nan"), 1.0),
        lambda: feed_conversion_ratio(0.0, 5.0),
        lambda: feed_conversion_ratio(5.0, -1.0),
        lambda: survival_percent(0, 0),
        lambda: survival_percent(10, 11),
        lambda: growth_trend([(0.0, 1.0), (1.0, 0.0), (2.0, 3.0)]),
        lambda: student_t(0),
    ],
)
def test_what_means_nothing_is_refused(wrong: object) -> None:
    assert callable(wrong)
    with pytest.raises(ValueError):  # noqa: PT011 - each says why in its own words
        wrong()


@pytest.mark.parametrize("freedom", range(1, 31))
def test_students_t_is_that_of_the_handbook(freedom: int) -> None:
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, the column of 0.975; held against a reference library."""
    assert student_t(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=5.1e-4)


def test_beyond_the_table_the_range_is_rather_too_wide() -> None:
    assert student_t(500) == student_t(30) > stats.t.ppf(0.975, 500)


def test_the_trend_is_that_of_a_reference_library() -> None:
    trend = growth_trend(WEIGHED)
    assert trend is not None
    days, logs = [day for day, _ in WEIGHED], [math.log(weight) for _, weight in WEIGHED]
    line = stats.linregress(days, logs)
    room = stats.t.ppf(0.975, 3) * line.stderr
    assert trend.rate == pytest.approx(line.slope, rel=1e-12)
    assert (trend.low, trend.high) == pytest.approx((line.slope - room, line.slope + room), rel=1e-4)
    assert trend.grows


def test_the_days_to_a_weight_are_where_the_band_of_the_line_holds_it() -> None:
    """The same band, drawn by a reference library, cut at the weight by its root finder."""
    trend = growth_trend(WEIGHED)
    assert trend is not None
    days, logs = [day for day, _ in WEIGHED], [math.log(weight) for _, weight in WEIGHED]
    line, count = stats.linregress(days, logs), len(days)
    x = sum(days) / count
    across = sum((day - x) ** 2 for day in days)
    left = math.sqrt(sum((b - line.intercept - line.slope * a) ** 2 for a, b in zip(days, logs, strict=True)) / 3)

    def edge(day: float, side: float) -> float:
        room = stats.t.ppf(0.975, 3) * left * math.sqrt(1 / count + (day - x) ** 2 / across)
        return float(line.intercept + line.slope * day + side * room - math.log(40.0))

    found = day_of_weight(trend, 40.0)
    assert found is not None
    best, earliest, latest = found
    assert best == pytest.approx((math.log(40.0) - line.intercept) / line.slope, rel=1e-9)
    assert earliest == pytest.approx(optimize.brentq(edge, 56, 500, args=(1.0,)), rel=1e-3)
    assert latest == pytest.approx(optimize.brentq(edge, 56, 500, args=(-1.0,)), rel=1e-3)
    assert earliest < best < latest


def test_too_few_days_make_no_trend() -> None:
    assert growth_trend([]) is None
    assert growth_trend([(0.0, 5.0), (10.0, 6.0)]) is None
    # two weighings of one day are one day
    assert growth_trend([(0.0, 5.0), (10.0, 6.0), (10.0, 6.2)]) is None


def test_scatter_that_hides_growth_foretells_nothing() -> None:
    trend = growth_trend([(0.0, 5.0), (10.0, 9.0), (20.0, 5.2), (30.0, 6.0)])
    assert trend is not None
    assert not trend.grows
    assert day_of_weight(trend, 20.0) is None
    shrinking = growth_trend([(0.0, 5.0), (10.0, 4.5), (20.0, 4.0)])
    assert shrinking is not None
    assert day_of_weight(shrinking, 20.0) is None


@given(
    weighed=st.lists(
        st.tuples(st.floats(0, 365), st.floats(0.1, 500)),
        min_size=3,
        max_size=12,
        unique_by=lambda one: round(one[0]),
    ),
    weight=st.floats(0.1, 1000),
)
def test_a_day_that_is_told_lies_within_its_range(weighed: list[tuple[float, float]], weight: float) -> None:
    trend = growth_trend(weighed)
    assert trend is not None
    found = day_of_weight(trend, weight)
    if not trend.grows:
        assert found is None
    else:
        assert found is not None
        best, earliest, latest = found
        slack = 1e-6 * (1 + abs(best))
        assert earliest - slack <= best <= latest + slack
