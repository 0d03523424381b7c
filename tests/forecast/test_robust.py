"""The robust line against scipy's Theil-Sen, and the window's memory."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from brinewatch.forecast.robust import Window, robust_line


def noisy(count: int, seed: int) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    seconds = np.sort(rng.uniform(0.0, 3600.0, count))
    return [(float(t), float(8.0 - 0.5 * t / 3600.0 + 0.03 * rng.standard_normal())) for t in seconds]


@pytest.mark.parametrize("seed", range(6))
def test_the_slope_is_scipys_and_its_range_no_narrower(seed: int) -> None:
    points = noisy(40, seed)
    line = robust_line(points)
    theirs = theilslopes([y for _, y in points], [t / 3600.0 for t, _ in points], 0.95)
    assert line.slope == pytest.approx(theirs.slope, rel=1e-9)
    # one rank of the 780 apart at most, where neighbours are not alike; wider where they are
    assert line.slope_low <= theirs.low_slope + 0.02
    assert line.slope_high >= theirs.high_slope - 0.02
    assert line.slope_low <= line.slope <= line.slope_high


def test_wild_readings_do_not_bend_it() -> None:
    points = noisy(40, 1)
    straight = robust_line(points)
    for at in (3, 9, 17, 25, 31, 38):
        points[at] = (points[at][0], 2.0)
    bent = robust_line(points)
    assert bent.slope == pytest.approx(straight.slope, abs=0.06)
    assert bent.level == pytest.approx(straight.level, abs=0.03)
    assert bent.scatter < 0.1


def test_an_exact_line_comes_back_exactly() -> None:
    line = robust_line([(60.0 * at, 5.0 + 0.01 * at) for at in range(10)])
    assert (line.slope, line.slope_low, line.slope_high) == pytest.approx((0.6, 0.6, 0.6))
    assert line.level == pytest.approx(5.09)
    assert (line.points, line.seconds) == (10, 540.0)


def test_neighbours_that_resemble_each_other_widen_the_range() -> None:
    rng = np.random.default_rng(4)
    hiss = rng.standard_normal(60)
    wander = np.zeros(60)
    for at in range(1, 60):
        wander[at] = 0.8 * wander[at - 1] + 0.6 * hiss[at]  # the same variance, correlated
    spans = []
    for noise in (hiss, wander):
        line = robust_line([(60.0 * at, float(noise[at])) for at in range(60)])
        spans.append((line.slope_high - line.slope_low) / float(np.std(noise)))
    assert spans[1] > 1.5 * spans[0]


@pytest.mark.parametrize("points", [[], [(0.0, 1.0), (1.0, 2.0)], [(5.0, 1.0), (5.0, 2.0), (5.0, 3.0)]])
def test_too_little_is_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="expected 3 or more over a span of time"):
        robust_line(points)


@pytest.mark.parametrize("every", [0.2, 5.0, 60.0, 300.0])
def test_a_window_holds_no_more_than_it_may_however_fast_readings_come(every: float) -> None:
    window = Window(3600.0, 40)
    stamps = np.arange(0.0, 9000.0, every)
    for t in stamps:
        window.add(float(t), float(t))
    points = window.points
    assert len(points) <= 42
    assert points[0][0] >= stamps[-1] - 3600.0 - 90.0
    assert points[-1][0] >= stamps[-1] - max(90.0, every)
    assert all(y == pytest.approx(t, abs=45.0) for t, y in points)
    assert [t for t, _ in points] == sorted(t for t, _ in points)


def test_a_stamp_that_does_not_advance_is_left_out() -> None:
    window = Window(600.0, 10)
    window.add(100.0, 1.0)
    window.add(100.0, 9.0)
    window.add(90.0, 9.0)
    assert window.points == [(100.0, 1.0)]
    window.clear()
    assert window.points == []
