"""Settings tables to buses."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import typing
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from brinewatch.clock import SystemClock
from brinewatch.errors import PortLost
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.settings import faults_of
from probes.modbus_slave import SHED

Kinds = typing.get_args(BusSettings)[0]


def test_heavy_libraries_wait_until_a_bus_needs_them() -> None:
    code = (
        "import sys, brinewatch.probes.build, brinewatch.probes.worker;"
        "print(sorted({'pymodbus', 'gpiod', 'numpy'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_the_buses_of_the_guide_are_well_formed_and_it_names_every_kind() -> None:
    guide = (Path(__file__).parents[2] / "deploy" / "guides" / "probes.md").read_text(encoding="utf-8")
    shown = set()
    for block in re.findall(r"```toml\n(.*?)```", guide, re.DOTALL):
        for one in tomllib.loads(block)["bus"].values():
            shown.add(TypeAdapter(BusSettings).validate_python(one).kind)
    kinds = {typing.get_args(one.model_fields["kind"].annotation)[0] for one in typing.get_args(Kinds)}
    assert shown == kinds - {"recorded"}
    assert kinds == set(re.findall(r"^\| `([a-z0-9_]+)` \| .* \| `", guide, re.MULTILINE))


def test_the_buses_in_the_comments_of_the_example_are_well_formed() -> None:
    text = (Path(__file__).parents[2] / "deploy" / "examples" / "shed.toml").read_text(encoding="utf-8")
    lines, inside = [], False
    for line in text.splitlines():
        inside = line.startswith("# [bus.") or (inside and line.startswith("#"))
        if inside:
            lines.append(line[2:])
    buses = tomllib.loads("\n".join(lines))["bus"]
    kinds = {TypeAdapter(BusSettings).validate_python(one).kind for one in buses.values()}
    assert kinds == {"sdi12", "mqtt_in", "board"}


@pytest.mark.parametrize(
    "bus",
    [
        {"kind": "onewire", "root": "w1", "probe": [{"name": "t", "device": "28-000000000001"}]},
        {"kind": "iio", "root": "iio", "probe": [{"name": "t", "device": "adc"}]},
        {"kind": "gpio", "chip": "files", "device": "gpio", "probe": [{"name": "t"}]},
        {"kind": "line_serial", "port": "line", "probe": [{"name": "t"}]},
        {"kind": "sdi12", "port": "line", "probe": [{"name": "t", "address": "0"}]},
        {"kind": "modbus_rtu", "port": "line", "probe": [{"name": "t", "address": 1}]},
        {"kind": "recorded", "file": "r.csv", "time_column": "time", "probe": [{"name": "t"}]},
    ],
)
async def test_names_of_files_are_seen_from_the_shed_file(
    tmp_path: Path, clock: SystemClock, bus: dict[str, Any]
) -> None:
    """Nothing is there: each kind names the full place it looked at, and opens nothing."""
    channel: dict[str, Any] = {"point": "tank.temperature"}
    match bus["kind"]:
        case "iio":
            channel["attribute"] = "temp"
        case "gpio":
            channel = {"point": "tank.level_switch", "line": 1}
        case "line_serial":
            channel["field"] = 1
        case "sdi12":
            channel["value"] = 1
        case "modbus_rtu":
            channel["register"] = 0
        case "recorded":
            channel["column"] = "T"
    bus["probe"][0]["channel"] = [channel]
    settings = TypeAdapter(BusSettings).validate_python(bus)
    made = build_bus("bus", settings, clock, tmp_path / "shed")
    assert made.name == "bus"
    with pytest.raises(PortLost, match=str(tmp_path / "shed")):
        await made.open()
    await made.close()


@pytest.mark.parametrize(
    ("change", "key", "expected"),
    [
        (("address = 4", "address = 0"), "probe[1].address", "greater than or equal to 1"),
        (("address = 4", "address = 248"), "probe[1].address", "less than or equal to 247"),
        (("address = 4", 'address = "4"'), "probe[1].address", "a whole number"),
        (("address = 4", ""), "probe[1].address", "missing"),
        (("register = 20", "registr = 20"), "probe[1].channel[3].registr", "did you mean register?"),
        (("register = 9", "register = 40010.5"), "probe[2].channel[1].register", "a whole number"),
        (("register = 2\n", "register = 65535\n"), "probe[1].channel[2].type", "before register 65535"),
        (('order = "CDAB"', 'order = "ACBD"'), "probe[1].channel[2].order", "'ABCD', 'CDAB', 'BADC' or 'DCBA'"),
        (('table = "input"', 'table = "coil"'), "probe[2].channel[1].table", "'holding' or 'input'"),
        (('unit = "mbar"', 'unit = "mBar"'), "probe[2].channel[1].unit", "one of kPa"),
        (("timeout_s = 0.3", "timeout_s = 3.0"), "", "late_answer_s of at least timeout_s"),
    ],
)
def test_every_wrong_key_is_named_with_its_place(change: tuple[str, str], key: str, expected: str) -> None:
    assert change[0] in SHED
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(BusSettings).validate_python(tomllib.loads(SHED.replace(change[0], change[1], 1)))
    faults = faults_of(caught.value, "shed.toml", ("bus", "rs485"), BusSettings)
    fitting = [one for one in faults if one.key == f"bus.rs485.{key}".rstrip(".") and expected in one.expected]
    assert fitting, faults
