"""No public function of seawater lets pass what is no number: found by looking, so that none can be forgotten."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import brinewatch.seawater
from brinewatch.seawater.startup import WaterTest, start_up_stage, water_tests
from brinewatch.seawater.validity import not_negative, within

# A value each argument may have, by its name; a new name must be added here, and so comes under test
USUAL: dict[str, Any] = {
    "temperature_C": 12.0, "t68_C": 12.0, "reference_C": 20.0, "calibration_C": 20.0, "salinity": 33.0,
    "told_salinity": 0.0, "true_salinity": 33.0, "pressure_dbar": 1.0, "pressure_atm": 1.0, "pressure_hPa": 1000.0,
    "pressure_mmHg": 750.0, "station_pressure_hPa": 1000.0, "told_hPa": 1013.0, "true_hPa": 990.0,
    "altitude_m": 20.0, "depth_m": 1.2, "ratio": 0.9, "mS_cm": 38.0, "mS_cm_25C": 50.0, "compensation": 0.0191,
    "density_kg_m3": 1025.0, "reading": 1.0255, "expansion": 25e-6, "mg_L": 8.0, "mL_L": 6.0, "umol_kg": 250.0,
    "percent": 90.0, "shown_mg_L": 8.0, "shown_percent": 90.0, "oxygen_percent": 95.0, "inert_percent": 101.0,
    "excess_hPa": 20.0, "ph": 8.0, "ph_nbs": 8.1, "ph_total": 8.0, "ph_free": 8.0, "ph_sws": 8.0, "pka": 9.3,
    "value": 8.1, "tan_mgN_L": 0.5, "fraction": 0.03, "mgN_L": 0.02, "alkalinity_umol_kg": 2300.0,
    "dic_umol_kg": 2100.0, "added_umol_kg": 200.0, "meq_L": 2.3, "volume_L": 1000.0, "from_meq_L": 2.0,
    "to_meq_L": 2.5, "mV": -60.0, "mV_one": 170.0, "mV_other": 0.0, "ph_one": 4.0, "ph_other": 7.0,
    "feed_g_day": 500.0, "protein": 0.4, "tan_per_protein": 0.092, "biomass_kg": 100.0, "mgN_kg_h": 1.0,
    "load_gN_day": 1.0, "nitrogen_g": 1.0, "area_m2": 100.0, "media_L": 200.0, "specific_m2_m3": 500.0,
    "flow_L_min": 2.0, "nitrate_in_mgN_L": 40.0, "nitrate_out_mgN_L": 20.0, "nitrite_in_mgN_L": 0.1,
    "nitrite_out_mgN_L": 0.2,
    "nominal": "7.00", "formulation": "epa1989", "ph_scale": "nbs", "scale": "nbs", "to": "total",
}  # fmt: skip

# What may be negative, and why: temperatures, an electrode's potential, a difference of pressures, land below the
# sea; and mg/L and percent of oxygen a little below nothing, by a probe's zero error
SIGNED = {"temperature_C", "t68_C", "calibration_C", "mV", "mV_one", "mV_other", "altitude_m", "excess_hPa",
          "pressure_hPa", "pressure_mmHg"}  # fmt: skip
ZERO_ERROR = {"mg_L": -1.01, "percent": -10.1}

# None here means "the same as the reference"
MAY_BE_NONE = {("density.salinity_from_hydrometer", "calibration_C")}

NO_NUMBERS = [math.nan, math.inf, -math.inf, None, "8.0", True, 1e300, -1e300]


def public() -> Iterator[tuple[str, Callable[..., Any]]]:
    for found in pkgutil.iter_modules(brinewatch.seawater.__path__):
        module = importlib.import_module(f"brinewatch.seawater.{found.name}")
        for name, one in inspect.getmembers(module, inspect.isfunction):
            if one.__module__ == module.__name__ and not name.startswith("_") and found.name != "validity":
                yield f"{found.name}.{name}", one


FUNCTIONS = dict(public())
OF_RECORDS = (start_up_stage, water_tests)  # take lists, not numbers; see below
ARGUMENTS = [
    (where, name)
    for where, function in FUNCTIONS.items()
    for name in inspect.signature(function).parameters
    if function not in OF_RECORDS
]


def call(where: str, **changed: Any) -> Any:
    function = FUNCTIONS[where]
    arguments = {name: USUAL[name] for name in inspect.signature(function).parameters}
    return function(**{**arguments, **changed})


def test_all_of_them_are_found() -> None:
    assert len(FUNCTIONS) > 75
    names = {name for _, name in ARGUMENTS}
    assert names == set(USUAL), "an argument without a usual value, or a usual value no function takes"


@pytest.mark.parametrize("where", sorted(where for where, one in FUNCTIONS.items() if one not in OF_RECORDS))
def test_usual_values_give_a_finite_number(where: str) -> None:
    found = call(where)
    numbers = (
        [found] if isinstance(found, float) else [getattr(found, name) for name in getattr(found, "__slots__", ())]
    )
    assert isinstance(found, str) or numbers
    assert all(math.isfinite(number) for number in numbers)


@pytest.mark.parametrize(("where", "name"), ARGUMENTS)
def test_what_is_no_number_is_refused_and_named(where: str, name: str) -> None:
    if isinstance(USUAL[name], str):
        for bad in ("khoo1977", "", None, 7.0):
            with pytest.raises(ValueError, match="expected one of"):
                call(where, **{name: bad})
        return
    for bad in NO_NUMBERS:
        if bad is None and (where, name) in MAY_BE_NONE:
            continue
        with pytest.raises(ValueError, match=r" = .*(is not a (finite )?number|outside the valid range|expected)"):
            call(where, **{name: bad})


@pytest.mark.parametrize(("where", "name"), [one for one in ARGUMENTS if isinstance(USUAL[one[1]], float)])
def test_what_cannot_be_negative_is_refused_below_nothing(where: str, name: str) -> None:
    bad = -20000.0 if name in SIGNED else ZERO_ERROR.get(name, -1e-06)
    with pytest.raises(ValueError, match="outside the valid range"):
        call(where, **{name: bad})


@pytest.mark.parametrize("bad", NO_NUMBERS)
@pytest.mark.parametrize("field", ["day", "tan_mgN_L", "nitrite_mgN_L"])
def test_a_water_test_without_a_number_is_refused(field: str, bad: Any) -> None:
    row = {"day": 1.0, "tan_mgN_L": 1.0, "nitrite_mgN_L": 0.1}
    with pytest.raises(ValueError, match=f"{field} = "):
        start_up_stage([WaterTest(**{**row, field: bad})])
    for record in ([(bad, 1.0)], [(1.0, bad)]):
        for pair in ((record, [(1.0, 0.1)]), ([(1.0, 0.1)], record)):
            with pytest.raises(ValueError, match=" = "):
                water_tests(*pair)


@pytest.mark.parametrize("bad", NO_NUMBERS)
def test_the_refusal_itself(bad: Any) -> None:
    for check in (lambda: within("x", bad, -10.0, 10.0, "m"), lambda: not_negative("x", bad, 10.0, "m")):
        with pytest.raises(ValueError, match=r"^x = .* (expected|valid range) "):
            check()
    assert within("x", 3, 0.0, 10.0) == 3
    assert within("x", 10.0, 0.0, 10.0) == 10.0
