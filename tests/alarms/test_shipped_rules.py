"""The numbers of the rule sets that come with the program, and where they come from.

checkvalues/species_alert_limits.csv: alert limits by animal, each with the work it leans on and how that was seen
(`provenance`); most are judgement leaning on published effects, and say so. checkvalues/species_effects.csv: those
published effects.
"""

from __future__ import annotations

import pytest

from alarms.nights import bound
from alarms.shipped_sets import ANIMALS, FILES, OTHER_SHEDS, OWN, SETS, SHED, SOURCES, SPECIES, STAGE_KINDS, one_of
from brinewatch.alarms.events import Priority
from brinewatch.alarms.limits import limit_in_span
from brinewatch.alarms.rules import Above, Below, Flat, Rate, Rule, Stale
from brinewatch.alarms.ruleset import bind
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.seawater.ammonia import fraction_bell2007
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.oxygen_units import partial_pressure_hPa
from brinewatch.seawater.pressure import mmHg_from_hPa, static_head_kPa
from checkvalues import rows

MEASURED = {
    "do_sat": "oxygen_saturation", "temperature": "temperature", "salinity": "salinity", "ph": "ph",
    "nh3n": "nh3_n", "no2n": "nitrite", "no3n": "nitrate", "alkalinity": "alkalinity", "tan": "tan",
    "calcium": "calcium", "co2": "co2",
}  # fmt: skip
GENERIC = "Sea urchin (temperate generic)"
FOR_ALL = ("alkalinity", "calcium", "co2")
Limit = tuple[str, type, str, float]


def table_limits(species: list[str]) -> set[Limit]:
    """What the table says for an animal: a species before its group, and what holds for all from the urchins."""
    found: dict[tuple[str, type, str], float] = {}
    for name in (GENERIC, *species):
        for row in rows("species_alert_limits.csv"):
            if row["species"] != name or row["parameter"] == "dT_rate":
                continue
            if name == GENERIC and GENERIC not in species and row["parameter"] not in FOR_ALL:
                continue
            for column, kind in (("low", Below), ("high", Above)):
                if row[column]:
                    found[MEASURED[row["parameter"]], kind, row["level"]] = float(row[column])
    return {(*key, value) for key, value in found.items()}


def file_limits(name: str) -> set[Limit]:
    return {
        (one.quantity, type(one.condition), one.key.rpartition("-")[2], one.condition.limit)
        for one in SETS[name].rules
        if isinstance(one.condition, (Below, Above))
    }


def test_every_rule_set_is_one_of_these() -> None:
    assert set(FILES) == {*SHED, *ANIMALS, *STAGE_KINDS, *OTHER_SHEDS}


@pytest.mark.parametrize("name", [name for name in ANIMALS if name != "sea_urchin.toml"])
def test_limits_are_those_of_the_table_no_more_and_no_fewer(name: str) -> None:
    assert file_limits(name) == table_limits(ANIMALS[name])


def test_an_urchin_nobody_named_has_the_strictest_temperatures_of_the_temperate_species() -> None:
    temperate = [name for name in SPECIES if name.startswith("sea_urchin") and "tripneustes" not in name]
    assert len(temperate) == 5
    strictest: set[Limit] = set()
    for level in ("warn", "critical"):
        one = {
            (kind, limit)
            for name in temperate
            for quantity, kind, its, limit in table_limits(ANIMALS[name])
            if quantity == "temperature" and its == level
        }
        strictest.add(("temperature", Below, level, max(limit for kind, limit in one if kind is Below)))
        strictest.add(("temperature", Above, level, min(limit for kind, limit in one if kind is Above)))
    assert file_limits("sea_urchin.toml") == table_limits([GENERIC]) | strictest


@pytest.mark.parametrize("name", ANIMALS)
def test_the_urgent_limits_of_oxygen_are_the_more_urgent_alarms_and_an_hour_is_foreseen(name: str) -> None:
    low = {
        one.key.rpartition("-")[2]: one
        for one in SETS[name].rules
        if one.quantity == "oxygen_saturation" and (isinstance(one.condition, Below) or one.side == "min")
    }
    assert {level: one.priority for level, one in low.items()} == {
        "warn": Priority.MEDIUM,
        "critical": Priority.HIGH,
        "emergency": Priority.CRITICAL,
        "soon": Priority.CRITICAL,
    }
    assert low["soon"].limit == low["emergency"].limit
    assert low["soon"].emergency
    assert low["emergency"].emergency


