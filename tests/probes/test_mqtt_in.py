"""Probes that report by MQTT, against a real Mosquitto."""

from __future__ import annotations

import asyncio
import json
import subprocess
import tomllib
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any

import paho.mqtt.publish
import pytest
from paho.mqtt.client import MQTTv5
from pydantic import TypeAdapter, ValidationError

from brinewatch.broker.settings import BrokerSettings
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.errors import PortLost
from brinewatch.moment import Moment
from brinewatch.probes.build import BusSettings, build_bus
from brinewatch.probes.mqtt_in import MqttInBus, MqttInProbe, MqttInSettings, heard_of
from brinewatch.probes.worker import Answer, BusWorker, check_once
from brinewatch.readings import Flag, Sample
from brinewatch.simulator.devices_mqtt import MqttSender
from broker import Broker, broker, free_port
from certificates import certify
from config.sheds import SMALL

PLAIN = """
[[probe]]
name = "plain"
topic = "shed/plain"
every_s = 0.1
[[probe.channel]]
point = "raceway.temperature"
"""
JSON = """
[[probe]]
name = "json"
topic = "shed/json"
time = "/at"
every_s = 0.1
max_age_s = 60
[[probe.channel]]
point = "cone.temperature"
value = "/temp"
unit = "degF"
unit_at = "/unit"
unit_is = "F"
[[probe.channel]]
point = "room.mains"
value = "/mains"
words = { ON = 1, OFF = 0 }
"""
NOW = Moment(5000.0, 1_790_200_800.0, True, UTC)


def settings(port: int, text: str = PLAIN + JSON, **more: Any) -> MqttInSettings:
    table = {"kind": "mqtt_in", "host": "127.0.0.1", "port": port, **more, **tomllib.loads(text)}
    found = TypeAdapter(BusSettings).validate_python(table)
    assert isinstance(found, MqttInSettings)
    return found


class SetClock(SystemClock):
    """A clock that a time server has set, on whatever machine the tests run."""

    def now(self) -> Moment:
        return replace(super().now(), trusted=True)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    with broker(tmp_path) as one:
        yield one


@asynccontextmanager
async def opened(made: MqttInSettings, folder: Path = Path()) -> AsyncIterator[MqttInBus]:
    bus = build_bus("radio", made, SetClock(), folder)
    assert isinstance(bus, MqttInBus)
    await bus.open()
    try:
        yield bus
    finally:
        await bus.close()


async def publish(port: int, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
    """By a client that is not ours."""
    await asyncio.to_thread(
        paho.mqtt.publish.single, topic, payload, qos=1, retain=retain, hostname="127.0.0.1", port=port,
        protocol=MQTTv5,
    )  # fmt: skip


async def said(bus: MqttInBus, probe: str, wanted: str | float | None) -> Sequence[Sample]:
    """The samples once the first has this value, or this in its reason."""
    async with asyncio.timeout(5):
        while True:
            samples = await bus.read(probe)
            fits = wanted in samples[0].reason if isinstance(wanted, str) else samples[0].value == wanted
            if fits:
                return samples
            await asyncio.sleep(0.01)


@pytest.mark.broker
async def test_a_number_alone(mosquitto: Broker) -> None:
    async with opened(settings(mosquitto.port, PLAIN)) as bus:
        asking = asyncio.create_task(bus.read("plain"))  # what comes at once after connecting is waited for
        await publish(mosquitto.port, "shed/plain", " 12.5\n")
        (sample,) = await asking
        assert (sample.value, sample.raw, sample.flag) == (12.5, 12.5, Flag.PASS)
        assert (await bus.read("plain"))[0].at == sample.at  # the same reading, not a new one
        await publish(mosquitto.port, "shed/plain", "12.6")
        (newer,) = await said(bus, "plain", 12.6)
        assert newer.at.mono > sample.at.mono


@pytest.mark.broker
@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b"warm", "The payload reads 'warm', which is no number"),
        (b"nan", "which is no number"),
        (b"", "which is no number"),
        (b"1" * 5000, "A payload of 5000 bytes came; the longest is 4096"),
        (b"\xff\xfe", "The payload is no text"),
    ],
)
async def test_no_bad_payload_becomes_a_value(mosquitto: Broker, payload: bytes, says: str) -> None:
    async with opened(settings(mosquitto.port, PLAIN)) as bus:
        await publish(mosquitto.port, "shed/plain", "12.5")
        await said(bus, "plain", 12.5)
        await publish(mosquitto.port, "shed/plain", payload)
        (sample,) = await said(bus, "plain", says)
        assert (sample.value, sample.flag) == (None, Flag.FAIL)
        await publish(mosquitto.port, "shed/plain", "12.7")
        await said(bus, "plain", 12.7)


