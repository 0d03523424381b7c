"""Published table cells through the command on a file, as a stranger would check them."""

from __future__ import annotations

import json
import statistics

import PyCO2SYS
import pytest

from brinewatch.seawater.density import density_eos80
from checkvalues import rows
from water.asking import Ask

MMHG_PER_HPA = 0.750061683  # NIST SP 811


def test_usgs_dotables(on_file: Ask) -> None:
    # USGS DOTABLES (Benson & Krause), to the last printed digit; an earlier revision of three decimals to 0.002
    table = [
        r for r in rows("oxygen_saturation.csv") if r["source"].startswith("USGS") and "MISPRINT" not in r["note"]
    ]
    header = "temperature_C,salinity,station_pressure_hPa,printed"
    cells = [
        f"{r['temp_C']},{r['salinity_psu']},{float(r['pressure_mmHg']) / MMHG_PER_HPA!r},{r['published_do_mgL']}"
        for r in table
    ]
    answer = on_file("oxygen", [header, *cells])
    assert answer.code == 0
    assert len(answer.rows) == len(table) > 30
    for row, source in zip(answer.rows, table, strict=True):
        slack = 0.0021 if source["note"] else 0.501 * 10.0 ** -len(row["printed"].partition(".")[2])
        assert float(row["oxygen_saturation_mg_per_L"]) == pytest.approx(float(row["printed"]), abs=slack)
        assert row["reason"] == ""


def test_iso_5814_fresh_water_by_the_default_pressure(on_file: Ask) -> None:
    # ISO 5814 / EN 25814, fresh-water column at 1 atm
    table = [r for r in rows("oxygen_saturation.csv") if r["source"].startswith("ISO 5814 / EN")]
    fresh = [r for r in table if r["salinity_psu"] == "0"]
    answer = on_file("oxygen", ["temperature_C", *(r["temp_C"] for r in fresh)], "--salinity", "0")
    assert len(answer.rows) == len(fresh) >= 15
    for row, source in zip(answer.rows, fresh, strict=True):
        found = float(row["oxygen_saturation_mg_per_L"])
        assert found == pytest.approx(float(source["published_do_mgL"]), abs=0.0051)
    assert "1013.25 hPa" in answer.err


def test_garcia_and_gordon_check_value(water: Ask) -> None:
    # Garcia & Gordon 1992: S 35, 10 degC (IPTS-68) -> 274.610 micromol/kg and 6.315 mL/L
    at = ["--temperature-C", repr(10 / 1.00024), "--salinity", "35", "--formulation", "garcia-gordon", "--json"]
    found = {r["name"]: r["value"] for r in json.loads(water("oxygen", *at).out)["results"]}
    assert found["oxygen_saturation_umol_per_kg"] == pytest.approx(274.610, abs=5.1e-4)
    assert found["oxygen_saturation_mL_per_L"] == pytest.approx(6.315, abs=5.1e-4)


def test_epa_1989_saltwater_criteria(on_file: Ask) -> None:
    # US EPA 1989 (EPA 440/5-88-004) to two digits, in B.C. Water Quality Guidelines 2006, tables 21 and 22
    table = [r for r in rows("ammonia_epa1989_criteria.csv") if "MISPRINT" not in r["note"].upper()]
    cells = [
        f"{r['temp_C']},{r['salinity_g_per_kg']},{r['pH']},{r['total_ammonia_mgL']},{r['uia_criterion_mgL']}"
        for r in table
    ]
    answer = on_file("ammonia", ["temperature_C,salinity,ph,tan_mgN_per_L,criterion", *cells])
    apart = sorted(abs(float(r["uia_mgN_per_L"]) / float(r["criterion"]) - 1.0) for r in answer.rows)
    assert len(apart) > 190
    assert statistics.median(apart) < 0.015
    assert apart[int(0.95 * len(apart))] < 0.04
    assert apart[-1] < 0.07


@pytest.mark.parametrize("salinity", ["column", "none"])
def test_fresh_water_by_emerson(on_file: Ask, salinity: str) -> None:
    # Emerson et al. 1975 and Trussell 1972 (an earlier pKa: within 2.5 %)
    table = [r for r in rows("ammonia_percent.csv") if r["salinity_psu"] == "0"]
    with_salinity = salinity == "column"
    header = "temperature_C,ph,salinity" if with_salinity else "temperature_C,ph"
    cells = [f"{r['temp_C']},{r['pH']}{',0' if with_salinity else ''}" for r in table]
    answer = on_file("ammonia", [header, *cells], "--formulation", "emerson-1975")
    assert len(answer.rows) == len(table) > 30
    for row, source in zip(answer.rows, table, strict=True):
        assert 100 * float(row["uia_fraction"]) == pytest.approx(float(source["published_percent_nh3"]), rel=0.025)


@pytest.mark.parametrize(
    ("formulation", "scale", "column"),
    [
        ("epa-1989", "nbs", "pKa_epa1989"),
        ("bell-2007", "nbs", "pKa_bell2008"),
        ("clegg-whitfield-1995", "total", "pKa_clegg_whitfield1995_total_molkgSW"),
        ("emerson-1975", "nbs", "pKa_emerson1975_fresh"),
    ],
)
def test_each_formulation_by_a_second_implementation(
    on_file: Ask, formulation: str, scale: str, column: str
) -> None:
    # pKa computed from the published coefficients by a second implementation, five decimals
    table = rows("ammonia_pka.csv")
    cells = [f"{r['temp_C']},{r['salinity_psu']},8.1" for r in table]
    answer = on_file(
        "ammonia", ["temperature_C,salinity,ph", *cells], "--formulation", formulation, "--ph-scale", scale
    )
    for row, source in zip(answer.rows, table, strict=True):
        expected = 1.0 / (1.0 + 10.0 ** (float(source[column]) - 8.1))
        assert float(row["uia_fraction"]) == pytest.approx(expected, rel=3e-5), row


