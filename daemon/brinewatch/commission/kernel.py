"""What the kernel shows without a question on a wire: thermometers, converters, chips, sensors of the board."""

from __future__ import annotations

import re
from pathlib import Path

from brinewatch.commission.findings import KernelDevice, KernelInput, OneWireFound
from brinewatch.errors import ProbeError
from brinewatch.probes.blocking import read_text
from brinewatch.probes.iio import measure
from brinewatch.probes.onewire import temperature_mc

# Documentation/ABI/testing/sysfs-bus-iio
_UNITS = {"voltage": "mV", "current": "mA", "pressure": "kPa", "temp": "m degC", "humidityrelative": "m %"}
_INPUT = re.compile(r"in_([a-z]+[0-9]*(?:-[a-z]+[0-9]+)?)_(?:raw|input)")


def thermometers(root: Path) -> list[OneWireFound]:
    """Each DS18B20 of the tree, read once; each takes up to 750 ms."""
    found = []
    for folder in sorted(root.glob("28-*")):
        try:
            text = read_text(str(folder / "w1_slave"), f"Thermometer {folder.name}")
            found.append(OneWireFound(folder.name, temperature_mc(text) / 1000))
        except ProbeError as error:
            found.append(OneWireFound(folder.name, None, error.what))
    return found


def devices(root: Path) -> list[KernelDevice]:
    """Each IIO device with its inputs, read once. One whose name is not its own is called by its folder."""
    folders = sorted(root.glob("iio:device*"))
    names = [_line(folder / "name") for folder in folders]
    found = []
    for folder, name in zip(folders, names, strict=True):
        inputs = {match[1] for file in folder.iterdir() if (match := _INPUT.fullmatch(file.name))}
        device = name if name and names.count(name) == 1 else folder.name
        found.append(KernelDevice(device, folder.name, tuple(_input(folder, one) for one in sorted(inputs))))
    return found


def _input(folder: Path, attribute: str) -> KernelInput:
    sort = re.split(r"[0-9-]", attribute, maxsplit=1)[0]
    try:
        return KernelInput(attribute, measure(folder, attribute, sort)[1], _UNITS.get(sort, ""))
    except ProbeError as error:
        return KernelInput(attribute, None, "", error.what)


def boards(root: Path) -> list[str]:
    """Names of the kernel's hardware monitors."""
    return [name for folder in sorted(root.glob("hwmon*")) if (name := _line(folder / "name"))]


def _line(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
