"""DS18B20 thermometers: the kernel's text judged, and a tree of files read without waiting for one that hangs."""

from __future__ import annotations

import asyncio
import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brinewatch.clock import SystemClock
from brinewatch.errors import BadAnswer, NoAnswer, PortLost, ProbeError
from brinewatch.probes.onewire import OneWireBus, OneWireSettings, crc8, temperature_mc
from brinewatch.readings import Flag
from probes.conftest import vectors

DEVICE = "28-0000075ab3c1"


def kernel_text(pad: bytes) -> str:
    """What w1_therm.c prints for a scratchpad: YES when the CRC of eight bytes is the ninth."""
    hexed = "".join(f"{byte:02x} " for byte in pad)
    crc = crc8(pad[:8])
    raw = int.from_bytes(pad[:2], "little", signed=True)
    milli = int(raw * 1000 / 16)  # truncates toward zero, as C does
    return f"{hexed}: crc={crc:02x} {'YES' if crc == pad[8] else 'NO'}\n{hexed}t={milli}\n"


def pad_of(raw: int, config: int = 0x7F, byte6: int = 0x10) -> bytes:
    eight = (raw & 0xFFFF).to_bytes(2, "little") + bytes([0x4B, 0x46, config, 0xFF, byte6, 0x10])
    return eight + bytes([crc8(eight)])


@pytest.mark.parametrize(("data", "expected", "source"), vectors("onewire_crc8"))
def test_crc8(data: str, expected: str, source: str) -> None:
    assert crc8(bytes.fromhex(data.removeprefix("ROM "))) == int(expected, 16), source


@pytest.mark.parametrize(("raw", "milli", "source"), vectors("ds18b20_raw_to_kernel_milliC"))
def test_table_of_the_datasheet(raw: str, milli: str, source: str) -> None:
    text = kernel_text(pad_of(int(raw, 16)))
    assert text.endswith(f"t={milli}\n"), source
    if int(milli) > 125_000:  # beyond what the chip measures
        with pytest.raises(BadAnswer, match="too little power"):
            temperature_mc(text)
    else:
        assert temperature_mc(text) == int(milli), source


def text_of(vector: str) -> str:
    line, milli = re.fullmatch(r"line1='(.*?)' t=(-?\d+) .*", vector).groups()  # type: ignore[union-attr]
    return f"{line}\n{line.split(':')[0]}t={milli}\n"


@pytest.mark.parametrize(("what", "vector", "source"), vectors("w1_slave_text"))
def test_texts_of_the_kernel(what: str, vector: str, source: str) -> None:
    text = text_of(vector)
    if "all ones" in what:
        with pytest.raises(NoAnswer, match="stays high"):
            temperature_mc(text)
    elif "REJECT" in vector:
        with pytest.raises(BadAnswer):
            temperature_mc(text)
    else:
        assert temperature_mc(text) == int(re.search(r"t=(-?\d+)", text)[1]), source  # type: ignore[index]


def test_the_power_on_value_is_no_temperature() -> None:
    """0x0550 with 0x0C in the reserved byte: the register before any conversion (common practice, no source)."""
    with pytest.raises(BadAnswer, match="power-on"):
        temperature_mc(kernel_text(pad_of(0x0550, byte6=0x0C)))


def test_undefined_bits_of_a_coarse_resolution_are_left_out() -> None:
    """DS18B20 datasheet: at 9 bits (configuration 1F) the three lowest bits are undefined."""
    assert temperature_mc(kernel_text(pad_of(0x0197, config=0x1F))) == 25_000
    assert temperature_mc(kernel_text(pad_of(0x0197, config=0x7F))) == 25_437


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", NoAnswer),
        ("\n", NoAnswer),
        (kernel_text(pad_of(0x0191)).replace("YES", "NO"), BadAnswer),
        (kernel_text(pad_of(0x0191)).replace("91 01", "92 01", 1), BadAnswer),
        (kernel_text(pad_of(0x0191)).replace("t=25062", "t=21062"), BadAnswer),
        (kernel_text(pad_of(0x0191)).replace("t=25062", "t="), BadAnswer),
        (kernel_text(pad_of(0x0191)).replace("t=25062", "t=" + "9" * 5000), BadAnswer),
        (kernel_text(pad_of(0x0191)).splitlines()[0], BadAnswer),
        (kernel_text(pad_of(0x0191, config=0xFF)), BadAnswer),
        ("\ufffd\ufffd", BadAnswer),
    ],
)
def test_what_is_no_temperature(text: str, error: type[Exception]) -> None:
    with pytest.raises(error):
        temperature_mc(text)


