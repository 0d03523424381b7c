"""Works of `water salinity` and `water density`."""

from __future__ import annotations

from brinewatch.seawater import density, pressure
from brinewatch.seawater import salinity as pss
from brinewatch.water.work import Choices, Command, Values, Work, absolute, relative

_T = {"temperature_C": (-2.4, 45.0)}
_ST = _T | {"salinity": (0.0, 50.0)}
_STATED_PSS = {"temperature_C": (-2.0, 35.0)}
_STATED_EOS = {"temperature_C": (-2.0, 40.0), "salinity": (0.0, 42.0)}
_PSS = "PSS-78: Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44; below 2 Hill et al. 1986"
_EOS = "EOS-80: Fofonoff & Millard 1983, UNESCO Technical Papers in Marine Science 44"
_GRAVITY = {"reference_temperature_C": (0.0, 45.0)}
_HYDROMETER = f"{_EOS}; glass 25e-6/K (ISO 649 practice, from memory)"


def _own_of_inverse(v: Values, salinity: float) -> float:
    """What EOS-80's own uncertainty is worth in salinity: 1 in salinity is about 0.77 kg/m3."""
    step = 0.1 if salinity < 49.0 else -0.1
    slope = (
        density.density_eos80(salinity + step, v["temperature_C"])
        - density.density_eos80(salinity, v["temperature_C"])
    ) / step
    return density.UNCERTAINTY_KG_M3 / slope


def _in_place(v: Values) -> float:
    return pss.conductivity_from_specific_conductance(
        v["specific_conductance_mS_per_cm"], v["temperature_C"], v["compensation_percent_per_K"] / 100.0
    )


def _back() -> list[Work]:
    """Salinity from density, specific gravity or a hydrometer."""
    return [
        Work("salinity", "practical salinity", "", ("density_kg_per_m3", "temperature_C"),
             lambda v: density.salinity_from_density(v["density_kg_per_m3"], v["temperature_C"]),
             _EOS, _T, {"temperature_C": (-2.0, 40.0)}, _own_of_inverse),
        Work("salinity", "practical salinity", "", ("specific_gravity", "temperature_C", "reference_temperature_C"),
             lambda v: density.salinity_from_specific_gravity(
                 v["specific_gravity"], v["temperature_C"], v["reference_temperature_C"]),
             _EOS, _T | _GRAVITY | {"specific_gravity": (0.98, 1.06)}, {"temperature_C": (-2.0, 40.0)},
             _own_of_inverse),
        Work("salinity", "practical salinity", "",
             ("hydrometer_reading", "temperature_C", "reference_temperature_C"),
             lambda v: density.salinity_from_hydrometer(
                 v["hydrometer_reading"], v["temperature_C"], v["reference_temperature_C"],
                 v.get("hydrometer_right_at_C")),
             _HYDROMETER,
             _T | _GRAVITY | {"hydrometer_reading": (0.98, 1.06), "hydrometer_right_at_C": (0.0, 45.0)},
             {"temperature_C": (-2.0, 40.0)}, _own_of_inverse, optional=("hydrometer_right_at_C",)),
    ]  # fmt: skip


