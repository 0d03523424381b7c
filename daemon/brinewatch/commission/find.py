"""Everything there is on this machine, found by asking: ports, devices on them, the kernel's, the broker."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from brinewatch.broker.link import Link
from brinewatch.broker.settings import BrokerSettings
from brinewatch.commission import kernel
from brinewatch.commission.findings import (
    BrokerFound,
    Found,
    ModbusFound,
    ModemFound,
    PortName,
    Sdi12Found,
    TalkerFound,
)
from brinewatch.commission.scans import (
    LISTEN_S,
    SDI12_ADDRESSES,
    SPEEDS,
    USUAL_ADDRESSES,
    USUAL_SPEEDS,
    Parity,
    Show,
    ask_modbus,
    ask_modem,
    ask_sdi12,
    listen,
)
from brinewatch.commission.serial_ports import serial_ports
from brinewatch.errors import BrinewatchError, NotifyError, PortLost
from brinewatch.moment import utc_text
from brinewatch.ports import Clock

_BROKER_S = 3.0
Device = ModbusFound | Sdi12Found | ModemFound | TalkerFound


@dataclass(frozen=True, slots=True)
class Where:
    """What to search. only: these ports, all when empty; addresses, speeds: of Modbus; broker: host and port."""

    dev: Path = Path("/dev")
    sys: Path = Path("/sys")
    only: tuple[str, ...] = ()
    addresses: Sequence[int] = USUAL_ADDRESSES
    speeds: Sequence[tuple[int, Parity]] = SPEEDS[:USUAL_SPEEDS]
    broker: tuple[str, int] = ("127.0.0.1", 1883)
    sdi12: str = SDI12_ADDRESSES
    listen_s: float = LISTEN_S


async def find(where: Where, clock: Clock, show: Show) -> Found:
    """Search. BrinewatchError for a port that is named and cannot be asked; others are told of in the notes."""
    ports = serial_ports(where.dev)
    asked = _chosen(ports, where)
    notes: list[str] = []
    # each port is a wire of its own: they are asked at the same time
    answers = await asyncio.gather(*(_seen(port, where, clock, show, notes) for port in asked))
    seen = [one for answer in answers for one in answer]
    show("thermometers and converters")
    with clock.hold():
        w1, iio = (where.sys / "bus" / one / "devices" for one in ("w1", "iio"))
        warm = await asyncio.to_thread(kernel.thermometers, w1)
        converters = await asyncio.to_thread(kernel.devices, iio)
        boards = await asyncio.to_thread(kernel.boards, where.sys / "class" / "hwmon")
    chips = tuple(str(file) for file in sorted(where.dev.glob("gpiochip[0-9]*")))
    show("broker")
    told = await ask_broker(*where.broker, clock)
    return Found(
        utc_text(clock.now().utc), tuple(ports),
        tuple(one for one in seen if isinstance(one, ModbusFound)),
        tuple(one for one in seen if isinstance(one, Sdi12Found)),
        tuple(one for one in seen if isinstance(one, ModemFound)),
        tuple(one for one in seen if isinstance(one, TalkerFound)),
        tuple(warm), tuple(converters), chips, tuple(boards), told, str(w1), str(iio), tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _chosen(ports: Sequence[PortName], where: Where) -> Sequence[PortName]:
    if not where.only:
        return ports
    chosen = []
    for name in where.only:
        real = str(Path(name).resolve())
        known = [one for one in ports if name in (one.name, *one.also) or str(Path(one.name).resolve()) == real]
        one = known[0] if known else PortName(name, True)
        if one.holder:
            raise BrinewatchError(
                f"{name} is in use by {one.holder}.",
                "Stop that first (the watch: sudo systemctl stop brinewatch), and start it again afterwards.",
            )
        chosen.append(one)
    return chosen


async def _seen(port: PortName, where: Where, clock: Clock, show: Show, notes: list[str]) -> Sequence[Device]:
    """What is on one port; why it was not asked goes to the notes."""
    if port.holder:
        notes.append(f"{port.name} was not asked: {port.holder} has it open.")
        return []
    try:
        seen = await _ask_port(port.name, where, clock, show, notes)
    except PortLost as error:
        if where.only:
            raise
        notes.append(f"{port.name} was not asked: {error.what}")
        return []
    if not seen:
        notes.append(
            f"Nothing answered on {port.name}. Supply on? A and B swapped? Another address or speed (--everything)?"
        )
    return seen


async def _ask_port(port: str, where: Where, clock: Clock, show: Show, notes: list[str]) -> Sequence[Device]:
    show(f"{Path(port).name}: does anything talk by itself?")
    talker = await listen(port, clock, where.listen_s)
    if talker is not None:
        return [talker]
    show(f"{Path(port).name}: a modem?")
    modem = await ask_modem(port, clock)
    if modem is not None:
        return [modem]
    devices, told = await ask_modbus(port, clock, where.addresses, where.speeds, show)
    if devices:
        notes += told
        return devices
    probes = await ask_sdi12(port, clock, where.sdi12, show)
    if not probes:
        notes += told
    return probes


async def ask_broker(host: str, port: int, clock: Clock) -> BrokerFound:
    """Whether an MQTT 5 broker takes a connection there, without a password."""
    settings = BrokerSettings(host=host, port=port, answer_s=_BROKER_S)
    try:
        link = await Link.open(settings, "", None, None, clock)
    except NotifyError as error:
        return BrokerFound(host, port, False, str(error))
    await link.close()
    return BrokerFound(
        host, port, True, "it takes a connection without a name or password: give it both before it is used"
    )
