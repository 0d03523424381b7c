"""The MQTT way against a real Mosquitto. What is expected of it is from OASIS MQTT 5.0 unless said otherwise."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from brinewatch.clock import SystemClock
from brinewatch.errors import BrinewatchError, NeedsPerson, OutcomeUnknown, RetryLater
from brinewatch.messages import Message
from brinewatch.notify.mqtt import MqttNotifier
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.published import schemas
from brinewatch.secretfile import read_secret
from broker import Broker, Heard, Listener, broker, free_port, listener
from certificates import certify

pytestmark = pytest.mark.broker

SHED = "gannet-quay"


@pytest.fixture
def plain(tmp_path: Path) -> Iterator[Broker]:
    with broker(tmp_path) as one:
        yield one


class Watch:
    """A notifier at work, and what it said of its health."""

    def __init__(
        self, settings: MqttSettings, snapshot: Callable[[], Any] = lambda: {"sentence": "All is well."}
    ) -> None:
        self.health: list[tuple[bool, str]] = []
        self.notifier = MqttNotifier(settings, SHED, SystemClock(), snapshot, self._on_health)
        self._told = asyncio.Event()

    def _on_health(self, well: bool, reason: str) -> None:
        self.health.append((well, reason))
        self._told.set()

    async def until(self, well: bool, within: float = 8.0) -> str:
        async with asyncio.timeout(within):
            while not self.health or self.health[-1][0] is not well:
                self._told.clear()
                await self._told.wait()
        return self.health[-1][1]


@contextlib.asynccontextmanager
async def running(watch: Watch) -> AsyncIterator[Watch]:
    task = asyncio.create_task(watch.notifier.run())
    try:
        yield watch
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def settings(port: int, **more: Any) -> MqttSettings:
    return MqttSettings(host="127.0.0.1", port=port, **more)


def alarm(to: str = "alarms", key: str = "7", **more: Any) -> Message:
    return Message(key, "mqtt", to, "AIR STOPPED 0.3 kPa (min 8.0). Reply OK 12", 12, 1_800_000_000.0, **more)


def life(kind: str) -> Callable[[Heard], bool]:
    def fits(heard: Heard) -> bool:
        if heard.topic != f"brinewatch/{SHED}/life":
            return False
        jsonschema.validate(heard.json, schemas()["life"])
        return bool(heard.json["life"] == kind)

    return fits


async def hears(ear: Listener, wanted: Callable[[Heard], bool], within: float = 5.0) -> Heard:
    return await asyncio.to_thread(ear.next, wanted, within)


async def test_life_and_state_are_retained(plain: Broker) -> None:
    async with running(Watch(settings(plain.port))) as watch:
        await watch.until(True)
        with listener(plain.port) as first:
            await hears(first, lambda heard: heard.topic.endswith("/state"))
        # a subscriber that comes later still gets both, marked as retained
        with listener(plain.port) as late:
            up = await hears(late, life("up"))
            assert up.retain
            assert up.json["shed"] == SHED
        with listener(plain.port, "brinewatch/+/state") as late:
            state = await hears(late, lambda heard: True)
            assert (state.retain, state.json) == (True, {"sentence": "All is well."})


async def test_the_state_follows_its_changes_with_a_pause_between(plain: Broker) -> None:
    count = iter(range(100))
    with listener(plain.port, "brinewatch/+/state") as ear:
        async with running(Watch(settings(plain.port, state_every_s=1.0), lambda: {"n": next(count)})) as watch:
            await watch.until(True)
            assert (await hears(ear, lambda heard: True)).json == {"n": 0}
            began = time.monotonic()
            for _ in range(5):
                watch.notifier.publish_state()
                await asyncio.sleep(0.05)
            assert (await hears(ear, lambda heard: True)).json == {"n": 1}
            assert time.monotonic() - began > 0.7
            await asyncio.sleep(1.2)
            assert ear.rest() == []


async def test_the_state_is_told_anew_unasked(plain: Broker) -> None:
    count = iter(range(100))
    more = {"state_every_s": 1.0, "refresh_s": 1.0}
    with listener(plain.port, "brinewatch/+/state") as ear:
        async with running(Watch(settings(plain.port, **more), lambda: {"n": next(count)})):
            await hears(ear, lambda heard: heard.json == {"n": 1})


async def test_an_alarm_is_confirmed_and_arrives_with_its_id(plain: Broker) -> None:
    with listener(plain.port, f"brinewatch/{SHED}/alarms") as ear:
        async with running(Watch(settings(plain.port))) as watch:
            await watch.until(True)
            expires = time.time() + 3600
            receipt = await watch.notifier.send(alarm(payload='{"number": 12}', expires_utc=expires))
            assert len(receipt.references) == 1
            heard = await hears(ear, lambda heard: True)
            assert heard.json == {"number": 12}
            assert not heard.retain
            assert heard.properties.UserProperty == [("id", "7")]
            # 3.3.2.3.3: the broker passes on what is left of the interval
            assert 3590 <= heard.properties.MessageExpiryInterval <= 3600
            await watch.notifier.send(alarm(to=f"brinewatch/{SHED}/alarms"))
            assert (await hears(ear, lambda heard: True)).json["text"].startswith("AIR STOPPED")


@pytest.mark.parametrize("to", ["", "life", "state", "alarms/#", "+", f"brinewatch/{SHED}/life"])
async def test_topics_that_are_none_need_a_person(plain: Broker, to: str) -> None:
    async with running(Watch(settings(plain.port))) as watch:
        await watch.until(True)
        with pytest.raises(NeedsPerson, match="no topic for alarm messages"):
            await watch.notifier.send(alarm(to=to))


async def test_a_clean_stop_says_so_and_no_will_follows(plain: Broker) -> None:
    with listener(plain.port, "brinewatch/+/life") as ear:
        async with running(Watch(settings(plain.port))) as watch:
            await watch.until(True)
        stopped = await hears(ear, life("stopped"))
        assert stopped.json["since"] >= stopped.json["started"]
        # 3.14.4: a DISCONNECT with reason 0x00 makes the broker drop the will
        await asyncio.sleep(0.3)
        assert ear.rest() == []


_CHILD = """
import asyncio, sys
from brinewatch.clock import SystemClock
from brinewatch.notify.mqtt import MqttNotifier
from brinewatch.notify.mqtt_settings import MqttSettings
settings = MqttSettings(host="127.0.0.1", port=int(sys.argv[1]))
told = lambda well, reason: print(well, flush=True)
notifier = MqttNotifier(settings, "gannet-quay", SystemClock(), lambda: {}, told)
asyncio.run(notifier.run())
"""


async def test_a_killed_daemon_leaves_its_will(plain: Broker) -> None:
    with listener(plain.port, "brinewatch/+/life") as ear:
        child = subprocess.Popen([sys.executable, "-c", _CHILD, str(plain.port)], stdout=subprocess.PIPE)
        try:
            assert child.stdout is not None
            assert await asyncio.to_thread(child.stdout.readline) == b"True\n"
            await hears(ear, life("up"))
            child.send_signal(signal.SIGKILL)
            await hears(ear, life("gone"))
        finally:
            child.kill()
            child.communicate()
    with listener(plain.port, "brinewatch/+/life") as late:
        assert (await hears(late, life("gone"))).retain


def _with_login(folder: Path, *more: str) -> tuple[str, ...]:
    passwords = folder / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "shed", "urchin-tide"], check=True, timeout=10)
    return ("allow_anonymous false", f"password_file {passwords}", *more)


def _secret(folder: Path, text: str = "urchin-tide\n", mode: int = 0o600) -> str:
    file = folder / "secret"
    file.write_text(text)
    file.chmod(mode)
    return str(file)


async def test_login_with_a_password_file(tmp_path: Path) -> None:
    with broker(tmp_path, *_with_login(tmp_path)) as one:
        async with running(Watch(settings(one.port, username="shed", password_file=_secret(tmp_path)))) as watch:
            assert str(one.port) in await watch.until(True)
            await watch.notifier.send(alarm())


async def test_a_wrong_password_needs_a_person_and_is_never_shown(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    wrong = _secret(tmp_path, "wrong-horse\n")
    with broker(tmp_path, *_with_login(tmp_path)) as one, caplog.at_level("DEBUG"):
        async with running(Watch(settings(one.port, username="shed", password_file=wrong))) as watch:
            # 3.2.2.2: 0x87 Not authorized
            assert "refused the login: Not authorized" in await watch.until(False)
            with pytest.raises(RetryLater, match="Not authorized"):
                await watch.notifier.send(alarm())
    assert "wrong-horse" not in caplog.text


async def test_a_topic_the_access_list_forbids_needs_a_person(tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"user shed\ntopic readwrite brinewatch/{SHED}/life\ntopic write brinewatch/{SHED}/state\n"
                   f"topic write brinewatch/{SHED}/alarms\n")  # fmt: skip
    with broker(tmp_path, *_with_login(tmp_path, f"acl_file {acl}")) as one:
        async with running(Watch(settings(one.port, username="shed", password_file=_secret(tmp_path)))) as watch:
            await watch.until(True)
            with pytest.raises(NeedsPerson, match="refused the message: Not authorized"):
                await watch.notifier.send(alarm(to="elsewhere"))
            # the refusal of one topic costs neither the connection nor the other topics
            await watch.notifier.send(alarm())
            assert len(watch.health) == 1


async def test_a_life_topic_the_access_list_forbids_is_told(tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"user shed\ntopic write brinewatch/{SHED}/alarms\n")
    with broker(tmp_path, *_with_login(tmp_path, f"acl_file {acl}")) as one:
        async with running(Watch(settings(one.port, username="shed", password_file=_secret(tmp_path)))) as watch:
            assert f"brinewatch/{SHED}/life" in await watch.until(False)
            await watch.notifier.send(alarm())


@pytest.mark.parametrize(
    ("text", "mode", "said"),
    [("x\n", 0o604, "open to every user"), ("", 0o600, "is empty"), ("\n", 0o600, "is empty")],
)
def test_password_files_that_are_refused(tmp_path: Path, text: str, mode: int, said: str) -> None:
    path = _secret(tmp_path, text, mode)
    with pytest.raises(BrinewatchError, match=said) as caught:
        MqttNotifier(
            settings(1883, username="shed", password_file=path), SHED, SystemClock(), dict, lambda *_: None
        )
    assert path in str(caught.value)
    assert caught.value.hint


def test_a_missing_password_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BrinewatchError, match="No such file"):
        read_secret(str(tmp_path / "none"))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"ca_file": "ca.pem"}, "tls = true"),
        ({"password_file": "p"}, "username beside"),
        ({"base": "a/#"}, "pattern"),
        ({"base": "a/"}, "without a slash"),
        ({"port": 0}, "greater than 0"),
        ({"keepalive_s": 0}, "greater than or equal to 2"),
        ({"password": "x"}, "Extra inputs"),
    ],
)
def test_settings_that_are_refused(more: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        MqttSettings(**{"host": "127.0.0.1", **more})


def test_file_names_start_from_the_folder_of_the_shed_file(tmp_path: Path) -> None:
    _secret(tmp_path)
    given = settings(1883, username="shed", password_file="secret")
    MqttNotifier(given, SHED, SystemClock(), dict, lambda *_: None, folder=tmp_path)
    with pytest.raises(BrinewatchError, match="elsewhere/secret"):
        MqttNotifier(given, SHED, SystemClock(), dict, lambda *_: None, folder=tmp_path / "elsewhere")
    assert given.topic("a") == "brinewatch/a"


def test_the_usual_ports() -> None:
    # IANA service names: mqtt 1883, secure-mqtt 8883
    assert MqttSettings(host="a").port_in_use == 1883
    assert MqttSettings(host="a", tls=True).port_in_use == 8883


def _authority(folder: Path, name: str = "127.0.0.1") -> tuple[str, ...]:
    """Certificates of our own; returns the broker's settings."""
    certify(folder, name)
    return ("allow_anonymous true", f"certfile {folder}/host.pem", f"keyfile {folder}/host.key")


