"""What is true where a probe is held against it: the value of each reference, with its standard uncertainty.

Every function raises ValueError, naming what was given and what was expected, outside the range of its source.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot

from brinewatch.seawater.electrode import buffer_ph, mV_from_ph, nernst_slope_mV
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.pressure import barometer_doubt, station_pressure_hPa
from brinewatch.seawater.salinity import (
    LINEAR_COMPENSATION,
    conductivity_from_salinity,
    conductivity_from_specific_conductance,
    salinity_from_conductivity,
)
from brinewatch.seawater.validity import within
from brinewatch.signals.records import CalibrationPoint, Reference
from brinewatch.signals.uncertainty import propagate
from brinewatch.signals.upkeep import upkeep_of

OXYGEN = ("oxygen", "oxygen_saturation")
PH = ("ph", "ph_potential")
CONDUCTIVITY = ("conductivity", "specific_conductance", "salinity")
GAUGES = ("air_pressure", "depth")  # zero when open to the air
THERMOMETERS = ("temperature", "air_temperature")

# standard uncertainties of the references themselves; judgement where nothing else is said
_SATURATION = 0.005  # bubbled water is rarely nearer to saturation; the equation itself is good to 0.001
_NO_OXYGEN: Mapping[str, float] = {"oxygen": 0.05, "oxygen_saturation": 0.5}
_BUFFER_PH = 0.01  # technical buffers are sold as within 0.02
_OPEN_AIR: Mapping[str, float] = {"air_pressure": 0.02, "depth": 0.003}
_ICE_C = 0.03  # crushed ice and its own water; 0.002 when prepared with care (ASTM E563, from memory)
_STANDARD = 0.005  # bottles are sold as within 1 %
# what the conditions are known to, when nobody says better
TEMPERATURE_C, SALINITY, BAROMETER_HPA, WEATHER_HPA = 0.2, 0.5, 1.0, 12.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What a probe should say. true, uncertainty: in the quantity's own unit; about: in words; doubt: what speaks
    against it, "" for nothing; name: of the buffer or standard.
    """

    reference: Reference
    true: float
    uncertainty: float
    about: str
    temperature_C: float | None = None
    doubt: str = ""
    name: str = ""

    def held_against(self, said: float, noise: float) -> CalibrationPoint:
        """The calibration point made of this and what the probe said."""
        return CalibrationPoint(
            self.reference, said, self.true, self.uncertainty, noise, self.temperature_C, self.about
        )


@dataclass(frozen=True, slots=True)
class Station:
    """Station pressure, hPa, with its standard uncertainty, where it is from, and why it cannot be (or "")."""

    hPa: float
    uncertainty: float
    about: str
    doubt: str = ""


def station(barometer_hPa: float | None, altitude_m: float) -> Station:
    """From the barometer, or else the mean of the altitude (ISO 2533), where weather is worth 12 hPa or so."""
    if barometer_hPa is None:
        mean = station_pressure_hPa(altitude_m)
        about = f"mean air pressure {mean:.0f} hPa of {altitude_m:.0f} m, no barometer"
        return Station(mean, WEATHER_HPA, about, "without a barometer, weather may put this off by 1 to 5 %")
    about = f"station pressure {barometer_hPa:.1f} hPa"
    return Station(barometer_hPa, BAROMETER_HPA, about, barometer_doubt(barometer_hPa, altitude_m))


def air_saturated(temperature_C: float, salinity: float, air: Station) -> Truth:
    """Water in balance with air, mg/L: Benson & Krause at temperature, salinity and station pressure."""
    known = {"temperature_C": temperature_C, "salinity": salinity, "hPa": air.hPa}
    doubts = {"temperature_C": TEMPERATURE_C, "salinity": SALINITY if salinity else 0.0, "hPa": air.uncertainty}
    value = benson_krause(temperature_C, salinity, air.hPa)
    uncertainty = propagate(
        lambda at: benson_krause(at["temperature_C"], at["salinity"], at["hPa"]),
        known, doubts, own=value * _SATURATION,
    )  # fmt: skip
    assert uncertainty is not None
    about = f"air-saturated water, {temperature_C:.1f} degC, S {salinity:.1f}, {air.about}"
    return Truth(Reference.AIR_SATURATED, value, uncertainty, about, temperature_C, air.doubt)


def air_saturated_percent(temperature_C: float) -> Truth:
    """The same in percent of saturation at station pressure: 100, whatever the water."""
    about = f"air-saturated water, {temperature_C:.1f} degC"
    return Truth(Reference.AIR_SATURATED, 100.0, 100.0 * _SATURATION, about, temperature_C)


def zero_oxygen(quantity: str) -> Truth:
    """Water whose oxygen sulfite has eaten."""
    return Truth(Reference.ZERO_OXYGEN, 0.0, _NO_OXYGEN[quantity], "water without oxygen (sulfite)")


