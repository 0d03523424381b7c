"""Works of `water oxygen`."""

from __future__ import annotations

from brinewatch.seawater import gas, oxygen, oxygen_units
from brinewatch.seawater import pressure as air
from brinewatch.water.work import Choice, Choices, Command, Note, Values, Work, absolute, relative

_WATER = {"temperature_C": (-2.0, 42.0), "salinity": (0.0, 45.0)}
_AIR = _WATER | {"station_pressure_hPa": (506.6, 1114.6)}
_STATED = {"temperature_C": (0.0, 40.0), "salinity": (0.0, 40.0)}
_MG = {"oxygen_mg_per_L": (0.0, 100.0)}
_NEEDS = ("temperature_C", "salinity", "station_pressure_hPa")

_BK = "Benson & Krause 1984, Limnol. Oceanogr. 29:620, and 1980, 25:662, as in USGS OWQ Tech. Memo 2011.03"
_GG = "Garcia & Gordon 1992, Limnol. Oceanogr. 37:1307, coefficients fitted to Benson & Krause; pressure as there"
_COLT = "Colt 1984, AFS Special Publication 14"
_FORMULATIONS = {
    "benson-krause": (oxygen.benson_krause, _BK),
    "garcia-gordon": (oxygen.garcia_gordon, _GG),
}
_DEFAULT = "benson-krause"
_own = relative(oxygen.RELATIVE_UNCERTAINTY)


def station_pressure() -> Work:
    """Station pressure from altitude, for every command that needs it."""
    return Work(
        "station_pressure_hPa", "station pressure by altitude", "hPa", ("altitude_m",),
        lambda v: air.station_pressure_hPa(v["altitude_m"]),
        "International Standard Atmosphere, ISO 2533; weather moves the true one by some 10 hPa",
        {"altitude_m": (-500.0, 5000.0)}, own=absolute(air.ALTITUDE_UNCERTAINTY_HPA),
    )  # fmt: skip


def _corrections() -> list[Work]:
    return [
        Work(
            "oxygen_mg_per_L", "oxygen, had the probe known the salinity", "mg/L",
            ("oxygen_mg_per_L", "told_salinity", "temperature_C", "salinity"),
            lambda v: oxygen_units.mg_L_at_true_salinity(
                v["oxygen_mg_per_L"], v["temperature_C"], v["told_salinity"], v["salinity"]
            ),
            _BK, _WATER | _MG | {"told_salinity": (0.0, 45.0)}, _STATED, corrects=True,
        ),
        Work(
            "oxygen_mg_per_L", "oxygen, calibrated at the right pressure", "mg/L",
            ("oxygen_mg_per_L", "told_station_pressure_hPa", "calibration_temperature_C", "station_pressure_hPa"),
            lambda v: oxygen_units.mg_L_after_wrong_calibration_pressure(
                v["oxygen_mg_per_L"], v["calibration_temperature_C"], v["told_station_pressure_hPa"],
                v["station_pressure_hPa"],
            ),
            _BK, _MG | {"calibration_temperature_C": (-2.0, 42.0), "told_station_pressure_hPa": (506.6, 1114.6),
                        "station_pressure_hPa": (506.6, 1114.6)}, corrects=True,
        ),
        Work(
            "oxygen_percent", "percent, had the meter known the pressure", "%",
            ("oxygen_percent", "told_station_pressure_hPa", "temperature_C", "station_pressure_hPa"),
            lambda v: oxygen_units.percent_at_true_pressure(
                v["oxygen_percent"], v["temperature_C"], v["told_station_pressure_hPa"], v["station_pressure_hPa"]
            ),
            _BK, {"oxygen_percent": (0.0, 600.0), "told_station_pressure_hPa": (506.6, 1114.6),
                  "station_pressure_hPa": (506.6, 1114.6), "temperature_C": (-2.0, 42.0)}, corrects=True,
        ),
    ]  # fmt: skip


def _saturation(v: Values, formulation: str) -> float:
    equation, _ = _FORMULATIONS[formulation]
    return equation(v["temperature_C"], v["salinity"], v["station_pressure_hPa"])


def _against_default(v: Values, formulation: str) -> float:
    """Saturation by the default over that by the formulation: percent and mg/L are worked out by the default."""
    if formulation == _DEFAULT:
        return 1.0
    return _saturation(v, _DEFAULT) / _saturation(v, formulation)


