"""Shed files for tests: a small right one, and how to spoil it."""

from __future__ import annotations

from pathlib import Path

SMALL = """
[shed]
key = "small"
name = "Small shed"
short_name = "SMALL"
time_zone = "Etc/UTC"
altitude_m = 4

[page]
enabled = false

[[water]]
key = "tank"
name = "Tank"
kind = "animals"
watch = ["oxygen", "temperature", "salinity", "oxygen_saturation", "tan"]

[[air]]
key = "manifold"
name = "Manifold"
kind = "manifold"
diffuser_depth_m = 0.8
watch = ["air_pressure", "air_rise"]

[bus.line]
kind = "line_serial"
port = "ports/line"

[[bus.line.probe]]
name = "sonde"
ask = "R\\\\r"

[[bus.line.probe.channel]]
point = "tank.oxygen"
field = 1

[[bus.line.probe.channel]]
point = "tank.temperature"
field = 2

[[bus.line.probe.channel]]
point = "tank.salinity"
field = 3

[[bus.line.probe.channel]]
point = "manifold.air_pressure"
field = 4

[bus.hand]
kind = "manual"

[[bus.hand.probe]]
name = "kit"

[[bus.hand.probe.channel]]
point = "tank.tan"

[[rules]]
file = "air.toml"

[[rules]]
file = "watch.toml"
"""


def write(folder: Path, text: str = SMALL, name: str = "shed.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
