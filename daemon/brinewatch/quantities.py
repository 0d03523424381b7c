"""The one table of what is measured: key, name, symbol, unit, physical span, decimals shown.

A value outside `low..high` cannot be true of any shed and fails the gross-range test; tighter spans are settings
of the probe. Decimals are a ceiling for showing a number, not a claim of accuracy. The scale of a pH is part of the
quantity: `ph` is on the NBS scale, as glass electrodes and their buffers are, `ph_total` on the total scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measurable thing. `states` names those of one that is in one of several states (value 0, 1, 2 ...)."""

    key: str
    name: str
    symbol: str
    unit: str
    low: float
    high: float
    decimals: int
    states: tuple[str, ...] | None = None
    derived: bool = False
    # other units a probe may speak: canonical = factor * x + offset
    units: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def to_canonical(self, value: float, unit: str) -> float:
        """A value in one of the accepted units, in this quantity's own. KeyError for an unknown unit."""
        if unit == self.unit:
            return value
        factor, offset = self.units[unit]
        return factor * value + offset

    def from_canonical(self, value: float, unit: str) -> float:
        """The way back, for showing."""
        if unit == self.unit:
            return value
        factor, offset = self.units[unit]
        return (value - offset) / factor

    def accepts(self, unit: str) -> bool:
        return unit == self.unit or unit in self.units


_PA = 1e-3
_INCH_H2O = 0.2490889  # kPa in an inch of water at 4 degC (NIST SP 811, table B.8)
_PRESSURE = {
    "Pa": (_PA, 0.0), "hPa": (0.1, 0.0), "mbar": (0.1, 0.0), "bar": (100.0, 0.0),
    "inH2O": (_INCH_H2O, 0.0), "mmH2O": (9.80665e-3, 0.0), "psi": (6.894757, 0.0),
}  # fmt: skip
_BAROMETER = {
    "kPa": (10.0, 0.0), "Pa": (0.01, 0.0), "mbar": (1.0, 0.0), "mmHg": (1 / 0.750061683, 0.0),
    "inHg": (33.86389, 0.0),
}  # fmt: skip
_TEMPERATURE = {"degF": (5 / 9, -160 / 9), "mdegC": (1e-3, 0.0)}
_FLOW = {"m3/h": (1000 / 60, 0.0), "L/s": (60.0, 0.0), "L/h": (1 / 60, 0.0)}
# IUPAC masses, g/mol: test kits print ions as often as nitrogen
_N, _NH3, _NH4, _NO2, _NO3 = 14.0067, 17.0305, 18.0385, 46.0055, 62.0049
_ALKALINITY = {"mg/L CaCO3": (1 / 50.0435, 0.0), "dKH": (1 / 2.8041, 0.0), "mmol/L": (1.0, 0.0)}