@pytest.mark.broker
async def test_a_packet_beyond_all_measure_is_not_let_in(mosquitto: Broker) -> None:
    async with opened(settings(mosquitto.port, PLAIN)) as bus:
        await publish(mosquitto.port, "shed/plain", b"1" * 200_000)
        await publish(mosquitto.port, "shed/plain", "12.7")
        await said(bus, "plain", 12.7)


@pytest.mark.broker
async def test_what_the_broker_had_kept_does_not_look_fresh(mosquitto: Broker) -> None:
    clock = SystemClock()
    await publish(mosquitto.port, "shed/plain", "9.9", retain=True)
    await publish(
        mosquitto.port, "shed/json",
        json.dumps({"temp": 53.6, "unit": "F", "mains": "ON", "at": clock.now().utc - 30}), retain=True,
    )  # fmt: skip
    async with opened(settings(mosquitto.port)) as bus:
        (sample,) = await bus.read("plain")
        assert (sample.value, sample.flag) == (None, Flag.MISSING)
        assert "how old that is nobody can tell" in sample.reason
        # one that says when it was measured is as old as it says
        samples = await said(bus, "json", pytest.approx(12.0))
        assert 29.0 < clock.now().mono - samples[0].at.mono < 40.0
        await publish(mosquitto.port, "shed/plain", "10.1")
        await said(bus, "plain", 10.1)
        # kept on the broker again, and heard again after a new connection: the live one stands
        await publish(mosquitto.port, "shed/plain", "10.2", retain=True)
        (live,) = await said(bus, "plain", 10.2)
        await bus.open()
        assert (await bus.read("plain"))[0].at == live.at


@pytest.mark.broker
async def test_a_silent_topic_holds_up_no_other(mosquitto: Broker) -> None:
    async with opened(settings(mosquitto.port)) as bus:
        (sample,) = await bus.read("plain")
        assert (sample.value, sample.flag) == (None, Flag.MISSING)
        assert "Nothing new has come on shed/plain in the " in sample.reason
        began = SystemClock().now().mono
        await bus.read("json")
        assert SystemClock().now().mono - began < 1.0  # the time after connecting is over


@pytest.mark.broker
async def test_an_old_value_is_missing(mosquitto: Broker) -> None:
    async with opened(
        settings(mosquitto.port, PLAIN.replace('"shed/plain"', '"shed/plain"\nmax_age_s = 0.3'))
    ) as bus:
        await publish(mosquitto.port, "shed/plain", "12.5")
        await said(bus, "plain", 12.5)
        (sample,) = await said(bus, "plain", "is 0 s old; 0 s at most")
        assert (sample.value, sample.flag) == (None, Flag.MISSING)