@pytest.mark.parametrize("name", SPECIES)
def test_a_species_is_its_temperatures_and_everything_else_is_its_groups(name: str) -> None:
    group = SETS[f"{'sea_urchin' if name.startswith('sea_urchin') else 'abalone'}.toml"]
    own = {one.key for file, one in OWN if file == name}
    assert {one.quantity for one in SETS[name].rules if one.key in own} == {"temperature"}
    assert {one for one in SETS[name].rules if one.key not in own} == {
        one for one in group.rules if one.quantity != "temperature"
    }


def test_temperature_may_move_by_what_the_table_says() -> None:
    [row] = [row for row in rows("species_alert_limits.csv") if row["parameter"] == "dT_rate"]
    one = one_of("changes.toml", "temperature-changing-fast").condition
    assert isinstance(one, Rate)
    assert (one.speed, one.per, one.way) == (float(row["high"]), "h", "changes")


def effect(species: str, parameter: str, column: str, kind: str = "effect") -> float:
    [value] = {
        float(row[column])
        for row in rows("species_effects.csv")
        if (row["species"], row["parameter"], row["kind"]) == (species, parameter, kind)
        and row[column]
        and row["provenance"].startswith("READ")
    }
    return value


def _oxygen_at(mmHg: float, temperature_C: float) -> float:
    """Per cent of air saturation at an oxygen partial pressure, salinity 33."""
    full = partial_pressure_hPa(benson_krause(temperature_C, 33.0), temperature_C, 33.0)
    return 100.0 * mmHg / mmHg_from_hPa(full)


# Every limit that claims to be published or derived, with the number it is or comes from, worked out anew here.
NUMBERS = {
    # H. midae, one month: damage in adults at about 115 % (Vosloo 2013)
    "abalone-oxygen-high-critical": effect("Haliotis midae", "do_sat", "high"),
    # tolerance 25 to 40, and 2 units outside kill (23 and 42): one unit inside
    "abalone-salinity-low-critical": effect("Haliotis laevigata / H. rubra", "salinity", "low", "lethal") + 3,
    "abalone-salinity-high-critical": effect("Haliotis laevigata / H. rubra", "salinity", "high", "lethal") - 3,
    # EC5 of growth 7.78 and 8.77 (Harris 1999), to one decimal
    "abalone-ph-low-warn": round(effect("Haliotis laevigata", "ph", "low"), 1),
    "abalone-ph-high-critical": round(effect("Haliotis laevigata", "ph", "high"), 1),
    "abalone-nitrate-high-warn": effect("Haliotis tuberculata", "no3n", "high"),
    # growth less above 0.062 as N (Dai 2023), cut to one figure on the safe side
    "seed-ammonia-high-critical": effect("Mactra chinensis (juv)", "nh3n", "high") // 0.01 * 0.01,
    "oyster-ammonia-high-critical": effect("Mactra chinensis (juv)", "nh3n", "high") // 0.01 * 0.01,
    # adults aestivate above 20 to 24.5 degC: the last whole degree of that band
    "cucumber-temperature-high-critical": 24.5 // 1,
    # upper edge of 60 to 70 mmHg at 8 to 15 degC (Johansen and Vadas 1967), in whole per cent
    "urchin-oxygen-low-emergency": round(max(_oxygen_at(70.0, temperature) for temperature in (8.0, 15.0))),
    # 0.010 mg/L un-ionized at pH 8.0, 15 degC, S 33 by Bell et al. 2007 is 0.48 total: to one decimal
    "urchin-tan-high-warn": round(0.010 / fraction_bell2007(15.0, 33.0, 8.0), 1),
    # Echinus at 26 as controls for 25 days (Barrett 2024, abstract)
    "urchin-salinity-low-critical": 26.0,
    # 0.016 mg/L taken as NH3, in N by IUPAC masses
    "urchin-ammonia-high-critical": round(
        effect("Strongylocentrotus droebachiensis", "nh3n", "high") * 14.0067 / 17.0305, 3
    ),
    "urchin-nitrite-high-critical": effect("Strongylocentrotus droebachiensis", "no2n", "high"),
    "urchin-nitrate-high-critical": effect("Paracentrotus lividus", "no3n", "high"),
    # spines harmed above 29 (Mos 2011, abstract)
    "urchin-temperature-high-warn": 29.0,
    # static head, EOS-80 at S 35 and 20 degC: 1024.763 kg/m3 (UNESCO 44), to the half kPa
    "air-stopped": round(2 * static_head_kPa(0.8, 35.0, 20.0)) / 2,
    "branch-pressure-low": round(2 * static_head_kPa(0.4, 35.0, 20.0)) / 2,
    # SRAC 4502: 150 mg/L as CaCO3, equivalent mass 50.04
    "startup-alkalinity-low": round(150.0 / 50.0435, 1),
}  # fmt: skip


