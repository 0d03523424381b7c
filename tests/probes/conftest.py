"""Devices at the wire for the probe tests."""

from __future__ import annotations

import csv
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from probes.device import Device, Script

VECTORS = Path(__file__).parents[1] / "wire" / "probe_vectors.csv"


def vectors(kind: str) -> list[tuple[str, str, str]]:
    """(input, expected, source) of one kind."""
    with VECTORS.open(encoding="utf-8", newline="") as file:
        return [
            (row["input"], row["expected"], row["source"]) for row in csv.DictReader(file) if row["kind"] == kind
        ]


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock()


@pytest.fixture
async def make_device(tmp_path: Path) -> AsyncIterator[Callable[[Script, Callable[[bytes], int]], Device]]:
    made: list[Device] = []

    def make(script: Script, question: Callable[[bytes], int]) -> Device:
        device = Device(tmp_path / f"line{len(made)}", script, question)
        device.plug()
        made.append(device)
        return device

    yield make
    for device in made:
        device.unplug()
