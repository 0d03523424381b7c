"""Values as people see them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from brinewatch.quantities import QUANTITIES
from brinewatch.signals.display import DisplayUnits, show

METRIC = DisplayUnits()
OTHER = DisplayUnits(temperature="degF", pressure="inH2O", salinity="specific gravity")


@pytest.mark.parametrize(
    ("quantity", "value", "metric", "other"),
    [
        ("temperature", 12.14, "12.1 C", "53.9 F"),
        ("air_temperature", -40.0, "-40.0 C", "-40.0 F"),
        # NIST SP 811: 1 inH2O (4 degC) = 0.2490889 kPa; handbook: 1 m of seawater is 10.1 kPa, 40 inH2O
        ("air_pressure", 10.05, "10.1 kPa", "40.3 inH2O"),
        ("air_rise", -2.0, "-2.0 kPa", "-8.0 inH2O"),
        # EOS-80: S 35 at 25/25 degC is 1.0264
        ("salinity", 35.0, "35.0 PSS-78", "1.0264 SG"),
        ("salinity", 60.0, "60.0 PSS-78", "60.0 PSS-78"),
        ("oxygen_saturation", 91.26, "91.3 %", "91.3 %"),
        ("oxygen", 8.016, "8.02 mg/L", "8.02 mg/L"),
        ("ph", 8.049, "pH 8.05", "pH 8.05"),
        ("nh3_n", 0.0214, "0.021 mg/L N", "0.021 mg/L N"),
        ("barometric_pressure", 1013.25, "1013.2 hPa", "1013.2 hPa"),
        ("mains", 0.0, "off", "off"),
        ("mains", 1.0, "on", "on"),
        ("air_state", 0.0, "stopped", "stopped"),
        ("air_state", 4.0, "normal", "normal"),
        ("blower_starts", 3.0, "3 in 24 h", "3 in 24 h"),
        ("air_rise_trend", 0.123, "0.12 kPa/30 d", "0.12 kPa/30 d"),
        ("level_switch", 0.0, "low", "low"),
        ("temperature", -0.01, "0.0 C", "32.0 F"),
        ("turbidity", 12.4, "12 FNU", "12 FNU"),
    ],
)
def test_shown(quantity: str, value: float, metric: str, other: str) -> None:
    assert show(quantity, value, METRIC) == metric
    assert show(quantity, value, OTHER) == other


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_is_shown_as_none(value: float) -> None:
    assert show("oxygen", value, METRIC) == "no value"
    assert show("mains", value, OTHER) == "no value"


@given(st.sampled_from(sorted(QUANTITIES)), st.floats(-1e6, 1e6), st.sampled_from([METRIC, OTHER]))
def test_every_text_is_one_septet_a_character(quantity: str, value: float, units: DisplayUnits) -> None:
    # 3GPP TS 23.038: printable ASCII but for these is in the basic table
    text = show(quantity, value, units)
    assert text.isascii()
    assert text.isprintable()
    assert not set(text) & set("^{}\\[~]|`")


def test_unknown_units_and_quantities_are_refused() -> None:
    with pytest.raises(ValidationError, match="'degC' or 'degF'"):
        DisplayUnits.model_validate({"temperature": "K"})
    with pytest.raises(KeyError):
        show("happiness", 1.0, METRIC)
