"""Derived quantities: against a real instrument, against hand-worked values, and in every way an input can fail."""

from __future__ import annotations

import statistics
from dataclasses import replace

import gsw
import pytest

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.seawater import ammonia, oxygen, pressure, salinity
from brinewatch.signals.derived import Derivation, derive
from brinewatch.signals.planning import plan
from brinewatch.signals.recipes import BY_KEY, RECIPES
from checkvalues import rows

NOW = Moment(50_000.0, 1_700_000_000.0, True)
ORDER = ("intake", "sump", "nursery", "filter", "manifold")


def reading(
    point: str,
    value: float | None,
    *,
    flag: Flag = Flag.PASS,
    reason: str = "",
    age_s: float = 0.0,
    uncertainty: float | None = None,
) -> Reading:
    return Reading(
        point, quantity_of(point), value, value, flag, reason, NOW.later(-age_s), "p", uncertainty=uncertainty
    )


def together(*them: Reading) -> dict[str, Reading]:
    return {one.point: one for one in them}


def planned(measured: set[str], wanted: list[str], **more: object) -> list[Derivation]:
    made, missing = plan(measured, wanted, ORDER, altitude_m=more.pop("altitude_m", 0.0), **more)  # type: ignore[arg-type]
    assert missing == {}
    return made


OXYGEN = planned({"nursery.oxygen", "nursery.temperature", "sump.salinity"}, ["nursery.oxygen_saturation"])[0]
OXYGEN_BARO = planned(
    {"nursery.oxygen", "nursery.temperature", "sump.salinity", "shed.barometric_pressure"},
    ["nursery.oxygen_saturation"],
    altitude_m=600.0,
)[0]
AMMONIA = planned({"sump.tan", "nursery.ph", "nursery.temperature", "sump.salinity"}, ["nursery.nh3_n"])[0]
WATER = together(
    reading("nursery.oxygen", 8.0, uncertainty=0.1),
    reading("nursery.temperature", 12.0, uncertainty=0.2),
    reading("sump.salinity", 33.0, uncertainty=0.5),
)


# Against the world ------------------------------------------------------------------------------------------