async def test_tls_with_an_authority_of_ones_own(tmp_path: Path) -> None:
    with broker(tmp_path, *_authority(tmp_path)) as one:
        big = {"sentence": "x" * 200_000}
        async with running(Watch(settings(one.port, tls=True, ca_file=f"{tmp_path}/ca.pem"), lambda: big)) as watch:
            await watch.until(True)
            # more than one TLS record and than one socket buffer goes through as well
            for _ in range(3):
                await watch.notifier.send(alarm(payload=json.dumps(big)))


@pytest.mark.parametrize(("name", "ca"), [("127.0.0.2", "ca.pem"), ("127.0.0.1", "other.pem")])
async def test_a_certificate_that_is_not_trusted_needs_a_person(tmp_path: Path, name: str, ca: str) -> None:
    extra = _authority(tmp_path, name)
    if ca == "other.pem":
        (tmp_path / "second").mkdir()
        _authority(tmp_path / "second")
        os.rename(tmp_path / "second" / "ca.pem", tmp_path / "other.pem")
    with broker(tmp_path, *extra) as one:
        async with running(Watch(settings(one.port, tls=True, ca_file=f"{tmp_path}/{ca}"))) as watch:
            said = await watch.until(False)
            assert "is not trusted" in said
            assert "ca_file" in said