def buffer(quantity: str, nominal: str, temperature_C: float) -> Truth:
    """A pH buffer at its temperature: NBS pH, or the millivolts of a perfect electrode in it.

    Source: the buffer tables and the Nernst slope of seawater.electrode; a perfect electrode gives 0 mV at pH 7.
    """
    ph = buffer_ph(nominal, temperature_C)
    about = f"buffer {nominal}, pH {ph:.2f} at {temperature_C:.1f} degC"
    if quantity == "ph":
        return Truth(Reference.BUFFER, ph, _BUFFER_PH, about, temperature_C, name=nominal)
    slope = nernst_slope_mV(temperature_C)
    # a wrong temperature moves the potential too, the more the farther from pH 7: 0.34 % a kelvin
    own = hypot(slope * _BUFFER_PH, slope * (ph - 7.0) * TEMPERATURE_C / (temperature_C + 273.15))
    return Truth(Reference.BUFFER, mV_from_ph(ph, temperature_C), own, about, temperature_C, name=nominal)


def open_air(quantity: str) -> Truth:
    """A gauge with both sides open to the air."""
    return Truth(Reference.OPEN_AIR, 0.0, _OPEN_AIR[quantity], "open to the air")


def ice() -> Truth:
    """Pure ice melting in its own water: 0.00 degC (ITS-90 puts it at 0.000 within 0.001)."""
    return Truth(Reference.ICE, 0.0, _ICE_C, "melting ice of pure water", 0.0)


def instrument(quantity: str, true: float, uncertainty: float | None) -> Truth:
    """Another instrument beside the probe. uncertainty: one standard one; a usual hand meter's when not known."""
    upkeep = upkeep_of(quantity)
    if upkeep is None:
        raise ValueError(f"quantity = {quantity!r}: expected one that takes a calibration")
    own = upkeep.instrument if uncertainty is None else within("uncertainty", uncertainty, 0.0, 1e6)
    return Truth(Reference.INSTRUMENT, true, own, "reference instrument beside it")


# Aqueous KCl, mS/cm, every 5 degC. By molality from 0 degC: Wu, Koch & Pratt 1991, J. Res. NIST 96:191 and Wu,
# Koch, Feng, Holland, Juhasz, Arvay & Tomek 1994, 99:241, as printed in the CRC Handbook (0.03 to 0.04 %). By the
# name on the bottle from 5 degC: a maker's printed table; its cell for 1.413 at 35 degC is a misprint and left out.
_KCL: Mapping[str, tuple[float, tuple[float, ...]]] = {
    "KCl 1.413 mS/cm": (5.0, (0.896, 1.020, 1.147, 1.278, 1.413, 1.552)),
    "KCl 12.88 mS/cm": (5.0, (8.22, 9.33, 10.48, 11.67, 12.88, 14.12, 15.39)),
    "KCl 0.01 mol/kg": (0.0, (0.77292, 0.89096, 1.01395, 1.14145, 1.27303, 1.40823, 1.54663, 1.68779)),
    "KCl 0.1 mol/kg": (0.0, (7.11685, 8.18370, 9.29172, 10.4371, 11.6159, 12.8246, 14.0592, 15.3160)),
    "KCl 1 mol/kg": (0.0, (63.488, 72.030, 80.844, 89.900, 99.170, 108.620, 118.240, 127.970)),
}  # fmt: skip
SEAWATER = "seawater S 35"
STANDARDS = (SEAWATER, *_KCL)


def standard_conductivity(name: str, temperature_C: float) -> float:
    """Conductivity of a standard at its own temperature, mS/cm.

    Seawater S 35 by PSS-78; KCl from tables every 5 degC with straight lines between (within 0.1 %).
    """
    if name == SEAWATER:
        return conductivity_from_salinity(35.0, within("temperature_C", temperature_C, 0.0, 40.0, "degC"))
    if name not in _KCL:
        raise ValueError(f"standard = {name!r}: expected one of {', '.join(STANDARDS)}")
    start, values = _KCL[name]
    degrees = [start + 5.0 * step for step in range(len(values))]
    within("temperature_C", temperature_C, degrees[0], degrees[-1], "degC")
    right = min(bisect_right(degrees, temperature_C), len(degrees) - 1)
    share = (temperature_C - degrees[right - 1]) / 5.0
    return values[right - 1] + share * (values[right] - values[right - 1])


def conductivity_standard(
    quantity: str, name: str, temperature_C: float, value_mS_cm: float | None = None
) -> Truth:
    """A conductivity standard as the probe should say it: mS/cm, mS/cm compensated to 25 degC, or salinity.

    value_mS_cm: of a bottle not in the tables, read off it, at temperature_C. The compensation is the linear one of
    field meters (1.91 %/K), undone the same way in seawater.salinity.
    """
    if value_mS_cm is None:
        there, about = standard_conductivity(name, temperature_C), name
    else:
        there, about = within("value_mS_cm", value_mS_cm, 0.01, 120.0, "mS/cm"), f"{name}, by its label"
    about = f"{about}, {there:.3f} mS/cm at {temperature_C:.1f} degC"

    def said(at: Mapping[str, float]) -> float:
        if quantity == "salinity":
            return salinity_from_conductivity(at["there"], at["t"])
        if quantity == "specific_conductance":
            return at["there"] / conductivity_from_specific_conductance(1.0, at["t"], LINEAR_COMPENSATION)
        return at["there"]

    # the standard warms with the thermometer's error: what is left of it differs by what is compensated for
    error = 0.0 if quantity != "conductivity" else there * 0.02 * TEMPERATURE_C
    known = {"there": there, "t": temperature_C}
    uncertainty = propagate(said, known, {"there": there * _STANDARD}, own=error)
    assert uncertainty is not None
    return Truth(Reference.STANDARD, said(known), uncertainty, about, temperature_C, name=name)
