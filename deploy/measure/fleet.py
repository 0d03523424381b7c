"""A thousand simulated sheds, one broker, one lookout, one time-series server: how much of a core each of the three
takes, and how soon a dead shed is alarmed.

The sheds' signs of life (every 30 s each) and states (every 60 s each) go through a real Mosquitto to the lookout,
a process of its own and, at the same time, to a bare client that only receives and reads the same JSON. Their
readings go to a real VictoriaMetrics, as replicas send them (fleet_series.py).
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import fleet_series
from brinewatch.sentry.beats import Beat
from brinewatch.signing import sealed
from row import Row

SHEDS = 1000
EVERY_S, STATE_S = 30.0, 60.0
CORE = 0.10
DETECTED_S = 180.0
SECRET = "the secret of all simulated sheds"  # noqa: S105 - of sheds that do not exist
_PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6
_START = 1_793_404_800.0  # 2026-10-31 00:00 UTC
_STATE = json.dumps(
    {"well": True, "sentence": "All is well.", "stages": [{"key": "tank", "points": list(range(1500))}]}
)

_HEAD = """
[lookout]
key = "home"
name = "Lookout"
short_name = "LOOKOUT"
time_zone = "Etc/UTC"
[page]
enabled = false
[broker]
host = "127.0.0.1"
port = {port}
[webhook]
url = "http://127.0.0.1:9/"
[[contact]]
name = "Wren"
phone = "+447700900101"
ways = ["webhook"]
"""
_SHED = '[[watch]]\nkey = "shed-{n}"\nname = "Shed {n}"\nsecret_file = "secret"\n'

# receives what the lookout receives, and does nothing with it but read it
_BARE = """
import json, sys
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
client.on_message = lambda _client, _data, message: json.loads(message.payload)
client.connect("127.0.0.1", int(sys.argv[1]))
client.subscribe([("brinewatch/+/beat", 1), ("brinewatch/+/state", 1)])
client.loop_forever()
"""
# says what the sheds would say
_SHEDS = """
import sys
sys.path.insert(0, sys.argv[2])
import fleet
fleet.speak(int(sys.argv[1]))
"""


def measure(quick: bool) -> Iterator[Row]:
    yield from _share(16.0 if quick else 120.0)
    yield _detection(5 if quick else 60)


# -- what it costs -------------------------------------------------------------------------------------------


def _share(window: float) -> Iterator[Row]:
    with tempfile.TemporaryDirectory(prefix="brinewatch-fleet-") as name:
        folder = Path(name)
        port, series = _free(), _free()
        _lay_out(folder, port, SHEDS)
        with (
            _running(_broker(folder, port)) as broker,
            _running(fleet_series.command(folder, series), folder / "series-log") as server,
        ):
            _until_open(port, "the broker did not start (sudo apt-get install mosquitto)")
            _until_open(series, "the time-series server did not start")
            lookout = [sys.executable, "-m", "brinewatch", "lookout", str(folder / "lookout.toml")]
            replicas = [sys.executable, fleet_series.__file__, str(series), str(SHEDS), str(folder / "sent")]
            with (
                _running(lookout, folder / "log") as watcher,
                _running([sys.executable, "-c", _BARE, str(port)]) as bare,
                _running([sys.executable, "-c", _SHEDS, str(port), str(Path(__file__).parent)]),
                _running(replicas, folder / "replicas-log") as sender,
            ):
                measured = (watcher, bare, broker, server)
                _settle(folder, watcher)
                before, since = [_cpu_s(one) for one in measured], time.monotonic()
                time.sleep(window)
                took = time.monotonic() - since
                spent = [_cpu_s(one) - then for one, then in zip(measured, before, strict=True)]
                resident = int(Path(f"/proc/{server.pid}/statm").read_text().split()[1]) * _PAGE_MB
                if sender.poll() is not None:
                    raise SystemExit((folder / "replicas-log").read_text())
            _believed(folder, min(SHEDS, int(0.8 * window * SHEDS / EVERY_S)))
            sent, kept = int((folder / "sent").read_text()), fleet_series.kept(series)
            on_disk = sum(one.stat().st_size for one in (folder / "series" / "data").rglob("*") if one.is_file())
    # what is under way when the sender ends is a shed's minute at most
    if not 0 <= kept - sent <= 240 or sent < 0.8 * window * fleet_series.readings_a_second(SHEDS):
        raise SystemExit(f"fleet: {sent} readings were taken by the time-series server, it holds {kept}")
    used, plain, passed, stored = spent
    told = f"{SHEDS / EVERY_S:.0f} signs of life and {SHEDS / STATE_S:.0f} states a second"
    yield Row("fleet", f"one lookout, {SHEDS} sheds, {told}", used / took, "of a core", goal=CORE)
    yield Row(
        "fleet", "the same", used / took, "of a core", plain / took, "a bare client that receives and reads it"
    )
    yield Row("fleet", "one broker, the same to two clients", passed / took, "of a core")
    told = f"one time-series server, {SHEDS} sheds, {fleet_series.readings_a_second(SHEDS):.0f} readings a second"
    yield Row("fleet", told, stored / took, "of a core")
    yield Row("fleet", "the same, resident", resident, "MB")
    yield Row("fleet", f"the same, on its disk after {kept} readings", on_disk / kept, "B a reading")


def _settle(folder: Path, watcher: subprocess.Popen[bytes]) -> None:
    """Until the lookout runs and has taken in what the broker kept."""
    end = time.monotonic() + 30
    while "Stop with" not in (folder / "log").read_text():
        if watcher.poll() is not None or time.monotonic() > end:
            raise SystemExit(f"fleet: the lookout did not start: {(folder / 'log').read_text()}")
        time.sleep(0.1)
    time.sleep(3)


def _believed(folder: Path, least: int) -> None:
    """A lookout that threw the messages away would be quick."""
    kept = json.loads((folder / "data" / "lookout.json").read_text())
    heard = sum(one["newest"] is not None for one in kept.values())
    if heard < least:
        raise SystemExit(
            f"fleet: {heard} sheds were heard, {least} expected: {(folder / 'log').read_text()[-2000:]}"
        )


def speak(port: int) -> None:
    """Be all sheds: each says that it lives and how it is, in its turn."""
    from paho.mqtt.client import Client, MQTTv5
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    began, sent = time.monotonic(), 0
    while True:
        due = int((time.monotonic() - began) * SHEDS / EVERY_S)
        while sent < due:
            shed, count = sent % SHEDS, sent // SHEDS
            client.publish(*_beat(f"shed-{shed}", count + 1, time.time()), qos=1, retain=True)
            if (shed + count) % round(STATE_S / EVERY_S) == 0:
                client.publish(f"brinewatch/shed-{shed}/state", _STATE, qos=1, retain=True)
            sent += 1
        time.sleep(0.02)


def _beat(shed: str, n: int, utc: float) -> tuple[str, str]:
    beat = Beat(shed, 1, n, utc, True, EVERY_S, "1", cycle_age_s=1.0, critical_age_s=1.0, critical="air.pressure",
                mains=True, disk_free_percent=50.0)  # fmt: skip
    topic = f"brinewatch/{shed}/beat"
    return topic, sealed(topic, beat.fields(), SECRET)


def _lay_out(folder: Path, port: int, sheds: int) -> None:
    (folder / "secret").write_text(SECRET + "\n")
    (folder / "secret").chmod(0o600)
    text = _HEAD.format(port=port) + "".join(_SHED.format(n=n) for n in range(sheds))
    (folder / "lookout.toml").write_text(text)


# -- how soon it is alarmed ----------------------------------------------------------------------------------


def _detection(deaths: int) -> Row:
    """The worst of so many deaths at moments of chance among 1,000 sheds, in stepped time: the delays are exact."""
    worst = asyncio.run(_worst(deaths))
    return Row("fleet", f"from a shed's death to its alarm, the worst of {deaths}", worst, "s", goal=DETECTED_S)


async def _worst(deaths: int) -> float:
    from brinewatch.clock import SteppingClock
    from brinewatch.config.lookout import read_lookout
    from brinewatch.lookout.daemon import Lookout

    logging.getLogger("brinewatch").setLevel(logging.ERROR)  # nobody listens where the calls go
    chance = random.Random(5)  # noqa: S311 - moments of death
    with tempfile.TemporaryDirectory(prefix="brinewatch-fleet-") as name:
        folder = Path(name)
        _lay_out(folder, _free(), SHEDS)
        clock = SteppingClock(_START)
        lookout = Lookout(read_lookout(folder / "lookout.toml"), clock, lambda line: None)
        task = asyncio.create_task(lookout.run())
        await clock.drive(clock.now().mono + 11)
        lookout.signs.connection(True)
        began = clock.now().mono
        died = {f"shed-{n}": began + 60 + chance.uniform(0, 60) for n in chance.sample(range(SHEDS), deaths)}
        count = [0] * SHEDS
        for second in range(330):
            for n in range(second % round(EVERY_S), SHEDS, round(EVERY_S)):
                shed = f"shed-{n}"
                if clock.now().mono < died.get(shed, float("inf")):
                    count[n] += 1
                    topic, text = _beat(shed, count[n], clock.now().utc)
                    lookout.signs.message(topic, text.encode(), False)
            await clock.drive(began + second + 1)
        raised = {
            one.point.partition(".")[0]: one.at.mono for one in lookout.called if one.alarm.startswith("shed-off")
        }
        lookout.stop()
        driver = asyncio.create_task(clock.drive())
        await task
        driver.cancel()
        await asyncio.gather(driver, return_exceptions=True)
    if raised.keys() != died.keys():
        raise SystemExit(f"fleet: died {sorted(died)}, alarmed {sorted(raised)}")
    return max(raised[shed] - died[shed] for shed in died)


# -- processes -----------------------------------------------------------------------------------------------


def _cpu_s(process: subprocess.Popen[bytes]) -> float:
    """Seconds of processor time (proc(5): utime and stime are fields 14 and 15)."""
    fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _broker(folder: Path, port: int) -> list[str]:
    binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    user = "user root\n" if os.geteuid() == 0 else ""
    settings = f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n{user}"
    (folder / "broker.conf").write_text(settings)
    return [binary, "-c", str(folder / "broker.conf")]


@contextmanager
def _running(command: list[str], log: Path | None = None) -> Iterator[subprocess.Popen[bytes]]:
    with (log or Path(os.devnull)).open("wb") as out:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT)  # noqa: S603
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        with suppress(subprocess.TimeoutExpired):
            process.wait(10)
        if process.poll() is None:
            process.kill()
            process.wait()


def _free() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _until_open(port: int, otherwise: str) -> None:
    end = time.monotonic() + 20
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            if time.monotonic() > end:
                raise SystemExit(f"fleet: {otherwise}") from None
            time.sleep(0.05)
