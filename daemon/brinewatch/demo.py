"""The simulated shed with the real daemon on it: for a newcomer's first ten minutes, and for the smoke.

Two processes, as in life: one serves the shed's wires (ports, sysfs files, the modem) and the broker, the other is
the daemon, which cannot tell them from real ones.
"""

from __future__ import annotations

import asyncio
import math
import os
import re
import shutil
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

from brinewatch.clock import SystemClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.control import ControlServer, ask
from brinewatch.errors import BrinewatchError
from brinewatch.service import Daemon

Say = Callable[[str], None]

_SOCKET = "simulated.sock"
_UP_S = 30.0
_PORTS = ("page", "broker")
_PAGE_PORT = 8480
# how long ago the demo's animals came, and how they have grown since
_BATCH_DAYS = 70
_GROWTH = 0.0073  # of the weight, a day
_SCATTER = (-1.6, -0.9, 0.3, 1.1, -0.4, 0.8, 1.9, -1.2)  # g, of the animals weighed


class Simulated:
    """The serving side: the shed, its modem and its broker, with a socket to break and mend them."""

    def __init__(self, folder: Path, broker_port: int, say: Say) -> None:
        from brinewatch.simulator.modem import ModemEmulator
        from brinewatch.simulator.world import SimulatedShed

        self.clock = SystemClock()
        self.folder = folder
        self.shed = SimulatedShed(self.clock, folder)
        self.modem = ModemEmulator(self.clock, link=folder / "ports" / "modem")
        self._port = broker_port
        self._say = say
        self._broker: asyncio.subprocess.Process | None = None
        self._stop = asyncio.Event()

    async def run(self) -> None:
        loop = asyncio.get_running_loop()
        for one in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(one, self._stop.set)
        await self.shed.start()
        await self.modem.start()
        self.shed.faults.register("modem-silent", self._modem_silent, about="the modem hears and says nothing")
        self.shed.faults.register("broker-gone", self._broker_gone, about="the broker is not there")
        if self._port:
            await self._start_broker()
        control = asyncio.create_task(ControlServer(self.folder / _SOCKET, self._answer, self.clock).run())
        try:
            await self._stop.wait()
        finally:
            control.cancel()
            await asyncio.gather(control, return_exceptions=True)
            await self._stop_broker()
            await self.modem.stop()
            await self.shed.stop()

    async def _start_broker(self) -> None:
        binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        settings = self.folder / "broker.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        settings.write_text(f"listener {self._port} 127.0.0.1\nallow_anonymous true\npersistence false\n{user}")
        try:
            self._broker = await asyncio.create_subprocess_exec(
                binary, "-c", str(settings), stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL
            )
        except OSError as error:
            raise BrinewatchError(
                f"Cannot start the broker {binary}: {error.strerror}.", "Install it: sudo apt-get install mosquitto"
            ) from error

    async def _stop_broker(self) -> None:
        broker, self._broker = self._broker, None
        if broker is not None:
            with suppress(ProcessLookupError):
                broker.terminate()
            await broker.wait()

    def _modem_silent(self, on: bool) -> None:
        self.modem.faults.silent = on

    async def _broker_gone(self, on: bool) -> None:
        await (self._stop_broker() if on else self._start_broker())

    async def _answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        match request["do"]:
            case "fault":
                return {"lines": await self._fault(request)}
            case "text":
                sender = request.get("sender") or self._first_contact()
                self.modem.receive(sender, str(request["text"]))
                return {"lines": [f"{sender} sent: {request['text']}"]}
            case "sent":
                return {
                    "sent": [
                        {"to": one.to, "text": one.text, "prompt_mono": one.prompt_at.mono}
                        for one in self.modem.sent[int(request["since"]) :]
                    ]
                }
            case "falls-to":
                return {"mono": self.shed.model.air_falls_to(self.clock.now(), float(request["kPa"]))}
        raise BrinewatchError(f"The simulated shed does not know how to do {request['do']!r}.")

    async def _fault(self, request: Mapping[str, Any]) -> list[str]:
        faults, name = self.shed.faults, request.get("name")
        if not name:
            known = [f"  {one:28} {faults.about(one.split()[0])}".rstrip() for one in faults.describe()]
            return ["What can break (add --mend to mend it again):", *known,
                    f"Broken now: {', '.join(faults.active) or 'nothing'}."]  # fmt: skip
        words = [str(word) for word in request.get("rest", [])]
        await (faults.off if request.get("mend") else faults.on)(str(name), *words)
        line = f"{' '.join([str(name), *words])}: {'mended' if request.get('mend') else 'broken'}."
        self._say(f"{self.clock.now().local:%H:%M:%S} (simulated shed) {line}")
        return [line]

    def _first_contact(self) -> str:
        return read_shed(self.folder / "shed.toml").contacts[0].phone


