"""Deadband and delay from the noise of made-up probes whose noise is known."""

from __future__ import annotations

import random
from datetime import UTC

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from alarms.nights import rule as a_rule
from brinewatch.alarms.rules import Above, Alarm, Below
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading
from brinewatch.rehearsal.noise import advise, noise_of, short_runs

START = 1_790_200_800.0
POINT = "tank.oxygen_saturation"


def read(values: list[float | None], every: float = 5.0) -> list[Reading]:
    found = []
    for place, value in enumerate(values):
        utc = START + every * place
        flag = Flag.MISSING if value is None else Flag.PASS
        found.append(Reading(POINT, "oxygen_saturation", value, value, flag, "", Moment(utc, utc, True, UTC), "p"))
    return found


def noisy(sigma: float, slide: float = 0.0, count: int = 4000, step: float = 0.0) -> list[float | None]:
    chance = random.Random(5)
    values = [90.0 + slide * place + chance.gauss(0, sigma) for place in range(count)]
    return [round(value / step) * step if step else value for value in values]


def alarm(deadband: float = 0.5, on_delay_s: float = 0.0, condition: Below | Above | None = None) -> Alarm:
    made = a_rule(condition or Below(65.0), deadband=deadband, on_delay_s=on_delay_s, time_available="An hour.")
    return Alarm(made, POINT, "oxygen_saturation", 15.0)


@pytest.mark.parametrize("sigma", [0.05, 0.3, 2.0])
def test_noise_is_found_whatever_slides_under_it(sigma: float) -> None:
    found = noise_of(read(noisy(sigma, slide=0.001)))
    assert found is not None
    assert found.sigma == pytest.approx(sigma, rel=0.06)
    assert found.every_s == 5.0


def test_it_is_the_scaled_median_absolute_deviation_of_second_differences() -> None:
    values = noisy(0.4)
    found = noise_of(read(values))
    assert found is not None
    # scipy scales by the same constant (1.4826 to its printed digits)
    bends = np.diff(np.array(values, dtype=float), n=2)
    spread = median_abs_deviation(bends, center=lambda x, axis: np.zeros(()), scale="normal")
    assert found.sigma == pytest.approx(spread / np.sqrt(6), rel=1e-4)


def test_wild_values_and_gaps_do_not_carry_it_away() -> None:
    values = noisy(0.3)
    for place in range(0, len(values), 20):
        values[place] = 250.0
    for place in range(1000, 1500):
        values[place] = None
    found = noise_of(read(values))
    assert found is not None
    assert found.sigma == pytest.approx(0.3, rel=0.3)


def test_a_coarse_probe_is_not_called_still() -> None:
    found = noise_of(read(noisy(0.02, count=8000, step=0.1, slide=0.00002)))
    assert found is not None
    assert found.step == pytest.approx(0.1)
    assert found.sigma > 0
    assert noise_of(read([90.0] * 100)) is not None
    assert noise_of(read(noisy(0.3)[:40])) is None


def test_what_is_read_seldom_tells_of_the_water_and_not_of_the_probe() -> None:
    noise = noise_of(read(noisy(0.3), every=900.0))
    assert noise is not None
    assert advise(alarm(0.1), noise, [20.0]) is None


def test_a_deadband_within_the_noise_is_widened_and_a_wide_one_is_left_alone() -> None:
    noise = noise_of(read(noisy(0.3)))
    assert noise is not None
    found = advise(alarm(0.5), noise, [])
    assert found is not None
    assert found.deadband == 2.0  # four times 0.3, rounded up to 1, 2 or 5
    assert found.on_delay_s is None
    assert "0.3 %" in found.reason
    assert advise(alarm(2.0), noise, []) is None


def test_a_delay_outlasts_what_ended_by_itself_and_nothing_longer() -> None:
    noise = noise_of(read(noisy(0.3)))
    assert noise is not None
    found = advise(alarm(5.0), noise, [20.0, 70.0, 3000.0])
    assert found is not None
    assert found.on_delay_s == 90.0  # 1.2 times 70 s, rounded up; 3000 s is an event and not noise
    assert "an hour" in found.reason
    assert advise(alarm(5.0, on_delay_s=120.0), noise, [20.0, 70.0]) is None
    assert advise(alarm(5.0), noise, [3000.0]) is None


def test_excursions_are_counted_by_the_bare_limit() -> None:
    values = [70.0, 64.0, 64.0, 66.0, None, 60.0, 70.0, 60.0]
    assert short_runs(alarm(), read(values)) == [10.0, 5.0]
    assert short_runs(alarm(condition=Above(65.0)), read(values)) == [5.0, 10.0, 5.0]
