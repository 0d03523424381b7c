"""From points to a line: worked examples, the uncertainty by an independent library, and every refusal."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater import electrode as glass
from brinewatch.signals import truths
from brinewatch.signals.calibrating import Moves, electrode, fit, methods_of, record_of
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.plausibility import findings, findings_of_point
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Reference
from brinewatch.signals.upkeep import upkeep_of

FACTORY = Calibration()
SEA = truths.station(1013.25, 0.0)


def buffers(
    quantity: str, slope_percent: float, offset_mV: float, degrees: float, *names: str
) -> list[CalibrationPoint]:
    """What an electrode of this slope and offset says in buffers, through a meter that believes it perfect."""
    points = []
    for name in names:
        nernst = glass.nernst_slope_mV(degrees)
        mV = offset_mV - slope_percent / 100.0 * nernst * (glass.buffer_ph(name, degrees) - 7.0)
        said = mV if quantity == "ph_potential" else 7.0 - mV / nernst
        points.append(truths.buffer(quantity, name, degrees).held_against(said, 0.0))
    return points


def texts(found: object) -> str:
    return " ".join(("REFUSED " if one.refused else "MIND ") + one.text for one in found)  # type: ignore[attr-defined]


# lines


def test_air_saturated_water_moves_the_slope() -> None:
    # USGS DOTABLES: 20 degC, S 5, 760 mmHg holds 8.83 mg/L
    point = truths.air_saturated(20.0, 5.0, SEA).held_against(8.00, 0.02)
    line = fit([point], Moves.SLOPE, FACTORY)
    assert line.offset == 0.0
    assert line.slope == pytest.approx(8.83 / 8.00, abs=0.0007)
    assert line.apply(8.0) == pytest.approx(point.true)
    kept = fit([point], Moves.SLOPE, Calibration(offset=0.1, slope=0.9))
    assert kept.offset == 0.1
    assert kept.apply(8.0) == pytest.approx(point.true)


@pytest.mark.parametrize("reference", [truths.zero_oxygen("oxygen"), truths.open_air("air_pressure"), truths.ice()])
def test_a_zero_moves_the_offset_and_keeps_the_slope(reference: truths.Truth) -> None:
    line = fit([reference.held_against(0.3, 0.0)], Moves.OFFSET, Calibration(slope=1.1))
    assert (line.offset, line.slope) == (pytest.approx(-0.33), 1.1)
    assert line.apply(0.3) == pytest.approx(0.0, abs=1e-12)


def test_zero_and_air_give_the_line_by_hand() -> None:
    # by hand: says 0.20 at 0 and 8.20 at 9.00: slope 9/8, offset -0.225
    points = [
        CalibrationPoint(Reference.ZERO_OXYGEN, 0.2, 0.0, 0.05),
        CalibrationPoint(Reference.AIR_SATURATED, 8.2, 9.0, 0.05),
    ]
    line = fit(points, Moves.BOTH, FACTORY)
    assert (line.slope, line.offset) == (pytest.approx(1.125), pytest.approx(-0.225))


def test_three_buffers_by_numpy_least_squares() -> None:
    points = buffers("ph", 97.0, 5.0, 18.0, "4.01", "7.00", "10.01")
    points[1] = replace(points[1], said=points[1].said + 0.03)
    line = fit(points, Moves.BOTH, FACTORY)
    slope, offset = np.polyfit([one.said for one in points], [one.true for one in points], 1)
    assert (line.slope, line.offset) == (pytest.approx(slope), pytest.approx(offset))
    assert sum(line.residuals) == pytest.approx(0.0, abs=1e-12)
    assert max(map(abs, line.residuals)) == pytest.approx(0.0205, abs=0.001)


@given(st.floats(-5, 5), st.floats(0.5, 2), st.lists(st.floats(-50, 50), min_size=2, max_size=3, unique=True))
def test_points_on_a_line_give_that_line(offset: float, slope: float, said: list[float]) -> None:
    if min(abs(one - other) for one in said for other in said if one is not other) < 1e-3:
        return
    points = [CalibrationPoint(Reference.INSTRUMENT, one, offset + slope * one, 0.1) for one in said]
    line = fit(points, Moves.BOTH, FACTORY)
    for point in points:
        assert line.apply(point.said) == pytest.approx(point.true, abs=1e-6)
        assert line.uncertainty >= 0.0


# uncertainty


@pytest.mark.parametrize("usual", [8.1, 6.0, 12.0])
def test_uncertainty_of_two_points_by_the_uncertainties_package(usual: float) -> None:
    points = [
        CalibrationPoint(Reference.BUFFER, 7.10, 7.04, 0.010, 0.006, 15.0),
        CalibrationPoint(Reference.BUFFER, 9.95, 10.12, 0.010, 0.009, 15.0),
    ]
    line = fit(points, Moves.BOTH, FACTORY, usual)
    said = [ufloat(one.said, one.noise) for one in points]
    true = [ufloat(one.true, one.uncertainty) for one in points]
    slope = (true[1] - true[0]) / (said[1] - said[0])
    offset = true[0] - slope * said[0]
    worst = max((offset + slope * place).std_dev for place in (7.10, 9.95, usual))
    assert line.uncertainty == pytest.approx(worst, rel=0.01)


def test_uncertainty_of_three_points_by_the_uncertainties_package() -> None:
    points = [
        CalibrationPoint(Reference.BUFFER, said, true, 0.01, noise)
        for said, true, noise in ((4.10, 4.00, 0.005), (7.02, 7.04, 0.01), (9.97, 10.12, 0.02))
    ]
    line = fit(points, Moves.BOTH, FACTORY, 8.1)
    said = [ufloat(one.said, one.noise) for one in points]
    true = [ufloat(one.true, one.uncertainty) for one in points]
    mean_x, mean_y = sum(said) / 3, sum(true) / 3
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(said, true, strict=True)) / sum(
        (x - mean_x) ** 2 for x in said
    )
    worst = max((mean_y + slope * (place - mean_x)).std_dev for place in (4.10, 7.02, 9.97, 8.1))
    assert line.uncertainty == pytest.approx(worst, rel=0.01)


def test_uncertainty_of_one_point_by_the_uncertainties_package() -> None:
    point = CalibrationPoint(Reference.AIR_SATURATED, 8.0, 8.6, 0.05, 0.03)
    found = fit([point], Moves.SLOPE, FACTORY, 6.0)
    slope = ufloat(8.6, 0.05) / ufloat(8.0, 0.03)
    assert found.uncertainty == pytest.approx((slope * 8.0).std_dev, rel=0.01)
    ice = CalibrationPoint(Reference.ICE, 0.2, 0.0, 0.03, 0.01)
    moved = fit([ice], Moves.OFFSET, FACTORY, 12.0)
    assert moved.uncertainty == pytest.approx((ufloat(0.0, 0.03) - ufloat(0.2, 0.01)).std_dev, rel=0.01)


def test_a_calibration_grows_old() -> None:
    # by hand: sqrt(0.05^2 + 0.02^2 + (0.003 * 20)^2), and the same by the uncertainties package
    line = Calibration(uncertainty=0.02, drift_per_day=0.003, made_utc=1_700_000_000.0)
    parts = ufloat(0, 0.05) + ufloat(0, 0.02) + 20 * ufloat(0, 0.003)
    assert line.standard_uncertainty(0.05, 20.0) == pytest.approx(parts.std_dev, rel=1e-12)
    assert line.standard_uncertainty(0.05) == pytest.approx(math.hypot(0.05, 0.02))
    assert line.standard_uncertainty(None, 20.0) is None
    assert line.age_days(1_700_000_000.0 + 3 * 86400) == 3.0
    assert line.age_days(1_700_000_000.0 - 86400) == 1.0
    assert Calibration().age_days(1e9) == 0.0


# electrodes


@pytest.mark.parametrize("quantity", ["ph", "ph_potential"])
@pytest.mark.parametrize(("percent", "offset"), [(100.0, 0.0), (96.0, 12.0), (88.0, -25.0), (103.0, 8.0)])
@pytest.mark.parametrize("names", [("7.00", "4.01"), ("7.00", "10.01"), ("4.01", "7.00", "10.01")])
def test_slope_and_offset_of_an_electrode_come_back(
    quantity: str, percent: float, offset: float, names: tuple[str, ...]
) -> None:
    points = buffers(quantity, percent, offset, 15.0, *names)
    line = fit(points, Moves.BOTH, FACTORY)
    found = electrode(quantity, line, points)
    assert found is not None
    assert found.slope_percent == pytest.approx(percent, rel=1e-9)
    assert found.offset_mV == pytest.approx(offset, abs=1e-6)
    assert not [one for one in findings(quantity, points, line, FACTORY) if one.refused]


def test_an_electrode_worked_by_hand() -> None:
    # 25 degC, 59.16 mV a pH: 170.0 mV in 4.01 and -3.0 mV in 7.00 is 173.0 / (2.99 * 59.16) = 97.80 % of Nernst
    points = [
        truths.buffer("ph_potential", "4.01", 25.0).held_against(170.0, 0.1),
        truths.buffer("ph_potential", "7.00", 25.0).held_against(-3.0, 0.1),
    ]
    found = electrode("ph_potential", fit(points, Moves.BOTH, FACTORY), points)
    assert found is not None
    assert found.slope_percent == pytest.approx(97.80, abs=0.01)
    assert found.slope_percent == pytest.approx(glass.slope_percent(170.0, 4.01, -3.0, 7.00, 25.0))
    assert found.offset_mV == pytest.approx(-3.0, abs=1e-9)


# refusals and remarks


@pytest.mark.parametrize(
    ("quantity", "truth", "said", "words"),
    [
        ("oxygen", truths.air_saturated(12.0, 33.0, SEA), 5.5, r"REFUSED .*would be 1\.\d\d, outside 0.7"),
        ("oxygen", truths.air_saturated(12.0, 33.0, SEA), 12.9, r"REFUSED .*outside 0.7 to 1.3"),
        ("oxygen", truths.air_saturated(12.0, 33.0, SEA), -0.1, "REFUSED"),
        ("oxygen_saturation", truths.air_saturated_percent(12.0), 70.0, "REFUSED .*1.43"),
        ("oxygen", truths.zero_oxygen("oxygen"), 1.2, "REFUSED .*more than a tenth of saturation"),
        ("oxygen_saturation", truths.zero_oxygen("oxygen_saturation"), 11.0, "REFUSED .*a tenth of saturation"),
        ("air_pressure", truths.open_air("air_pressure"), 11.9, "REFUSED .*more than 2 kPa off.*really open"),
        ("temperature", truths.ice(), 2.3, "REFUSED .*more than 2 degC off.*melt water"),
        ("temperature", truths.instrument("temperature", 12.0, None), 15.0, "REFUSED .*both are in the same water"),
        ("conductivity", truths.conductivity_standard("conductivity", truths.SEAWATER, 20.0), 1.0, "REFUSED .*dry"),
        ("salinity", truths.conductivity_standard("salinity", truths.SEAWATER, 20.0), 20.0, "REFUSED .*bottle"),
        ("ph", truths.buffer("ph", "4.01", 20.0), 7.05, r"REFUSED .*That looks like buffer (7.00|6.865)"),
        ("ph", truths.buffer("ph", "4.01", 20.0), 9.98, "REFUSED .*sign is wrong"),
        ("ph_potential", truths.buffer("ph_potential", "4.01", 25.0), -175.0, "REFUSED .*sign is wrong"),
        ("ph_potential", truths.buffer("ph_potential", "10.01", 25.0), 0.5, "REFUSED .*(broken glass|looks like)"),
        ("ph_potential", truths.buffer("ph_potential", "7.00", 25.0), 60.0, "REFUSED .*fresh buffer"),
    ],
)  # fmt: skip
def test_an_implausible_point_is_refused(quantity: str, truth: truths.Truth, said: float, words: str) -> None:
    assert re.search(words, texts(findings_of_point(quantity, truth.held_against(said, 0.0))))


@pytest.mark.parametrize(
    ("quantity", "truth", "said"),
    [
        ("oxygen", truths.air_saturated(12.0, 33.0, SEA), 7.9),
        ("oxygen", truths.zero_oxygen("oxygen"), 0.3),
        ("oxygen", truths.zero_oxygen("oxygen"), -0.2),
        ("air_pressure", truths.open_air("air_pressure"), 0.4),
        ("temperature", truths.ice(), -0.4),
        ("conductivity", truths.conductivity_standard("conductivity", "KCl 12.88 mS/cm", 25.0), 12.1),
        ("ph", truths.buffer("ph", "4.01", 20.0), 4.30),
        ("ph_potential", truths.buffer("ph_potential", "10.01", 25.0), -160.0),
    ],
)  # fmt: skip
def test_a_usual_point_is_taken(quantity: str, truth: truths.Truth, said: float) -> None:
    assert findings_of_point(quantity, truth.held_against(said, 0.0)) == []


def test_each_bound_of_an_electrode() -> None:
    def judged(percent: float, offset: float) -> str:
        points = buffers("ph_potential", percent, offset, 20.0, "4.01", "7.00")
        return texts(findings("ph_potential", points, fit(points, Moves.BOTH, FACTORY), FACTORY))

    assert judged(98.0, 5.0) == ""
    assert judged(93.0, 5.0).startswith("MIND The slope is 93.0 % of Nernst; a good electrode has 95 to 102 %")
    assert "near its end" in judged(88.0, 5.0)
    assert judged(84.0, 5.0).startswith("REFUSED The slope would be 84.0 % of Nernst, outside 85 to 105 %")
    assert judged(106.0, 5.0).startswith("REFUSED")
    assert "REFUSED The electrode would stand at +31 mV at pH 7, beyond 30 mV" in judged(98.0, 31.0)
    assert "-31 mV" in judged(98.0, -31.0)


def test_swapped_buffers_are_refused() -> None:
    four, ten = buffers("ph", 98.0, 0.0, 20.0, "4.01", "10.01")
    points = [replace(four, said=ten.said), replace(ten, said=four.said)]
    found = findings("ph", points, fit(points, Moves.BOTH, FACTORY), FACTORY)
    assert "REFUSED The signal falls where it should rise" in texts(found)


def test_points_too_close_are_refused() -> None:
    points = [truths.instrument("temperature", t, None).held_against(t, 0.0) for t in (12.0, 15.0)]
    found = findings("temperature", points, fit(points, Moves.BOTH, FACTORY), FACTORY)
    assert texts(found).startswith("REFUSED Two points are 3.00 degC apart; a slope needs 5 degC or more.")
    near = buffers("ph", 98.0, 0.0, 20.0, "6.865", "7.413")
    found = findings("ph", near, fit(near, Moves.BOTH, FACTORY), FACTORY)
    assert "apart; a slope needs 1 or more" in texts(found)


def test_three_buffers_that_do_not_agree() -> None:
    points = buffers("ph", 98.0, 0.0, 20.0, "4.01", "7.00", "10.01")
    a_bit = [points[0], replace(points[1], said=points[1].said + 0.2), points[2]]
    much = [points[0], replace(points[1], said=points[1].said + 0.45), points[2]]
    assert "MIND The points do not lie on one line" in texts(
        findings("ph", a_bit, fit(a_bit, Moves.BOTH, FACTORY), FACTORY)
    )
    assert "REFUSED The points do not lie on one line" in texts(
        findings("ph", much, fit(much, Moves.BOTH, FACTORY), FACTORY)
    )


def test_water_outside_the_points_and_a_big_step_are_said() -> None:
    points = buffers("ph", 98.0, 0.0, 20.0, "4.01", "7.00")
    line = fit(points, Moves.BOTH, FACTORY, 8.2)
    old = Calibration(offset=0.3, id="raceway.ph@old")
    found = texts(findings("ph", points, line, old, 8.2))
    assert "MIND The water is at 8.22, far outside the points (4.00 to 7.02)" in found
    assert "MIND This moves the present reading by -0.28, more than 0.1" in found
    bracketing = buffers("ph", 98.0, 0.0, 20.0, "7.00", "10.01")
    assert findings("ph", bracketing, fit(bracketing, Moves.BOTH, FACTORY), FACTORY, 8.2) == []


def test_buffers_at_different_temperatures_are_said() -> None:
    points = [*buffers("ph", 98.0, 0.0, 10.0, "7.00"), *buffers("ph", 98.0, 0.0, 25.0, "10.01")]
    assert "differ by more than 5 K" in texts(findings("ph", points, fit(points, Moves.BOTH, FACTORY), FACTORY))


def test_a_far_slope_is_said_and_a_farther_one_refused() -> None:
    def judged(quantity: str, *pairs: tuple[float, float]) -> str:
        points = [CalibrationPoint(Reference.INSTRUMENT, said, true, 0.1) for said, true in pairs]
        return texts(findings(quantity, points, fit(points, Moves.BOTH, FACTORY), FACTORY))

    assert "REFUSED The slope would be 1.2, outside 0.9 to 1.1" in judged("temperature", (0.0, 0.0), (10.0, 12.0))
    assert "MIND The slope would be 1.150, far from 1" in judged("air_pressure", (0.0, 0.0), (10.0, 11.5))
    assert judged("air_pressure", (0.0, 0.0), (10.0, 10.5)) == ""


def test_what_gives_no_line_is_an_error() -> None:
    one = CalibrationPoint(Reference.AIR_SATURATED, 0.0, 8.0, 0.1)
    with pytest.raises(ValueError, match="expected a signal to take a slope from"):
        fit([one], Moves.SLOPE, FACTORY)
    with pytest.raises(ValueError, match="expected the probe to tell the references apart"):
        fit([one, replace(one, true=1.0)], Moves.BOTH, FACTORY)
    with pytest.raises(ValueError, match="expected at least one"):
        fit([], Moves.OFFSET, FACTORY)
    with pytest.raises(ValueError, match="1 points cannot give offset and slope"):
        fit([one], Moves.BOTH, FACTORY)
    with pytest.raises(ValueError, match="2 points cannot give slope"):
        fit([one, one], Moves.SLOPE, FACTORY)
    with pytest.raises(ValueError, match="finite"):
        fit([replace(one, said=float("nan"))], Moves.OFFSET, FACTORY)


# the table of methods, and records


def test_every_measured_quantity_has_methods_or_none() -> None:
    for key, quantity in QUANTITIES.items():
        methods = methods_of(key)
        if quantity.states is not None or quantity.derived:
            assert methods == (), key
        assert bool(methods) == (upkeep_of(key) is not None)
        for method in methods:
            assert len(method.references) == 1 or method.moves is Moves.BOTH
            assert method.why
    assert [one.moves for one in methods_of("oxygen")][:3] == [Moves.SLOPE, Moves.BOTH, Moves.OFFSET]
    assert methods_of("air_pressure")[0].references == (Reference.OPEN_AIR,)
    assert methods_of("temperature")[0].references == (Reference.ICE,)
    assert methods_of("conductivity")[0].moves is Moves.SLOPE
    assert {len(one.references) for one in methods_of("ph")} == {1, 2, 3}


def test_a_record_keeps_what_it_was_made_from() -> None:
    points = buffers("ph", 96.0, 12.0, 15.0, "7.00", "10.01")
    line = fit(points, Moves.BOTH, FACTORY)
    record = record_of(
        "raceway.ph",
        "ph",
        "Wren",
        points,
        line,
        1_790_200_800.0,
        21.0,
        identity="raceway.ph@1",
        remark="two buffers",
    )
    assert CalibrationRecord.from_dict(record.to_dict()) == record
    assert record.due_utc == 1_790_200_800.0 + 21 * 86400
    assert (record.slope_percent, record.offset_mV) == (pytest.approx(96.0), pytest.approx(12.0))
    assert record.effective_utc == record.made_utc
    assert record.calibration.apply(points[0].said) == pytest.approx(points[0].true)
    assert record.calibration.drift_per_day == upkeep_of("ph").drift_per_day  # type: ignore[union-attr]
    with pytest.raises(ValueError, match="no later than the record is made"):
        record_of("raceway.ph", "ph", "Wren", points, line, 1.0, None, identity="x", effective_utc=2.0)
    one = record_of(
        "raceway.ph", "ph", "W", points[:1], line, 1.0, None, identity="x", effective_utc=0.5, ramp=True
    )
    assert (one.slope_percent, one.due_utc, one.ramp) == (None, None, True)
