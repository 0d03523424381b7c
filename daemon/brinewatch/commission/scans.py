"""Questions put to a free serial port: a modem, a Modbus device, an SDI-12 probe? Only reading ones are put."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import Any, Literal

from brinewatch.commission.findings import Guess, ModbusFound, ModemFound, Sdi12Found, TalkerFound
from brinewatch.commission.plausible import guesses
from brinewatch.errors import BadAnswer, BrinewatchError, NoAnswer, PortLost, ProbeFault
from brinewatch.notify.at import AtEngine, ModemRefused, ModemSilent
from brinewatch.notify.modem import Modem, PinGuard, SmsModemSettings
from brinewatch.phrases import one_line
from brinewatch.ports import Clock
from brinewatch.probes.modbus_rtu import ModbusBus, ModbusSettings
from brinewatch.probes.registers import Span, Table
from brinewatch.probes.sdi12_line import Sdi12Line, Sdi12Wire
from brinewatch.wire import LineSettings, SerialStream

Show = Callable[[str], None]
Parity = Literal["none", "even", "odd"]

# the standard's own first, then what makers ship (common practice, no source)
SPEEDS: tuple[tuple[int, Parity], ...] = (
    (19200, "even"), (9600, "none"), (9600, "even"), (19200, "none"), (115200, "none"), (4800, "none"),
    (38400, "none"), (57600, "none"),
)  # fmt: skip
USUAL_SPEEDS = 5
USUAL_ADDRESSES = range(1, 33)
ALL_ADDRESSES = range(1, 248)
REGISTERS = 32
_MODBUS_S = 0.2
_GAP_S = 0.005  # and never less than the standard asks at a speed
_TABLES: tuple[Table, ...] = ("input", "holding")
# the standard's line, then adapters that make the break and the parity themselves
SDI12_WIRES: tuple[dict[str, Any], ...] = (
    {},
    {"baud": 9600, "data_bits": 8, "parity": "none", "break_ms": 0.0},
    {"data_bits": 8, "parity": "none"},
)
SDI12_ADDRESSES = "0123456789"
_SDI12_S = 0.4
_AT_S = 2.0
LISTEN_S = 2.5
_ENOUGH = 2000
_TALK_SPEEDS = (9600, 4800, 19200, 115200, 38400, 57600)
_WEAK_DBM = -95  # texts still go at -107; a margin for rain and people in the way (common practice, no source)
_SIM = {
    "READY": "SIM ready, no PIN asked",
    "SIM PIN": "the SIM asks for its PIN: take the lock off in a phone, or put the PIN into the shed file",
    "SIM PUK": "the SIM is blocked and asks for its PUK: unblock it in a phone",
}


# -- what talks by itself ------------------------------------------------------------------------------------------


async def listen(port: str, clock: Clock, seconds: float = LISTEN_S) -> TalkerFound | None:
    """What a probe says there that nobody asked, None for silence. Raises PortLost."""
    for baud in _TALK_SPEEDS:
        heard = await _heard(port, baud, clock, seconds)
        if not heard:
            return None
        lines = [one.strip() for one in heard.replace(b"\r", b"\n").split(b"\n")]
        # the first may have begun before we listened, the last not be over
        whole = [one for one in lines[1:-1] or lines if len(one) > 1]
        if whole and all(32 <= byte < 127 for byte in whole[-1]):
            return TalkerFound(port, baud, whole[-1].decode("ascii")[:80])
    return TalkerFound(port, _TALK_SPEEDS[0], "")


async def _heard(port: str, baud: int, clock: Clock, seconds: float) -> bytes:
    stream = SerialStream(LineSettings(port, baud))
    stream.open()
    heard = b""
    try:
        async with clock.deadline(seconds):
            while len(heard) < _ENOUGH:
                heard += await stream.read()
    except TimeoutError:
        pass  # that is how listening ends
    finally:
        stream.close()
    return heard


# -- modem -------------------------------------------------------------------------------------------------------


async def ask_modem(port: str, clock: Clock) -> ModemFound | None:
    """The modem at a port, None when nothing there speaks AT. Never gives a PIN. Raises PortLost."""
    settings = SmsModemSettings(port=port, answer_s=_AT_S)
    stream = SerialStream(LineSettings(port, settings.baud))
    stream.open()
    engine = AtEngine(stream, clock, lambda line, pdu: None, resync_s=_AT_S)
    modem = Modem(engine, settings, clock, asyncio.Lock(), PinGuard())
    pump = asyncio.ensure_future(engine.pump())
    try:
        try:
            await modem.ask("ATE0")
        except BrinewatchError:
            return None
        return await _stands(modem, port)
    finally:
        pump.cancel()
        await asyncio.gather(pump, return_exceptions=True)
        stream.close()


async def _stands(modem: Modem, port: str) -> ModemFound:
    sim, well = "the SIM does not answer: is there one, and does it sit right?", False
    registered, network, signal = False, "the network is not known", "the signal is not known"
    with suppress(ModemRefused, ModemSilent):
        told = await modem.ask("AT+CPIN?", answer="+CPIN:", must=True)
        state = told[0].removeprefix("+CPIN:").strip()
        sim, well = _SIM.get(state, f"the SIM asks for {state}"), state == "READY"
    with suppress(ModemSilent):
        registered, network = await modem.network()
    with suppress(ModemSilent):
        dbm = await modem.signal_dbm()
        weak = " (weak: move the antenna)" if dbm is not None and dbm < _WEAK_DBM else ""
        signal = "no signal: look at the antenna and its plug" if dbm is None else f"signal {dbm} dBm{weak}"
    return ModemFound(port, sim, network, signal, well and registered)


# -- Modbus ------------------------------------------------------------------------------------------------------


async def ask_modbus(
    port: str, clock: Clock, addresses: Sequence[int], speeds: Sequence[tuple[int, Parity]], show: Show
) -> tuple[list[ModbusFound], list[str]]:
    """Who answers at a port, with guesses at their registers; and notes. The first speed at which anybody answers
    is that of the line. Raises PortLost when the port goes away."""
    notes: list[str] = []
    for baud, parity in speeds:
        bus = _bus(port, clock, baud, parity)
        try:
            await bus.open()
        except PortLost as error:
            if "refuses" not in error.what:
                raise
            notes.append(f"{port} cannot be set to {baud} baud with parity {parity}.")
            continue
        try:
            found, doubts = await _everybody(bus, addresses, partial(_show_address, show, baud, parity))
            made = [ModbusFound(port, baud, parity, one, tuple(await _registers(bus, one))) for one in found]
        finally:
            await bus.close()
        if doubts:
            notes.append(
                f"{port} at {baud} baud, parity {parity}: bad answers around address {doubts[0]}. Another speed or "
                "parity, two devices of one address, or a noisy line."
            )
        if made:
            return made, notes
    return [], notes


def _show_address(show: Show, baud: int, parity: str, address: int) -> None:
    show(f"{baud} baud, parity {parity}: address {address}")


def _bus(port: str, clock: Clock, baud: int, parity: Parity) -> ModbusBus:
    # the settings of a bus want a device on it; it is never asked by that name here
    device = {"name": "nobody", "address": 1, "channel": [{"point": "nobody.temperature", "register": 0}]}
    settings = ModbusSettings.model_validate(
        {"kind": "modbus_rtu", "port": port, "baud": baud, "parity": parity, "timeout_s": _MODBUS_S,
         "late_answer_s": _MODBUS_S, "turn_gap_s": _GAP_S, "probe": [device]}
    )  # fmt: skip
    return ModbusBus("found", settings, clock, port)


async def _everybody(
    bus: ModbusBus, addresses: Sequence[int], show: Callable[[int], None]
) -> tuple[list[int], list[int]]:
    """Addresses that answer, and those at which something came that was no answer."""
    found: list[int] = []
    doubts: list[int] = []
    for address in addresses:
        show(address)
        try:
            await bus.ask(address, Span("holding", 0, 1))
            found.append(address)
        except ProbeFault:
            found.append(address)  # a refusal is an answer too
        except NoAnswer:
            continue
        except BadAnswer as error:
            doubts.append(address)
            if "never falls quiet" in error.what:
                break
    return found, doubts


async def _registers(bus: ModbusBus, address: int) -> list[Guess]:
    made: list[Guess] = []
    for table in _TABLES:
        words: dict[int, int] = {}
        for first in range(REGISTERS):
            for count in (1, 2):
                try:
                    got = await bus.ask(address, Span(table, first, count))
                except ProbeFault as error:
                    if "illegal function" in error.what:
                        break
                    continue
                except (NoAnswer, BadAnswer):
                    break
                words.update(enumerate(got, first))
                break
            else:
                continue
            if first == 0 and not words:
                break  # no such table, or silence: no need to ask on
        made += guesses(table, words)
    return made


# -- SDI-12 ------------------------------------------------------------------------------------------------------


async def ask_sdi12(port: str, clock: Clock, addresses: str, show: Show) -> list[Sdi12Found]:
    """Probes on an SDI-12 line, by the first setting of the line at which any answers. Raises PortLost."""
    for wire in SDI12_WIRES:
        settings = Sdi12Wire(port=port, timeout_s=_SDI12_S, late_answer_s=_SDI12_S, tries=1, **wire)
        line = Sdi12Line(settings, clock, port)
        try:
            line.open()
        except PortLost:
            if wire is SDI12_WIRES[-1]:
                raise
            continue  # a pseudo-terminal, or an adapter, that knows no parity
        found = []
        try:
            for address in addresses:
                show(f"SDI-12, {settings.baud} baud: address {address}")
                try:
                    await line.ask(address, "")
                    found.append(Sdi12Found(port, address, await _identity(line, address), wire))
                except (NoAnswer, BadAnswer):
                    continue
        finally:
            line.close()
        if found:
            return found
    return []


async def _identity(line: Sdi12Line, address: str) -> str:
    try:
        return one_line(await line.ask(address, "I", tries=2))
    except (NoAnswer, BadAnswer):
        return ""