async def test_a_missing_authority_file_is_named(tmp_path: Path, plain: Broker) -> None:
    async with running(Watch(settings(plain.port, tls=True, ca_file=f"{tmp_path}/none.pem"))) as watch:
        assert "none.pem" in await watch.until(False)


async def test_a_broker_that_dies_and_returns_knows_the_state_again(plain: Broker) -> None:
    async with running(Watch(settings(plain.port))) as watch:
        await watch.until(True)
        plain.kill()
        assert "Lost the broker" in await watch.until(False)
        # while it is away nothing is queued behind the outbox's back
        with pytest.raises(RetryLater, match="Not connected"):
            await watch.notifier.send(alarm(key="while away"))
        plain.start()
        await watch.until(True, within=12)
        with listener(plain.port) as late:
            await hears(late, life("up"))
            await hears(late, lambda heard: heard.topic.endswith("/state"))
            await watch.notifier.send(alarm(key="after"))
            heard = await hears(late, lambda heard: heard.topic.endswith("/alarms"))
            assert heard.json["id"] == "after"


async def test_a_broker_that_is_not_there_is_told() -> None:
    async with running(Watch(settings(free_port()))) as watch:
        assert "Connection refused" in await watch.until(False)


async def test_a_frozen_broker_leaves_the_outcome_unknown_in_time(plain: Broker) -> None:
    with listener(plain.port, f"brinewatch/{SHED}/alarms") as ear:
        async with running(Watch(settings(plain.port, answer_s=0.5, keepalive_s=2))) as watch:
            await watch.until(True)
            plain.freeze()
            began = time.monotonic()
            with pytest.raises(OutcomeUnknown, match=r"did not confirm within 0\.5 s"):
                await watch.notifier.send(alarm(key="unknown"))
            assert time.monotonic() - began < 2
            # the silence itself is noticed by keep-alive
            assert "Lost the broker" in await watch.until(False, within=10)
            plain.thaw()
            # it had been handed over, so it may yet arrive: that is what unknown means
            assert (await hears(ear, lambda heard: True)).json["id"] == "unknown"
            await watch.until(True, within=12)