def salinity_works(choices: Choices) -> list[Work]:
    """Practical salinity from conductivity, specific conductance, density or a hydrometer."""
    return [
        Work("salinity", "practical salinity", "",
             ("conductivity_mS_per_cm", "temperature_C", "water_pressure_dbar"),
             lambda v: pss.salinity_from_conductivity(
                 v["conductivity_mS_per_cm"], v["temperature_C"], v["water_pressure_dbar"]),
             _PSS, _T | {"conductivity_mS_per_cm": (0.0, 120.0), "water_pressure_dbar": (0.0, 10000.0)},
             _STATED_PSS, absolute(pss.UNCERTAINTY)),
        Work("conductivity_in_place_mS_per_cm", "conductivity at the water's own temperature", "mS/cm",
             ("specific_conductance_mS_per_cm", "temperature_C", "compensation_percent_per_K"), _in_place,
             "ISO 7888, linear compensation", _T | {"specific_conductance_mS_per_cm": (0.0, 120.0),
                                                    "compensation_percent_per_K": (0.0, 3.0)}),
        Work("salinity", "practical salinity", "",
             ("specific_conductance_mS_per_cm", "temperature_C", "compensation_percent_per_K"),
             lambda v: pss.salinity_from_specific_conductance(
                 v["specific_conductance_mS_per_cm"], v["temperature_C"], v["compensation_percent_per_K"] / 100.0),
             f"the meter's compensation undone (ISO 7888), then {_PSS}",
             _T | {"specific_conductance_mS_per_cm": (0.0, 120.0), "compensation_percent_per_K": (0.0, 3.0)},
             _STATED_PSS, absolute(pss.UNCERTAINTY)),
        *_back(),
        Work("salinity_by_usgs", "by USGS, quadratic in specific conductance", "",
             ("specific_conductance_mS_per_cm",),
             lambda v: pss.salinity_usgs_quadratic(v["specific_conductance_mS_per_cm"]),
             "USGS OWQ Technical Memorandum 2011.03, equation 4; within 0.6 to S 40",
             {"specific_conductance_mS_per_cm": (0.0, 70.0)}, second="salinity"),
    ]  # fmt: skip


def density_works(choices: Choices) -> list[Work]:
    """Density, specific gravity and head from salinity, and back."""
    return [
        *_back(),
        Work("density_kg_per_m3", "density", "kg/m3", ("salinity", "temperature_C", "water_pressure_dbar"),
             lambda v: density.density_eos80(v["salinity"], v["temperature_C"], v["water_pressure_dbar"]),
             _EOS, _ST | {"water_pressure_dbar": (0.0, 10000.0)}, _STATED_EOS, absolute(density.UNCERTAINTY_KG_M3)),
        Work("specific_gravity", "specific gravity, to the reference temperature", "",
             ("salinity", "temperature_C", "reference_temperature_C"),
             lambda v: density.specific_gravity(v["salinity"], v["temperature_C"], v["reference_temperature_C"]),
             _EOS, _ST | _GRAVITY, _STATED_EOS, relative(density.UNCERTAINTY_KG_M3 / 1000.0)),
        Work("static_head_kPa", "pressure under that depth, over the air's", "kPa",
             ("depth_m", "salinity", "temperature_C"),
             lambda v: pressure.static_head_kPa(v["depth_m"], v["salinity"], v["temperature_C"]),
             f"density x 9.80665 m/s2 x depth; {_EOS}", _ST | {"depth_m": (0.0, 50.0)}, _STATED_EOS),
    ]  # fmt: skip


_MEASURED = ("density_kg_per_m3", "specific_gravity", "hydrometer_reading")

SALINITY = Command(
    "salinity",
    "practical salinity from conductivity, specific conductance, density or a hydrometer",
    "Conductivity is at the water's own temperature. Specific conductance is what a meter has already brought "
    "to 25 degC: its compensation (linear 1.91 %/K unless the meter is set otherwise) is undone first. PSS-78 "
    "straight on a compensated value is wrong: at 10 degC and salinity 33 it reads 48. PSS-78 is stated for "
    "salinity 2 to 42, below 2 Hill et al. 1986; used here from 0 to 50. A specific gravity or hydrometer needs "
    "the reference temperature printed on it.",
    salinity_works,
    either=(("conductivity_mS_per_cm", "specific_conductance_mS_per_cm", *_MEASURED),),
    columns=("temperature_C", "conductivity_mS_per_cm", "specific_conductance_mS_per_cm"),
    appended=("salinity",),
    example="--specific-conductance-mS-per-cm 50.3 --temperature-C 12",
)

DENSITY = Command(
    "density",
    "density and specific gravity from salinity, and salinity from them",
    "A specific gravity means nothing without its two temperatures: the water's, and that of the fresh water it is "
    "relative to (--reference-temperature-C, printed on a hydrometer as for example 25/25 or 60/60 degF). A "
    "hydrometer without them is worth no better than 1 to 2 in salinity.",
    density_works,
    either=(("salinity", *_MEASURED),),
    columns=("temperature_C", "salinity"),
    appended=("density_kg_per_m3",),
    appended_if={"specific_gravity": "reference_temperature_C"},
    example="--salinity 33 --temperature-C 12 --reference-temperature-C 25",
)
