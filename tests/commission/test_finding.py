"""What is found on a machine: real drivers on pseudo-terminals, kernel trees and a real broker."""

from __future__ import annotations

import json
import random
import struct
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.clock import SystemClock
from brinewatch.commission.draft import Draft
from brinewatch.commission.find import Where, ask_broker, find
from brinewatch.commission.findings import Found, found_of, lines_of
from brinewatch.commission.plausible import USUAL, guesses
from brinewatch.commission.scans import ask_modem
from brinewatch.errors import BrinewatchError
from brinewatch.simulator.devices_sdi12 import Sdi12Device, Sdi12Sensor
from brinewatch.simulator.modem import ModemEmulator
from brinewatch.simulator.terminal import PtyEnd
from brinewatch.simulator.world import SimulatedShed
from broker import broker
from commission.places import kernel, names

QUICK = Where(addresses=range(3, 7), speeds=((9600, "none"),), sdi12="23", listen_s=1.3)


def show(text: str) -> None:
    assert text


@pytest.mark.broker
async def test_everything_on_the_wires_is_found_and_can_be_written_down(tmp_path: Path) -> None:
    clock = SystemClock()
    shed = SimulatedShed(clock, tmp_path)
    modem = ModemEmulator(clock, link=tmp_path / "ports" / "modem")
    sonde = Sdi12Device(tmp_path / "ports" / "sdi", clock, {"3": Sdi12Sensor(lambda now: (12.5,), seconds=0)})
    await shed.start()
    await modem.start()
    sonde.start()
    dev = names(tmp_path, **{one: tmp_path / "ports" / one for one in ("rs485", "line", "modem", "sdi")})
    (dev / "ttyUSB0").symlink_to(tmp_path / "ports" / "rs485")  # the same port by a name that changes
    (dev / "gpiochip0").touch()
    try:
        with broker(tmp_path) as mosquitto:
            where = replace(
                QUICK, dev=dev, sys=kernel(tmp_path, tmp_path / "w1", tmp_path / "iio"),
                broker=("127.0.0.1", mosquitto.port),
            )  # fmt: skip
            found = await find(where, clock, show)
    finally:
        await sonde.stop()
        await modem.stop()
        await shed.stop()
    by_id = str(dev / "serial" / "by-id" / "usb-{}-if00")
    assert [one.name for one in found.ports] == [by_id.format(one) for one in ("line", "modem", "rs485", "sdi")]
    assert all(one.stable for one in found.ports)
    assert found.ports[2].also == (str(dev / "ttyUSB0"),)
    assert {(one.port, one.address, one.baud) for one in found.modbus} == {
        (by_id.format("rs485"), address, 9600) for address in (3, 4, 5, 6)
    }
    at = {(one.address, guess.register): guess for one in found.modbus for guess in reversed(one.guesses)}
    # the registers of simulator/world.py: oxygen big end first, salinity with its words swapped, pH times 100
    assert (at[3, 0].type, at[3, 0].order, at[3, 0].table) == ("float32", "ABCD", "input")
    assert "oxygen" in at[3, 0].fits
    assert (at[5, 0].order, "salinity" in at[5, 0].fits) == ("CDAB", True)
    ph = next(guess for one in found.modbus if one.address == 4 for guess in one.guesses if "ph" in guess.fits)
    assert (ph.table, ph.register, ph.scale) == ("holding", 0, 0.01)
    assert [(one.port, one.address) for one in found.sdi12] == [(by_id.format("sdi"), "3")]
    assert found.sdi12[0].identity
    assert [(one.port, one.well) for one in found.modems] == [(by_id.format("modem"), True)]
    assert "dBm" in found.modems[0].signal
    [talker] = found.talkers
    assert (talker.port, talker.text[:2]) == (by_id.format("line"), "F=")
    assert [one.device for one in found.thermometers] == ["28-00000a1b2c01", "28-00000a1b2c02"]
    assert all(one.celsius is not None and 5 < one.celsius < 20 for one in found.thermometers)
    assert {one.device for one in found.kernel} == {"ads1115", "bmp280"}
    assert (found.chips, found.boards) == ((str(dev / "gpiochip0"),), ("rpi_volt",))
    assert found.broker is not None
    assert found.broker.well
    assert found_of(json.loads(json.dumps(found.to_json()))) == found
    text = "\n".join(lines_of(found))
    assert "guess: input register 0 as float32, order ABCD" in text


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("value", [8.02, 33.4, 12.1, 101.3])
def test_the_order_of_bytes_is_guessed_from_the_exponent(order: str, value: float) -> None:
    # IEEE 754 single precision as Python's struct packs it, sent in each of the four orders makers use
    big = struct.pack(">f", value)
    sent = bytes(big["ABCD".index(letter)] for letter in order)
    words = struct.unpack(">2H", sent)
    found = guesses("input", {10: words[0], 11: words[1]})
    assert found[0].order == order
    assert found[0].value == pytest.approx(value, rel=1e-5)
    assert found[0].register == 10