async def test_stopping_while_the_broker_is_frozen_is_bounded(plain: Broker) -> None:
    async with running(Watch(settings(plain.port))) as watch:
        await watch.until(True)
        plain.freeze()
        began = time.monotonic()
    assert time.monotonic() - began < 5


async def test_a_broker_that_answers_no_login_is_told_and_left(plain: Broker) -> None:
    plain.freeze()
    async with running(Watch(settings(plain.port, answer_s=0.5))) as watch:
        assert "did not answer the login in 0.5 s" in await watch.until(False)
        plain.thaw()
        await watch.until(True, within=12)


async def test_a_second_daemon_under_the_same_id_is_guessed(plain: Broker) -> None:
    """This broker throws the first one out without saying why (seen with 2.0.11)."""
    async with running(Watch(settings(plain.port))) as one, running(Watch(settings(plain.port))) as two:
        async with asyncio.timeout(15):
            while not any("second daemon" in reason for _, reason in one.health + two.health):
                await asyncio.sleep(0.05)


async def test_a_session_taken_over_is_named() -> None:
    """CONNACK, then DISCONNECT with 0x8E Session taken over, byte by byte from OASIS MQTT 5.0, 3.2 and 3.14."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(bytes.fromhex("20 03 00 00 00"))
        await reader.read(1000)
        writer.write(bytes.fromhex("e0 02 8e 00"))
        await reader.read(1000)
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with running(Watch(settings(port))) as watch:
            assert "second daemon" in await watch.until(False)


async def test_a_broker_that_sends_nonsense_is_left() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 10)
        await reader.read(1000)
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with running(Watch(settings(port, answer_s=0.5))) as watch:
            assert str(port) in await watch.until(False)


async def test_stopping_while_dialling_leaves_no_will() -> None:
    """A stop in the middle of the TCP connection: the broker, once it answers, is left properly (3.14)."""
    got: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        got.set_result(await reader.read(-1))
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        watch = Watch(settings(server.sockets[0].getsockname()[1]))
        task = asyncio.create_task(watch.notifier.run())
        await asyncio.sleep(0.01)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        async with asyncio.timeout(5):
            sent = await got
    assert sent[:1] in (b"", b"\x10")
    assert not sent or sent.endswith((b"\xe0\x00", b"\xe0\x01\x00", b"\xe0\x02\x00\x00")), sent


async def test_a_snapshot_that_fails_costs_the_state_only(plain: Broker, caplog: pytest.LogCaptureFixture) -> None:
    def broken() -> dict[str, Any]:
        raise KeyError("no such stage")

    async with running(Watch(settings(plain.port), broken)) as watch:
        await watch.until(True)
        await watch.notifier.send(alarm())
    assert "could not be put into words" in caplog.text
