"""How one quantity is worked out from others: a table. Each recipe names its inputs and the function that joins
them.

The functions are the published equations of brinewatch.seawater; a ValueError of theirs becomes flag FAIL.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from brinewatch.seawater import ammonia, oxygen, pressure, salinity

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

    relative: standard uncertainty of the formulation itself, as a share of the result; basis: what the number
    stands on, for people.
    """

    key: str
    output: str
    inputs: tuple[Input, ...]
    work_out: Callable[[Values], float]
    relative: float = 0.0
    basis: str = ""


# Standard uncertainties of the constants that stand in for a missing probe. Weather moves station pressure by some
# 10 hPa; S 33 at 15 degC for the head of seawater covers any shed within 1 %. Common practice, no source.
ASSUMED_UNCERTAINTY = {"station_pressure_hPa": 10.0, "head_salinity": 4.0, "head_temperature_C": 6.0}
HEAD_SALINITY, HEAD_TEMPERATURE_C = 33.0, 15.0

_TEMPERATURE = Input("temperature")
_SALINITY = Input("salinity", oldest_s=7 * _DAY)  # may be a person's refractometer, read once a week
_STATION = Input("barometric_pressure", assumed="station_pressure_hPa", oldest_s=6 * _HOUR)


def _oxygen_saturation(v: Values) -> float:
    return oxygen.percent_saturation(v["oxygen"], v["temperature"], v["salinity"], v["barometric_pressure"])


def _oxygen(v: Values) -> float:
    return oxygen.mg_L_from_percent(
        v["oxygen_saturation"], v["temperature"], v["salinity"], v["barometric_pressure"]
    )


def _nh3_n(v: Values) -> float:
    share = ammonia.fraction_epa1989(v["temperature"], v["salinity"], v["ph"])
    return ammonia.nh3_n_from_tan(v["tan"], share)


def _salinity_compensated(v: Values) -> float:
    return salinity.salinity_from_specific_conductance(v["specific_conductance"], v["temperature"])


def _salinity_in_place(v: Values) -> float:
    return salinity.salinity_from_conductivity(v["conductivity"], v["temperature"])


def _air_rise(v: Values) -> float:
    return v["air_pressure"] - pressure.static_head_kPa(v["depth_m"], v["salinity"], v["temperature"])


RECIPES: tuple[Recipe, ...] = (
    # B&K 1984 state 0.1 % for their equation
    Recipe(
        "saturation from mg/L",
        "oxygen_saturation",
        (Input("oxygen", nearest=False), _TEMPERATURE, _SALINITY, _STATION),
        _oxygen_saturation,
        relative=0.001,
        basis="Benson & Krause 1984",
    ),
    Recipe(
        "mg/L from saturation",
        "oxygen",
        (Input("oxygen_saturation", nearest=False), _TEMPERATURE, _SALINITY, _STATION),
        _oxygen,
        relative=0.001,
        basis="Benson & Krause 1984",
    ),
    # the formulations stand up to 20 % apart on one NBS pH (EPA, Bell, Clegg & Whitfield): 10 % standard
    Recipe(
        "un-ionized ammonia from TAN",
        "nh3_n",
        (Input("tan", oldest_s=3 * _DAY), Input("ph"), _TEMPERATURE, _SALINITY),
        _nh3_n,
        relative=0.10,
        basis="as N, pH on NBS scale, US EPA 1989, up to 20 % on the safe side",
    ),
    Recipe(
        "salinity from specific conductance",
        "salinity",
        (Input("specific_conductance", nearest=False), Input("temperature", nearest=False)),
        _salinity_compensated,
        relative=0.001,
        basis="PSS-78, meter's 1.91 %/K undone first",
    ),
    Recipe(
        "salinity from conductivity",
        "salinity",
        (Input("conductivity", nearest=False), Input("temperature", nearest=False)),
        _salinity_in_place,
        relative=0.0002,
        basis="PSS-78",
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
        basis="EOS-80 head of the deepest diffuser",
    ),
)

BY_KEY: Mapping[str, Recipe] = {recipe.key: recipe for recipe in RECIPES}