def test_whatever_registers_hold_a_guess_is_what_its_words_say() -> None:
    chance = random.Random(20260924)
    for _ in range(1000):
        words = {first: chance.randrange(65536) for first in chance.sample(range(6), 4)}
        for one in guesses("input", words):
            low, high = min(USUAL[key][0] for key in one.fits), max(USUAL[key][1] for key in one.fits)
            assert low * (1 - 1e-5) <= one.value <= high * (1 + 1e-5)
            if one.type == "float32":
                sent = struct.pack(">2H", words[one.register], words[one.register + 1])
                big = bytes(sent[one.order.index(letter)] for letter in "ABCD")
                assert one.value == pytest.approx(struct.unpack(">f", big)[0], rel=1e-5)
            else:
                [raw] = struct.unpack(">h", struct.pack(">H", words[one.register]))
                assert one.value == pytest.approx(raw * one.scale, rel=1e-5)


def test_registers_that_hold_nothing_usual_give_no_guess() -> None:
    assert guesses("holding", dict.fromkeys(range(8), 0)) == []
    assert guesses("holding", {0: 0xFFFF, 1: 0xFFFF}) == []


async def test_a_port_that_somebody_has_open_is_refused_by_name(tmp_path: Path) -> None:
    port = PtyEnd(tmp_path / "wire", lambda data: None)
    port.plug()
    dev = names(tmp_path, wire=tmp_path / "wire")
    where = replace(QUICK, dev=dev, sys=tmp_path, broker=("127.0.0.1", 9))
    with (tmp_path / "wire").open("rb", buffering=0) as wire:
        other = subprocess.Popen(["sleep", "60"], stdin=wire)
    try:
        name = str(dev / "serial" / "by-id" / "usb-wire-if00")
        with pytest.raises(BrinewatchError, match=rf"is in use by sleep \(process {other.pid}\)") as refused:
            await find(replace(where, only=(name,)), SystemClock(), show)
        assert "systemctl stop brinewatch" in refused.value.hint
        found = await find(where, SystemClock(), show)
        assert found.ports[0].holder.startswith("sleep")
        assert "was not asked" in "\n".join(lines_of(found))
    finally:
        other.terminate()
        other.wait()
        port.unplug()


async def test_a_port_that_is_not_there_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(BrinewatchError, match=r"Cannot open .*/no-such-port"):
        await find(
            replace(QUICK, dev=tmp_path, sys=tmp_path, only=(str(tmp_path / "no-such-port"),)), SystemClock(), show
        )


async def test_a_broker_that_is_not_there_is_said_so() -> None:
    told = await ask_broker("127.0.0.1", 9, SystemClock())
    assert not told.well
    assert "127.0.0.1:9" in told.told


def test_what_another_version_wrote_is_refused() -> None:
    body = Found("now").to_json()
    with pytest.raises(BrinewatchError, match="cannot be read back"):
        found_of({**body, "modems": [{"port": "x", "sim": 7}]})


@pytest.mark.parametrize(
    ("pin", "state", "csq", "told"),
    [
        ("4711", "1", 20, "the SIM asks for its PIN: take the lock off"),
        (None, "2", 20, "searching for a network"),
        (None, "3", 20, "the network denies registration"),
        (None, "1", 5, "signal -103 dBm (weak: move the antenna)"),
        (None, "1", 99, "no signal: look at the antenna"),
    ],
)
async def test_a_modem_that_could_not_call_says_why(
    tmp_path: Path, pin: str | None, state: str, csq: int, told: str
) -> None:
    modem = ModemEmulator(SystemClock(), link=tmp_path / "modem", pin=pin)
    modem.brain.registration = modem.brain.lte = int(state)
    modem.brain.rssi = csq
    await modem.start()
    try:
        found = await ask_modem(str(tmp_path / "modem"), SystemClock())
    finally:
        await modem.stop()
    assert found is not None
    assert told in f"{found.sim}; {found.network}; {found.signal}"
    assert found.well == (pin is None and state == "1")
    assert modem.pin_attempts == 0  # three wrong ones lock a SIM: none is tried here


def test_for_programs_nothing_else_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sys = kernel(tmp_path)
    words = [
        "--dev",
        str(tmp_path),
        "--sys",
        str(sys),
        "--broker",
        "127.0.0.1:9",
        "--shed",
        str(tmp_path / "s.toml"),
    ]
    assert main(["commission", "find", "--json", *words]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["ports"], told["boards"], told["broker"]["well"]) == ([], ["rpi_volt"], False)
    assert Draft.read(tmp_path / "s.toml").found == found_of(told)
