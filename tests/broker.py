"""A real Mosquitto on a free port, with login, access list and TLS, for tests that speak to a broker."""

from __future__ import annotations

import contextlib
import json
import queue
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class Broker:
    """One Mosquitto: start, freeze, thaw, kill. Nothing survives a kill: persistence is off."""

    folder: Path
    port: int
    extra: tuple[str, ...] = ("allow_anonymous true",)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        # started as root it would drop to a user that may not read this folder
        config.write_text(
            "\n".join(["user root", f"listener {self.port} 127.0.0.1", "persistence false", *self.extra])
        )
        log = (self.folder / "mosquitto.log").open("ab")
        with log:
            self.process = subprocess.Popen(
                [MOSQUITTO, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT
            )
        end = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
                assert time.monotonic() < end, "the broker did not come up"
                time.sleep(0.02)

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def freeze(self) -> None:
        self.signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self.signal(signal.SIGCONT)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None


@dataclass(frozen=True)
class Heard:
    topic: str
    payload: str
    retain: bool
    properties: Any

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Listener:
    """A subscriber of its own, in its own thread, that writes down what it hears."""

    def __init__(self, port: int, topic: str = "#", login: tuple[str, str] | None = None) -> None:
        from paho.mqtt.client import Client, MQTTv5
        from paho.mqtt.enums import CallbackAPIVersion

        self._ready: queue.Queue[bool] = queue.Queue()
        self._heard: queue.Queue[Heard] = queue.Queue()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
        if login:
            self.client.username_pw_set(*login)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: self._ready.put(True)
        self.client.on_message = lambda _client, _data, message: self._heard.put(
            Heard(message.topic, message.payload.decode(), message.retain, message.properties)
        )
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self._ready.get(timeout=5)

    def next(self, wanted: Callable[[Heard], bool], within: float = 5.0) -> Heard:
        """The next message that is wanted; the others are passed over. Blocks: call it in a thread."""
        end = time.monotonic() + within
        passed = []
        while True:
            try:
                heard = self._heard.get(timeout=max(0.01, end - time.monotonic()))
            except queue.Empty:
                raise AssertionError(f"not heard within {within} s; heard instead: {passed}") from None
            if wanted(heard):
                return heard
            passed.append(heard)

    def rest(self) -> list[Heard]:
        """What else has been heard so far."""
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self._heard.get_nowait())
        return found

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        # its wake-up sockets are let go of only with the client itself
        self.client._reset_sockets()


@contextlib.contextmanager
def broker(folder: Path, *extra: str, port: int | None = None) -> Iterator[Broker]:
    one = Broker(folder, port or free_port(), extra or ("allow_anonymous true",))
    one.start()
    try:
        yield one
    finally:
        with contextlib.suppress(ProcessLookupError):
            one.signal(signal.SIGCONT) if one.process else None
        one.kill()


@contextlib.contextmanager
def listener(port: int, topic: str = "#", login: tuple[str, str] | None = None) -> Iterator[Listener]:
    one = Listener(port, topic, login)
    try:
        yield one
    finally:
        one.close()