_TABLE = (
    Quantity("temperature", "temperature", "T", "degC", -5, 50, 1, units=_TEMPERATURE),
    Quantity("air_temperature", "air temperature", "T air", "degC", -40, 60, 1, units=_TEMPERATURE),
    Quantity("oxygen", "dissolved oxygen", "O2", "mg/L", 0, 40, 2),
    Quantity("oxygen_saturation", "oxygen saturation", "O2", "%", 0, 400, 1),
    Quantity("oxygen_deficit", "oxygen below saturation", "O2 deficit", "mg/L", -40, 40, 2, derived=True),
    Quantity("oxygen_tension", "oxygen partial pressure", "pO2", "hPa", 0, 2000, 0, derived=True,
             units={"kPa": (10.0, 0.0), "mmHg": (1 / 0.750061683, 0.0)}),
    Quantity("ph", "pH", "pH", "pH", 0, 14, 2),
    Quantity("ph_total", "pH on the total scale", "pH total", "pH total", 0, 14, 2),
    Quantity("ph_potential", "pH electrode potential", "E", "mV", -1500, 1500, 1, units={"V": (1000.0, 0.0)}),
    Quantity("salinity", "practical salinity", "S", "PSS-78", 0, 70, 1),
    Quantity("conductivity", "conductivity at the water's temperature", "C", "mS/cm", 0, 120, 2,
             units={"uS/cm": (1e-3, 0.0), "S/m": (10.0, 0.0)}),
    Quantity("specific_conductance", "specific conductance at 25 degC", "SC", "mS/cm", 0, 120, 2,
             units={"uS/cm": (1e-3, 0.0), "S/m": (10.0, 0.0)}),
    Quantity("air_pressure", "air supply pressure", "air", "kPa", -20, 100, 1, units=_PRESSURE),
    Quantity("air_rise", "air pressure over static head", "air over head", "kPa", -120, 100, 1, derived=True,
             units=_PRESSURE),
    Quantity("barometric_pressure", "station pressure", "p", "hPa", 500, 1100, 1, units=_BAROMETER),
    Quantity("branch_pressure", "air pressure in a branch", "branch", "kPa", -20, 100, 1, units=_PRESSURE),
    Quantity("standby_air", "stand-by air pump", "stand-by", "state", 0, 1, 0, states=("resting", "running")),
    Quantity("air_flow", "air flow", "air flow", "L/min", 0, 1000000, 0, units=_FLOW),
    Quantity("air_state", "air supply", "air", "state", 0, 4, 0, derived=True,
             states=("stopped", "line open", "partly blocked", "relief open", "normal")),
    Quantity("air_rise_trend", "trend of air over head", "air trend", "kPa/30 d", -1000, 1000, 2, derived=True),
    Quantity("air_rise_excess", "air over head, above clean", "air fouling", "kPa", -100, 100, 1, derived=True,
             units=_PRESSURE),
    Quantity("blower_hours", "blower hours", "hours", "h", 0, 10000000, 1, derived=True),
    Quantity("blower_starts", "blower starts", "starts", "in 24 h", 0, 100000, 0, derived=True),
    Quantity("water_flow", "water flow", "flow", "L/min", 0, 100000, 0, units=_FLOW),
    Quantity("water_level", "water level", "level", "cm", -100, 2000, 1, units={"m": (100.0, 0.0),
             "mm": (0.1, 0.0)}),
    Quantity("level_switch", "level switch", "level", "state", 0, 1, 0, states=("low", "in order")),
    Quantity("high_level_switch", "high level switch", "level", "state", 0, 1, 0, states=("high", "in order")),
    Quantity("head_loss", "head loss", "head loss", "cm", -100, 1000, 1, units={"m": (100.0, 0.0),
             "mm": (0.1, 0.0), "kPa": (100 / 10.05, 0.0)}),
    Quantity("make_up", "make-up water", "make-up", "state", 0, 1, 0, states=("shut", "open")),
    Quantity("siphon", "siphon", "siphon", "state", 0, 1, 0, states=("broken", "running")),
    Quantity("bypass", "bypass", "bypass", "state", 0, 1, 0, states=("open", "shut")),
    Quantity("foam", "foam in the neck", "foam", "state", 0, 1, 0, states=("none", "rising")),
    Quantity("cup_level", "foam cup", "cup", "state", 0, 1, 0, states=("full", "in order")),
    Quantity("lamp", "steriliser lamp", "lamp", "state", 0, 1, 0, states=("off", "on")),
    Quantity("lamp_hours", "hours of the lamp", "lamp hours", "h", 0, 1000000, 0),
    Quantity("mains", "mains power", "mains", "state", 0, 1, 0, states=("off", "on")),
    Quantity("board_supply", "supply of the computer", "board", "state", 0, 1, 0, states=("low", "in order")),
    Quantity("board_temperature", "temperature of the computer", "T board", "degC", -40, 130, 0,
             units=_TEMPERATURE),
    Quantity("board_speed", "speed of the computer", "board speed", "state", 0, 1, 0,
             states=("slowed", "in order")),
    Quantity("battery", "back-up battery", "battery", "state", 0, 1, 0, states=("low", "in order")),
    Quantity("battery_voltage", "back-up battery voltage", "battery", "V", 0, 1000, 1, units={"mV": (1e-3, 0.0)}),
    Quantity("motor_current", "motor current", "I", "A", 0, 1000, 2, units={"mA": (1e-3, 0.0)}),
    Quantity("turbidity", "turbidity", "turb", "FNU", -5, 10000, 0),
    Quantity("depth", "sensor depth", "depth", "m", -1, 200, 2, units={"cm": (0.01, 0.0)}),
    Quantity("tan", "total ammonia as N", "TAN", "mg/L N", 0, 200, 2,
             units={"mg/L NH3": (_N / _NH3, 0.0), "mg/L NH4": (_N / _NH4, 0.0)}),
    Quantity("nitrite", "nitrite as N", "NO2-N", "mg/L N", 0, 500, 2, units={"mg/L NO2": (_N / _NO2, 0.0)}),
    Quantity("nitrate", "nitrate as N", "NO3-N", "mg/L N", 0, 5000, 0, units={"mg/L NO3": (_N / _NO3, 0.0)}),
    Quantity("alkalinity", "alkalinity", "TA", "meq/L", 0, 20, 2, units=_ALKALINITY),
    Quantity("nh3_n", "un-ionized ammonia as N", "NH3-N", "mg/L N", 0, 100, 3, derived=True,
             units={"mg/L NH3": (_N / _NH3, 0.0)}),
    Quantity("co2", "free carbon dioxide", "CO2", "mg/L", 0, 500, 1),
    Quantity("gas_excess", "gas tensions over air pressure", "dP", "hPa", -1100, 2000, 0,
             units={"kPa": (10.0, 0.0), "mmHg": (1 / 0.750061683, 0.0)}),
    Quantity("total_gas", "total gas pressure", "TGP", "%", 0, 300, 1, derived=True),
    Quantity("calcium", "calcium", "Ca", "mg/L", 0, 2000, 0),
    Quantity("refractometer_salinity", "salinity by refractometer", "S refr.", "PSS-78", 0, 70, 1),
    Quantity("feed_given", "feed given", "feed", "g", 0, 1000000, 0, units={"kg": (1000.0, 0.0)}),
    Quantity("feed_left", "feed left over", "feed left", "g", 0, 1000000, 0, units={"kg": (1000.0, 0.0)}),
    Quantity("deaths", "animals found dead", "deaths", "animals", 0, 10000000, 0),
    Quantity("animals_taken", "animals taken out", "taken", "animals", 0, 10000000, 0),
    Quantity("mean_weight", "mean live weight", "weight", "g", 0, 100000, 2,
             units={"kg": (1000.0, 0.0), "mg": (1e-3, 0.0)}),
    Quantity("roe_yield", "roe of live weight", "roe", "%", 0, 100, 1),
    Quantity("meat_yield", "meat of live weight", "meat", "%", 0, 100, 1),
    Quantity("water_change", "water changed", "change", "L", 0, 10000000, 0, units={"m3": (1000.0, 0.0)}),
    Quantity("cleaning", "cleaning", "cleaning", "state", 0, 1, 0, states=("not done", "done")),
    Quantity("inspection", "look at the animals", "look", "state", 0, 1, 0, states=("not done", "done")),
    Quantity("media_hours", "hours of the filter media", "media hours", "h", 0, 1000000, 0),
    Quantity("start_up", "start-up of the filter", "start-up", "state", 0, 4, 0, derived=True,
             states=("not begun", "ammonia rising", "nitrite rising", "nitrite falling", "mature")),
    Quantity("attended_switch", "switch for work in the shed", "attended", "state", 0, 1, 0,
             states=("nobody", "somebody")),
    Quantity("shed_sign", "sign of life of the shed", "sign", "state", 0, 4, 0,
             states=("off", "ill", "strained", "stopped", "well")),
    Quantity("coverage", "time every critical alarm could call", "watch", "%", 0, 100, 0),
    Quantity("health", "health of this part of the watch", "part", "state", 0, 1, 0, states=("failing", "well")),
)  # fmt: skip

QUANTITIES: Mapping[str, Quantity] = {quantity.key: quantity for quantity in _TABLE}
