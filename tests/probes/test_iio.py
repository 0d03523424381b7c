"""Kernel IIO files: order of offset and scale, the ABI's units, and current loops by NAMUR NE 43."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from brinewatch.clock import SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError, ProbeFault
from brinewatch.probes.iio import IioBus, IioSettings, LoopSettings, from_loop, measure
from brinewatch.readings import Flag, Sample
from probes.conftest import vectors


def tree(root: Path, device: str, **files: str) -> Path:
    folder = root / device
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


def bus_on(root: Path, clock: SystemClock, *channels: dict[str, Any], device: str = "adc") -> IioBus:
    probe = {"name": "p", "device": device, "channel": list(channels)}
    settings = IioSettings.model_validate({"kind": "iio", "root": str(root), "probe": [probe]})
    return IioBus("iio", settings, clock, root)


async def read(root: Path, clock: SystemClock, *channels: dict[str, Any], device: str = "adc") -> list[Sample]:
    bus = bus_on(root, clock, *channels, device=device)
    await bus.open()
    return list(await bus.read("p"))


@pytest.mark.parametrize(("given_", "expected", "source"), vectors("iio_scale"))
def test_offset_comes_before_scale(tmp_path: Path, given_: str, expected: str, source: str) -> None:
    raw, offset, scale = re.findall(r"=(-?[\d.]+)", given_)
    folder = tree(tmp_path, "d", in_voltage0_raw=raw, in_voltage0_offset=offset, in_voltage0_scale=scale)
    assert measure(folder, "voltage0", "voltage") == (float(raw), float(expected.split()[0])), source


@pytest.mark.parametrize(
    ("point", "attribute", "text", "value"),
    [
        # ABI: pressure in kPa, temperature in milli degrees Celsius, current in mA
        ("room.barometric_pressure", "pressure", "101.325000\n", 1013.25),
        ("room.air_temperature", "temp", "21437\n", 21.437),
        ("blower.motor_current", "current0", "3250\n", 3.25),
    ],
)
async def test_units_of_the_abi(
    tmp_path: Path, clock: SystemClock, point: str, attribute: str, text: str, value: float
) -> None:
    kinds = dict(zip(*(part.split(" / ") for part in vectors("iio_units")[0][:2]), strict=True))
    assert (kinds["pressure"], kinds["temp"], kinds["current"]) == ("kPa", "milli-degC", "mA")
    tree(tmp_path, "iio:device0", name="baro\n", **{f"in_{attribute}_input": text})
    (sample,) = await read(tmp_path, clock, {"point": point, "attribute": attribute}, device="baro")
    assert sample.value == pytest.approx(value)


async def test_a_voltage_needs_no_unit_but_a_scale(tmp_path: Path, clock: SystemClock) -> None:
    """A current clamp of 1 V for 10 A: 0.01 A in a mV."""
    tree(tmp_path, "iio:device0", name="adc\n", in_voltage3_raw="1600\n", in_voltage_scale="0.125000000\n")
    channel = {"point": "blower.motor_current", "attribute": "voltage3", "scale": 0.01}
    (sample,) = await read(tmp_path, clock, channel)
    assert (sample.value, sample.raw) == (pytest.approx(2.0), 1600)


PRESSURE = {"point": "manifold.air_pressure", "attribute": "voltage0", "unit": "kPa"}
LOOP = {"shunt_ohm": 100.0, "low": 0.0, "high": 25.0}


async def loop_sample(tmp_path: Path, clock: SystemClock, ma: float) -> Sample:
    tree(tmp_path, "iio:device0", name="adc\n", in_voltage0_raw=f"{round(ma * 1000)}\n", in_voltage0_scale="0.1\n")
    (sample,) = await read(tmp_path, clock, {**PRESSURE, "loop": LOOP})
    return sample


@pytest.mark.parametrize(
    ("ma", "value", "flag"),
    [
        (3.8, -0.3125, Flag.PASS),
        (4.0, 0.0, Flag.PASS),
        (12.0, 12.5, Flag.PASS),
        (20.0, 25.0, Flag.PASS),
        (20.5, 25.78125, Flag.PASS),
        (3.7, -0.46875, Flag.SUSPECT),
        (20.8, 26.25, Flag.SUSPECT),
        (3.6, None, Flag.FAIL),
        (0.0, None, Flag.FAIL),
        (21.0, None, Flag.FAIL),
        (21.2, None, Flag.FAIL),
        (24.0, None, Flag.FAIL),
    ],
)
async def test_current_loop_by_ne_43(
    tmp_path: Path, clock: SystemClock, ma: float, value: float | None, flag: Flag
) -> None:
    """NAMUR NE 43 (from memory): measuring 3.8 to 20.5 mA, failure at 3.6 and below or 21 and above."""
    sample = await loop_sample(tmp_path, clock, ma)
    assert (sample.value, sample.flag) == (value if value is None else pytest.approx(value), flag)
    assert bool(sample.reason) == (flag is not Flag.PASS)


@pytest.mark.parametrize(("current", "meaning", "source"), vectors("namur_ne43"))
def test_ne_43_vectors(current: str, meaning: str, source: str) -> None:
    loop = LoopSettings(low=0.0, high=100.0)
    ma = float(current.removesuffix(" mA"))
    if "failure" in meaning:
        with pytest.raises(ProbeFault):
            from_loop(ma, loop)
        return
    value, doubt = from_loop(ma, loop)
    assert bool(doubt) == ("saturated" in meaning), source
    if meaning.endswith("%"):
        assert value == pytest.approx(float(meaning.removesuffix(" %")))


async def test_a_broken_loop_leaves_its_neighbour_alone(tmp_path: Path, clock: SystemClock) -> None:
    tree(
        tmp_path,
        "iio:device0",
        name="adc\n",
        in_voltage0_raw="0\n",
        in_voltage1_raw="1200\n",
        in_voltage_scale="1\n",
    )
    level = {"point": "sump.water_level", "attribute": "voltage1", "loop": {**LOOP, "high": 200.0}}
    broken, well = await read(tmp_path, clock, {**PRESSURE, "loop": LOOP}, level)
    assert broken.flag is Flag.FAIL
    assert "broken wire" in broken.reason
    assert well.value == pytest.approx(100.0)


async def test_a_device_is_found_by_label_name_or_folder(tmp_path: Path, clock: SystemClock) -> None:
    tree(tmp_path, "iio:device0", name="ads1115\n", label="left\n", in_voltage0_input="1\n")
    tree(tmp_path, "iio:device1", name="ads1115\n", label="right\n", in_voltage0_input="2\n")
    channel = {"point": "sump.water_level", "attribute": "voltage0"}
    for device, value in (("left", 1.0), ("right", 2.0), ("iio:device1", 2.0)):
        (sample,) = await read(tmp_path, clock, channel, device=device)
        assert sample.value == value
    with pytest.raises(BadAnswer, match="2 IIO devices are named ads1115"):
        await read(tmp_path, clock, channel, device="ads1115")
    with pytest.raises(NoAnswer, match="no IIO device middle"):
        await read(tmp_path, clock, channel, device="middle")
    with pytest.raises(PortLost, match="no IIO devices"):
        await read(tmp_path / "none", clock, channel)


@pytest.mark.parametrize(
    ("files", "error", "says"),
    [
        ({"in_voltage0_raw": "", "in_voltage0_scale": "1"}, NoAnswer, "gave nothing"),
        ({"in_voltage0_raw": "12 34", "in_voltage0_scale": "1"}, BadAnswer, "no number"),
        ({"in_voltage0_raw": "nan", "in_voltage0_scale": "1"}, BadAnswer, "no number"),
        ({"in_voltage0_raw": "12"}, BadAnswer, "scale is missing"),
        ({"in_voltage0_scale": "1"}, NoAnswer, "is not there"),
        ({"in_voltage0_input": "1e5"}, BadAnswer, "no number"),
    ],
)
async def test_files_that_hold_no_number(
    tmp_path: Path, clock: SystemClock, files: dict[str, str], error: type[Exception], says: str
) -> None:
    tree(tmp_path, "iio:device0", name="adc\n", **files)
    with pytest.raises(error, match=says):
        await read(tmp_path, clock, {"point": "sump.water_level", "attribute": "voltage0"})


async def test_one_input_missing_leaves_the_others(tmp_path: Path, clock: SystemClock) -> None:
    tree(tmp_path, "iio:device0", name="adc\n", in_voltage1_input="5\n")
    missing, well = await read(
        tmp_path, clock,
        {"point": "sump.water_level", "attribute": "voltage0"},
        {"point": "head.water_level", "attribute": "voltage1"},
    )  # fmt: skip
    assert (missing.value, missing.flag) == (None, Flag.MISSING)
    assert well.value == 5.0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"attribute": "pressure", "loop": LOOP}, "voltage or current input"),
        ({"attribute": "voltage0", "loop": {"low": 0.0, "high": 1.0}}, "shunt_ohm"),
        ({"attribute": "current0", "loop": LOOP}, "shunt_ohm"),
        ({"attribute": "voltage0", "loop": {**LOOP, "high": 0.0}}, "other than low"),
        ({"attribute": "../../etc/passwd"}, "pattern"),
    ],
)
def test_settings_that_cannot_work_are_refused(change: dict[str, Any], says: str) -> None:
    probe = {"name": "p", "device": "adc", "channel": [{**PRESSURE, **change}]}
    with pytest.raises(ValidationError, match=says):
        IioSettings.model_validate({"kind": "iio", "probe": [probe]})


@given(text=st.binary(max_size=30))
def test_random_file_contents_are_numbers_or_refused(tmp_path_factory: pytest.TempPathFactory, text: bytes) -> None:
    folder = tmp_path_factory.getbasetemp() / "random"
    folder.mkdir(exist_ok=True)
    (folder / "in_voltage0_input").write_bytes(text)
    try:
        raw, value = measure(folder, "voltage0", "voltage")
    except ProbeError:
        return
    assert raw == value == float(text)