def test_every_published_or_derived_limit_is_the_number_it_claims_to_be() -> None:
    claims = [(name, one) for name, one in OWN if one.standing != "judgement" and one.limit is not None]
    assert {one.key for _, one in claims} == set(NUMBERS)
    for name, one in claims:
        assert one.limit == pytest.approx(NUMBERS[one.key], abs=1e-9), (name, one.key)


def test_alkalinity_goes_faster_than_a_milligram_of_ammonia_a_day_can_take() -> None:
    # NH4+ + 2 O2 -> NO3- + H2O + 2 H+: two equivalents for 14.0067 g of N
    one = one_of("filters.toml", "alkalinity-used-fast").condition
    assert isinstance(one, Rate)
    assert one.speed == pytest.approx(2 / 14.0067, abs=0.01)
    assert one.per == "d"


@pytest.mark.parametrize(("name", "one"), OWN, ids=[one.key for _, one in OWN])
def test_every_rule_cites_its_source_honestly(name: str, one: Rule) -> None:
    source = SOURCES[one.source]
    if one.standing == "published":
        assert source.standing == "published"
        assert source.seen not in ("memory", "none"), "a number nobody has checked is not published for us"
    if source.seen in ("memory", "none"):
        assert one.standing == "judgement"
    assert one.why.endswith((".", "?"))
    assert one.time_available


def test_every_source_is_cited_and_every_key_is_written_once_in_its_group() -> None:
    assert {one.source for _, one in OWN} == set(SOURCES)
    keys = [one.key for name, one in OWN if name not in SPECIES]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize(("name", "one"), OWN, ids=[one.key for _, one in OWN])
def test_no_limit_lies_where_the_quantity_cannot_be(name: str, one: Rule) -> None:
    if one.limit is not None:
        assert list(limit_in_span(QUANTITIES[one.quantity], one.limit, one.deadband)) == []


def test_everything_that_is_measured_can_be_bound_with_everything_at_once() -> None:
    points = {f"stage.{key}": key for key in QUANTITIES}
    alarms = bind([(SETS[name], None) for name in FILES if name not in SPECIES], points)
    for point in points:
        data = [alarm for alarm in alarms if alarm.point == point and isinstance(alarm.rule.condition, Stale)]
        assert len(data) == 1, point


@pytest.mark.parametrize("name", STAGE_KINDS)
def test_a_rule_set_of_a_stage_works_with_whatever_of_its_probes_there_is(name: str) -> None:
    assert {one.quantity for one in SETS[name].rules} == STAGE_KINDS[name]
    for quantity in STAGE_KINDS[name]:
        alarms = [one for one in bound(name, points=[f"here.{quantity}"]) if not one.rule.about_data]
        assert {one.quantity for one in alarms} <= {quantity}
        for rule in SETS[name].rules:
            if rule.quantity == quantity and not rule.condition.inputs():
                assert any(one.rule.key == rule.key for one in alarms), rule.key
    assert [one for one in bound(name, points=["here.turbidity"]) if not one.rule.about_data] == []


def test_no_reading_at_all_of_the_air_and_none_that_moves_are_both_alarms() -> None:
    [data] = [one for one in SETS["watch.toml"].rules if one.key == "no-air-data"]
    assert isinstance(data.condition, Stale)
    assert data.priority is Priority.CRITICAL
    assert 15 <= data.on_delay_s + data.condition.seconds <= 30
    flat = one_of("changes.toml", "air-pressure-flat")
    assert isinstance(flat.condition, Flat)
    # flat-line test of 30 to 60 min for pressure: common practice, no source
    assert 1800 <= flat.condition.seconds <= 3600


def test_each_part_of_the_watch_has_its_own_rule_and_an_unknown_part_the_general_one() -> None:
    parts = ["modem", "broker", "journal", "history", "tides"]
    alarms = bound("watch.toml", points=[f"{part}.health" for part in parts])
    failing = {alarm.point: alarm.rule.key for alarm in alarms if alarm.rule.key.endswith("-failing")}
    assert failing == {
        "modem.health": "modem-failing",
        "broker.health": "broker-failing",
        "journal.health": "journal-failing",
        "history.health": "history-failing",
        "tides.health": "part-failing",
    }
    assert all(quantity_of(alarm.point) == "health" for alarm in alarms)
