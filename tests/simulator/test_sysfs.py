"""The kernel's files, in the kernel's words."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

from brinewatch.moment import Moment
from brinewatch.simulator.sensors import Sensor
from brinewatch.simulator.sysfs import Barometer, LevelInput, LoopConverter, PulseInput, SysfsTree, Thermometer

NOW = Moment(1000.0, 0.0, True)


def fixed(value: float) -> Sensor:
    return Sensor("fixed", lambda now: value, 1)


# w1_slave texts in the format of kernel w1_therm.c, scratchpads by the DS18B20 datasheet, checksums computed
@pytest.mark.parametrize(("celsius", "line", "milli"), [
    (85.0, "50 05 4b 46 7f ff 10 10 bd : crc=bd YES", 85000),
    (-0.5, "f8 ff 4b 46 7f ff 08 10 f8 : crc=f8 YES", -500),
])  # fmt: skip
def test_a_thermometer_reads_as_the_kernel_prints_it(celsius: float, line: str, milli: int) -> None:
    files = Thermometer("00000a1b2c01", fixed(celsius)).files(NOW)
    shown = files["28-00000a1b2c01/w1_slave"]
    assert shown.splitlines()[0] == line
    assert shown.splitlines()[1] == f"{line[:26]} t={milli}"
    assert files["28-00000a1b2c01/temperature"] == f"{milli}\n"


# DS18B20 datasheet, table 1 (125, 25.0625, -25.0625, -55 degC), with the kernel's truncation toward zero
@pytest.mark.parametrize(
    ("celsius", "pair", "milli"),
    [(125.0, "d0 07", 125000), (25.0625, "91 01", 25062), (-25.0625, "6f fe", -25062), (-55.0, "90 fc", -55000)],
)
def test_temperatures_of_the_datasheets_table(celsius: float, pair: str, milli: int) -> None:
    text = Thermometer("00000a1b2c01", fixed(celsius)).files(NOW)["28-00000a1b2c01/w1_slave"]
    assert text.startswith(pair)
    assert text.endswith(f"t={milli}\n")


def test_a_thermometer_fails_in_the_ways_real_ones_do() -> None:
    one = Thermometer("00000a1b2c01", fixed(12.0))
    name, short = "28-00000a1b2c01/w1_slave", "28-00000a1b2c01/temperature"
    one.fault = "power-on"
    # 85 degC with byte 6 still 0x0C: no conversion has ended; the checksum is that of the datasheet's power-on pad
    assert one.files(NOW)[name].startswith("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n")
    assert one.files(NOW)[short] == "85000\n"
    one.fault = "zeros"
    assert one.files(NOW)[name] == "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"
    one.fault = "bad-crc"
    assert re.search(r": crc=[0-9a-f]{2} NO\n", one.files(NOW)[name])
    pad, told = re.match(r"(.{26}) : crc=(..)", one.files(NOW)[name]).groups()  # type: ignore[union-attr]
    assert pad.split()[8] != told
    one.fault = "empty"
    assert one.files(NOW) == {name: "", short: ""}
    one.fault = None
    one.sensor.unplugged = True
    assert one.files(NOW) == {name: "", short: ""}


def test_a_loop_is_current_times_shunt_over_scale() -> None:
    # 4 to 20 mA for 0 to 25 kPa: 12 kPa is 11.68 mA, over 165 ohm 1927.2 mV, at 0.125 mV a count 15418
    sensor = fixed(12.0)
    loop = LoopConverter("iio:device0", "ads1115", {0: (sensor, 0.0, 25.0)})
    files = loop.files(NOW)
    assert files["iio:device0/in_voltage0_raw"] == "15418\n"
    assert float(files["iio:device0/in_voltage0_scale"]) == 0.125
    assert files["iio:device0/name"] == "ads1115\n"
    sensor.unplugged = True
    assert loop.files(NOW)["iio:device0/in_voltage0_raw"] == "0\n"


def test_an_offset_is_added_before_the_scale() -> None:
    # kernel ABI sysfs-bus-iio: (raw + offset) * scale; raw 1200, offset -400, scale 0.5 is 400 mV
    # 400 mV over 50 ohm is 8 mA, a quarter of the range
    loop = LoopConverter("iio:device0", "adc", {1: (fixed(25.0), 0.0, 100.0)}, 50.0, 0.5, -400)
    files = loop.files(NOW)
    assert files["iio:device0/in_voltage1_raw"] == "1200\n"
    assert files["iio:device0/in_voltage1_offset"] == "-400\n"


@pytest.mark.parametrize(("kilopascal", "milliampere"), [(-50.0, 3.8), (0.0, 4.0), (25.0, 20.0), (90.0, 20.5)])
def test_a_transmitter_saturates_by_namur_ne_43(kilopascal: float, milliampere: float) -> None:
    # NE 43: measuring 3.8 to 20.5 mA, failure at 3.6 and 21 mA (from memory)
    loop = LoopConverter("d", "adc", {0: (fixed(kilopascal), 0.0, 25.0)}, 100.0, 0.1)
    assert int(loop.files(NOW)["d/in_voltage0_raw"]) == round(milliampere * 100.0 / 0.1)


def test_a_barometer_speaks_kilopascal() -> None:
    sensor = fixed(1013.25)
    one = Barometer("iio:device1", "bmp280", sensor)
    assert one.files(NOW)["iio:device1/in_pressure_input"] == "101.325000000\n"
    sensor.unplugged = True
    assert one.files(NOW)["iio:device1/in_pressure_input"] == ""


def test_inputs_count_their_edges() -> None:
    up = [0.0, 1.0, 1.0, 0.0, 1.0]
    level = LevelInput(17, Sensor("level", lambda now: up[int(now.mono - 1000)], 1, digital=True))
    shown = [level.files(NOW.later(tick)) for tick in range(5)]
    assert [one["17/value"] for one in shown] == ["0\n", "1\n", "1\n", "0\n", "1\n"]
    assert [one["17/edges"] for one in shown] == ["0\n", "1\n", "1\n", "1\n", "2\n"]
    litres = Sensor("litres", lambda now: (now.mono - 1000) * 0.9, 1)
    pulses = PulseInput(23, litres, 5.0)
    assert pulses.files(NOW.later(10))["23/edges"] == "45\n"
    litres.unplugged = True
    assert pulses.files(NOW.later(20))["23/edges"] == "45\n"


def test_files_are_replaced_whole_and_left_when_nothing_changed(tmp_path: Path) -> None:
    value = [100.0]
    source = Barometer("dev", "baro", Sensor("b", lambda now: value[0], 1))
    tree = SysfsTree(tmp_path / "iio", [source])
    tree.make()
    tree.write(NOW)
    path = tmp_path / "iio/dev/in_pressure_input"
    first = path.stat().st_ino
    tree.write(NOW)
    assert path.stat().st_ino == first
    bad: list[str] = []
    done = threading.Event()

    def watch() -> None:
        while not done.is_set():
            text = path.read_text()
            if not re.fullmatch(r"\d{1,3}\.\d{9}\n", text):
                bad.append(text)

    watcher = threading.Thread(target=watch)
    watcher.start()
    for turn in range(500):
        value[0] = 10.0 ** (turn % 3) * 1.2345
        tree.write(NOW)
    done.set()
    watcher.join()
    assert bad == []
    assert [entry.name for entry in (tmp_path / "iio/dev").iterdir() if entry.name.endswith(".fresh")] == []
    # a new run takes the place of what an old one left
    again = SysfsTree(tmp_path / "iio", [])
    again.make()
    assert list((tmp_path / "iio").iterdir()) == []
    again.remove()
    assert not (tmp_path / "iio").exists()
    assert not (tmp_path / "iio").is_symlink()
