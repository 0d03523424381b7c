"""One AT command at a time over a serial stream, with exact deadlines (ITU-T V.250, 3GPP TS 27.007 and 27.005).

A task keeps pump() running: it cuts what the modem says into lines and sorts answers from what the modem says
unasked. After any answer that did not come to its end, the next command first gets back in step, so that a late
result is never taken for the next command's own.
"""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from brinewatch.errors import BrinewatchError, OutcomeUnknown, PortLost
from brinewatch.notify.causes import cause
from brinewatch.notify.pdu import Part
from brinewatch.ports import Clock
from brinewatch.wire import SerialStream

log = logging.getLogger(__name__)

OnUnsolicited = Callable[[str, str], None]

_ESC, _CTRL_Z = b"\x1b", b"\x1a"
_FINAL = re.compile(r"OK|ERROR|COMMAND NOT SUPPORT|\+(CMS|CME) ERROR: ?(.*)")
# what a modem says when a call ends or comes to nothing (ITU-T V.250, 5.7.1); the result of dialling, or unasked
CALL_ENDS = ("BUSY", "NO CARRIER", "NO ANSWER", "NO DIALTONE", "NO DIAL TONE")
_CALL_END = re.compile("|".join(CALL_ENDS))
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2}){10,}")
# said unasked and followed by a line of its own (TS 27.005, 3.4.1)
_WITH_PDU = ("+CDS:", "+CMT:")
_LISTED = ("+CMGL:", "+CMGR:")
# a read command every modem knows, whose answer cannot be mistaken for a late one of another command
_PROBE, _PROBE_ANSWER = "AT+CMEE?", "+CMEE:"
_PROBE_EVERY_S = 1.0
_QUIET_S = 1.0
_LONGEST_LINE = 4096


class ModemSilent(BrinewatchError):
    """The modem gave no full answer in time. Nothing was handed over."""


class ModemRefused(BrinewatchError):
    """The modem answered ERROR. kind: "CMS", "CME" or ""; code: None when it gave none."""

    def __init__(self, command: str, kind: str, code: int | None) -> None:
        self.kind = kind
        self.code = code
        meaning, self.remedy = cause(kind, code)
        number = f"+{kind} ERROR {code}: " if code is not None else "ERROR: "
        super().__init__(f"The modem refused {command} ({number}{meaning}).")

    @property
    def busy(self) -> bool:
        """Whether the SIM is only not ready yet, as for seconds after power on or PIN."""
        return (self.kind, self.code) in (("CMS", 314), ("CME", 14))


class CallEnded(BrinewatchError):
    """A call came to nothing at once. how: the modem's word for it, one of CALL_ENDS."""

    def __init__(self, how: str) -> None:
        self.how = how
        super().__init__(f"The call came to nothing: {how.lower()}.")


@dataclass(slots=True)
class _Exchange:
    """One command under way and what has come of it.

    must: an OK before an answer line is another's, come late; repeated: the command is given again and again until
    every one is answered, so an OK ends it only for the moment.
    """

    command: str
    answer: str = ""
    must: bool = False
    wants_prompt: bool = False
    repeated: bool = False
    prompted: bool = False
    lines: list[str] = field(default_factory=list)
    final: re.Match[str] | None = None
    stir: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def shown(self) -> str:
        """The command without its arguments, which may hold a PIN."""
        return self.command.partition("=")[0]