async def serve_simulated(folder: Path, broker_port: int, say: Say) -> int:
    """Serve the simulated shed until told to stop."""
    await Simulated(folder, broker_port, say).run()
    return 0


def _free(port: int) -> int:
    """The port itself when nobody has it, else any free one."""
    for wanted in (port, 0):
        with socket.socket() as trial, suppress(OSError):
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(("127.0.0.1", wanted))
            return int(trial.getsockname()[1])
    raise BrinewatchError("No free port on this machine.", "Stop something that listens.")


def lay_out(shed_file: Path, folder: Path) -> ShedFile:
    """A fresh copy of the demo's shed file in its folder, with ports nobody else has."""
    if not shed_file.is_file():
        raise BrinewatchError(
            f"There is no file {shed_file}.", "Give the demo's shed file: deploy/examples/demo.toml"
        )
    folder.mkdir(parents=True, exist_ok=True)
    text = shed_file.read_text(encoding="utf-8")
    for part in _PORTS:
        found = re.search(rf"^\[{part}\][^\[]*?^port = (\d+)", text, re.MULTILINE)
        if found:
            text = f"{text[: found.start(1)]}{_free(int(found[1]))}{text[found.end(1) :]}"
    came = SystemClock().now().local.date() - timedelta(days=_BATCH_DAYS)
    text = re.sub(r"^started = \d{4}-\d\d-\d\d$", f"started = {came}", text, flags=re.MULTILINE)
    copy = folder / "shed.toml"
    copy.write_text(text, encoding="utf-8")
    return read_shed(copy)


@asynccontextmanager
async def simulated(shed: ShedFile, folder: Path) -> AsyncIterator[Callable[[Mapping[str, Any]], Any]]:
    """The serving process; yields a function that asks it."""
    path = folder / _SOCKET
    path.unlink(missing_ok=True)
    port = shed.broker.port_in_use if shed.broker else 0
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "brinewatch", "simulate", "--folder", str(folder), "--broker-port", str(port),
        start_new_session=True,
    )  # fmt: skip
    clock = SystemClock()

    async def request(what: Mapping[str, Any]) -> Any:
        return await asyncio.to_thread(ask, path, what)

    try:
        async with clock.deadline(_UP_S):
            while not path.exists():
                if process.returncode is not None:
                    raise BrinewatchError("The simulated shed did not start.", "Its own lines above say why.")
                await clock.sleep(0.05)
        yield request
    except TimeoutError as error:
        raise BrinewatchError(f"The simulated shed was not up within {_UP_S:g} s.") from error
    finally:
        with suppress(ProcessLookupError):
            process.terminate()
        await process.wait()