def test_estuary_record_oxygen_saturation_agrees_with_the_instrument() -> None:
    # NOAA NERRS gndblwq 2021: the sonde printed both mg/L (to 0.1) and percent (to 0.1)
    points = {"creek.oxygen", "creek.temperature", "creek.specific_conductance"}
    made, missing = plan(points, ["creek.oxygen_saturation"], ["creek"], altitude_m=0)
    assert not missing
    assert [one.point for one in made] == ["creek.salinity", "creek.oxygen_saturation"]
    apart = []
    for row in rows("estuary-sonde-gndbl-2021.csv.gz"):
        if not all(row[column] for column in ("Temp", "SpCond", "DO_mgl", "DO_Pct")):
            continue
        now = together(
            reading("creek.oxygen", float(row["DO_mgl"])),
            reading("creek.temperature", float(row["Temp"])),
            reading("creek.specific_conductance", float(row["SpCond"])),
        )
        for one in made:
            now[one.point] = derive(one, now, NOW)
        found = now["creek.oxygen_saturation"]
        assert found.flag is Flag.PASS
        assert found.value is not None
        apart.append(found.value / float(row["DO_Pct"]) - 1)
    assert len(apart) > 5000
    apart.sort()
    assert abs(statistics.median(apart)) < 0.002
    assert apart[len(apart) // 20] > -0.01
    assert apart[-len(apart) // 20] < 0.01


def test_oxygen_saturation_by_the_usgs_table() -> None:
    # USGS DOTABLES: 20 degC, S 5, 760 mmHg holds 8.83 mg/L
    now = together(
        reading("nursery.oxygen", 8.83), reading("nursery.temperature", 20.0), reading("sump.salinity", 5.0)
    )
    found = derive(OXYGEN, now, NOW)
    assert found.value == pytest.approx(100.0, abs=0.06)
    assert found.quantity == "oxygen_saturation"
    assert found.probe == "derived"
    assert found.raw is None
    assert found.at is NOW


def test_oxygen_comes_back_from_saturation() -> None:
    points = {"nursery.oxygen_saturation", "nursery.temperature", "sump.salinity"}
    back = planned(points, ["nursery.oxygen"])[0]
    percent = derive(OXYGEN, WATER, NOW).value
    now = {**WATER, "nursery.oxygen_saturation": reading("nursery.oxygen_saturation", percent)}
    assert derive(back, now, NOW).value == pytest.approx(8.0, rel=1e-12)


def test_ammonia_states_what_it_stands_on() -> None:
    # US EPA 1989 (EPA 440/5-88-004): at S 30, 15 degC, pH 8.0 the chronic criterion of 0.035 mg/L is printed as
    # 1.6 mg/L total (B.C. guidelines 2006, table 22), to two digits, both on one basis
    now = together(
        reading("sump.tan", 1.6, age_s=3 * 3600),
        reading("nursery.ph", 8.0),
        reading("nursery.temperature", 15.0),
        reading("sump.salinity", 30.0),
    )
    found = derive(AMMONIA, now, NOW)
    assert found.value == pytest.approx(1.6 * ammonia.fraction_epa1989(15, 30, 8.0), rel=1e-12)
    assert found.value == pytest.approx(0.035, rel=0.035)
    assert found.basis == (
        "US EPA 1989, as N, pH on NBS scale, up to 20 % on the safe side; "
        "from TAN of sump 3 h old, pH, T, S of sump"
    )
    assert found.age_s == 3 * 3600
    assert found.flag is Flag.PASS


@pytest.mark.parametrize("quantity", ["specific_conductance", "conductivity"])
def test_salinity_from_either_conductance(quantity: str) -> None:
    made = planned({f"sump.{quantity}", "sump.temperature"}, ["sump.salinity"])[0]
    measured = float(gsw.C_from_SP(33, 12, 0))  # gsw 3.6
    if quantity == "specific_conductance":
        measured /= 1 + 0.0191 * (12 - 25)
    now = together(reading(f"sump.{quantity}", measured), reading("sump.temperature", 12.0))
    assert derive(made, now, NOW).value == pytest.approx(33.0, abs=1e-6)


def test_air_rise_is_what_stands_over_the_deepest_diffuser() -> None:
    measured = {"manifold.air_pressure", "nursery.temperature", "nursery.salinity"}
    made = planned(measured, ["manifold.air_rise"], depths_m={"sump": 0.5, "nursery": 1.2})[0]
    now = together(
        reading("manifold.air_pressure", 14.0),
        reading("nursery.temperature", 15.0),
        reading("nursery.salinity", 35.0),
    )
    found = derive(made, now, NOW)
    # handbook table: 1.2 m of seawater is 12.1 kPa
    assert found.value == pytest.approx(14.0 - 12.1, abs=0.05)
    assert found.basis.endswith("from air, S of nursery, T of nursery")
    bare = planned({"manifold.air_pressure"}, ["manifold.air_rise"], depths_m={"nursery": 1.2})[0]
    assumed = derive(bare, now, NOW)
    assert assumed.flag is Flag.PASS
    assert assumed.value == pytest.approx(found.value, abs=0.03)
    assert "practical salinity assumed as 33" in assumed.basis
    assert "temperature assumed as 15.0 degC" in assumed.basis


# Pressure: station, never reduced ---------------------------------------------------------------------------


def test_without_a_barometer_the_altitude_stands_in_and_it_is_said() -> None:
    high = planned(
        {"nursery.oxygen", "nursery.temperature", "sump.salinity"}, ["nursery.oxygen_saturation"], altitude_m=1000
    )[0]
    found = derive(high, WATER, NOW)
    assert found.flag is Flag.PASS
    # ISO 2533: 898.7 hPa at 1000 m
    assert "station pressure assumed as 899 hPa by altitude" in found.basis
    assert found.value == pytest.approx(oxygen.percent_saturation(8, 12, 33, 898.746), rel=1e-6)


def test_a_barometer_is_used_as_it_stands() -> None:
    found = derive(OXYGEN_BARO, {**WATER, **together(reading("shed.barometric_pressure", 935.0))}, NOW)
    assert found.flag is Flag.PASS
    assert found.value == pytest.approx(oxygen.percent_saturation(8, 12, 33, 935.0), rel=1e-12)
    assert found.basis.endswith("p of shed")


def test_a_barometer_reduced_to_sea_level_is_not_believed() -> None:
    found = derive(OXYGEN_BARO, {**WATER, **together(reading("shed.barometric_pressure", 1013.0))}, NOW)
    assert found.flag is Flag.SUSPECT
    assert "reduced to sea level" in found.reason
    expected = oxygen.percent_saturation(8, 12, 33, pressure.station_pressure_hPa(600))
    assert found.value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("flag", "age_s"), [(Flag.FAIL, 0.0), (Flag.MISSING, 0.0), (Flag.NOT_EVALUATED, 0.0), (Flag.PASS, 7 * 3600.0)]
)
def test_a_failed_barometer_costs_certainty_not_the_watch(flag: Flag, age_s: float) -> None:
    baro = reading("shed.barometric_pressure", 935.0, flag=flag, reason="No answer.", age_s=age_s)
    found = derive(OXYGEN_BARO, {**WATER, **together(baro)}, NOW)
    assert found.flag is Flag.SUSPECT
    assert found.usable
    assert "station pressure (shed.barometric_pressure)" in found.reason
    assert "943 hPa by altitude" in found.basis


# Inputs that fail -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("point", ["nursery.oxygen", "nursery.temperature", "sump.salinity"])
def test_the_worst_flag_of_the_inputs_is_its_flag(point: str) -> None:
    for flag in (Flag.SUSPECT, Flag.FAIL, Flag.MISSING, Flag.NOT_EVALUATED):
        bad = reading(point, WATER[point].value, flag=flag, reason="The probe hiccuped.")
        found = derive(OXYGEN, {**WATER, point: bad}, NOW)
        assert found.flag is flag
        assert point in found.reason
        assert "The probe hiccuped." in found.reason
        assert (found.value is not None) is flag.usable


@pytest.mark.parametrize("point", ["nursery.oxygen", "nursery.temperature", "sump.salinity"])
def test_an_input_never_read_is_missing(point: str) -> None:
    found = derive(OXYGEN, {key: one for key, one in WATER.items() if key != point}, NOW)
    assert (found.flag, found.value) == (Flag.MISSING, None)
    assert f"({point}): not read yet." in found.reason


def test_an_input_with_a_good_flag_but_no_value_is_missing() -> None:
    found = derive(OXYGEN, {**WATER, "sump.salinity": reading("sump.salinity", None)}, NOW)
    assert (found.flag, found.value) == (Flag.MISSING, None)


def test_an_input_too_old_is_missing() -> None:
    stale = reading("nursery.temperature", 12.0, age_s=3601)
    found = derive(OXYGEN, {**WATER, stale.point: stale}, NOW)
    assert found.flag is Flag.MISSING
    assert "60 min old" in found.reason
    tests = together(
        reading("sump.tan", 2.0, age_s=4 * 86400),
        reading("nursery.ph", 8.0),
        reading("nursery.temperature", 10.0),
        reading("sump.salinity", 30.0),
    )
    assert derive(AMMONIA, tests, NOW).flag is Flag.MISSING


def test_an_equation_that_refuses_makes_it_fail_with_its_words() -> None:
    hot = reading("nursery.temperature", 47.0)
    found = derive(OXYGEN, {**WATER, hot.point: hot}, NOW)
    assert (found.flag, found.value, found.uncertainty) == (Flag.FAIL, None, None)
    assert "temperature_C = 47 degC is outside the valid range -2 to 42 degC" in found.reason


def test_water_without_oxygen_is_low_not_failed() -> None:
    # an optical probe with a zero error of -0.03 mg/L in anoxic water
    none = reading("nursery.oxygen", -0.03)
    found = derive(OXYGEN, {**WATER, none.point: none}, NOW)
    assert found.usable
    assert found.flag is Flag.SUSPECT
    assert found.value == pytest.approx(-0.34, abs=0.01)


def test_a_result_that_cannot_be_true_fails() -> None:
    much = reading("nursery.oxygen", 39.0)
    warm = reading("nursery.temperature", 40.0)
    found = derive(OXYGEN, {**WATER, much.point: much, warm.point: warm}, NOW)
    assert found.flag is Flag.FAIL
    assert "cannot be true" in found.reason


def test_every_text_fits_a_text_message() -> None:
    texts = [derive(OXYGEN, {}, NOW).reason, derive(OXYGEN, WATER, NOW).basis]
    texts += [one.basis for one in RECIPES]
    for text in texts:
        # 3GPP TS 23.038: printable ASCII but for these is in the basic table, one septet each
        assert text.isascii()
        assert not set(text) & set("^{}\\[~]|`")


# What it says of its inputs ---------------------------------------------------------------------------------


def test_age_is_handed_on_through_what_was_itself_derived() -> None:
    old = replace(reading("sump.salinity", 33.0, age_s=100), age_s=900.0)
    found = derive(OXYGEN, {**WATER, old.point: old}, NOW)
    assert found.age_s == 1000.0
    assert "S of sump 17 min old" in found.basis


def test_every_input_is_named_with_its_stage_and_age() -> None:
    found = derive(OXYGEN, WATER, NOW)
    assert found.basis == (
        "Benson & Krause 1984; from O2, T, S of sump, station pressure assumed as 1013 hPa by altitude"
    )
    now = {**WATER, **together(reading("sump.salinity", 33.0, age_s=3 * 86400 + 7200, uncertainty=0.5))}
    assert "S of sump 3 d old" in derive(OXYGEN, now, NOW).basis
    now = {**WATER, **together(reading("nursery.temperature", 12.0, age_s=125))}
    assert "T 2 min old" in derive(OXYGEN, now, NOW).basis
    now = {**WATER, **together(reading("nursery.temperature", 12.0, age_s=115))}
    assert "old" not in derive(OXYGEN, now, NOW).basis


def test_an_old_input_changes_the_words_no_more_than_hourly() -> None:
    # each new text is kept in the history: a week of a weekly salinity must not make ten thousand of them
    texts = {
        derive(OXYGEN, {**WATER, **together(reading("sump.salinity", 33.0, age_s=age))}, NOW).basis
        for age in range(0, 7 * 86400, 60)
    }
    assert len(texts) < 150


def test_a_program_learns_all_it_stands_on() -> None:
    old = reading("sump.salinity", 33.0, age_s=4000.0, uncertainty=0.5)
    found = derive(OXYGEN, {**WATER, old.point: old}, NOW)
    assert [(one.name, one.value, one.age_s) for one in found.ingredients] == [
        ("nursery.oxygen", 8.0, 0.0),
        ("nursery.temperature", 12.0, 0.0),
        ("sump.salinity", 33.0, 4000.0),
        ("station pressure by altitude", pressure.station_pressure_hPa(0.0), 0.0),
        ("Benson & Krause 1984", None, 0.0),
    ]
    shares = {one.name: one.share or 0.0 for one in found.ingredients}
    # more oxygen, heat or salt is more percent; more air is less
    assert shares["nursery.oxygen"] > 0
    assert shares["nursery.temperature"] > 0
    assert shares["sump.salinity"] > 0
    assert shares["station pressure by altitude"] < 0
    assert found.uncertainty == pytest.approx(sum(share**2 for share in shares.values()) ** 0.5)


def test_what_was_derived_itself_is_named_by_what_was_measured() -> None:
    points = {"creek.oxygen", "creek.temperature", "creek.specific_conductance"}
    made = planned(points, ["creek.oxygen_saturation"])
    now = together(
        reading("creek.oxygen", 7.0, uncertainty=0.1),
        reading("creek.temperature", 20.0, uncertainty=0.2, age_s=3.0),
        reading("creek.specific_conductance", 45.0, uncertainty=0.3, age_s=5.0),
    )
    now["creek.salinity"] = replace(derive(made[0], now, NOW.later(-2)), at=NOW.later(-2))
    found = derive(made[1], now, NOW)
    assert {one.name: one.age_s for one in found.ingredients} == {
        "creek.oxygen": 0.0,
        "creek.temperature": 3.0,
        "creek.specific_conductance": 5.0,
        "PSS-78": 0.0,
        "station pressure by altitude": 0.0,
        "Benson & Krause 1984": 0.0,
    }
    assert found.basis.startswith("Benson & Krause 1984; from O2, T, S, station pressure")


def test_without_a_value_there_is_nothing_it_stands_on() -> None:
    found = derive(OXYGEN, {key: one for key, one in WATER.items() if key != "nursery.oxygen"}, NOW)
    assert found.ingredients == ()
    assert found.uncertainty is None
    assert found.basis == (
        "Benson & Krause 1984; from T, S of sump, station pressure assumed as 1013 hPa by altitude"
    )


# The plan ---------------------------------------------------------------------------------------------------


def test_the_same_stage_comes_first_then_the_nearest_then_the_one_upstream() -> None:
    measured = {"filter.oxygen", "filter.temperature", "intake.salinity", "nursery.salinity", "manifold.salinity"}
    made = planned(measured, ["filter.oxygen_saturation"])[0]
    assert made.inputs["temperature"] == "filter.temperature"
    assert made.inputs["salinity"] == "nursery.salinity"
    assert "barometric_pressure" not in made.inputs


def test_what_it_stands_on_is_worked_out_before_it() -> None:
    measured = {"nursery.ph", "nursery.temperature", "sump.tan", "sump.specific_conductance", "sump.temperature"}
    made = planned(measured, ["nursery.nh3_n"])
    assert [one.point for one in made] == ["sump.salinity", "nursery.nh3_n"]
    assert made[1].inputs["salinity"] == "sump.salinity"


def test_a_measured_point_needs_no_plan() -> None:
    assert planned({"nursery.oxygen_saturation"}, ["nursery.oxygen_saturation"]) == []


@pytest.mark.parametrize(
    ("measured", "wanted", "words"),
    [
        (set(), "nursery.ph", "a probe channel that feeds it"),
        ({"nursery.oxygen", "nursery.temperature"}, "nursery.oxygen_saturation", "missing: salinity"),
        ({"sump.oxygen", "nursery.temperature"}, "nursery.oxygen_saturation", "oxygen in this stage, salinity"),
        ({"nursery.ph", "nursery.temperature", "sump.salinity"}, "nursery.nh3_n", "missing: tan"),
        ({"manifold.air_pressure"}, "manifold.air_rise", "missing: diffuser_depth_m of a stage"),
        ({"sump.temperature"}, "sump.salinity", "specific_conductance in this stage"),
    ],
)
def test_what_cannot_be_worked_out_says_what_is_missing(measured: set[str], wanted: str, words: str) -> None:
    made, missing = plan(measured, [wanted], ORDER, altitude_m=0)
    assert made == []
    assert words in missing[wanted]


def test_two_wanted_points_that_only_stand_on_each_other_are_both_missing() -> None:
    wanted = ["nursery.oxygen", "nursery.oxygen_saturation"]
    made, missing = plan({"nursery.temperature", "sump.salinity"}, wanted, ORDER, altitude_m=0)
    assert made == []
    assert set(missing) == set(wanted)


def test_one_that_fails_leaves_nothing_half_planned() -> None:
    measured = {"sump.specific_conductance", "sump.temperature", "nursery.ph"}
    made, missing = plan(measured, ["nursery.nh3_n"], ORDER, altitude_m=0)
    assert made == []
    assert set(missing) == {"nursery.nh3_n"}


def test_every_recipe_is_for_a_known_quantity_and_its_check_of_the_meter() -> None:
    assert len(BY_KEY) == len(RECIPES)
    # undoing the compensation matters: 48 instead of 33 at 10 degC
    shown = salinity.conductivity_from_salinity(33, 10) / (1 + 0.0191 * (10 - 25))
    made = planned({"sump.specific_conductance", "sump.temperature"}, ["sump.salinity"])[0]
    now = together(reading("sump.specific_conductance", shown), reading("sump.temperature", 10.0))
    assert derive(made, now, NOW).value == pytest.approx(33.0, abs=1e-8)
