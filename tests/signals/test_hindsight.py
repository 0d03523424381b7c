"""The final flag: what a later row adds to an earlier one, which of two numbers is blamed, what is held back."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence

import pytest

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.salinity import salinity_from_specific_conductance
from brinewatch.signals.hindsight import Hindsight, Row
from brinewatch.signals.limits import Drift, Quality, Unsteady

START = Moment(1000.0, 1_700_000_000.0, True)
Values = Mapping[str, float | None]


def finals(rows: Sequence[Values], limits: Mapping[str, Quality], every_s: float = 900.0) -> list[Row]:
    judge = Hindsight({f"s.{key}": limits.get(key, Quality()) for key in rows[0]})
    done: list[Row] = []
    for number, row in enumerate(rows):
        at = START.later(number * every_s)
        samples = {
            f"s.{key}": Sample(f"s.{key}", value, value, at, "s", Flag.PASS if value is not None else Flag.MISSING)
            for key, value in row.items()
        }
        done += judge.take(samples, at)
    return [*done, *judge.close()]


def flags(rows: Sequence[Row], key: str) -> list[int]:
    return [int(row.final[f"s.{key}"][0]) for row in rows]


def sonde(count: int, seed: int = 1) -> list[dict[str, float | None]]:
    """A tidal estuary's sonde, rounded as one rounds: oxygen and salinity given twice, all in accord."""
    pick = random.Random(seed)
    out: list[dict[str, float | None]] = []
    for row in range(count):
        tide, day = math.sin(2 * math.pi * row / 49.7), math.sin(2 * math.pi * row / 96)
        warm = round(22 + 1.5 * day + pick.gauss(0, 0.05), 1)
        conducts = round(30 + 4 * tide + pick.gauss(0, 0.05), 2)
        full = round(90 + 20 * day + pick.gauss(0, 2.0), 1)
        salt = salinity_from_specific_conductance(conducts, warm)
        out.append({
            "temperature": warm, "specific_conductance": conducts, "salinity": round(salt, 1),
            "oxygen_saturation": full, "oxygen": round(full / 100 * benson_krause(warm, salt), 1),
        })  # fmt: skip
    return out


def test_a_sound_sonde_passes_whole() -> None:
    done = finals(sonde(600), {})
    assert len(done) == 600
    for key in done[0].final:
        assert all(row.final[key] == (Flag.PASS, "") for row in done)


def test_a_flat_line_is_doubted_from_its_beginning() -> None:
    rows = [{"turbidity": float(number % 7)} for number in range(20)] + [{"turbidity": 3.5}] * 20
    done = finals(rows, {"turbidity": Quality(flat_after_s=3600, flat_fail_after_s=14_400)})
    assert flags(done, "turbidity") == [1] * 20 + [3] * 16 + [4] * 4
    assert [int(row.live["s.turbidity"].flag) for row in done[20:25]] == [1, 1, 1, 1, 3]


def test_a_spike_is_doubted_and_the_live_flag_stands() -> None:
    done = finals([{"turbidity": value} for value in (1.0, 1.0, 9.0, 1.0, 1.0)], {"turbidity": Quality(spike=2)})
    assert flags(done, "turbidity") == [1, 1, 3, 1, 1]
    assert done[2].live["s.turbidity"].flag is Flag.PASS


def test_restlessness_is_doubted_from_the_first_jump() -> None:
    pick = random.Random(2)
    values = [10.0] * 40 + [10.0 + pick.uniform(-4.0, 4.0) for _ in range(30)] + [10.0] * 40
    done = finals(
        [{"turbidity": v} for v in values], {"turbidity": Quality(unsteady=Unsteady(over_s=10_800, beyond=1))}
    )
    found = flags(done, "turbidity")
    assert found[:39] == [1] * 39
    assert found[41:68].count(3) >= 25
    assert found[76:] == [1] * 34


def test_a_drift_is_doubted_from_where_it_had_gone_a_part_of_its_way() -> None:
    values = [20 + math.sin(2 * math.pi * row / 96) + max(0, row - 400) / 30 for row in range(640)]
    done = finals([{"temperature": v} for v in values], {"temperature": Quality(drift=Drift(beyond=3.0))})
    found = flags(done, "temperature")
    assert found[:400] == [1] * 400
    first = found.index(3)
    assert 0.5 <= (first - 400) / 30 <= 3.0  # found with the value 0.5 to 3 degrees off
    assert found[first:] == [3] * (640 - first)


@pytest.mark.parametrize("fault", ["step", "noise", "drift", "frozen"])
@pytest.mark.parametrize("key", ["specific_conductance", "salinity", "oxygen_saturation", "oxygen"])
def test_of_two_that_do_not_fit_the_culprit_is_blamed(key: str, fault: str) -> None:
    rows, pick = sonde(700), random.Random(4)
    size = {"specific_conductance": 6.0, "salinity": 4.0, "oxygen_saturation": 40.0, "oxygen": 3.0}[key]
    held = rows[400][key]
    for row in range(400, 500):
        true = rows[row][key]
        assert true is not None
        off = {"step": size, "noise": pick.gauss(0, size / 2), "drift": size * (row - 400) / 50}
        rows[row][key] = held if fault == "frozen" else round(max(true + off[fault], 0.1), 2)
    done = finals(rows, {})
    blamed = {one: flags(done[400:500], one).count(3) for one in rows[0]}
    assert blamed[key] >= 60
    assert sum(count for one, count in blamed.items() if one != key) <= 0.2 * blamed[key]
    assert all(flags(done[:400], one).count(3) == 0 for one in rows[0])


def test_an_instrument_of_other_conventions_is_left_alone() -> None:
    # percent by the pressure of a mountain lake: it never fits, so nothing can be told from it
    rows = sonde(400)
    for row in rows:
        assert row["oxygen"] is not None
        row["oxygen"] = round(row["oxygen"] * 0.8, 1)
    assert all(flags(finals(rows, {}), key).count(3) == 0 for key in rows[0])


def test_out_of_the_water_all_is_in_air() -> None:
    rows = sonde(100)
    for row in range(50, 60):
        rows[row] |= {"specific_conductance": 0.01, "salinity": 0.0, "oxygen_saturation": 100.0}
    done = finals(rows, {})
    for key in rows[0]:
        assert flags(done, key) == [1] * 50 + [3] * 10 + [1] * 40


def test_a_conductivity_cell_alone_does_not_speak_for_the_instrument() -> None:
    rows = sonde(100)
    rows[50]["specific_conductance"] = 0.0
    done = finals(rows, {})
    assert flags(done, "specific_conductance")[50] == 3
    assert flags(done, "temperature")[50] == 1


def test_what_is_missing_stays_missing() -> None:
    rows = [{"turbidity": 3.0}] * 5 + [{"turbidity": None}] + [{"turbidity": 3.0}] * 20
    done = finals(rows, {"turbidity": Quality(flat_after_s=3600)})
    assert flags(done, "turbidity")[5] == 9


def test_rows_come_back_in_order_and_no_more_wait_than_the_tests_look_back() -> None:
    judge = Hindsight({"s.turbidity": Quality(flat_after_s=3600)})
    back, most = [], 0
    for number in range(500):
        at = START.later(900.0 * number)
        value = float(number)
        back += list(judge.take({"s.turbidity": Sample("s.turbidity", value, value, at, "s")}, at))
        most = max(most, number + 1 - len(back))
    assert most <= 6
    back += list(judge.close())
    assert [row.at.mono for row in back] == [1000.0 + 900.0 * number for number in range(500)]