@given(st.binary(min_size=9, max_size=9))
def test_random_scratchpads(pad: bytes) -> None:
    try:
        milli = temperature_mc(kernel_text(pad))
    except ProbeError:
        return
    assert crc8(pad[:8]) == pad[8]
    assert -55_000 <= milli <= 125_000


@given(st.text(max_size=120))
def test_random_text_is_refused(text: str) -> None:
    with pytest.raises(ProbeError):
        temperature_mc(text)


def bus_on(root: Path, clock: SystemClock, *devices: str) -> OneWireBus:
    probes = [
        {"name": f"t{place}", "device": device, "channel": [{"point": f"tank{place}.temperature"}]}
        for place, device in enumerate(devices)
    ]
    settings = OneWireSettings.model_validate({"kind": "onewire", "root": str(root), "probe": probes})
    return OneWireBus("w1", settings, clock, root)


async def test_a_thermometer_read(tmp_path: Path, clock: SystemClock) -> None:
    (tmp_path / DEVICE).mkdir()
    (tmp_path / DEVICE / "w1_slave").write_text(kernel_text(pad_of(0x0191)))
    bus = bus_on(tmp_path, clock, DEVICE)
    await bus.open()
    (sample,) = await bus.read("t0")
    assert (sample.point, sample.value, sample.flag) == ("tank0.temperature", 25.062, Flag.PASS)


async def test_a_thermometer_gone_is_not_the_bus_gone(tmp_path: Path, clock: SystemClock) -> None:
    bus = bus_on(tmp_path, clock, DEVICE)
    await bus.open()
    with pytest.raises(NoAnswer, match=f"{DEVICE} is not there"):
        await bus.read("t0")
    with pytest.raises(PortLost, match="no 1-Wire bus"):
        await bus_on(tmp_path / "none", clock, DEVICE).open()


async def test_an_empty_file_is_no_answer(tmp_path: Path, clock: SystemClock) -> None:
    (tmp_path / DEVICE).mkdir()
    (tmp_path / DEVICE / "w1_slave").write_text("")
    with pytest.raises(NoAnswer):
        await bus_on(tmp_path, clock, DEVICE).read("t0")


async def test_a_conversion_that_hangs_holds_up_nobody(tmp_path: Path, clock: SystemClock) -> None:
    """A FIFO blocks its reader as a stuck conversion does. At most one thread waits for it."""
    import threading

    other = "28-0000075ab3c2"
    for device in (DEVICE, other):
        (tmp_path / device).mkdir()
    os.mkfifo(tmp_path / DEVICE / "w1_slave")
    (tmp_path / other / "w1_slave").write_text(kernel_text(pad_of(0x0191)))
    bus = bus_on(tmp_path, clock, DEVICE, other)
    before = threading.active_count()
    with pytest.raises(TimeoutError):
        async with clock.deadline(0.05):
            await bus.read("t0")
    for _ in range(5):
        with pytest.raises(NoAnswer, match="still hangs"):
            await bus.read("t0")
        assert (await bus.read("t1"))[0].value == 25.062
    assert threading.active_count() <= before + 2

    # the kernel lets go at last: what comes out so late is not used, and the next reading is a new one
    def answer(pad: bytes) -> None:
        (tmp_path / DEVICE / "w1_slave").write_text(kernel_text(pad))

    await asyncio.to_thread(answer, pad_of(0x0550))
    for _ in range(100):
        if threading.active_count() <= before + 1:
            break
        await asyncio.sleep(0.01)
    reading = asyncio.create_task(bus.read("t0"))
    await asyncio.to_thread(answer, pad_of(0x0008))
    (sample,) = await reading
    assert sample.value == 0.5
