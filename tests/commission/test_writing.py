"""The first shed file: asked in plain words, checked as any other, never in place of one that is there."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.calibrate.console import GaveUp
from brinewatch.clock import SystemClock
from brinewatch.commission.draft import Draft, draft_path
from brinewatch.commission.findings import (
    BrokerFound,
    Found,
    Guess,
    KernelDevice,
    KernelInput,
    ModbusFound,
    ModemFound,
    OneWireFound,
    Sdi12Found,
)
from brinewatch.commission.writing import write_shed
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from commission.places import Hand, Rack, Talker

MODEM, RS485, SDI = (f"/dev/serial/by-id/usb-{one}-if00" for one in ("modem", "rs485", "sdi"))
FOUND = Found(
    "2026-09-24T10:00:00.000Z",
    modbus=(
        ModbusFound(RS485, 9600, "none", 3, (
            Guess("input", 0, "float32", "ABCD", 1.0, 8.24, ("temperature", "oxygen", "ph")),
            Guess("input", 2, "float32", "ABCD", 1.0, 12.04, ("temperature", "oxygen")),
            Guess("input", 2, "float32", "BADC", 1.0, 3.02879, ("temperature", "oxygen")))),
        ModbusFound(RS485, 9600, "none", 4, (
            Guess("holding", 0, "int16", "ABCD", 0.1, 79.3, ("oxygen_saturation",)),
            Guess("holding", 0, "int16", "ABCD", 0.01, 7.93, ("temperature", "oxygen", "ph")))),
    ),
    sdi12=(Sdi12Found(SDI, "3", "14MADEUP  SONDE 001", {"baud": 9600, "data_bits": 8, "parity": "none"}),),
    modems=(ModemFound(MODEM, "SIM ready, no PIN asked", "registered home", "signal -71 dBm", True),),
    thermometers=(OneWireFound("28-00000a1b2c01", 12.1), OneWireFound("28-00000a1b2c02", None, "no answer")),
    kernel=(KernelDevice("ads1115", "iio:device0", (KernelInput("voltage0", 1930.5, "mV"),)),
            KernelDevice("bmp280", "iio:device1", (KernelInput("pressure", 101.7, "kPa"),))),
    chips=("/dev/gpiochip0",), broker=BrokerFound("127.0.0.1", 1883, True, "it takes a connection"),
)  # fmt: skip
ANSWERS: dict[str, str | list[str]] = {
    "What do people call the shed": 'Gannet Quay "nursery"',
    "Stop 1": "Nursery raceway",
    "Stop 2": "Settling cone",
    "Stop 3": "Header tank",
    "Nursery raceway is": "1",
    "Settling cone is": "2",
    "Header tank is": "6",
    "Which animals live there?": "sea cucumbers",
    "litres": ["1000", "180", "140"],
    "live weight": "62",
    "deepest air stone": "0,45",
    "input register 0": "dissolved oxygen: 8.24 as float, ABCD",
    "input register 2": "temperature: 12.04 as float, ABCD",
    "holding register 0": "pH: 7.93 (int16 times 0.01)",
    "in its own order": "salinity",
    "Thermometer 28-00000a1b2c01": "leave it out for now",
    "Thermometer 28-00000a1b2c02": "leave it out for now",
    "What hangs on it?": "the pressure of the blower's air",
    "What does 4 mA": "0",
    "And 20 mA": "25",
    "The resistor": "100",
    "Number of its line": "17",
    "Person 1, a short name": "Wren",
    "Wren's number": ["0044 7700", "+44 7700 900101"],
    "Person 2, a short name": "Teal",
    "Teal's number": "+447700900102",
}


def drafted(folder: Path) -> Path:
    path = folder / "my-shed.toml"
    Draft(draft_path(path), FOUND).keep()
    return path


def answers(**more: str) -> dict[str, str | list[str]]:
    return {key: list(one) if isinstance(one, list) else one for key, one in {**ANSWERS, **more}.items()}


async def test_a_shed_file_that_passes_its_check(tmp_path: Path) -> None:
    path = drafted(tmp_path)
    talker = Talker(answers())
    assert await write_shed(path, talker, SystemClock()) == 0, talker.text
    shed = read_shed(path)
    text = path.read_text(encoding="utf-8")
    assert shed.shed.name == 'Gannet Quay "nursery"'
    assert [one.settings.name for one in shed.stages if one.path == "water"] == [
        "Nursery raceway", "Settling cone", "Header tank",
    ]  # fmt: skip
    raceway = shed.stage("nursery-raceway")
    assert (raceway.volume_l, raceway.biomass_kg, raceway.animals, raceway.diffuser_depth_m) == (
        1000, 62, "sea cucumber", 0.45,
    )  # fmt: skip
    assert {"oxygen", "temperature", "ph", "oxygen_saturation"} <= set(raceway.watch)
    oxygen = shed.channels()["nursery-raceway.oxygen"][2]
    assert (oxygen.model_dump()["register_"], oxygen.model_dump()["order"]) == (0, "ABCD")
    assert shed.channels()["nursery-raceway.ph"][2].scale == 0.01
    assert "blower.air_pressure" in shed.channels()
    assert "shed.barometric_pressure" in shed.channels()
    assert "shed.mains" in shed.channels()
    assert [(one.name, one.phone) for one in shed.contacts] == [
        ("Wren", "+447700900101"), ("Teal", "+447700900102"),
    ]  # fmt: skip
    assert shed.modem is not None
    assert shed.modem.port == MODEM
    assert {alarm.rule.key for alarm in shed.alarms} >= {"air-stopped", "cucumber-oxygen-low-warn"}
    assert all("# " in line for line in text.splitlines() if line.startswith(("altitude_m", "loop", "biomass_kg")))
    assert "NAMUR NE 43" in text
    assert "Benson & Krause" in text
    assert "licensed electrician" in text
    assert shed.broker is None  # one that needs no password is named, and not used as it is
    assert '# host = "127.0.0.1"' in text
    # numbers of people stand in both: nobody else on the machine reads them
    assert {one.stat().st_mode & 0o777 for one in (path, draft_path(path))} == {0o640}
    # what binds says where its number comes from
    assert all(alarm.rule.source for alarm in shed.alarms)


async def test_broken_off_it_goes_on_where_it_stopped(tmp_path: Path) -> None:
    path = drafted(tmp_path)
    with pytest.raises(GaveUp):
        await write_shed(path, Talker(answers(), ends=12), SystemClock())
    assert not path.exists()
    kept = Draft.read(path).answers
    assert kept["stop.1"] == "Nursery raceway"
    assert kept["stop.1.diffuser"] == "0.45"
    again = Talker({key: one for key, one in answers().items() if not key.startswith(("Stop 1", "What do people"))})
    assert await write_shed(path, again, SystemClock()) == 0, again.text
    assert "[Nursery raceway]" in again.text
    assert read_shed(path).stage("nursery-raceway").name == "Nursery raceway"


async def test_one_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    path = drafted(tmp_path)
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(BrinewatchError, match="never overwritten"):
        await write_shed(path, Talker(answers()), SystemClock())
    assert path.read_text(encoding="utf-8") == "mine"
    path.unlink()

    def meanwhile() -> str:
        path.write_text("another's", encoding="utf-8")
        return "Teal"

    with pytest.raises(BrinewatchError, match="appeared meanwhile"):
        await write_shed(path, Talker({**answers(), "Person 2, a short name": meanwhile}), SystemClock())
    assert path.read_text(encoding="utf-8") == "another's"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["my-shed.draft.json", "my-shed.toml"]


async def test_without_wires_it_is_a_file_too(tmp_path: Path) -> None:
    path = tmp_path / "my-shed.toml"
    talker = Talker({"Go on without?": "yes", **answers()})
    assert await write_shed(path, talker, SystemClock()) == 0, talker.text
    assert tomllib.loads(path.read_text(encoding="utf-8"))["contact"][0]["phone"] == "+447700900101"
    assert "No modem was found" in path.read_text(encoding="utf-8")


async def test_a_wrong_answer_is_asked_again_with_what_was_wanted(tmp_path: Path) -> None:
    talker = Talker(answers(**{"Time zone": "Gannet Time"}), ends=8)
    with pytest.raises(GaveUp):
        await write_shed(drafted(tmp_path), talker, SystemClock())
    assert "'Gannet Time': a name as timedatectl prints it" in talker.text


def test_a_spoiled_draft_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "my-shed.toml"
    draft_path(path).write_text('{"format": 1, "answers": {"name"', encoding="utf-8")
    with pytest.raises(BrinewatchError, match="cannot be understood") as refused:
        Draft.read(path)
    assert "Move it away" in refused.value.hint


async def test_what_nobody_says_is_left_out_and_no_point_is_fed_twice(tmp_path: Path) -> None:
    path = drafted(tmp_path)
    silent = {key: one for key, one in answers().items() if "register" not in key}
    silent |= {"What does it measure?": "a water temperature", "in its own order": "temperature, temperature"}
    silent |= {"Thermometer 28-00000a1b2c01": "1", "Thermometer 28-00000a1b2c02": "1"}
    talker = Talker({**silent, "in its own order": ["temperature, temperature", "temperature"]})
    assert await write_shed(path, talker, SystemClock()) == 0, talker.text
    assert "each word once" in talker.text
    shed = read_shed(path)
    # a guess is nobody's default; three probes of one quantity go to three places
    assert not [one for one in shed.buses.values() if one.kind == "modbus_rtu"]
    assert [point for point in shed.channels() if point.endswith(".temperature")] == [
        "nursery-raceway.temperature", "settling-cone.temperature", "header-tank.temperature",
    ]  # fmt: skip
    assert talker.text.count("input register 0: what is it?") == 1


async def test_a_stop_may_be_called_as_a_part_of_the_watch_is(tmp_path: Path) -> None:
    path = tmp_path / "my-shed.toml"
    talker = Talker(
        {"Go on without?": "yes", **answers(**{"Stop 2": "Relays", "Relays is": "2", "And the room": "Page"})}
    )
    assert await write_shed(path, talker, SystemClock()) == 0, talker.text
    assert [one.settings.key for one in read_shed(path).stages if one.settings.name in ("Relays", "Page")][:2] == [
        "relays-2", "page-2",
    ]  # fmt: skip


async def test_a_warmed_thermometer_is_seen_among_the_others(tmp_path: Path) -> None:
    rack = Rack(tmp_path / "w1", {"00000a1b2c01": Hand(12.0), "00000a1b2c02": Hand(11.5)})
    rack.show()
    path = tmp_path / "my-shed.toml"
    Draft(draft_path(path), replace(FOUND, w1_root=str(rack.root))).keep()

    class Warmer(Talker):
        def typed(self) -> str | None:
            if "..2c01 14.0  ..2c02 11.5" in self.heard:
                return ""
            if "..2c01 12.0  ..2c02 11.5" in self.heard:
                rack.hands["00000a1b2c01"].celsius = 14.0
                rack.show()
            return None

    warmer = Warmer(answers(**{"Watch them live": "yes", "Thermometer 28-00000a1b2c01": "1"}))
    assert await write_shed(path, warmer, SystemClock()) == 0, warmer.text
    assert f'root = "{rack.root}"' in path.read_text(encoding="utf-8")
