"""A value as people see it: in the shed's units, with its unit, and no more decimals than it deserves.

The text goes into messages too, so it stays inside the GSM 7-bit alphabet: no degree sign, no micro sign.
"""

from __future__ import annotations

from math import isfinite
from typing import Literal

from pydantic import Field

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater.density import specific_gravity
from brinewatch.settings import Settings

# specific gravity as aquarists' and hatcheries' floats are marked: water and reference both at 25 degC
_SG_REFERENCE_C = 25.0
_SG_HIGHEST_SALINITY = 50.0


class DisplayUnits(Settings):
    """Units shown to people. Limits and settings stay in the quantities' own units."""

    temperature: Literal["degC", "degF"] = Field("degC", description="unit of temperatures shown")
    pressure: Literal["kPa", "inH2O"] = Field("kPa", description="unit of air supply pressures shown")
    salinity: Literal["practical", "specific gravity"] = Field(
        "practical", description="salinity shown as practical salinity, or as specific gravity at 25/25 degC"
    )


def convert(quantity_key: str, value: float, units: DisplayUnits) -> tuple[float, str, int]:
    """The number to show, its unit as text ("" when it has none) and how many decimals."""
    quantity = QUANTITIES[quantity_key]
    if quantity.unit == "degC":
        return quantity.from_canonical(value, units.temperature), units.temperature[-1], quantity.decimals
    if quantity.unit == "kPa":
        return quantity.from_canonical(value, units.pressure), units.pressure, quantity.decimals
    if quantity_key == "salinity" and units.salinity == "specific gravity" and 0.0 <= value <= _SG_HIGHEST_SALINITY:
        return specific_gravity(value, _SG_REFERENCE_C, _SG_REFERENCE_C), "SG", 4
    return value, quantity.unit, quantity.decimals


def show(quantity_key: str, value: float, units: DisplayUnits) -> str:
    """A value of this quantity, given in its own unit, as text: "12.1 C", "pH 8.05", "1.0245 SG", "off".

    KeyError for an unknown quantity.
    """
    quantity = QUANTITIES[quantity_key]
    if not isfinite(value):
        return "no value"
    if quantity.states is not None and value in range(len(quantity.states)):
        return quantity.states[int(value)]
    number, unit, decimals = convert(quantity_key, value, units)
    text = f"{number:.{decimals}f}"
    if text.startswith("-") and float(text) == 0.0:
        text = text[1:]
    if unit == "pH":
        return f"pH {text}"
    return f"{text} {unit}".rstrip()