def works(choices: Choices) -> list[Work]:
    """Oxygen at saturation, percent and mg/L from each other, other units, tension, total gas."""
    used = choices["formulation"]
    other = next(name for name in _FORMULATIONS if name != used)
    source = _FORMULATIONS[used][1]

    def at_saturation_umol_kg(v: Values) -> float:
        if used == "garcia-gordon":
            return oxygen.garcia_gordon_umol_kg(v["temperature_C"], v["salinity"]) * oxygen.pressure_factor(
                v["temperature_C"], v["station_pressure_hPa"]
            )
        return oxygen_units.umol_kg_from_mg_L(_saturation(v, used), v["temperature_C"], v["salinity"])

    return [
        station_pressure(),
        *_corrections(),
        Work("oxygen_saturation_mg_per_L", "oxygen of air-saturated water", "mg/L", _NEEDS,
             lambda v: _saturation(v, used), source, _AIR, _STATED, _own),
        Work("oxygen_saturation_mL_per_L", "the same as gas (0 degC, 1 atm)", "mL/L", _NEEDS,
             lambda v: oxygen_units.mL_L_from_mg_L(_saturation(v, used)), source, _AIR, _STATED, _own),
        Work("oxygen_saturation_umol_per_kg", "the same in amount", "umol/kg", _NEEDS, at_saturation_umol_kg,
             source, _AIR, _STATED, _own),
        Work("oxygen_percent", "percent of air saturation", "%", ("oxygen_mg_per_L", *_NEEDS),
             lambda v: _against_default(v, used) * oxygen.percent_saturation(
                 v["oxygen_mg_per_L"], v["temperature_C"], v["salinity"], v["station_pressure_hPa"]),
             source, _AIR | {"oxygen_mg_per_L": (-1.0, 100.0)}, _STATED, _own),
        Work("oxygen_mg_per_L", "dissolved oxygen", "mg/L", ("oxygen_percent", *_NEEDS),
             lambda v: oxygen.mg_L_from_percent(
                 v["oxygen_percent"], v["temperature_C"], v["salinity"], v["station_pressure_hPa"]
             ) / _against_default(v, used),
             source, _AIR | {"oxygen_percent": (-10.0, 600.0)}, _STATED, _own),
        Work("oxygen_mL_per_L", "dissolved oxygen as gas (0 degC, 1 atm)", "mL/L", ("oxygen_mg_per_L",),
             lambda v: oxygen_units.mL_L_from_mg_L(v["oxygen_mg_per_L"]),
             "1.42905 mg/mL, USGS OWQ Technical Memorandum 2011.03", _MG),
        Work("oxygen_umol_per_kg", "dissolved oxygen in amount", "umol/kg",
             ("oxygen_mg_per_L", "temperature_C", "salinity"),
             lambda v: oxygen_units.umol_kg_from_mg_L(v["oxygen_mg_per_L"], v["temperature_C"], v["salinity"]),
             "molar mass 31.9988 g/mol and the density by EOS-80 (UNESCO 44)", _WATER | _MG),
        Work("oxygen_partial_pressure_hPa", "oxygen partial pressure (tension)", "hPa",
             ("oxygen_mg_per_L", "temperature_C", "salinity"),
             lambda v: oxygen_units.partial_pressure_hPa(v["oxygen_mg_per_L"], v["temperature_C"], v["salinity"]),
             f"{_COLT}; vapour pressure Green & Carritt 1967", _WATER | _MG, _STATED, _own),
        Work("oxygen_deficit_mg_per_L", "lacking to saturation (negative: above it)", "mg/L",
             ("oxygen_mg_per_L", *_NEEDS), lambda v: _saturation(v, used) - v["oxygen_mg_per_L"], source,
             _AIR | _MG, _STATED,
             lambda v, result: oxygen.RELATIVE_UNCERTAINTY * abs(result + v["oxygen_mg_per_L"])),
        Work("total_gas_percent", "total gas pressure", "%", ("gas_excess_pressure_hPa", "station_pressure_hPa"),
             lambda v: gas.total_gas_percent(v["gas_excess_pressure_hPa"], v["station_pressure_hPa"]), _COLT,
             {"gas_excess_pressure_hPa": (-506.6, 2000.0), "station_pressure_hPa": (506.6, 1114.6)}),
        Work("gas_compensation_depth_m", "depth below which no bubbles can form", "m",
             ("gas_excess_pressure_hPa", "temperature_C", "salinity"),
             lambda v: gas.compensation_depth_m(
                 v["gas_excess_pressure_hPa"], v["temperature_C"], v["salinity"]),
             _COLT, _WATER | {"gas_excess_pressure_hPa": (-1000.0, 2000.0)}),
        Work(f"oxygen_saturation_mg_per_L_by_{other.replace('-', '_')}", f"by {other}", "mg/L", _NEEDS,
             lambda v: _saturation(v, other), _FORMULATIONS[other][1], _AIR, _STATED, _own,
             second="oxygen_saturation_mg_per_L"),
    ]  # fmt: skip


def notes(values: Values, choices: Choices) -> list[Note]:
    """A pressure that looks reduced to sea level; oxygen no air-only system reaches."""
    found = []
    if "altitude_m" in values and "station_pressure_hPa" in values:
        doubt = air.barometer_doubt(values["station_pressure_hPa"], values["altitude_m"])
        if doubt:
            found.append(Note("the pressure does not fit the altitude; station pressure is needed", f"{doubt}."))
    return found


OXYGEN = Command(
    "oxygen",
    "oxygen at saturation, percent from mg/L and back, deficit, other units",
    "Oxygen of water in balance with moist air at the station pressure: that of the air where the water is. A "
    "forecast's pressure is reduced to sea level and makes the saturation 1 % wrong for each 85 m of altitude; "
    "give --altitude-m as well and a pressure that looks reduced is said. A probe told the wrong salinity or "
    "pressure is put right by --told-salinity, or --told-station-pressure-hPa (with --calibration-temperature-C "
    "when it was calibrated in air at the wrong pressure).",
    works,
    choices={
        "formulation": Choice(
            {name: source for name, (_, source) in _FORMULATIONS.items()}, "equation of the saturation"
        )
    },
    either=(("oxygen_mg_per_L", "oxygen_percent"),),
    columns=("temperature_C", "salinity", "station_pressure_hPa", "oxygen_mg_per_L", "oxygen_percent"),
    appended=("oxygen_saturation_mg_per_L",),
    appended_if={"oxygen_percent": "oxygen_mg_per_L", "oxygen_mg_per_L": "oxygen_percent"},
    notes=notes,
    only_checked=("altitude_m",),
    example="--temperature-C 12 --salinity 33 --station-pressure-hPa 1013 --oxygen-mg-per-L 8.1",
)
