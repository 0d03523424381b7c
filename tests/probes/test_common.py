"""Channels: what may be measured in which unit, and how a number becomes a Sample."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from brinewatch.errors import BadAnswer, Fault, NoAnswer, PortLost, ProbeFault
from brinewatch.moment import Moment
from brinewatch.probes.build import BusSettings
from brinewatch.probes.common import ChannelSettings, no_sample, sample_of
from brinewatch.probes.manual import ManualProbe
from brinewatch.readings import Flag
from brinewatch.settings import faults_of

AT = Moment(100.0, 1.6e9, True)


def channel(point: str, **more: Any) -> ChannelSettings:
    return ChannelSettings.model_validate({"point": point, **more})


@pytest.mark.parametrize(
    ("settings", "raw", "value"),
    [
        # conversion factors: NIST SP 811 table B.8 (in H2O at 4 degC, psi); 1 bar = 100 kPa; degF by definition
        ({"point": "manifold.air_pressure", "unit": "inH2O"}, 60.0, 14.945334),
        ({"point": "manifold.air_pressure", "unit": "psi"}, 2.0, 13.789514),
        ({"point": "manifold.air_pressure", "unit": "mbar"}, 184.0, 18.4),
        ({"point": "room.air_temperature", "unit": "degF"}, 50.0, 10.0),
        ({"point": "room.air_temperature", "unit": "degF", "scale": 0.1}, 500.0, 10.0),
        ({"point": "raceway.water_flow", "unit": "m3/h"}, 6.0, 100.0),
        ({"point": "sump.water_level", "unit": "mm", "scale": -1.0, "offset": 900.0}, 500.0, 40.0),
        ({"point": "nursery.oxygen", "scale": 0.01, "offset": 0.1}, 812.0, 8.22),
    ],
)
def test_scale_and_offset_come_before_the_unit(settings: dict[str, Any], raw: float, value: float) -> None:
    sample = sample_of(ChannelSettings.model_validate(settings), "probe", raw, AT)
    assert (sample.value, sample.raw, sample.flag) == (pytest.approx(value), raw, Flag.PASS)
    assert (sample.at, sample.probe, sample.reason) == (AT, "probe", "")


@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_gives_no_value(raw: float) -> None:
    sample = sample_of(channel("nursery.oxygen"), "probe", raw, AT)
    assert (sample.value, sample.raw, sample.flag) == (None, None, Flag.FAIL)
    assert "no number" in sample.reason


@given(st.floats(), st.floats(-1e6, 1e6).filter(bool), st.floats(-1e6, 1e6))
def test_a_value_is_always_finite(raw: float, scale: float, offset: float) -> None:
    sample = sample_of(channel("nursery.oxygen", scale=scale, offset=offset), "probe", raw, AT)
    assert (sample.value is None) == (sample.flag is Flag.FAIL)
    assert sample.value is None or math.isfinite(sample.value)
    assert sample.raw is None or math.isfinite(sample.raw)


@pytest.mark.parametrize(("raw", "value"), [(0.0, 0.0), (1.0, 1.0), (2.0, None), (0.5, None), (-1.0, None)])
def test_a_state_is_0_or_1(raw: float, value: float | None) -> None:
    sample = sample_of(channel("room.mains"), "probe", raw, AT)
    assert sample.value == value
    assert (sample.flag is Flag.FAIL) == (value is None)


@pytest.mark.parametrize(
    ("error", "flag"),
    [
        (NoAnswer("silent."), Flag.MISSING),
        (PortLost("gone."), Flag.MISSING),
        (TimeoutError(), Flag.MISSING),
        (BadAnswer("garbled."), Flag.FAIL),
        (ProbeFault("refused."), Flag.FAIL),
        (KeyError("x"), Flag.FAIL),
    ],
)
def test_every_failure_has_a_flag_and_a_reason(error: Exception, flag: Flag) -> None:
    sample = no_sample(channel("nursery.oxygen"), "probe", AT, error)
    assert (sample.value, sample.flag) == (None, flag)
    assert sample.reason


@pytest.mark.parametrize(
    ("wrong", "place", "expected"),
    [
        ({"point": "nursery.oxigen"}, "point", "a known quantity after the dot"),
        ({"point": "Nursery.oxygen"}, "point", "small letters"),
        ({"point": "oxygen"}, "point", "small letters"),
        ({"point": "nursery.nh3_n"}, "point", "worked out from others"),
        ({"point": "store.health"}, "point", "worked out from others"),
        ({"point": "nursery.oxygen", "unit": "ppm"}, "unit", "one of mg/L"),
        ({"point": "m.air_pressure", "unit": "kpa"}, "unit", "one of kPa, Pa, hPa"),
        ({"point": "nursery.oxygen", "scale": 0}, "scale", "other than 0"),
        ({"point": "nursery.oxygen", "scale": "1"}, "scale", "a number"),
        ({"point": "nursery.oxygen", "accuracy": 0}, "accuracy", "greater than 0"),
        ({"point": "nursery.oxygen", "unitt": "mg/L"}, "unitt", "did you mean unit?"),
        ({"point": "nursery.oxygen", "quality": {"low": 9, "high": 8}}, "quality", "low to be less than high"),
    ],
)
def test_one_clear_fault_for_each_wrong_key(wrong: dict[str, Any], place: str, expected: str) -> None:
    bus = {"kind": "manual", "probe": [{"name": "kit", "channel": [wrong]}]}
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(BusSettings).validate_python(bus)
    (fault,) = faults_of(caught.value, "shed.toml", ("bus", "hand"), BusSettings)
    assert isinstance(fault, Fault)
    assert fault.key == f"bus.hand.probe[1].channel[1].{place}"
    assert expected in fault.expected


def test_a_bus_of_unknown_kind_names_the_known_ones() -> None:
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(BusSettings).validate_python({"kind": "telepathy"})
    (fault,) = faults_of(caught.value, "shed.toml", ("bus", "x"), BusSettings)
    for kind in ("modbus_rtu", "line_serial", "onewire", "iio", "gpio", "recorded", "manual"):
        assert kind in fault.expected


@pytest.mark.parametrize(
    ("settings", "points", "every", "deadline"),
    [
        ({}, ["m.air_pressure"], 1.0, 1.0),
        ({}, ["m.oxygen"], 5.0, 2.0),
        ({}, ["m.oxygen", "m.air_pressure"], 1.0, 1.0),
        ({"every_s": 60.0}, ["m.air_pressure"], 60.0, 2.0),
        ({"every_s": 0.1}, ["m.oxygen"], 0.1, 0.5),
        ({"deadline_s": 9.0}, ["m.oxygen"], 5.0, 9.0),
    ],
)
def test_air_is_watched_every_second_and_the_rest_every_five(
    settings: dict[str, float], points: list[str], every: float, deadline: float
) -> None:
    probe = ManualProbe.model_validate({"name": "p", "channel": [{"point": p} for p in points], **settings})
    assert (probe.every, probe.deadline) == (every, deadline)


def test_a_probe_without_channels_is_refused() -> None:
    with pytest.raises(ValidationError, match="at least one channel"):
        ManualProbe.model_validate({"name": "p", "channel": []})