@pytest.mark.broker
async def test_a_simulated_sender_and_a_broker_that_goes_and_comes(mosquitto: Broker) -> None:
    """What the worker makes of it: MISSING with the reason while the broker is gone, then values by itself."""
    made, clock, heard = settings(mosquitto.port, PLAIN), SystemClock(), list[Sequence[Sample]]()
    sender = MqttSender(
        BrokerSettings(host="127.0.0.1", port=mosquitto.port), "shed/plain", clock, lambda now: "11.5", every_s=0.1
    )
    running = asyncio.create_task(
        BusWorker(build_bus("radio", made, clock, Path()), made.probe, clock, heard.append).run()
    )
    sender.start()

    async def until(flag: Flag) -> Sample:
        heard.clear()
        async with asyncio.timeout(15):
            while not heard or heard[-1][0].flag is not flag:
                await asyncio.sleep(0.02)
        return heard[-1][0]

    try:
        assert (await until(Flag.PASS)).value == 11.5
        mosquitto.kill()
        gone = await until(Flag.MISSING)
        assert gone.value is None
        assert f"the broker 127.0.0.1:{mosquitto.port}" in gone.reason
        mosquitto.start()
        assert (await until(Flag.PASS)).value == 11.5
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        await sender.stop()


@pytest.mark.broker
async def test_tls_login_and_access_list(tmp_path: Path) -> None:
    certify(tmp_path)
    (tmp_path / "access").write_text("user probe-reader\ntopic read shed/#\nuser other\ntopic read nothing\n")
    (tmp_path / "logins").write_text("")
    extra = (
        "allow_anonymous false", f"cafile {tmp_path}/ca.pem", f"certfile {tmp_path}/host.pem",
        f"keyfile {tmp_path}/host.key", f"password_file {tmp_path}/logins", f"acl_file {tmp_path}/access",
    )  # fmt: skip
    for user in ("probe-reader", "other"):
        words = ["mosquitto_passwd", "-b", str(tmp_path / "logins"), user, "sea"]
        await asyncio.to_thread(subprocess.run, words, check=True, capture_output=True)
    secret = tmp_path / "broker-password"
    secret.write_text("sea\n")
    secret.chmod(0o600)
    with broker(tmp_path, *extra) as one:
        login = {"tls": True, "ca_file": "ca.pem", "password_file": "broker-password"}
        good = settings(one.port, PLAIN, username="probe-reader", **login)
        async with opened(good, tmp_path) as bus:
            assert (await bus.read("plain"))[0].flag is Flag.MISSING
        for wrong, says in (
            (settings(one.port, PLAIN, username="nobody", **login), "refused the login"),
            (settings(one.port, PLAIN, username="probe-reader", **{**login, "ca_file": None}), "is not trusted"),
        ):
            bus = build_bus("radio", wrong, SystemClock(), tmp_path)
            with pytest.raises(PortLost, match=says):
                await bus.open()
            await bus.close()
        secret.chmod(0o644)
        bus = build_bus("radio", good, SystemClock(), tmp_path)
        with pytest.raises(PortLost, match="open to every user") as caught:
            await bus.open()
        assert caught.value.hint.startswith("chmod 600")


async def test_no_broker_is_told_for_every_probe() -> None:
    port = free_port()
    made = settings(port)
    bus = build_bus("radio", made, SystemClock(), Path())
    answers: list[Answer] = await check_once(bus, made.probe, SystemClock())
    assert [answer.well for answer in answers] == [False, False]
    for answer in answers:
        assert f"No connection to the broker 127.0.0.1:{port}" in answer.error
        assert all(sample.flag is Flag.MISSING for sample in answer.samples)


# -- payloads, without a wire --------------------------------------------------------------------------------


def json_probe() -> MqttInProbe:
    return settings(1883, JSON).probe[0]