class AtEngine:
    """Speaks to one modem on an open stream. Commands must not overlap; the caller takes turns.

    on_unsolicited(line, pdu): what the modem said unasked; pdu "" unless one follows such a line.
    handed: whether the text of the latest submit() was given to the modem.
    """

    def __init__(
        self, stream: SerialStream, clock: Clock, on_unsolicited: OnUnsolicited, resync_s: float = 5.0
    ) -> None:
        self._stream = stream
        self._clock = clock
        self._on_unsolicited = on_unsolicited
        self._resync_s = resync_s
        self._buffer = bytearray()
        self._announced = ""
        self._now: _Exchange | None = None
        self._lost: PortLost | None = None
        self._in_step = False
        self.handed = False

    # -- listening ------------------------------------------------------------------------------------------------

    async def pump(self) -> None:
        """Listen until the port goes away (PortLost) or this is cancelled; what waits then ends with PortLost."""
        try:
            while True:
                self._feed(await self._stream.read())
        except PortLost as error:
            self._lost = error
            raise
        finally:
            self._lost = self._lost or PortLost(f"{self._stream.line.port} was closed.")
            if self._now is not None:
                self._now.stir.set()

    def _feed(self, data: bytes) -> None:
        self._buffer += data
        while True:
            exchange = self._now
            if exchange is not None and exchange.wants_prompt and not exchange.prompted:
                head = self._buffer.lstrip(b"\r\n")
                if head.startswith(b">"):
                    self._buffer = head[1:]
                    exchange.prompted = True
                    exchange.stir.set()
            end = min((at for at in (self._buffer.find(b"\r"), self._buffer.find(b"\n")) if at >= 0), default=-1)
            if end < 0:
                break
            line = bytes(self._buffer[:end])
            del self._buffer[: end + 1]
            self._take(line.decode("ascii", "replace").strip())
        if len(self._buffer) > _LONGEST_LINE:
            self._buffer.clear()  # noise: no line is so long

    def _take(self, line: str) -> None:
        if not line:
            return
        announced, self._announced = self._announced, ""
        if announced and _HEX.fullmatch(line):
            self._on_unsolicited(announced, line)
            return
        if self._now is not None and self._answers(self._now, line):
            return
        if _FINAL.fullmatch(line):
            log.info("Modem: late result passed over: %s", line)
        elif line.startswith(_WITH_PDU):
            self._announced = line
        elif line.startswith(("+", "^", "*")) or line in ("RING", *CALL_ENDS):
            self._on_unsolicited(line, "")
        else:
            log.debug("Modem: noise passed over: %r", line)

    def _answers(self, exchange: _Exchange, line: str) -> bool:
        """Take a line for the command under way; False when it is not meant for it."""
        if exchange.final is not None and not exchange.repeated:
            return False
        if line == exchange.command:
            return True  # the echo
        if exchange.command.startswith("ATD") and (ended := _CALL_END.fullmatch(line)) is not None:
            exchange.final = ended
            exchange.stir.set()
            return True
        if (final := _FINAL.fullmatch(line)) is not None:
            early = exchange.wants_prompt and not exchange.prompted
            if line == "OK" and (early or (exchange.must and not exchange.lines)):
                return False
            exchange.final = final
            exchange.stir.set()
            return True
        if exchange.answer and line.startswith(exchange.answer):
            if exchange.wants_prompt and not exchange.prompted:
                return False
            exchange.lines.append(line)
            exchange.final = None
            exchange.stir.set()
            return True
        if exchange.lines and exchange.lines[-1].startswith(_LISTED) and _HEX.fullmatch(line):
            exchange.lines.append(line)
            return True
        return False

    # -- asking ---------------------------------------------------------------------------------------------------

    async def command(self, text: str, seconds: float, *, answer: str = "", must: bool = False) -> list[str]:
        """Give one command and return its answer lines, those that begin with `answer` (and the PDUs below them).

        must: there is no OK without such a line. Raises ModemSilent, ModemRefused, PortLost.
        """
        await self._get_in_step()
        with self._exchange(_Exchange(text, answer, must)) as exchange:
            try:
                async with self._clock.deadline(seconds):
                    await self._stream.write(text.encode("ascii") + b"\r")
                    while exchange.final is None:
                        await self._stirred(exchange)
            except TimeoutError:
                raise ModemSilent(f"The modem did not answer {exchange.shown} within {seconds:g} s.") from None
        self._judge(exchange)
        return exchange.lines

    async def submit(self, part: Part, prompt_s: float, answer_s: float) -> int:
        """Hand one PDU over by +CMGS and return the message reference the modem gave.

        Raises ModemSilent, ModemRefused or PortLost when the text was not handed over or was refused,
        OutcomeUnknown when it was handed over and no result came.
        """
        self.handed = False
        await self._get_in_step()
        with self._exchange(
            _Exchange(f"AT+CMGS={part.length}", "+CMGS:", must=True, wants_prompt=True)
        ) as exchange:
            try:
                async with self._clock.deadline(prompt_s):
                    await self._stream.write(exchange.command.encode("ascii") + b"\r")
                    while not exchange.prompted and exchange.final is None:
                        await self._stirred(exchange)
            except TimeoutError:
                raise ModemSilent(f"The modem gave no prompt within {prompt_s:g} s.") from None
            if exchange.final is None:
                self.handed = True
                try:
                    async with self._clock.deadline(answer_s):
                        await self._stream.write(part.pdu.encode("ascii") + _CTRL_Z)
                        while exchange.final is None:
                            await self._stirred(exchange)
                except TimeoutError:
                    raise OutcomeUnknown(
                        f"The modem took the message but did not say within {answer_s:g} s whether it went out."
                    ) from None
                except PortLost as error:
                    raise OutcomeUnknown(f"The modem went away with the message in hand. {error.what}") from error
        self._judge(exchange)
        number = re.fullmatch(r"\+CMGS: ?(\d+).*", exchange.lines[-1])
        if number is None:
            raise OutcomeUnknown(f"The modem said OK with an answer that is none: {exchange.lines[-1]!r}.")
        return int(number[1])

    @contextmanager
    def _exchange(self, exchange: _Exchange) -> Iterator[_Exchange]:
        """One command at a time, in time that stands still; only a full answer leaves the line in step."""
        assert self._now is None, f"{exchange.shown} while {self._now.shown if self._now else ''} is under way"
        self._now, self._in_step = exchange, False
        try:
            with self._clock.hold():
                yield exchange
            self._in_step = True
        finally:
            self._now = None

    async def _stirred(self, exchange: _Exchange) -> None:
        """Wait until something new came for the command under way."""
        if self._lost is not None:
            raise PortLost(self._lost.what, self._lost.hint)
        exchange.stir.clear()
        await exchange.stir.wait()

    def _judge(self, exchange: _Exchange) -> None:
        final = exchange.final
        assert final is not None
        if final[0] == "OK":
            return
        if final[0] in CALL_ENDS:
            raise CallEnded(final[0])
        number = (final[2] or "").strip()
        raise ModemRefused(exchange.shown, final[1] or "", int(number) if number.isdecimal() else None)

    # -- getting back in step -------------------------------------------------------------------------------------

    async def resync(self) -> None:
        """Leave a prompt that may stand open, and probe until every probe is answered or the line is quiet.

        The modem answers in order, so whatever was still owed has passed by then. Raises ModemSilent, PortLost.
        """
        with self._exchange(_Exchange(_PROBE, _PROBE_ANSWER, must=True, repeated=True)) as exchange:
            try:
                async with self._clock.deadline(self._resync_s):
                    await self._stream.write(_ESC + b"\r")
                    await self._probe(exchange)
            except TimeoutError:
                raise ModemSilent(f"The modem on {self._stream.line.port} does not answer.") from None

    async def _probe(self, exchange: _Exchange) -> None:
        def answered() -> int:
            return len(exchange.lines) if exchange.final is not None and exchange.final[0] == "OK" else 0

        probes = 0
        while not answered():
            await self._stream.write(_PROBE.encode("ascii") + b"\r")
            probes += 1
            with suppress(TimeoutError):
                async with self._clock.deadline(_PROBE_EVERY_S):
                    while answered() < probes:
                        await self._stirred(exchange)
        # some probes were lost, or their answers are still to come: wait until nothing comes any more
        while answered() < probes:
            try:
                async with self._clock.deadline(_QUIET_S):
                    await self._stirred(exchange)
            except TimeoutError:
                return

    async def _get_in_step(self) -> None:
        if not self._in_step:
            await self.resync()
