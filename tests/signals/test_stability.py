"""When a signal counts as settled."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.quantities import QUANTITIES
from brinewatch.signals.stability import Steadiness, Tolerance, tolerance_of

PH = tolerance_of("ph")


def run(values: list[tuple[float, float]], tolerance: Tolerance = PH) -> Steadiness:
    state = Steadiness(tolerance)
    for mono, value in values:
        state = state.take(mono, value)
    return state


def response(tau_s: float, seconds: int, noise: float = 0.0, every_s: int = 5) -> list[tuple[float, float]]:
    """A probe going from 8.1 to 7.0 with a time constant."""
    chance = random.Random(3)
    return [
        (1000.0 + t, 7.0 + 1.1 * math.exp(-t / tau_s) + chance.gauss(0.0, noise))
        for t in range(0, seconds, every_s)
    ]


def test_a_quiet_signal_settles_after_the_least_time_and_not_before() -> None:
    assert run([(float(t), 7.0) for t in range(0, 85, 5)]).wanting == "10 s more at least"
    assert run([(float(t), 7.0) for t in range(0, 95, 5)]).settled


@pytest.mark.parametrize("tau_s", [10.0, 30.0, 60.0, 120.0])
def test_what_is_left_to_come_is_small_when_it_counts_as_settled(tau_s: float) -> None:
    state, taken = Steadiness(PH), None
    for mono, value in response(tau_s, 3000):
        state = state.take(mono, value)
        if state.settled:
            taken = (mono, state.mean)
            break
    assert taken is not None
    # the mean stands within three hundredths of a pH of where the probe ends
    assert taken[1] == pytest.approx(7.0, abs=0.03)


def test_noise_alone_does_not_keep_a_signal_from_settling() -> None:
    settled = run(response(10.0, 600, noise=0.006))
    assert settled.settled
    assert settled.mean == pytest.approx(7.0, abs=0.01)
    assert settled.spread == pytest.approx(0.006, rel=0.5)


def test_a_restless_or_creeping_signal_never_settles_and_is_told_why() -> None:
    restless = run([(float(t), 7.0 + (0.2 if t % 2 else -0.2)) for t in range(1200)])
    assert (restless.wanting, restless.late(1200.0)) == ("too restless", True)
    assert "bubbles" in restless.advice
    creeping = run([(float(t), 7.0 + 0.0005 * t) for t in range(1200)])
    assert creeping.wanting == "still rising"
    assert "creeps" in creeping.advice
    assert run([(float(t), 7.0 - 0.0005 * t) for t in range(1200)]).wanting == "still falling"
    assert not creeping.late(800.0)


def test_slope_and_spread_by_numpy() -> None:
    values = response(80.0, 120, noise=0.01)
    state = run(values)
    x, y = np.array([m for m, _ in state.samples]), np.array([v for _, v in state.samples])
    (slope, _), covariance = np.polyfit(x - x.mean(), y, 1, cov="unscaled")
    left = y - np.polyval(np.polyfit(x - x.mean(), y, 1), x - x.mean())
    assert state.creep == pytest.approx(60 * slope)
    assert state.spread == pytest.approx(np.std(y, ddof=1))
    error = 60 * math.sqrt(covariance[0, 0] * (left**2).sum() / (len(x) - 2))
    assert state.creep_uncertainty == pytest.approx(error)


def test_a_slow_probe_is_judged_on_five_samples() -> None:
    values = [(60.0 * step, 7.0) for step in range(5)]
    assert not run(values[:4]).settled
    assert run(values).settled
    assert len(run([(60.0 * step, 7.0) for step in range(50)]).samples) == 5


def test_rubbish_changes_nothing() -> None:
    state = run([(0.0, 7.0), (5.0, 7.0)])
    for mono, value in ((5.0, 9.0), (4.0, 9.0), (10.0, math.nan), (math.inf, 7.0), (11.0, math.inf)):
        assert state.take(mono, value) == state
    empty = Steadiness(PH)
    assert (empty.wanting, empty.latest, empty.late(1e9), empty.spread, empty.creep) == (
        "nothing came yet", None, False, 0.0, 0.0,
    )  # fmt: skip
    with pytest.raises(ValueError, match="no sample yet"):
        _ = empty.mean


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=200))
def test_the_window_stays_small_whatever_comes(values: list[float]) -> None:
    state = run([(float(number), value) for number, value in enumerate(values)])
    assert len(state.samples) <= PH.window_s + 2
    assert state.samples[-1][1] == values[-1]


def test_every_quantity_has_a_tolerance() -> None:
    for key in QUANTITIES:
        tolerance = tolerance_of(key)
        assert tolerance.spread > 0
        assert tolerance.creep > 0
        assert tolerance.give_up_s > tolerance.least_s
