"""A GSM modem with a SIM and a network behind it, on a pseudo-terminal, with what can go wrong at its wire."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path

from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.simulator.modem_brain import Brain
from brinewatch.simulator.modem_pdu import Submitted, deliver, need_library, read_submit, status_report, tpdu_octets
from brinewatch.simulator.terminal import PtyEnd

_ESC, _CTRL_Z = b"\x1b", b"\x1a"


@dataclass(frozen=True, slots=True)
class SentText:
    """One text (or one part of a long one) the network took. prompt_at: when the modem asked for it."""

    to: str
    text: str
    at: Moment
    reference: int
    prompt_at: Moment
    pdu: str
    concat: tuple[int, int, int] | None = None
    report_wanted: bool = False
    validity_vp: int | None = None


@dataclass
class ModemFaults:
    """What is wrong just now.

    silent: hears and says nothing; slow_s: every answer comes so late; garbage: says noise instead of answers;
    cms_errors: codes the next texts are refused with; hang_after_prompt: falls silent with a text in hand;
    late_result_s: the result of a text comes so late, and nothing is answered meanwhile.
    """

    silent: bool = False
    slow_s: float = 0.0
    garbage: bool = False
    cms_errors: list[int] = field(default_factory=list)
    hang_after_prompt: bool = False
    late_result_s: float = 0.0

    def cms_error(self, code: int, times: int = 1) -> None:
        """Refuse the next `times` texts with this code."""
        self.cms_errors += [code] * times


class ModemEmulator:
    """Speaks AT on the far end of `link`. All methods belong to the event loop's thread.

    report_after_s: how long after a text the network reports on it, None for never; report_status: TP-ST it says.
    `brain` holds the SIM, the network state and what is stored; `sent` what went out, `rung` the phones
    that were rung, `phone` what a phone does then: rings, busy, picked up, off.
    """

    def __init__(
        self, clock: Clock, link: Path, *, report_after_s: float | None = 1.0, pin: str | None = None
    ) -> None:
        self.faults = ModemFaults()
        self.brain = Brain(pin)
        self.sent: list[SentText] = []
        self.heard: list[str] = []
        self.report_after_s = report_after_s
        self.report_status = 0x00
        self.rung: list[tuple[str, Moment]] = []
        self.phone = "rings"
        self._clock = clock
        self._end = PtyEnd(link, self._on_bytes)
        self.port = self._end.port
        self._buffer = bytearray()
        self._arrived = asyncio.Event()
        self._news = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._serving: asyncio.Task[None] | None = None
        self._hung = False
        self._dark = False
        self._reference = 0
        self._at_network: list[str] = []
        self._noise = random.Random(1)  # noqa: S311 - line noise

    async def start(self) -> None:
        """Plug the modem in. Raises BrinewatchError when the decoding library is missing."""
        need_library()
        self._end.plug()
        self._serve_anew(0.0)

    async def stop(self) -> None:
        self._end.unplug()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @property
    def pin_attempts(self) -> int:
        """How often a PIN was entered, right or wrong."""
        return len(self.brain.pin_attempts)

    # -- what tests and drills do to it ---------------------------------------------------------------------------

    def unplug(self) -> None:
        self._end.unplug()
        self._serve_anew(0.0)

    def replug(self) -> None:
        self._end.plug()

    def reboot(self, dark_s: float = 0.0) -> None:
        """Lose power for so long. The port stays, as that of a modem on an adapter of its own."""
        self.brain.restart()
        self._serve_anew(dark_s, greeting="RDY")

    def no_network(self, code: int = 2) -> None:
        """<stat> of +CREG from now on (TS 27.007, 7.2): 0 and 2 to 4 none, 8 emergency calls only; 1 mends it."""
        self.brain.registration = code

    def storage_full(self, on: bool = True) -> None:
        """The SIM is full of what is not the daemon's to delete."""
        self.brain.crammed = on
        self._from_network()

    def receive(self, sender: str, text: str) -> None:
        """Someone sends a text to the modem; a long one comes in parts."""
        self._reference = (self._reference + 1) % 256
        for pdu in deliver(sender, text, self._clock.now().utc, self._reference):
            self.receive_pdu(pdu)

    def receive_pdu(self, pdu: str) -> None:
        """The network delivers one PDU; it keeps it for later while there is no room."""
        self._at_network.append(pdu)
        self._from_network()

    async def wait_for(self, predicate: Callable[[SentText], bool], seconds: float) -> SentText:
        """The first text sent that fits, waiting for it at most so many real seconds (TimeoutError)."""
        async with self._clock.deadline(seconds):
            while True:
                for one in self.sent:
                    if predicate(one):
                        return one
                self._news.clear()
                await self._news.wait()

    # -- the wire -------------------------------------------------------------------------------------------------

    def _on_bytes(self, data: bytes) -> None:
        if self._hung and not self.faults.hang_after_prompt:
            self._hung = False
        if self.faults.silent or self._hung or self._dark:
            return
        if self.brain.echo:
            self._end.write(data)
        self._buffer += data
        self._arrived.set()

    def _write(self, text: str) -> None:
        if self.faults.silent or self._dark:
            return
        data = text.encode("ascii")
        self._end.write(self._noise.randbytes(len(data)) if self.faults.garbage else data)

    def _say(self, *lines: str) -> None:
        self._write("".join(f"\r\n{line}\r\n" for line in lines if line))

    async def _until(self, ends: bytes) -> tuple[bytes, bytes]:
        """What was written up to one of the `ends`, and which it was."""
        while True:
            for at, byte in enumerate(self._buffer):
                if byte in ends:
                    said, end = bytes(self._buffer[:at]), bytes([byte])
                    del self._buffer[: at + 1]
                    return said, end
            self._arrived.clear()
            await self._arrived.wait()

    # -- serving --------------------------------------------------------------------------------------------------

    def _spawn(self, work: Coroutine[None, None, None]) -> asyncio.Task[None]:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def _serve_anew(self, dark_s: float, greeting: str = "") -> None:
        if self._serving is not None:
            self._serving.cancel()
        self._buffer.clear()
        self._dark = dark_s > 0
        self._serving = self._spawn(self._serve(dark_s, greeting))

    async def _serve(self, dark_s: float, greeting: str) -> None:
        if dark_s > 0:
            await self._clock.sleep(dark_s)
        self._dark = False
        self._say(greeting)
        while True:
            said, _ = await self._until(b"\r")
            # what stands before AT on a line is passed over (ITU-T V.250, 5.2.1)
            _, found, line = said.decode("ascii", "replace").upper().partition("AT")
            if not found:
                continue
            self.heard.append(f"AT{line}")
            reply = self.brain.answer(line.strip())
            if self.faults.slow_s:
                await self._clock.sleep(self.faults.slow_s)
            if reply.dial is not None:
                self._say("OK")
                self._dial(reply.dial)
            elif reply.prompt is None:
                self._say(*reply.lines, reply.final)
                if reply.later is not None:
                    self._spawn(self._tell_later(reply.later))
            else:
                await self._take_text(reply.prompt)
            self._from_network()

    async def _take_text(self, argument: str) -> None:
        self._write("\r\n> ")
        prompt_at = self._clock.now()
        said, end = await self._until(_CTRL_Z + _ESC)
        if end == _ESC:
            self._say("OK")
            return
        if self.faults.hang_after_prompt:
            self._hung = True
            self._buffer.clear()
            return
        if self.faults.late_result_s or self.faults.slow_s:
            await self._clock.sleep(self.faults.late_result_s or self.faults.slow_s)
        self._say(*self._submit(said.decode("ascii", "replace").strip(), argument, prompt_at))

    def _dial(self, number: str) -> None:
        self.rung.append((number, self._clock.now()))
        self.brain.call = (number, 2)
        self._spawn(self._phone(number))

    async def _tell_later(self, line: str) -> None:
        await self._clock.sleep(1.5)
        self._say(line)

    async def _phone(self, number: str) -> None:
        """What the phone at the other end does: dialling, then rings, is busy, is picked up, or is off."""
        await self._clock.sleep(2.0)
        if self.brain.call is None:
            return
        if self.phone in ("busy", "off"):
            self.brain.call = None
            self._say("BUSY" if self.phone == "busy" else "NO CARRIER")
            return
        self.brain.call = (number, 3)
        if self.phone == "picked up":
            await self._clock.sleep(4.0)
            if self.brain.call is not None:
                self.brain.call = (number, 0)

    def _submit(self, body: str, argument: str, prompt_at: Moment) -> tuple[str, ...]:
        if self.faults.cms_errors:
            return (self.brain.error(self.faults.cms_errors.pop(0)),)
        if not self.brain.registered:
            return (self.brain.error(331),)
        if self.brain.text_mode:
            # the argument is a phone number then, and the hexadecimal a text
            read = Submitted(argument.strip('"'), body, None, False, None)
        else:
            try:
                read = read_submit(body)
                if tpdu_octets(body) != int(argument):
                    raise ValueError(f"+CMGS={argument} before {tpdu_octets(body)} octets")
            except ValueError:
                return (self.brain.error(304),)
        self._reference = (self._reference + 1) % 256
        now = self._clock.now()
        sent = SentText(read.to, read.text, now, self._reference, prompt_at, body, read.concat, read.report_wanted,
                        read.validity_vp)  # fmt: skip
        self.sent.append(sent)
        self._news.set()
        if read.report_wanted and self.report_after_s is not None:
            self._spawn(self._report(sent, self.report_after_s))
        return (f"+CMGS: {sent.reference}", "OK")

    # -- the network ----------------------------------------------------------------------------------------------

    async def _report(self, sent: SentText, after_s: float) -> None:
        await self._clock.sleep(after_s)
        pdu = status_report(sent.reference, sent.to, self.report_status, sent.at.utc, self._clock.now().utc)
        match self.brain.indications[3]:
            case 1:
                self._say(f"+CDS: {tpdu_octets(pdu)}\r\n{pdu}")
            case 2 if (place := self.brain.store("SR", pdu)) is not None:
                self._say(f'+CDSI: "SR",{place}')

    def _from_network(self) -> None:
        """Store what the network holds for the modem, as far as there is room and power."""
        while self._at_network and not self._dark:
            place = self.brain.store("SM", self._at_network[0])
            if place is None:
                return
            del self._at_network[0]
            if self.brain.indications[1] == 1:
                self._say(f'+CMTI: "SM",{place}')
