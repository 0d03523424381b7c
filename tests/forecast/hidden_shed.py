"""Tanks whose oxygen falls by other laws than the forecast's own, with numbers the forecast is not told.

A column of five layers with an eddy diffusivity that comes and goes; animals on the floor and on the walls, each
breathing by a sigmoid of the oxygen around it, by Arrhenius' law of its temperature, by the hour of the day and by
moods; bacteria by Monod; a surface whose gas transfer follows the Schmidt number and draughts; water that warms or
cools towards the room. The probe hangs in one layer, lags, drifts, hisses, is a little out of calibration and shows
two decimals. All trials run side by side in arrays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from brinewatch.seawater.oxygen import benson_krause

Array = NDArray[np.float64]
LAYERS = 5
STEP_S = 10.0
SALINITY = 32.0
_BOLTZMANN = 8.617e-5  # eV/K
_GRID_C = np.arange(-1.0, 36.0, 0.25)
_GRID_CS = np.array([benson_krause(float(t), SALINITY) for t in _GRID_C])


def saturated(temperature_C: Array) -> Array:
    return np.interp(temperature_C, _GRID_C, _GRID_CS)


@dataclass
class Sheds:
    """The hidden numbers of `count` tanks; every field has that length."""

    count: int
    volume_L: Array
    depth_m: Array
    biomass_kg: Array
    uptake: Array  # mg/kg/h at 12 degC, oxygen plentiful
    energy_eV: Array
    half_percent: Array
    power: Array
    floor: Array  # share of the animals on the floor
    film: Array  # bacteria, mg/L/h
    kl_m_d: Array
    diffusivity: Array  # m2/s
    temperature_C: Array
    room_C: Array
    settling_h: Array
    start_percent: Array
    hour: Array
    swing: Array
    unrest: Array
    probe_layer: NDArray[np.int64]
    lag_s: Array
    gain: Array


def draw(count: int, rng: np.random.Generator) -> Sheds:
    """Tanks as they might stand in a shed: 5 to 60 kg of urchins in a cubic metre, 6 to 20 degC."""

    def spread(middle: float, ln_sd: float, low: float, high: float) -> Array:
        return np.clip(middle * np.exp(ln_sd * rng.standard_normal(count)), low, high)

    volume = np.exp(rng.uniform(np.log(60.0), np.log(3000.0), count))
    temperature = rng.uniform(6.0, 20.0, count)
    return Sheds(
        count=count,
        volume_L=volume,
        depth_m=rng.uniform(0.25, 0.9, count),
        biomass_kg=volume / 1000.0 * np.exp(rng.uniform(np.log(5.0), np.log(60.0), count)),
        uptake=spread(21.0, 0.35, 7.0, 60.0),
        energy_eV=rng.uniform(0.40, 0.70, count),
        half_percent=rng.uniform(8.0, 20.0, count),
        power=rng.uniform(1.2, 3.0, count),
        floor=rng.uniform(0.5, 0.95, count),
        film=spread(0.06, 0.6, 0.01, 0.4),
        kl_m_d=spread(0.12, 0.7, 0.03, 0.6),
        # of free convection under a surface that loses 30 W/m2: 0.1 w* h, with w* = (B h)^(1/3) (computed)
        diffusivity=spread(1e-4, 0.9, 1e-5, 4e-4),
        temperature_C=temperature,
        room_C=temperature + rng.uniform(-6.0, 6.0, count),
        settling_h=rng.uniform(8.0, 40.0, count),
        start_percent=rng.uniform(80.0, 103.0, count),
        hour=rng.uniform(0.0, 24.0, count),
        swing=rng.uniform(0.0, 0.2, count),
        unrest=rng.uniform(-0.05, 0.3, count),
        probe_layer=rng.integers(0, LAYERS, count),
        lag_s=rng.uniform(10.0, 90.0, count),
        gain=1.0 + 0.01 * rng.standard_normal(count),
    )


@dataclass
class Run:
    """By time step and trial. percent_*: true oxygen of saturation; shown: what the probe said, mg/L."""

    seconds: Array
    temperature_C: Array
    shown: Array
    percent_probe: Array
    percent_mean: Array
    percent_floor: Array


def run(sheds: Sheds, hours: float, rng: np.random.Generator, *, stirred: NDArray[np.bool_] | None = None) -> Run:
    """Every tank from the stop of its air for so many hours."""
    n, steps = sheds.count, round(hours * 3600 / STEP_S)
    rows = np.arange(n)
    dz = sheds.depth_m / LAYERS
    where = np.full((n, LAYERS), 1.0)
    where *= ((1.0 - sheds.floor) / LAYERS)[:, None]
    where[:, 0] += sheds.floor  # layer 0 is the floor
    stir = np.zeros(n, dtype=bool) if stirred is None else stirred
    oxygen = np.repeat((saturated(sheds.temperature_C) * sheds.start_percent / 100.0)[:, None], LAYERS, axis=1)
    temperature = sheds.temperature_C.copy()
    probe = oxygen[rows, sheds.probe_layer].copy()
    mood, mixing, draught, hiss = (np.zeros(n) for _ in range(4))
    out = Run(np.arange(steps) * STEP_S, *(np.empty((steps, n)) for _ in range(5)))
    dt_h = STEP_S / 3600.0

    def wander(x: Array, hours_: float, sd: float) -> Array:
        keep = np.exp(-dt_h / hours_)
        return x * keep + sd * np.sqrt(1.0 - keep**2) * rng.standard_normal(n)

    for step in range(steps):
        full = saturated(temperature)
        percent = 100.0 * oxygen / full[:, None]
        out.temperature_C[step] = temperature
        out.percent_probe[step] = percent[rows, sheds.probe_layer]
        out.percent_mean[step] = percent.mean(axis=1)
        out.percent_floor[step] = percent[:, 0]
        out.shown[step] = np.round(sheds.gain * probe + hiss + 0.02 * rng.standard_normal(n), 2)

        mood, mixing = wander(mood, 2.0, 0.08), wander(mixing, 0.5, 0.5)
        draught, hiss = wander(draught, 0.7, 0.4), wander(hiss, 0.08, 0.015)
        passed = step * dt_h
        active = (1.0 + sheds.swing * np.sin(2 * np.pi * (sheds.hour + passed) / 24.0)) * np.exp(mood)
        active *= 1.0 + sheds.unrest * np.exp(-passed / 1.2)
        warm = np.exp(-sheds.energy_eV / _BOLTZMANN * (1.0 / (temperature + 273.15) - 1.0 / 285.15))
        eased = percent ** sheds.power[:, None]
        eased /= eased + (sheds.half_percent**sheds.power)[:, None]
        animals = (sheds.biomass_kg * sheds.uptake * warm * active)[:, None] * where * eased
        used = animals / (sheds.volume_L[:, None] / LAYERS)
        used += sheds.film[:, None] * oxygen / (oxygen + 0.5)
        k = np.clip(sheds.diffusivity * np.exp(mixing), 8e-6, 4e-4)
        k = np.minimum(np.where(stir, 4e-4, k), 0.25 * dz * dz / STEP_S)  # as fast as this step can show
        flux = (k / dz)[:, None] * np.diff(oxygen, axis=1)  # down, from each layer into the one below, mg/L m/s
        change = np.zeros_like(oxygen)
        change[:, :-1] += flux / dz[:, None]
        change[:, 1:] -= flux / dz[:, None]
        schmidt = 1.0 / (1.0 + 0.04 * (temperature - 20.0) / 2.0)
        kl = sheds.kl_m_d / 86400.0 * np.sqrt(1.0 / np.clip(schmidt, 0.3, 3.0)) * np.exp(draught)
        kl = np.where(stir, 5.0 * kl, kl)
        change[:, -1] += kl / dz * (full - oxygen[:, -1])
        oxygen = np.maximum(0.0, oxygen + change * STEP_S - used * dt_h)
        temperature = temperature + (sheds.room_C - temperature) / sheds.settling_h * dt_h
        probe = probe + (oxygen[rows, sheds.probe_layer] - probe) * (1.0 - np.exp(-STEP_S / sheds.lag_s))
    return out


def first_below(percent: Array, limit: float, seconds: Array) -> Array:
    """Seconds of the first crossing of each trial; infinite where there was none."""
    below = percent <= limit
    found = np.argmax(below, axis=0)
    return np.where(below.any(axis=0), seconds[found], np.inf)
