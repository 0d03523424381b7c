"""The commands as a person meets them: help, results, notes, refusals, tables, JSON."""

from __future__ import annotations

import json
import re

import pytest

from brinewatch.water.commands import COMMANDS
from brinewatch.water.given import INPUTS
from water.asking import Ask

WATER = ("--temperature-C", "12", "--salinity", "33")


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_units_limits_and_accuracies_of_everything(water: Ask, name: str) -> None:
    answer = water(name, "--help")
    assert answer.code == 0
    flat = " ".join(answer.out.split())
    command = COMMANDS[name]
    for key in command.inputs():
        one = INPUTS[key]
        part = flat.split(f"{one.option} NUMBER {one.words}", 1)[1].split(" --", 1)[0]
        assert not one.unit or part.startswith(f", {one.unit}; "), key
        assert re.search(r"-?[0-9.e+]+ to [0-9.e+]+", one.words + part), key
        assert "±" in part or "exact" in part or "within" in part, key
    for work in command.works(command.defaults()):
        if not work.second and not work.corrects:
            line = flat.split(f" {work.output}: ", 1)[1]
            assert f"{work.words}{', ' + work.unit if work.unit else ''}" in line, work.output
    assert max(map(len, answer.out.splitlines())) <= 80
    for caution in command.cautions:
        assert caution in flat
    if command.appended:
        assert all(column in flat.split("files (--csv):")[1] for column in command.columns)


def test_the_list_of_commands(water: Ask) -> None:
    out = water("--help").out
    assert all(re.search(rf"^    {name} ", out, re.MULTILINE) for name in COMMANDS)


def test_the_help_of_salinity_warns_of_compensated_values(water: Ask) -> None:
    flat = " ".join(water("salinity", "--help").out.split())
    assert "PSS-78 straight on a compensated value is wrong" in flat
    assert "1.91 %/K" in flat