def body(**changed: Any) -> bytes:
    table = {"temp": 53.6, "unit": "F", "mains": "ON", "at": NOW.utc, **changed}
    return json.dumps({key: value for key, value in table.items() if value != "left out"}).encode()


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"temp": "left out"}, "The payload has no /temp."),
        ({"temp": None}, "/temp reads null, which is no number."),
        ({"temp": "cold"}, "/temp reads 'cold', which is no number."),
        ({"temp": True}, "/temp reads true, which is no number."),
        ({"unit": "C"}, "Its unit is 'C' instead of 'F'."),
        ({"unit": "left out"}, "The payload has no /unit."),
        ({"unit": ["F"]}, "Its unit is \"['F']\" instead of 'F'."),
    ],
)
def test_one_bad_number_leaves_the_other(changed: dict[str, Any], says: str) -> None:
    heard = heard_of(json_probe(), body(**changed), NOW, retained=False)
    assert not isinstance(heard, str)
    assert heard.found[1] == 1.0
    assert getattr(heard.found[0], "what", "") == says


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (body(at="left out"), "The payload has no /at."),
        (body(at="noon"), 'reads "noon", which is no time'),
        (body(at=NOW.utc + 61), "Its time is 61 s ahead of this computer's."),
        (b"12.5", "The payload has no /at."),
        (b'{"temp": 1, "temp": 2}', "The payload is no JSON"),
    ],
)
def test_a_payload_without_a_time_it_should_have(payload: bytes, says: str) -> None:
    heard = heard_of(json_probe(), payload, NOW, retained=False)
    assert not isinstance(heard, str)
    assert all(says in getattr(one, "what", "") for one in heard.found)
    kept = heard_of(json_probe(), payload, NOW, retained=True)
    assert isinstance(kept, str)
    assert says in kept


def test_the_age_is_told_by_its_own_time() -> None:
    probe = json_probe()
    heard = heard_of(probe, body(at=NOW.utc - 40), NOW, retained=True)
    assert not isinstance(heard, str)
    assert (heard.at.mono, heard.at.utc) == (NOW.mono - 40, NOW.utc - 40)
    assert heard.found == (53.6, 1.0)
    ahead = heard_of(probe, body(at=NOW.utc + 30), NOW, retained=False)
    assert not isinstance(ahead, str)
    assert ahead.at == NOW  # never from the future


def test_a_clock_that_is_not_set_tells_no_age() -> None:
    probe, unset = json_probe(), replace(NOW, utc=1000.0, trusted=False)
    heard = heard_of(probe, body(), unset, retained=False)
    assert not isinstance(heard, str)
    assert heard.at == unset  # it came just now, and no more is known
    assert "nobody can tell" in str(heard_of(probe, body(), unset, retained=True))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (PLAIN.replace("shed/plain", "shed/+"), r"without \+ and #"),
        (PLAIN.replace("shed/plain", "shed/#"), r"without \+ and #"),
        (PLAIN.replace("shed/plain", "$SYS/x"), "not beginning with"),
        (PLAIN.replace("shed/plain", ""), "one topic"),
        (JSON.replace('"/temp"', '"temp"'), "value"),
        (JSON.replace('"/temp"', '"/a~2"'), "value"),
        (JSON.replace('value = "/mains"\n', ""), "value in every channel beside time"),
        (JSON.replace('unit_is = "F"\n', ""), "unit_at and unit_is together"),
        (JSON.replace('value = "/temp"\n', "").replace('time = "/at"\n', ""), "value beside unit_at"),
        (JSON.replace('"degF"', '"K"'), "one of degC"),
    ],
)
def test_settings_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        settings(1883, text)


def test_a_value_of_a_slow_sender_is_judged_as_long_as_it_may_be_old(tmp_path: Path) -> None:
    slow = """
[bus.radio]
kind = "mqtt_in"
host = "broker.example"
[[bus.radio.probe]]
name = "slow"
topic = "shed/slow"
max_age_s = 180
[[bus.radio.probe.channel]]
point = "tank.ph"
"""
    watched = SMALL.replace('watch = ["oxygen"', 'watch = ["ph", "oxygen"')
    (tmp_path / "shed.toml").write_text(watched + slow, encoding="utf-8")
    shed = read_shed(tmp_path / "shed.toml")
    ages = {alarm.point: alarm.max_age_s for alarm in shed.alarms}
    assert (ages["tank.ph"], ages["tank.oxygen"]) == (185.0, 3.0)  # the line probe is read every second
