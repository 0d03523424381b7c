"""How one quantity is worked out from others: a table. Each recipe names its inputs and the function that joins
them.

The functions are the published equations of brinewatch.seawater; a ValueError of theirs becomes flag FAIL. `nh3_n`
is by US EPA 1989 on an NBS pH, and limits are compared with it as it stands: the EPA's own criteria exactly, and
limits from studies that used Bell 2007 or Clegg & Whitfield 1995 some 5 to 20 % early, on the safe side. A limit
from such a study may be stated by its own formulation with `water ammonia --formulation`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from brinewatch.seawater import (
    ammonia,
    carbonate,
    density,
    electrode,
    gas,
    oxygen,
    oxygen_units,
    ph,
    pressure,
    salinity,
)

_HOUR, _DAY = 3600.0, 86400.0

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Input:
    """One input of a recipe.

    nearest: whether another stage's value will do when this stage has none; assumed: name of the constant that
    stands in for it when nobody measures it, "" when nothing can; oldest_s: how old it may be before the result is
    missing.
    """

    quantity: str
    nearest: bool = True
    assumed: str = ""
    oldest_s: float = _HOUR


@dataclass(frozen=True, slots=True)
class Recipe:
    """output = work_out(values by quantity, constants among them).

    source: the formulation, as its error is shared by all that stands on it; own: what one standard uncertainty of
    the formulation itself does at these values to this result, in the result's unit, with its sign where another
    recipe has the same source; note: what else to know of the number, for people.
    """

    key: str
    output: str
    inputs: tuple[Input, ...]
    work_out: Callable[[Values], float]
    source: str
    own: Callable[[Values, float], float] = lambda values, result: 0.0
    note: str = ""

    @property
    def basis(self) -> str:
        """What the number stands on apart from its inputs, for people."""
        return f"{self.source}, {self.note}" if self.note else self.source


# Standard uncertainties of the constants that stand in for a missing probe. S 33 at 15 degC for the head of
# seawater covers any shed within 1 %. Common practice, no source.
ASSUMED_UNCERTAINTY = {
    "station_pressure_hPa": pressure.ALTITUDE_UNCERTAINTY_HPA, "head_salinity": 4.0, "head_temperature_C": 6.0,
}  # fmt: skip
HEAD_SALINITY, HEAD_TEMPERATURE_C = 33.0, 15.0
# Standard uncertainties of constants from the shed file: a depth taken with a tape, and levels move (judgement)
CONSTANT_UNCERTAINTY = {"depth_m": 0.02}
CONSTANT_NAMES = {"depth_m": "diffuser depth"}

_TEMPERATURE = Input("temperature")
_SALINITY = Input("salinity", oldest_s=7 * _DAY)  # may be a person's refractometer, read once a week
_STATION = Input("barometric_pressure", assumed="station_pressure_hPa", oldest_s=6 * _HOUR)
_BENSON_KRAUSE = "Benson & Krause 1984"
_FH = "fH of Takahashi 1982"


def _oxygen_saturation(v: Values) -> float:
    return oxygen.percent_saturation(v["oxygen"], v["temperature"], v["salinity"], v["barometric_pressure"])


def _oxygen(v: Values) -> float:
    return oxygen.mg_L_from_percent(
        v["oxygen_saturation"], v["temperature"], v["salinity"], v["barometric_pressure"]
    )


def _oxygen_deficit(v: Values) -> float:
    return oxygen_units.deficit_mg_L(v["oxygen"], v["temperature"], v["salinity"], v["barometric_pressure"])


def _oxygen_tension(v: Values) -> float:
    return oxygen_units.partial_pressure_hPa(v["oxygen"], v["temperature"], v["salinity"])


# a higher solubility makes more mg/L of a percent, less percent and tension of mg/L, and more to lack
def _more_by_solubility(v: Values, result: float) -> float:
    return oxygen.RELATIVE_UNCERTAINTY * result


def _less_by_solubility(v: Values, result: float) -> float:
    return -oxygen.RELATIVE_UNCERTAINTY * result


def _lacking_by_solubility(v: Values, result: float) -> float:
    return oxygen.RELATIVE_UNCERTAINTY * (result + v["oxygen"])


def _nh3_n(v: Values) -> float:
    share = ammonia.fraction_epa1989(v["temperature"], v["salinity"], v["ph"])
    return ammonia.nh3_n_from_tan(v["tan"], share)


def _spread(v: Values, result: float) -> float:
    return ammonia.relative_spread(v["temperature"], v["salinity"], v["ph"]) * result


def _salinity_compensated(v: Values) -> float:
    return salinity.salinity_from_specific_conductance(v["specific_conductance"], v["temperature"])


def _compensation(v: Values, result: float) -> float:
    return salinity.specific_conductance_uncertainty(v["specific_conductance"], v["temperature"])


def _salinity_in_place(v: Values) -> float:
    return salinity.salinity_from_conductivity(v["conductivity"], v["temperature"])


def _co2(v: Values) -> float:
    alkalinity = carbonate.umol_kg_from_meq_L(v["alkalinity"], v["temperature"], v["salinity"])
    found = carbonate.from_ph_and_alkalinity(v["ph_total"], alkalinity, v["temperature"], v["salinity"])
    return found.co2_mg_per_litre


def _co2_constants(v: Values, result: float) -> float:
    alkalinity = carbonate.umol_kg_from_meq_L(v["alkalinity"], v["temperature"], v["salinity"])
    return result * carbonate.co2_relative_uncertainty(v["ph_total"], alkalinity, v["temperature"], v["salinity"])


def _air_rise(v: Values) -> float:
    return v["air_pressure"] - pressure.static_head_kPa(v["depth_m"], v["salinity"], v["temperature"])


RECIPES: tuple[Recipe, ...] = (
    Recipe(
        "saturation from mg/L",
        "oxygen_saturation",
        (Input("oxygen", nearest=False), _TEMPERATURE, _SALINITY, _STATION),
        _oxygen_saturation,
        _BENSON_KRAUSE,
        _less_by_solubility,
    ),
    Recipe(
        "mg/L from saturation",
        "oxygen",
        (Input("oxygen_saturation", nearest=False), _TEMPERATURE, _SALINITY, _STATION),
        _oxygen,
        _BENSON_KRAUSE,
        _more_by_solubility,
    ),
    Recipe(
        "deficit from mg/L",
        "oxygen_deficit",
        (Input("oxygen", nearest=False), _TEMPERATURE, _SALINITY, _STATION),
        _oxygen_deficit,
        _BENSON_KRAUSE,
        _lacking_by_solubility,
    ),
    Recipe(
        "partial pressure from mg/L",
        "oxygen_tension",
        (Input("oxygen", nearest=False), _TEMPERATURE, _SALINITY),
        _oxygen_tension,
        _BENSON_KRAUSE,
        _less_by_solubility,
    ),
    Recipe(
        "un-ionized ammonia from TAN",
        "nh3_n",
        (Input("tan", oldest_s=3 * _DAY), Input("ph"), _TEMPERATURE, _SALINITY),
        _nh3_n,
        "US EPA 1989",
        _spread,
        note="as N, pH on NBS scale, up to 20 % on the safe side",
    ),
    Recipe(
        "salinity from specific conductance",
        "salinity",
        (Input("specific_conductance", nearest=False), Input("temperature", nearest=False)),
        _salinity_compensated,
        "PSS-78",
        _compensation,
        note="meter's 1.91 %/K undone first",
    ),
    Recipe(
        "salinity from conductivity",
        "salinity",
        (Input("conductivity", nearest=False), Input("temperature", nearest=False)),
        _salinity_in_place,
        "PSS-78",
        lambda v, result: salinity.UNCERTAINTY,
    ),
    Recipe(
        "pH from electrode potential",
        "ph",
        (Input("ph_potential", nearest=False), _TEMPERATURE),
        lambda v: electrode.ph_from_mV(v["ph_potential"], v["temperature"]),
        "Nernst slope",
        lambda v, result: electrode.NERNST_UNCERTAINTY,
        note="NBS scale by its buffers",
    ),
    Recipe(
        "pH from pH on the total scale",
        "ph",
        (Input("ph_total", nearest=False), _TEMPERATURE, _SALINITY),
        lambda v: ph.nbs_from_total(v["ph_total"], v["temperature"], v["salinity"]),
        _FH,
        lambda v, result: -ph.NBS_SHIFT_UNCERTAINTY,
        note="NBS scale",
    ),
    Recipe(
        "pH on the total scale from pH",
        "ph_total",
        (Input("ph", nearest=False), _TEMPERATURE, _SALINITY),
        lambda v: ph.total_from_nbs(v["ph"], v["temperature"], v["salinity"]),
        _FH,
        lambda v, result: ph.NBS_SHIFT_UNCERTAINTY,
    ),
    Recipe(
        "CO2 from pH and alkalinity",
        "co2",
        (Input("ph_total"), Input("alkalinity", oldest_s=7 * _DAY), _TEMPERATURE, _SALINITY),
        _co2,
        "Lueker 2000",
        _co2_constants,
    ),
    Recipe(
        "total gas pressure from its excess",
        "total_gas",
        (Input("gas_excess", nearest=False), _STATION),
        lambda v: gas.total_gas_percent(v["gas_excess"], v["barometric_pressure"]),
        "Colt 1984",
        note="% of the air's pressure",
    ),
    Recipe(
        "air pressure over static head",
        "air_rise",
        (
            Input("air_pressure", nearest=False, oldest_s=60.0),
            Input("salinity", assumed="head_salinity", oldest_s=7 * _DAY),
            Input("temperature", assumed="head_temperature_C"),
        ),
        _air_rise,
        "EOS-80",
        lambda v, result: density.UNCERTAINTY_KG_M3 * pressure.GRAVITY * v["depth_m"] / 1000.0,
        note="head of the deepest diffuser",
    ),
)

BY_KEY: Mapping[str, Recipe] = {recipe.key: recipe for recipe in RECIPES}