@pytest.mark.parametrize("name", COMMANDS)
def test_the_example_in_the_help_works(water: Ask, name: str) -> None:
    answer = water(name, *COMMANDS[name].example.split(), "--source")
    assert (answer.code, answer.err) == (0, "")
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "Not worked out" not in answer.out
    assert "± is one standard uncertainty." in answer.out
    assert "\nSources\n" in answer.out
    for caution in COMMANDS[name].cautions:
        assert caution in " ".join(answer.out.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_source_alone_names_them_all(water: Ask, name: str) -> None:
    answer = water(name, "--source")
    assert answer.code == 0
    flat = " ".join(answer.out.split())
    assert all(work.source in flat for work in COMMANDS[name].works(COMMANDS[name].defaults()))


def test_oxygen_in_words(water: Ask) -> None:
    out = water("oxygen", *WATER, "--station-pressure-hPa", "1013", "--oxygen-mg-per-L", "8.1").out
    lines = {" ".join(line.split()) for line in out.splitlines()}
    assert "oxygen of air-saturated water 8.755 ± 0.048 mg/L" in lines
    assert "percent of air saturation 92.5 ± 1.6 %" in lines
    assert "dissolved oxygen 8.10 ± 0.13 mg/L" in lines
    assert "taken" not in out


def test_a_default_that_matters_is_said(water: Ask) -> None:
    assert re.search(r"station pressure.* 1013 ± 10 hPa \(taken\)", water("oxygen", *WATER).out)
    out = water("salinity", "--specific-conductance-mS-per-cm", "50", "--temperature-C", "12").out
    assert re.search(r"compensation +1\.9100 ± 0\.0029 %/K \(taken\)", out)
    assert "0 dbar" not in water("density", *WATER).out


NOTES = [
    (("oxygen", *WATER, "--altitude-m", "900", "--station-pressure-hPa", "1013"), "looks reduced to sea level"),
    (("oxygen", "--temperature-C", "41", "--salinity", "33"), "outside the 0 to 40 its source states"),
    (("oxygen", *WATER, "--told-salinity", "0"), "--told-salinity is not used"),
    (("ammonia", *WATER, "--ph", "8"), "13 to 20 % above Clegg & Whitfield 1995"),
    (("ammonia", *WATER, "--ph", "8", "--formulation", "emerson-1975"), "is for fresh water"),
    (("ammonia", "--temperature-C", "12", "--salinity", "5", "--ph", "8", "--formulation", "clegg-whitfield-1995"),
     "known for salinity 20 to 40 only"),
    (("co2", *WATER, "--ph", "8", "--alkalinity-dKH", "6.5"), "taken as NBS"),
    (("load", "--feed-g-per-day", "900", "--protein-percent", "50", "--bed-area-m2", "10", *WATER),
     "is more than this bed takes at any TAN"),
    (("dose", "--volume-L", "100", "--alkalinity-meq-per-L", "3", "--target-alkalinity-meq-per-L", "2"),
     "nothing to add"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), NOTES, ids=[said for _, said in NOTES])
def test_what_people_must_know_is_said(water: Ask, words: tuple[str, ...], said: str) -> None:
    assert said in " ".join(water(*words).out.split())


def test_the_default_stands_above_clegg_and_whitfield_and_the_spread_is_in_the_uncertainty(water: Ask) -> None:
    # computed over S 30 to 35, 10 to 30 degC: 13 to 20 % (Clegg & Whitfield 1995 with the pH brought through fH)
    found = json.loads(water("ammonia", *WATER, "--ph", "8", "--uncertainty", "ph=0", "--uncertainty", "salinity=0",
                             "--uncertainty", "temperature_C=0", "--json").out)["results"]  # fmt: skip
    by = {result["name"]: result for result in found}
    used, other = by["uia_fraction"], by["uia_fraction_by_clegg_whitfield_1995"]
    assert 1.13 < used["value"] / other["value"] < 1.20
    assert used["value"] - other["value"] < 2 * used["uncertainty"]
    assert "(-15 %)" in water("ammonia", *WATER, "--ph", "8").out


def test_the_scale_of_the_ph_travels_with_it(water: Ask) -> None:
    # PyCO2SYS 1.8: pH 8.0 NBS at S 35 and 25 degC is 7.8634 on the total scale, by Takahashi's fH
    at = ("--temperature-C", "25", "--salinity", "35")
    results = json.loads(water("ph", *at, "--ph", "8", "--json").out)["results"]
    total = next(r["value"] for r in results if r["name"] == "ph_total")
    assert total == pytest.approx(7.8634, abs=0.0005)
    exact = ("--uncertainty", "ph=0", "--uncertainty", "salinity=0", "--uncertainty", "temperature_C=0", "--json")
    one = json.loads(water("ammonia", *at, "--ph", "8", *exact).out)["results"][0]
    other = water("ammonia", *at, "--ph", repr(total), "--ph-scale", "total", *exact)
    for key in ("value", "uncertainty"):
        assert json.loads(other.out)["results"][0][key] == pytest.approx(one[key], rel=1e-12)


def test_buffers_and_slope_at_temperature(water: Ask) -> None:
    # ln 10 R T / F is 59.16 mV at 25 degC; a maker's table has buffer 7.00 at 7.06 and 10.01 at 10.18 at 10 degC
    warm = {
        r["name"]: r["value"] for r in json.loads(water("ph", "--temperature-C", "25", "--json").out)["results"]
    }
    cold = {
        r["name"]: r["value"] for r in json.loads(water("ph", "--temperature-C", "10", "--json").out)["results"]
    }
    assert warm["nernst_slope_mV_per_ph"] == pytest.approx(59.16, abs=0.005)
    assert (warm["buffer_7_00_ph"], cold["buffer_7_00_ph"], cold["buffer_10_01_ph"]) == (7.00, 7.06, 10.18)


def test_hydrometer_and_specific_gravity(water: Ask) -> None:
    # EOS-80: S 35 is 1.0264 at 25/25 degC
    at = ("--temperature-C", "25", "--reference-temperature-C", "25", "--json")
    there = json.loads(water("density", "--salinity", "35", *at).out)["results"]
    gravity = next(r["value"] for r in there if r["name"] == "specific_gravity")
    assert gravity == pytest.approx(1.0264, abs=5e-5)
    for option in ("--specific-gravity", "--hydrometer-reading"):
        back = json.loads(water("salinity", option, repr(gravity), *at).out)["results"][0]
        assert (back["name"], back["value"]) == ("salinity", pytest.approx(35, abs=1e-6))


def test_the_constants_of_co2_have_their_uncertainty(water: Ask) -> None:
    # Orr et al. 2018: 0.0075 in pK1 and 0.002 in pK0, at least
    exact = [f"--uncertainty={key}=0" for key in ("ph", "salinity", "temperature_C", "alkalinity_meq_per_L")]
    answer = water(
        "co2", *WATER, "--ph", "7.9", "--ph-scale", "total", "--alkalinity-meq-per-L", "2.3", *exact, "--json"
    )
    by = {r["name"]: r["uncertainty"] / r["value"] for r in json.loads(answer.out)["results"] if r["uncertainty"]}
    assert 0.0075 * 2.3026 < by["co2_mg_per_L"] < 0.03
    apart = by["co2_fugacity_microatm"] ** 2 - by["co2_mg_per_L"] ** 2
    assert apart == pytest.approx((0.002 * 2.302585) ** 2, rel=1e-6)


def test_dose_and_load_by_stoichiometry(water: Ask) -> None:
    # 84.007 g NaHCO3 an equivalent; NH4+ + 2 O2 -> NO3- + H2O + 2 H+: 4.57 g O2 and 7.14 g CaCO3 a gram N
    dose = json.loads(water("dose", "--volume-L", "1000", "--alkalinity-meq-per-L", "1", "--json",
                            "--target-alkalinity-meq-per-L", "2").out)["results"]  # fmt: skip
    assert [round(r["value"], 3) for r in dose] == [84.007, 52.994]
    load = json.loads(
        water("load", "--biomass-kg", "1000", "--excretion-mgN-per-kg-per-h", repr(1 / 24), "--json").out
    )
    by = {r["name"]: r["value"] for r in load["results"]}
    assert by["tan_load_gN_per_day"] == pytest.approx(1.0)
    assert by["nitrification_oxygen_g_per_day"] == pytest.approx(4.57, abs=0.005)
    assert by["nitrification_alkalinity_gCaCO3_per_day"] == pytest.approx(7.14, abs=0.01)
    assert by["bicarbonate_g_per_day"] == pytest.approx(2 * 84.007 / 14.007, rel=1e-4)


def test_json_is_whole(water: Ask) -> None:
    found = json.loads(water("oxygen", *WATER, "--told-salinity", "3", "--json").out)
    assert found["choices"] == {"formulation": "benson-krause"}
    assert [(one["name"], one["given"]) for one in found["inputs"]] == [
        ("temperature_C", True), ("salinity", True), ("told_salinity", True), ("station_pressure_hPa", False),
    ]  # fmt: skip
    assert found["not_used"] == ["told_salinity"]
    assert all(one["source"] and one["uncertainty"] > 0 and one["unit"] for one in found["results"])


REFUSALS = [
    (("oxygen", "--temperature-C", "12,5"), 2, "'12,5' is not a number; write 12.5"),
    (("oxygen", "--temperature-C", "nan"), 2, "not a finite number"),
    (("oxygen", "--temperature", "12"), 2, "--temperature"),
    (("oxygen", "--temperature-C", "12"), 1, "oxygen of air-saturated water: --salinity"),
    (("oxygen",), 1, "Too little is given"),
    (("oxygen", *WATER, "--oxygen-percent", "9", "--oxygen-mg-per-L", "8"), 1, "say the same thing twice"),
    (("oxygen", *WATER, "--formulation", "weiss"), 2, "invalid choice"),
    (("oxygen", *WATER, "--uncertainty", "temperature=1"), 2, "write NAME=NUMBER"),
    (("oxygen", *WATER, "--uncertainty", "temperature_C=-1"), 2, "not negative"),
    (("oxygen", *WATER, "--uncertainty", "ph=1"), 1, "nothing of that name is given to oxygen"),
    (("oxygen", *WATER, "--uncertainty", "oxygen_percent=1"), 1, "there is no --oxygen-percent"),
    (("oxygen", *WATER, "--output", "x"), 1, "--output goes with --csv"),
    (("oxygen", *WATER, "--show", "x"), 1, "--show goes with --table"),
    (("oxygen", "--csv", "x", "--json"), 1, "--json does not go with --csv"),
    (("oxygen", *WATER, "--table", "temperature_C=0:30:5"), 1, "the table runs over it"),
    (("oxygen", "--table", "temperature_C=0:30"), 2, "write NAME=FROM:TO:STEP"),
    (("oxygen", "--table", "temperature_C=0:30:0"), 2, "STEP is above 0"),
    (("oxygen", "--table", "temperature_C=0:30:0.0001"), 2, "at most 10000"),
    (("oxygen", "--table", "ph=7:8:1"), 1, "oxygen takes nothing of that name"),
    (("oxygen", "--table", "temperature_C=0:30:5"), 1, "Too little is given"),
    (("oxygen", "--salinity", "33", "--table", "temperature_C=0:30:5", "--show", "x"), 1, "no such result"),
    (
        ("oxygen", "--salinity", "33", "--table", "temperature_C=0:30:5", "--json", "--show", "x"),
        1,
        "no such result",
    ),
    (("dose", "--csv", "x"), 2, "unrecognized arguments"),
    (("tides",), 2, "invalid choice"),
]


@pytest.mark.parametrize(("words", "code", "said"), REFUSALS, ids=[" ".join(words) for words, _, _ in REFUSALS])
def test_each_refusal_says_what_to_do(water: Ask, words: tuple[str, ...], code: int, said: str) -> None:
    answer = water(*words)
    assert (answer.code, answer.out) == (code, "")
    assert said in answer.err
    assert "Traceback" not in answer.err


def test_nothing_worked_out_is_exit_code_one(water: Ask) -> None:
    answer = water("oxygen", "--temperature-C", "60", "--salinity", "33")
    assert answer.code == 1
    assert "temperature_C = 60 degC is outside -2 to 42 degC" in " ".join(answer.out.split())


def test_a_table_over_two_ranges_is_the_usgs_table(water: Ask) -> None:
    # USGS DOTABLES at 760 mmHg: 14.62 (0 degC, S 0), 9.09 (20 degC, S 0)
    words = ("oxygen", "--table", "temperature_C=0:30:10", "--table", "salinity=0:40:20", "--uncertainty",
             "temperature_C=0.1", "--station-pressure-hPa", "1013.25")  # fmt: skip
    out = water(*words).out
    flat = " ".join(out.split())
    assert re.search(
        r"oxygen of air-saturated water, mg/L, across by practical salinity .PSS-78.; at station", flat
    )
    assert re.search(r"^ ?20 +9\.09", out, re.MULTILINE)
    points = json.loads(water(*words, "--json").out)
    assert [(p["temperature_C"], p["salinity"]) for p in points[:4]] == [(0, 0), (0, 20), (0, 40), (10, 0)]
    assert len(points) == 12
    assert round(points[0]["oxygen_saturation_mg_per_L"], 2) == 14.62
    assert round(points[6]["oxygen_saturation_mg_per_L"], 2) == 9.09


def test_a_table_over_one_range_has_a_column_for_each_result(water: Ask) -> None:
    out = water("oxygen", "--salinity", "33", "--table", "temperature_C=5:45:20").out
    assert "At practical salinity (PSS-78) 33" in out
    assert re.search(r"^ ?water temperature, degC +oxygen of air-saturated water, mg/L", out, re.MULTILINE)
    assert re.search(r"^ ?45 +- ", out, re.MULTILINE)
    one = water("ammonia", *WATER, "--table", "ph=7.6:8.4:0.2", "--show", "uia_fraction").out
    assert re.findall(r"^ ?([78]\.?[0-9]*) +0\.0", one, re.MULTILINE) == ["7.6", "7.8", "8", "8.2", "8.4"]
