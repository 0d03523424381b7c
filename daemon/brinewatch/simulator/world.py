"""The simulated shed whole: model, devices at the wire, faults. What a shed file for it needs stands here.

Gannet Quay, a sea-cucumber nursery. The water's order, and back to the raceway:

    raceway -> sieve -> cone -> bed -(airlift)-> foam -> header
    1000 L     30 L     180 L   360 L            80 L    140 L      about 50 L/min, blower about 12 kPa

    raceway  nursery raceway, 62 kg of sea cucumbers on 2.6 m2; foot of the standpipe is its sill
    sieve    standpipe sieve       cone    settling cone          bed     moving bed; its level floats, the sump
    foam     foam column           header  header tank, fed by the airlift

Diffusers stand 0.45 m deep in the raceway, 1.0 m in the bed (the deepest), 0.95 m in the foam column; the airlift's
air enters at 0.85 m.

Under the folder given:

ports/rs485   Modbus RTU, 9600 8N1 (a pseudo-terminal has no parity). Addresses of registers count from 0.
    name          addr  function   register  kind     order  meaning
    oxygen        3     4 input    0         float32  ABCD   raceway dissolved oxygen, mg/L
                                   2         float32  ABCD   raceway temperature, degC
    ph            4     3 holding  0         int16           raceway pH (NBS) times 100
                                   1         int16           cone temperature times 10, degC
    salinity      5     4 input    0         float32  CDAB   header practical salinity
                                   2         float32  CDAB   header conductivity at its temperature, mS/cm
                                   4         float32  CDAB   header temperature, degC
    motor         6     3 holding  10        uint16          blower motor current times 100, A
ports/line    free-running flow meter, 9600 8N1, every second:  F=50.3;T=12.01\\r\\n
    flow          F header outlet to raceway, L/min; T its temperature, degC
w1/           kernel 1-Wire tree
    raceway-thermometer  28-00000a1b2c01    raceway
    bed-thermometer      28-00000a1b2c02    bed
iio/          kernel IIO tree
    air-pressure  iio:device0, name ads1115: voltage0, 4 to 20 mA over 165 ohm, 0 to 25 kPa (raw, scale in mV)
    barometer     iio:device1, name bmp280: in_pressure_input, kPa
gpio/         <line>/value 0 or 1 and <line>/edges, a running total
    mains         line 17   1 with mains on, 0 off
    header-level  line 22   1 in order: the float is up while water runs over the header's sill
    sump-level    line 27   1 in order: more than 60 cm of water in the bed, 12 cm under its working level
    standby-air   line 5    1 while the stand-by blower runs
    attended      line 6    1 while the switch for work in the shed is on
    pulses        line 23   header outlet to raceway, 5 pulses a litre

Stages watched: raceway, cone, bed, header. All probes stand on a supply of their own and go on without mains.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.seawater.salinity import conductivity_from_salinity
from brinewatch.simulator.devices_line import FreeRunningProbe
from brinewatch.simulator.devices_modbus import ModbusDevice, ModbusLine, Register
from brinewatch.simulator.faults import Faults, ScriptedFault
from brinewatch.simulator.mishaps import Probe, register_mishaps
from brinewatch.simulator.plan import GANNET_QUAY, Plan
from brinewatch.simulator.sensors import Sensor
from brinewatch.simulator.shed import ShedModel
from brinewatch.simulator.sysfs import Barometer, LevelInput, LoopConverter, PulseInput, SysfsTree, Thermometer

log = logging.getLogger(__name__)

LINES = {"mains": 17, "header-level": 22, "sump-level": 27, "standby-air": 5, "attended": 6, "pulses": 23}
PULSES_PER_LITRE = 5.0
AIR_RANGE_KPA = (0.0, 25.0)

_FILES_AFTER_CHANGE_S = 0.05
_HEADER_FLOAT_CM = 1.5  # over the sill
_SUMP_FLOAT_CM = -12.0  # against the working level


class SimulatedShed:
    """start() makes everything appear under `folder`; stop() takes it away again.

    script: faults that come by themselves, counted from start(); every_s: how often files are renewed and the
    free-running probe speaks (a second is life; more makes long runs shorter).
    """

    def __init__(
        self, clock: Clock, folder: Path, seed: int = 1, plan: Plan = GANNET_QUAY,
        script: Sequence[ScriptedFault] = (), every_s: float = 1.0,
    ) -> None:  # fmt: skip
        self.clock = clock
        self.folder = folder
        self.modem: object | None = None  # connected by whoever assembles
        self.model = ShedModel(plan, clock.now(), seed)
        self.faults = Faults(self._changed)
        self.probes: dict[str, Probe] = {}
        self._seed = seed
        self._every_s = every_s
        self._script = tuple(script)
        self._tasks: set[asyncio.Task[None]] = set()
        self._started = False
        self._following = False
        ports = folder / "ports"
        self.rs485 = ModbusLine(ports / "rs485", clock, self._modbus())
        self.line = FreeRunningProbe(ports / "line", clock, self._line_text(), every_s=every_s)
        self._trees = [
            SysfsTree(folder / "w1", self._thermometers()),
            SysfsTree(folder / "iio", self._converters()),
            SysfsTree(folder / "gpio", self._inputs()),
        ]
        self._add("flow", self._line_sensors, wire=lambda fault: setattr(self.line, "fault", fault),
                  wire_faults=("silent", "garbled", "short"))  # fmt: skip
        ends = {"rs485": self.rs485.port, "line": self.line.port}
        register_mishaps(self.faults, self.model, self.probes, ends, clock.now)

    async def start(self) -> None:
        (self.folder / "ports").mkdir(parents=True, exist_ok=True)
        for tree in self._trees:
            tree.make()
        self.write_files()
        self.rs485.start()
        self.line.start()
        self._started = True
        self._spawn(self._keep_files())
        if self._script:
            self._spawn(self.faults.play(self._script, self.clock))

    async def stop(self) -> None:
        self._started = False
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self.line.stop()
        await self.rs485.stop()
        for tree in self._trees:
            tree.remove()

    def write_files(self) -> None:
        """Bring the sysfs trees up to date at once."""
        now = self.clock.now()
        for tree in self._trees:
            tree.write(now)

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            log.error("The simulated shed broke down in %s.", task.get_name(), exc_info=task.exception())

    async def _keep_files(self) -> None:
        due = self.clock.now().mono
        while True:
            due += self._every_s
            await self.clock.sleep_until(due)
            self.write_files()

    def _changed(self) -> None:
        """A fault came or went: the files follow at once, and closely until the air has come to rest."""
        if not self._started:
            return
        self.write_files()
        if not self._following:
            self._following = True
            self._spawn(self._follow())

    async def _follow(self) -> None:
        try:
            while not self.model.air_settled(self.clock.now()):
                await self.clock.sleep(_FILES_AFTER_CHANGE_S)
                self.write_files()
        finally:
            self._following = False

    # the wiring

    def _sensor(self, name: str, truth: Callable[[Moment], float], noise: float, resolution: float = 0.0,
                offset: float = 0.0) -> Sensor:  # fmt: skip
        return Sensor(name, truth, self._seed, noise, resolution, offset)

    def _add(self, name: str, sensors: Sequence[Sensor], wire: Callable[[str | None], None] | None = None,
             wire_faults: Sequence[str] = (), unplug: Callable[[bool], None] | None = None) -> None:  # fmt: skip
        self.probes[name] = Probe(name, tuple(sensors), wire, tuple(wire_faults), unplug)

    def _temperature(self, name: str, stage: str, noise: float = 0.01, resolution: float = 0.01,
                     offset: float = 0.0) -> Sensor:  # fmt: skip
        return self._sensor(name, lambda now: self.model.temperature_C(now, stage), noise, resolution, offset)

    def _modbus(self) -> list[ModbusDevice]:
        model = self.model

        def conductivity(now: Moment) -> float:
            return conductivity_from_salinity(model.salinity(now, "header"), model.temperature_C(now, "header"))

        oxygen = self._sensor("oxygen", lambda now: model.oxygen_mg_L(now, "raceway"), 0.015, 0.001, 0.02)
        oxygen_t = self._temperature("oxygen temperature", "raceway", offset=0.05)
        ph = self._sensor("ph", lambda now: model.ph_nbs(now, "raceway"), 0.004)
        ph_t = self._temperature("ph temperature", "cone", offset=-0.1)
        salinity = self._sensor("salinity", lambda now: model.salinity(now, "header"), 0.01, 0.001)
        salinity_c = self._sensor("conductivity", conductivity, 0.01, 0.001)
        salinity_t = self._temperature("salinity temperature", "header")
        motor = self._sensor("motor", model.motor_current_A, 0.01)
        devices = [
            (ModbusDevice("oxygen", 3, (Register(0, oxygen.read), Register(2, oxygen_t.read)), 4),
             (oxygen, oxygen_t)),
            (ModbusDevice("ph", 4, (Register(0, ph.read, "int16", scale=100.0),
                                    Register(1, ph_t.read, "int16", scale=10.0))), (ph, ph_t)),
            (ModbusDevice("salinity", 5, (Register(0, salinity.read, order="CDAB"),
                                          Register(2, salinity_c.read, order="CDAB"),
                                          Register(4, salinity_t.read, order="CDAB")), 4),
             (salinity, salinity_c, salinity_t)),
            (ModbusDevice("motor", 6, (Register(10, motor.read, "uint16", scale=100.0),)), (motor,)),
        ]  # fmt: skip
        for device, sensors in devices:
            self._add(
                device.name, sensors, _setter(device, "fault"),
                ("silent", "garbled", "late", "foreign-address", "short", "device-failure"),
                _setter(device, "gone"),
            )  # fmt: skip
        return [device for device, _ in devices]

    def _line_text(self) -> Callable[[Moment], str | None]:
        flow = self._sensor("flow", lambda now: self.model.flow_L_min(now, "header"), 0.3)
        warm = self._temperature("flow temperature", "header")
        self._line_sensors = (flow, warm)

        def text(now: Moment) -> str | None:
            litres, degrees = flow.read(now), warm.read(now)
            if litres is None or degrees is None:
                return None
            return f"F={max(0.0, litres):.1f};T={degrees:.2f}"

        return text

    def _thermometers(self) -> list[Thermometer]:
        found = []
        for stage, identity, offset in (("raceway", "00000a1b2c01", 0.06), ("bed", "00000a1b2c02", -0.09)):
            name = f"{stage}-thermometer"
            one = Thermometer(identity, self._temperature(name, stage, 0.02, 0.0, offset))
            self._add(name, (one.sensor,), _setter(one, "fault"), ("empty", "power-on", "zeros", "bad-crc"))
            found.append(one)
        return found

    def _converters(self) -> list[LoopConverter | Barometer]:
        pressure = self._sensor("air-pressure", self.model.air_pressure_kPa, 0.03, offset=0.01)
        station = self._sensor("barometer", self.model.station_hPa, 0.03, 0.01, 0.3)
        self._add("air-pressure", (pressure,))
        self._add("barometer", (station,))
        loop = LoopConverter("iio:device0", "ads1115", {0: (pressure, *AIR_RANGE_KPA)})
        return [loop, Barometer("iio:device1", "bmp280", station)]

    def _inputs(self) -> list[LevelInput | PulseInput]:
        model = self.model
        truths: dict[str, Callable[[Moment], bool]] = {
            "mains": lambda now: model.inputs.mains,
            "header-level": lambda now: model.level_cm(now, "header") > _HEADER_FLOAT_CM,
            "sump-level": lambda now: model.level_cm(now, "bed") > _SUMP_FLOAT_CM,
            "standby-air": lambda now: model.inputs.standby_runs,
            "attended": lambda now: model.inputs.attended,
        }
        inputs: list[LevelInput | PulseInput] = []
        for name, truth in truths.items():
            sensor = Sensor(name, _number(truth), self._seed, digital=True)
            self._add(name, (sensor,))
            inputs.append(LevelInput(LINES[name], sensor))
        litres = Sensor("pulses", model.litres_returned, self._seed)
        self._add("pulses", (litres,))
        return [*inputs, PulseInput(LINES["pulses"], litres, PULSES_PER_LITRE)]


def _number(truth: Callable[[Moment], bool]) -> Callable[[Moment], float]:
    return lambda now: 1.0 if truth(now) else 0.0


def _setter(one: object, name: str) -> Callable[[object], None]:
    return lambda value: setattr(one, name, value)
