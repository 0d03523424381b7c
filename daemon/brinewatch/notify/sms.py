"""Text messages by a modem on a serial port: sent, reported on, and taken in.

run() keeps the modem up and looks after what lies in it; send() takes one turn on the same line.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Sequence
from pathlib import Path

from brinewatch.errors import BrinewatchError, NeedsPerson, NotifyError, OutcomeUnknown, PortLost, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.notify.at import CALL_ENDS, AtEngine, ModemRefused, ModemSilent
from brinewatch.notify.causes import Remedy
from brinewatch.notify.intake import Intake
from brinewatch.notify.modem import Modem, PinGuard, SmsModemSettings
from brinewatch.notify.pdu import Part, PduError, submit
from brinewatch.notify.sim import SimWatch
from brinewatch.ports import Clock, OnInbound, OnReport
from brinewatch.waiting import news_or
from brinewatch.wire import LineSettings, SerialStream

__all__ = ["SmsModemSettings", "SmsNotifier"]

log = logging.getLogger(__name__)

_REOPEN_FROM_S, _REOPEN_TO_S = 1.0, 30.0
# while something is wrong the modem is asked more often than every `poll_s`
_AILING_POLL_S = 5.0
_RESYNC_S = 2.0
# a signal that moves by less is no news
_SIGNAL_STEP_DBM = 10


class SmsNotifier:
    """The way "sms". on_health(ok, reason) is called whenever the modem's state changes, first once it is known;
    on_sim likewise for its SIM's credit and term; pin_tried: a file that remembers a PIN not proven right."""

    way = "sms"

    def __init__(
        self,
        settings: SmsModemSettings,
        clock: Clock,
        on_inbound: OnInbound,
        on_report: OnReport,
        on_health: Callable[[bool, str], None],
        on_sim: Callable[[bool, str], None] = lambda well, words: None,
        pin_tried: Path | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._on_health = on_health
        self._intake = Intake(self.way, clock, on_inbound, on_report)
        self._pin = PinGuard(pin_tried)
        self.on_call_end: Callable[[str], None] = lambda line: None
        self._turn = asyncio.Lock()
        self._stir = asyncio.Event()
        self._modem: Modem | None = None
        self._sim = SimWatch(
            settings.sim_lapses, settings.credit_code, settings.credit_pattern, settings.credit_least, clock.now(),
            on_sim,
        )  # fmt: skip
        self._down: NotifyError = RetryLater("The modem is not ready yet.")
        self._told: tuple[bool, str, int] | None = None
        self._pause = _REOPEN_FROM_S
        self._concat_reference = int(clock.now().utc) % 256

    # -- sending --------------------------------------------------------------------------------------------------

    @property
    def modem(self) -> Modem:
        """The open modem. Raises why there is none."""
        if self._modem is None:
            raise type(self._down)(self._down.what, self._down.hint)
        return self._modem

    async def send(self, message: Message) -> Receipt:
        """Send one text in all its parts. Raises RetryLater, NeedsPerson or OutcomeUnknown within `total_s`."""
        modem = self.modem
        settings = self._settings
        self._concat_reference = (self._concat_reference + 1) % 256
        try:
            parts = submit(message.to, message.text, concat_reference=self._concat_reference,
                           validity_min=settings.validity_min, report=settings.delivery_reports)  # fmt: skip
        except PduError as error:
            raise NeedsPerson(error.what, error.hint) from error
        sent: list[int] = []
        handed = False
        try:
            async with self._clock.deadline(settings.total_s):
                with self._clock.hold():
                    async with self._turn:
                        try:
                            await self._hand_over(modem.engine, parts, sent)
                        finally:
                            handed = modem.engine.handed
        except (BrinewatchError, TimeoutError) as error:
            self._stir.set()  # whatever failed, the modem is looked at now
            raise self._failure(error, handed, len(sent), len(parts)) from error
        finally:
            self._intake.last_send = self._clock.now().mono
        return Receipt(tuple(sent), self._clock.now())

    async def _hand_over(self, engine: AtEngine, parts: Sequence[Part], sent: list[int]) -> None:
        engine.handed = False
        # in text mode, which some modems fall back to at a restart, the length would be taken for a phone number
        await engine.command("AT+CMGF=0", self._settings.answer_s)
        for part in parts:
            sent.append(await engine.submit(part, self._settings.prompt_s, self._settings.network_s))

    def _failure(self, error: Exception, handed: bool, sent: int, parts: int) -> NotifyError:
        """What a failed hand-over comes to. A text of several parts is sent whole again, whatever had gone out."""
        already = f" {sent} of {parts} parts had gone out." if sent else ""
        if isinstance(error, OutcomeUnknown):
            return error
        if isinstance(error, ModemRefused):
            kind = {Remedy.PERSON: NeedsPerson, Remedy.UNKNOWN: OutcomeUnknown, Remedy.RETRY: RetryLater}
            return kind[error.remedy](error.what + already)
        if isinstance(error, BrinewatchError):
            return RetryLater(error.what + already)
        what = f"The modem did not finish within {self._settings.total_s:g} s.{already}"
        return OutcomeUnknown(what) if handed else RetryLater(what)

    # -- staying up -----------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Keep the modem up until cancelled; a lost port or a silent modem is opened again, ever less often."""
        self._pause = _REOPEN_FROM_S
        while True:
            try:
                await self._session()
            except NeedsPerson as error:
                self._fall(error)
            except (PortLost, ModemSilent, ModemRefused) as error:
                self._fall(RetryLater(error.what, error.hint))
            await self._clock.sleep(self._pause)
            self._pause = min(2 * self._pause, _REOPEN_TO_S)

    def _fall(self, error: NotifyError) -> None:
        self._down = error
        self._tell(False, str(error))

    async def _session(self) -> None:
        """One opening of the port, until something fails."""
        stream = SerialStream(LineSettings(self._settings.port, self._settings.baud))
        stream.open()
        engine = AtEngine(stream, self._clock, self._on_unsolicited, max(_RESYNC_S, self._settings.answer_s))
        modem = Modem(engine, self._settings, self._clock, self._turn, self._pin)
        # the pump comes first: when both end, the lost port is the reason for the other
        tasks = [asyncio.create_task(engine.pump()), asyncio.create_task(self._look_after(modem))]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in tasks:
                if task in done:
                    task.result()
        finally:
            self._modem = None
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            stream.close()

    async def _look_after(self, modem: Modem) -> None:
        await modem.bring_up()
        self._pause = _REOPEN_FROM_S
        self._modem = modem
        self._intake.look_everywhere()
        next_poll = self._clock.now().mono
        while True:
            self._stir.clear()
            # a look at how it stands comes first: it finds a silent modem sooner than a list of texts does
            if self._clock.now().mono >= next_poll:
                await self._examine(modem)
                well = self._told is not None and self._told[0]
                pause = self._settings.poll_s if well else min(self._settings.poll_s, _AILING_POLL_S)
                next_poll = self._clock.now().mono + pause
                await self._ask_credit(modem)
            await self._intake.take_in(modem)
            await self._rest(min(next_poll, self._intake.again_at))

    async def _ask_credit(self, modem: Modem) -> None:
        now = self._clock.now()
        wanted = self._sim.wants(now)
        if wanted is not None:
            try:
                await modem.ask(wanted)
            except (ModemRefused, ModemSilent) as error:
                log.warning("Modem: %s", error.what)  # no reason to take it for dead: some answer this late
        self._sim.tell(now)

    async def _rest(self, until: float) -> None:
        """Until something came in, a message failed, or the time has come."""
        await news_or(self._stir, self._clock, until)

    def _on_unsolicited(self, line: str, pdu: str) -> None:
        if self._intake.announced(line, pdu):
            self._stir.set()
        elif self._sim.hear(line, self._clock.now()):
            self._sim.tell(self._clock.now())
        elif line in CALL_ENDS:
            self.on_call_end(line)
        else:
            log.info("Modem: %s", line)

    # -- health ---------------------------------------------------------------------------------------------------

    async def _examine(self, modem: Modem) -> None:
        if not await modem.as_set():
            log.warning("Modem: it has forgotten its settings, as after a restart; they are made again")
            await modem.bring_up()
        registered, words = await modem.network()
        signal = await modem.signal_dbm()
        weak = signal is not None and signal < self._settings.signal_least_dbm
        if await modem.full():
            self._tell(False, "the modem's message storage is full and does not empty; replies cannot come in")
        else:
            strength = f"signal {signal} dBm" if signal is not None else "signal unknown"
            if registered and weak:
                words = "the signal is too weak to rely on: move the antenna"
            self._tell(registered and not weak, words, strength, signal or 0)

    def _tell(self, ok: bool, reason: str, strength: str = "", signal: int = 0) -> None:
        """Say how the modem stands, when that is news."""
        if self._told and self._told[:2] == (ok, reason) and abs(self._told[2] - signal) < _SIGNAL_STEP_DBM:
            return
        self._told = (ok, reason, signal)
        text = f"{reason}, {strength}" if strength else reason
        log.log(logging.INFO if ok else logging.WARNING, "Modem: %s", text)
        self._on_health(ok, text)