def test_unesco_44_salinity_at_the_surface(on_file: Ask) -> None:
    # Fofonoff & Millard 1983, UNESCO 44, pp. 9 and 14: R to six decimals, so S to 0.00004; C(35,15,0) = 42.914
    table = [r for r in rows("salinity_pss78.csv") if float(r["pressure_dbar"]) == 0.0]
    cells = [
        f"{float(r['conductivity_ratio_R']) * 42.914!r},{float(r['temp_C_IPTS68']) / 1.00024!r}" for r in table
    ]
    answer = on_file("salinity", ["conductivity_mS_per_cm,temperature_C", *cells])
    assert len(answer.rows) == len(table) >= 20
    for row, source in zip(answer.rows, table, strict=True):
        assert float(row["salinity"]) == pytest.approx(float(source["published_S"]), abs=4e-5)


def test_unesco_44_salinity_under_pressure(water: Ask) -> None:
    # Fofonoff & Millard 1983, UNESCO 44, p. 9: R 1.2, 20 degC, 2000 dbar -> 37.245628
    answer = water("salinity", "--conductivity-mS-per-cm", repr(1.2 * 42.914),
                   "--temperature-C", repr(20 / 1.00024),
                   "--water-pressure-dbar", "2000", "--json")  # fmt: skip
    assert json.loads(answer.out)["results"][0]["value"] == pytest.approx(37.245628, abs=5e-6)


def test_unesco_44_density_at_the_surface(on_file: Ask) -> None:
    # Fofonoff & Millard 1983, UNESCO 44, pp. 19, 20, 23
    table = [r for r in rows("density_eos80.csv") if float(r["pressure_dbar"]) == 0.0]
    cells = [f"{r['salinity_psu']},{float(r['temp_C_IPTS68']) / 1.00024!r}" for r in table]
    answer = on_file("density", ["salinity,temperature_C", *cells])
    assert len(answer.rows) == len(table) > 5
    for row, source in zip(answer.rows, table, strict=True):
        printed = source["published_rho_kg_m3"]
        # p. 20 prints one sigma of which the last digit is one off
        slack = max(1.05e-5, 0.501 * 10.0 ** -len(printed.partition(".")[2]))
        assert float(row["density_kg_per_m3"]) == pytest.approx(float(printed), abs=slack)


def test_free_co2_by_pyco2sys(on_file: Ask) -> None:
    # PyCO2SYS 1.8 with the same constants (Lueker 2000, Dickson 1990, Uppstrom 1974), pH on the total scale
    cells = [(t, s, ph) for t in (5.0, 15.0, 25.0) for s in (25.0, 33.0, 38.0) for ph in (7.4, 7.8, 8.2)]
    text = [f"{t},{s},{ph},2.3" for t, s, ph in cells]
    answer = on_file("co2", ["temperature_C,salinity,ph,alkalinity_meq_per_L", *text], "--ph-scale", "total")
    for row, (t, s, ph) in zip(answer.rows, cells, strict=True):
        expected = PyCO2SYS.sys(
            2.3 / density_eos80(s, t) * 1e6, ph, 1, 3, salinity=s, temperature=t, opt_k_carbonic=10,
            opt_total_borate=1, opt_pH_scale=1,
        )  # fmt: skip
        assert float(row["co2_fugacity_microatm"]) == pytest.approx(float(expected["fCO2"]), rel=2e-3)


def test_the_estuary_record(on_file: Ask) -> None:
    # NOAA NERRS, gndblwq 2021: the sonde's own salinity and percent, printed to 0.1, from its other columns
    record = rows("estuary-sonde-gndbl-2021.csv.gz")
    header = "when,temperature_C,specific_conductance_mS_per_cm"
    answer = on_file("salinity", [header, *(f"{r['DateTimeStamp']},{r['Temp']},{r['SpCond']}" for r in record)])
    assert len(answer.rows) == len(record)
    checked = 0
    for row, source in zip(answer.rows, record, strict=True):
        if source["Temp"] and source["SpCond"] and source["Sal"]:
            assert abs(float(row["salinity"]) - float(source["Sal"])) < 0.06
            assert 0.0 < float(row["salinity_uncertainty"]) < 0.5
            checked += 1
        elif not source["Temp"] or not source["SpCond"]:
            assert row["salinity"] == row["salinity_uncertainty"] == ""
            assert "is empty" in row["reason"]
    assert checked > 5000


def test_the_estuary_records_oxygen(on_file: Ask) -> None:
    # as above: mg/L is printed to 0.1, which is worth some 0.7 %, and salinity to 0.1
    record = [r for r in rows("estuary-sonde-gndbl-2021.csv.gz") if r["Temp"] and r["Sal"] and r["DO_Pct"]]
    answer = on_file(
        "oxygen",
        ["temperature_C,salinity,oxygen_mg_per_L", *(f"{r['Temp']},{r['Sal']},{r['DO_mgl']}" for r in record)],
    )
    apart = []
    for row, source in zip(answer.rows, record, strict=True):
        if row["oxygen_percent"]:
            one_digit = 0.05 / float(row["oxygen_saturation_mg_per_L"]) * 100.0 + 0.05
            apart.append(abs(float(row["oxygen_percent"]) - float(source["DO_Pct"])) - one_digit)
    assert len(apart) > 5000
    assert statistics.median(apart) < 0.0
    assert max(apart) < 0.25
