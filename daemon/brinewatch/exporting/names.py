"""Our quantities by the names of the CF conventions (standard name table, cfconventions.org), where they have one.

From memory: nobody held them against the published table. A quantity without a line has no standard name, or one
that means something else: pH on the NBS scale is not pH on the total scale, nitrogen as N is not the ion.
"""

from __future__ import annotations

from collections.abc import Mapping

# quantity: standard name, and our unit as UDUNITS writes it
STANDARD: Mapping[str, tuple[str, str]] = {
    "temperature": ("sea_water_temperature", "degree_Celsius"),
    "air_temperature": ("air_temperature", "degree_Celsius"),
    "oxygen": ("mass_concentration_of_oxygen_in_sea_water", "mg L-1"),
    "oxygen_saturation": ("fractional_saturation_of_oxygen_in_sea_water", "percent"),
    "ph_total": ("sea_water_ph_reported_on_total_scale", "1"),
    "salinity": ("sea_water_practical_salinity", "1"),
    "conductivity": ("sea_water_electrical_conductivity", "mS cm-1"),
    "barometric_pressure": ("surface_air_pressure", "hPa"),
    "turbidity": ("sea_water_turbidity", "1"),
    "battery_voltage": ("battery_voltage", "V"),
}

# units as UDUNITS reads them, where ours is written otherwise
_UNITS = {
    "degC": "degree_Celsius", "mg/L": "mg L-1", "mg/L N": "mg L-1", "mS/cm": "mS cm-1", "L/min": "L min-1",
    "%": "percent", "PSS-78": "1", "pH": "1", "pH total": "1", "state": "1", "FNU": "1", "meq/L": "meq L-1",
    "kPa/30 d": "kPa (30 day)-1", "in 24 h": "day-1", "part": "1",
}  # fmt: skip


def standard_name(quantity: str) -> str:
    """The CF standard name, "" when there is none."""
    found = STANDARD.get(quantity)
    return "" if found is None else found[0]


def cf_unit(quantity: str, unit: str) -> str:
    """A unit as UDUNITS reads it."""
    found = STANDARD.get(quantity)
    return found[1] if found is not None else _UNITS.get(unit, unit)
