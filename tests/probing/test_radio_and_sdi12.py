"""SDI-12 probes and probes that report by MQTT, in a whole shed file: well, and with adapter and broker gone."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from brinewatch.broker.settings import BrokerSettings
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.probing import look_at, sentence
from brinewatch.service import Daemon
from brinewatch.simulator.devices_mqtt import MqttSender
from brinewatch.simulator.devices_sdi12 import Sdi12Device, Sdi12Sensor
from broker import broker

SHED = """
[shed]
key = "try"
name = "Try"
short_name = "TRY"
time_zone = "Etc/UTC"
altitude_m = 4
[page]
enabled = false
[[water]]
key = "tank"
name = "Tank"
kind = "animals"
watch = ["oxygen", "temperature", "ph"]
[bus.sdi]
kind = "sdi12"
port = "line"
data_bits = 8
parity = "none"
timeout_s = 0.3
late_answer_s = 0.3
[[bus.sdi.probe]]
name = "sonde"
address = "0"
every_s = 1
channel = [{ point = "tank.temperature", value = 1 }, { point = "tank.oxygen", value = 2 }]
[bus.radio]
kind = "mqtt_in"
host = "127.0.0.1"
port = 1
[[bus.radio.probe]]
name = "sender"
topic = "shed/ph"
every_s = 1
channel = [{ point = "tank.ph", value = "/ph" }]
[[rules]]
file = "watch.toml"
"""


@pytest.mark.broker
async def test_both_kinds_in_the_running_daemon(tmp_path: Path) -> None:
    clock = SystemClock()
    with broker(tmp_path) as mosquitto:
        path = tmp_path / "shed.toml"
        path.write_text(SHED.replace("port = 1\n", f"port = {mosquitto.port}\n"), encoding="utf-8")
        shed = read_shed(path)
        line = Sdi12Device(tmp_path / "line", clock, {"0": Sdi12Sensor(lambda now: (12.5, 8.1), seconds=0)})
        there = BrokerSettings(host="127.0.0.1", port=mosquitto.port)
        sender = MqttSender(there, "shed/ph", clock, lambda now: '{"ph": 8.03}', every_s=0.2)
        daemon = Daemon(shed, clock, lambda said: None)
        line.start()
        sender.start()
        running = asyncio.create_task(daemon.run())

        async def told(wanted: str) -> list[dict[str, Any]]:
            async with asyncio.timeout(20):
                while True:
                    await asyncio.sleep(0.1)
                    if (shed.data / "control.sock").exists():
                        _, probes = await look_at(shed, clock)()
                        if sentence(probes) == wanted:
                            return [dict(one) for one in probes]

        try:
            probes = await told("All 2 probes are good.")
            values = {one["point"]: one["value"] for probe in probes for one in probe["channels"]}
            assert values == {"tank.temperature": 12.5, "tank.oxygen": 8.1, "tank.ph": 8.03}
            line.port.unplug()
            mosquitto.kill()
            probes = await told("0 of 2 probes are good; failure sonde, sender.")
            reasons = {probe["probe"]: probe["channels"][0]["reason"] for probe in probes}
            assert "line" in reasons["sonde"]
            assert f"127.0.0.1:{mosquitto.port}" in reasons["sender"]
            assert all(one["value"] is None and one["flag"] == 9 for probe in probes for one in probe["channels"])
            line.port.plug()
            mosquitto.start()
            await told("All 2 probes are good.")
        finally:
            daemon.stop()
            await running
            await sender.stop()
            await line.stop()
