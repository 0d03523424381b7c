"""The attended air-off test: a known fall comes back; readings that prove nothing are refused, with the reason."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from math import exp, log, sqrt

import numpy as np
import pytest

from brinewatch.forecast.air_off import AirOffTest, NotMeasured, measure, put_air_back
from brinewatch.forecast.belief import Belief, believed
from brinewatch.forecast.oxygen_budget import Feeding, TankOxygen, Water

DAY = date(2026, 5, 10)
MADE = datetime(2026, 5, 1, 9, 0, tzinfo=UTC).timestamp()
WATER = Water(14.0, 33.0)


def tank(**more: object) -> TankOxygen:
    body = {"volume_L": 1000.0, "surface_m2": 1.5, "animals": "urchin", "biomass_kg": 30.0, "biomass_on": DAY}
    return TankOxygen.model_validate({**body, **more})


def fall(rate: float, *, minutes: float = 12.0, noise: float = 0.015, start: float = 7.6, seed: int = 1,
         lag_s: float = 30.0) -> list[tuple[float, float]]:  # fmt: skip
    """Readings every 5 s of a straight fall (mg/L/h) seen by a probe with a first-order lag."""
    rng = np.random.default_rng(seed)
    stamps = np.arange(0.0, 60.0 * minutes, 5.0)
    seen = start - rate / 3600.0 * (stamps - lag_s * (1.0 - np.exp(-stamps / lag_s)))
    return [(float(t), float(c + noise * rng.standard_normal())) for t, c in zip(stamps, seen, strict=True)]


def measured(readings: list[tuple[float, float]], *, stirred: bool = True, **more: object) -> AirOffTest:
    return measure("nursery", tank(**more), Feeding.FED, WATER, readings, 0.0, MADE, "a keeper", stirred=stirred)


@pytest.mark.parametrize("seed", range(5))
def test_a_known_fall_comes_back_with_what_the_surface_gave(seed: int) -> None:
    found = measured(fall(0.9, seed=seed), kl_m_d=None)
    assert found.fall_mg_L_h == pytest.approx(0.9, rel=0.12)
    # demand = fall + kL A/V (Cs - C): 0.6 m/d stirred, at 14 degC
    gained = 0.6 / 24.0 * 1.024**-6 * 1.5 * (WATER.saturated_mg_L - 0.5 * (found.start_mg_L + found.end_mg_L))
    assert found.demand_mg_h == pytest.approx(1000.0 * (found.fall_mg_L_h + gained))
    assert 0.12 < found.ln_sd < 0.3
    assert found.scatter_mg_L == pytest.approx(0.015, rel=0.5)
    assert found.stirred


def test_still_water_is_believed_less_than_stirred() -> None:
    assert measured(fall(0.9), stirred=False).ln_sd > 0.35 > 0.3 > measured(fall(0.9)).ln_sd


def test_a_few_wild_readings_change_little() -> None:
    clean = fall(0.9)
    wild = [(t, c - 3.0 if at % 17 == 0 else c) for at, (t, c) in enumerate(clean)]
    assert measured(wild).fall_mg_L_h == pytest.approx(measured(clean).fall_mg_L_h, rel=0.08)


def test_the_first_minutes_of_a_slow_probe_are_left_out() -> None:
    slow = fall(0.9, lag_s=60.0, noise=0.005, minutes=14.0)
    found = measure("nursery", tank(), Feeding.FED, WATER, slow, 0.0, MADE, "a keeper", probe_lag_s=60.0)
    assert found.fall_mg_L_h == pytest.approx(0.9, rel=0.04)


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ([], "0.0 min of readings after the first 1.5: expected 8 or more; 0 readings: expected 10 or more"),
        (fall(0.9, minutes=6.0), "4.4 min of readings"),
        (fall(0.9)[::30], "readings: expected 10 or more"),
        (fall(-0.6), "oxygen fell -0."),
        (fall(0.02), "is uncertain by"),
        (fall(0.9, noise=0.4, seed=3), "uncertain by"),
        ([(t, c if t < 400 else 7.5 + 0.5 * (t - 400) / 3600) for t, c in fall(0.9, noise=0.002)], "fall steadily"),
        (fall(0.9, start=3.0), "where the animals breathe less"),
    ],
    ids=["none", "short", "sparse", "rising", "flat", "noisy", "air came back", "too low"],
)
def test_readings_that_prove_nothing_are_refused(readings: list[tuple[float, float]], said: str) -> None:
    with pytest.raises(NotMeasured, match="Air-off test of nursery") as refused:
        measured(readings)
    assert said in refused.value.what
    assert "repeat it" in refused.value.hint.lower()


def test_when_to_put_the_air_back() -> None:
    assert put_air_back(300.0, 88.0) == ""
    assert put_air_back(900.0, 88.0) == "15 min have passed: put the air back on"
    assert put_air_back(10.0, 69.6) == "oxygen 70 %: put the air back on"
    assert put_air_back(10.0, None) == "no oxygen reading: put the air back on"


def test_it_is_kept_as_plain_json() -> None:
    found = measured(fall(0.9))
    assert AirOffTest.from_dict(json.loads(json.dumps(found.to_dict()))) == found


@pytest.mark.parametrize("change", [{"demand_mg_h": 0.0}, {"ln_sd": float("nan")}, {"feeding": "hungry"}])
def test_a_body_that_is_not_ours_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"air-off test|hungry"):
        AirOffTest.from_dict({**measured(fall(0.9)).to_dict(), **change})
    with pytest.raises(TypeError):
        AirOffTest.from_dict({"feeding": "fed", "colour": "blue"})


def belief(day: date = DAY, test: AirOffTest | None = None, feeding: Feeding = Feeding.FED, celsius: float = 14.0,
           **more: object) -> Belief:  # fmt: skip
    return believed(tank(**more), feeding, celsius, day, test)


def test_assumed_figures_and_the_age_of_the_biomass() -> None:
    fresh = belief()
    assert fresh.demand.whole == pytest.approx(30.0 * 25.0 / 1000.0 + 0.05)
    assert fresh.ln_sd == pytest.approx(sqrt(0.42**2 + 0.15**2))
    assert fresh.notes == ()
    assert belief(DAY + timedelta(days=30)).ln_sd == fresh.ln_sd
    old = belief(DAY + timedelta(days=75))
    assert old.notes == ("biomass 75 days old",)
    assert old.ln_sd > fresh.ln_sd
    undated = belief(biomass_on=None)
    assert undated.notes == ("biomass has no date",)
    assert undated.ln_sd > fresh.ln_sd
    assert belief(DAY + timedelta(days=5000)).ln_sd == 0.8


def test_a_measured_demand_is_carried_to_another_day() -> None:
    test = replace(measured(fall(0.9)), demand_mg_h=1000.0, ln_sd=0.15)
    same = belief(test=test)
    # 950 mg/h of animals at 14 degC, 50 of the water; at 12 degC the animals use Q10^-0.2 of it
    assert same.demand.whole == pytest.approx((950.0 * 2.1**-0.2 + 50.0) / 1000.0)
    assert same.demand.at(tank(), 14.0).whole == pytest.approx(1.0)
    assert same.ln_sd == pytest.approx(sqrt(0.15**2 + 0.15**2))
    assert same.ln_sd < belief().ln_sd
    assert same.basis == "demand measured with the air off"
    warm = belief(test=test, celsius=24.0)
    assert warm.demand == same.demand
    assert warm.ln_sd == pytest.approx(sqrt(2 * 0.15**2 + 0.15**2))
    fasted = belief(test=test, feeding=Feeding.FASTED)
    assert fasted.demand.whole == pytest.approx((0.65 * 950.0 * 2.1**-0.2 + 50.0) / 1000.0)
    grown = belief(test=test, biomass_kg=36.0)
    assert grown.notes == ("biomass +20 % since the test",)
    assert grown.demand.whole == pytest.approx((1.2 * 950.0 * 2.1**-0.2 + 50.0) / 1000.0)
    old = belief(date(2026, 7, 10), test=test)
    assert old.notes == ("air-off test 70 days old",)
    assert same.ln_sd < old.ln_sd < 0.4


def test_guesses_of_water_and_filter_take_no_more_than_half_of_what_was_measured() -> None:
    test = replace(measured(fall(0.9)), demand_mg_h=1000.0, ln_sd=0.15)
    heavy = belief(test=test, filter_mg_h=5000.0)
    assert heavy.demand.whole == pytest.approx((500.0 * 2.1**-0.2 + 500.0) / 1000.0)
    assert heavy.demand.share == pytest.approx(1.0 / (1.0 + exp(0.2 * log(2.1))))