def past_round(day: int) -> dict[str, str]:
    """What was entered so many days after the animals came; on the last day all that is asked."""
    last = day == _BATCH_DAYS
    weight = 12.0 * math.exp(_GROWTH * day)
    fields = {
        "raceway.inspection": "done", "raceway.deaths": "1" if day % 9 == 4 else "0",
        "raceway.feed_given": f"{3100 * weight * 0.006:.0f}", "raceway.feed_left": f"{12 + day % 5 * 4}",
    }  # fmt: skip
    if day % 7 == 3 or last:
        fields |= {
            "raceway.tan": f"{0.18 + day % 4 * 0.02:.2f}", "raceway.nitrite": f"{0.05 + day % 3 * 0.01:.2f}",
            "raceway.alkalinity": f"{2.3 - day % 5 * 0.03:.2f}", "raceway.refractometer_salinity": "33",
        }  # fmt: skip
    if (day % 14 == 0 and day) or last:
        fields["raceway.mean_weight"] = " ".join(f"{weight * (1 + one / 20):.1f}" for one in _SCATTER)
    if day % 28 == 20 or last:
        fields["bed.cleaning"] = "done"
    return fields


async def _enter_past(shed: ShedFile) -> None:
    """The rounds of the weeks before, once; the last one is of now."""
    path, clock = shed.data / "control.sock", SystemClock(shed.zone)
    with suppress(BrinewatchError, OSError):
        while not path.exists():
            await clock.sleep(0.2)
        if (await asyncio.to_thread(ask, path, {"do": "round list", "limit": 1}))["rows"]:
            return
        today = clock.now().local
        for day in range(1, _BATCH_DAYS + 1):
            at = "" if day == _BATCH_DAYS else f"{today - timedelta(days=_BATCH_DAYS - day):%Y-%m-%d}T08:10"
            form = {"fields": past_round(day), "at": at, "form": f"demo-past-{day}", "anyway": True, "by": "Wren"}
            await asyncio.to_thread(ask, path, {"do": "round save", **form})


async def demo(shed_file: Path, folder: Path, say: Say) -> int:
    """The daemon on the simulated shed until Ctrl-C, with a key that stops the blower."""
    shed = lay_out(shed_file, folder)
    async with simulated(shed, folder) as request:
        daemon = Daemon(shed, SystemClock(shed.zone), say)
        loop = asyncio.get_running_loop()
        for one in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(one, daemon.stop)
        say(f"Watching {shed.shed.name}, a simulated shed with 3 s delays (a real shed has longer ones).")
        moved = "" if shed.page.port == _PAGE_PORT else f"  (port {_PAGE_PORT} is taken on this machine)"
        say(f"  The page:      {shed.page.url}{moved}")
        say(f"  The data:      {shed.data}")
        say("  Stop the air:  press b and Enter here, or: .venv/bin/brinewatch fault blower-stop")
        say("  Answer a call: press o and Enter here, or: .venv/bin/brinewatch text OK 1")
        say(f"  How it stands: .venv/bin/brinewatch state --shed {folder}/shed.toml")
        say("  Stop:          Ctrl-C")
        if sys.stdin is not None and sys.stdin.isatty():
            keys = _Keys(request, say)
            loop.add_reader(sys.stdin.fileno(), keys.pressed)
        past = asyncio.create_task(_enter_past(shed), name="rounds of the past")
        try:
            await daemon.run()
        finally:
            past.cancel()
            await asyncio.gather(past, return_exceptions=True)
        if sys.stdin is not None and sys.stdin.isatty():
            loop.remove_reader(sys.stdin.fileno())
    say("Stopped.")
    return 0


class _Keys:
    """b stops and starts the blower, o answers every call."""

    def __init__(self, request: Callable[[Mapping[str, Any]], Any], say: Say) -> None:
        self._request = request
        self._say = say
        self._stopped = False
        self._tasks: set[asyncio.Task[None]] = set()

    def pressed(self) -> None:
        key = sys.stdin.readline().strip().lower()
        what: Mapping[str, Any] | None = None
        if key == "b":
            what = {"do": "fault", "name": "blower-stop", "rest": [], "mend": self._stopped}
            self._stopped = not self._stopped
        elif key == "o":
            what = {"do": "text", "text": "OK ALL"}
        elif key:
            self._say("b stops or starts the blower, o answers every call, Ctrl-C ends.")
        if what is not None:
            task = asyncio.ensure_future(self._send(what))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _send(self, what: Mapping[str, Any]) -> None:
        try:
            await self._request(what)
        except BrinewatchError as error:
            self._say(str(error))
