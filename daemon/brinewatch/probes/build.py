"""Every kind of bus: its settings as one type, and the bus made of them."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

from pydantic import Field

from brinewatch.ports import Bus, Clock
from brinewatch.probes.board import BoardBus, BoardSettings
from brinewatch.probes.gpio import GpioBus, GpioSettings
from brinewatch.probes.iio import IioBus, IioSettings
from brinewatch.probes.line_serial import LineBus, LineBusSettings
from brinewatch.probes.manual import ManualBus, ManualSettings
from brinewatch.probes.modbus_rtu import ModbusBus, ModbusSettings
from brinewatch.probes.mqtt_in import MqttInBus, MqttInSettings
from brinewatch.probes.onewire import OneWireBus, OneWireSettings
from brinewatch.probes.recorded import RecordedBus, RecordedSettings
from brinewatch.probes.sdi12 import Sdi12Bus, Sdi12Settings
from brinewatch.probes.worker import Answer, check_once

BusSettings = Annotated[
    ModbusSettings
    | LineBusSettings
    | Sdi12Settings
    | OneWireSettings
    | IioSettings
    | GpioSettings
    | BoardSettings
    | MqttInSettings
    | RecordedSettings
    | ManualSettings,
    Field(discriminator="kind"),
]


def build_bus(name: str, settings: BusSettings, clock: Clock, folder: Path) -> Bus:
    """The bus these settings describe, not yet opened. Names of files and ports are seen from `folder`."""
    match settings:
        case ModbusSettings():
            return ModbusBus(name, settings, clock, str(folder / settings.port))
        case LineBusSettings():
            return LineBus(name, settings, clock, str(folder / settings.port))
        case Sdi12Settings():
            return Sdi12Bus(name, settings, clock, str(folder / settings.port))
        case OneWireSettings():
            return OneWireBus(name, settings, clock, folder / settings.root)
        case IioSettings():
            return IioBus(name, settings, clock, folder / settings.root)
        case GpioSettings():
            return GpioBus(name, settings, clock, folder / settings.device)
        case MqttInSettings():
            return MqttInBus(name, settings.from_folder(folder), clock)
        case BoardSettings():
            return BoardBus(name, settings, clock, folder / settings.root)
        case RecordedSettings():
            return RecordedBus(name, settings, clock, folder)
        case ManualSettings():
            return ManualBus(name, settings, clock)


async def ask_all(buses: Mapping[str, BusSettings], clock: Clock, folder: Path) -> dict[str, list[Answer]]:
    """Open every bus, ask each of its probes once, close it; the answers by bus, all buses at the same time."""
    made = [(build_bus(name, settings, clock, folder), settings.probe) for name, settings in buses.items()]
    answers = await asyncio.gather(*(check_once(bus, probes, clock) for bus, probes in made))
    return dict(zip(buses, answers, strict=True))
