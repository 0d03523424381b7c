"""A modem that speaks 3GPP TS 27.005 and 27.007: brought up, asked how it stands, emptied.

Every command takes its turn by the lock it shares with sending, one command at a time, so that a message to be sent
waits for one short answer at most.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import logging
import re
import secrets
from contextlib import suppress
from datetime import date
from itertools import pairwise
from pathlib import Path

from pydantic import Field, field_validator

from brinewatch.errors import NeedsPerson
from brinewatch.notify.at import AtEngine, ModemRefused, ModemSilent
from brinewatch.notify.causes import Remedy
from brinewatch.notify.inbox import Stored
from brinewatch.ports import Clock
from brinewatch.settings import Settings

log = logging.getLogger(__name__)

_LIST_S = 20.0
_PIN_S = 15.0
_SIM_READY_S = 20.0
_SIM_ASK_EVERY_S = 0.5
# TS 27.007, 7.2: 6 and 7 are registered for text messages only, 9 and 10 without preferring voice; all carry texts
_NETWORK = {
    "0": (False, "not registered, and not searching"),
    "1": (True, "registered home"),
    "2": (False, "not registered: searching for a network"),
    "3": (False, "the network denies registration"),
    "4": (False, "the modem does not know whether it is registered"),
    "5": (True, "registered roaming"),
    "6": (True, "registered home, texts only"),
    "7": (True, "registered roaming, texts only"),
    "8": (False, "the network allows emergency calls only"),
    "9": (True, "registered home"),
    "10": (True, "registered roaming"),
}


class SmsModemSettings(Settings):
    """The modem that sends and takes text messages."""

    port: str = Field(description="Serial port of the modem; a name under /dev/serial/by-id stays the same.")
    baud: int = Field(default=115200, gt=0, description="Speed of the serial line, in baud.")
    pin: str | None = Field(
        default=None,
        pattern=r"^\d{4,8}$",
        description="PIN of the SIM; better none and the lock taken off the SIM.",
    )
    smsc: str | None = Field(
        default=None, pattern=r"^\+\d{5,15}$", description="Number of the service centre, when the SIM lacks it."
    )
    ring_s: float | None = Field(
        default=None, ge=5, le=60,
        description="For critical alarms phones are rung too, for so many seconds; never when left out.",
    )  # fmt: skip
    signal_least_dbm: int = Field(
        default=-107, ge=-113, le=-51, description="A signal weaker than this is told of, in dBm."
    )
    sim_lapses: date | None = Field(
        default=None, description="Day on which the SIM or its credit lapses; told of two weeks before."
    )
    credit_code: str | None = Field(
        default=None, pattern=r"^[*#0-9]{2,20}$",
        description="Code that asks the network for the credit, such as *100#; once a day.",
    )  # fmt: skip
    credit_pattern: str = Field(
        default=r"([0-9]+[.,][0-9]{2})", description="Where the amount stands in the answer: a regular expression."
    )
    credit_least: float = Field(default=5.0, ge=0, description="Less credit than this is told of.")
    delivery_reports: bool = Field(default=True, description="Whether the network is asked to say what arrived.")
    validity_min: int = Field(
        default=60, gt=0, le=635040, description="How long the network keeps trying to deliver a text, in minutes."
    )
    poll_s: float = Field(
        default=30.0, gt=0, le=600, description="How often the modem is asked how it stands, in seconds."
    )
    answer_s: float = Field(
        default=5.0, gt=0, le=60, description="Longest wait for the answer to a command, in seconds."
    )
    prompt_s: float = Field(
        default=5.0, gt=0, le=60, description="Longest wait for the modem to ask for the text, in seconds."
    )
    network_s: float = Field(
        default=60.0, gt=0, le=180, description="Longest wait for the network to take one part, in seconds."
    )
    total_s: float = Field(
        default=110.0, gt=0, le=115, description="Longest time one message with all its parts may take, in seconds."
    )

    @field_validator("credit_pattern")
    @classmethod
    def _one_group(cls, value: str) -> str:
        try:
            groups = re.compile(value).groups
        except re.error as error:
            raise ValueError(f"a regular expression ({error})") from None
        if groups != 1:
            raise ValueError("a regular expression with one group, the amount, in brackets")
        return value


class PinGuard:
    """What is known of the PIN: one given without proof that it was right is never given again, not even by another
    process after a restart.

    path: a file that remembers the one that was given, as a salted hash; None to remember it only here.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path = path
        self._spent: set[str] = set()

    def spent(self, pin: str) -> bool:
        """Whether this PIN was given and not proven right. A file that cannot be read counts as if it was."""
        if pin in self._spent:
            return True
        if self._path is None or not self._path.exists():
            return False
        try:
            salt, _, known = self._path.read_text(encoding="ascii").strip().partition(" ")
        except (OSError, UnicodeDecodeError):
            return True
        return not known or hmac.compare_digest(_hashed(salt, pin), known)

    def spend(self, pin: str) -> None:
        """It is about to be given. NeedsPerson when that cannot be remembered: three wrong ones block the SIM."""
        self._spent.add(pin)
        if self._path is None:
            return
        salt = secrets.token_hex(16)
        try:
            self._path.write_text(f"{salt} {_hashed(salt, pin)}\n", encoding="ascii")
            self._path.chmod(0o600)
        except OSError as error:
            raise NeedsPerson(
                f"The PIN is not tried, as {self._path} cannot be written ({error.strerror}): a wrong one must "
                "not be tried twice.",
                "Take the lock off the SIM, or let this program's user write to the data folder.",
            ) from error

    def proven(self, pin: str) -> None:
        """It was right: it may be given again when the modem starts anew."""
        self._spent.discard(pin)
        if self._path is not None:
            with suppress(OSError):
                self._path.unlink(missing_ok=True)


def _hashed(salt: str, pin: str) -> str:
    # slow on purpose: a PIN has few digits
    return hashlib.pbkdf2_hmac("sha256", pin.encode(), salt.encode(), 200_000).hex()


class Modem:
    """One open modem. Every method raises ModemSilent, ModemRefused or PortLost; bring_up also NeedsPerson."""

    def __init__(
        self, engine: AtEngine, settings: SmsModemSettings, clock: Clock, turn: asyncio.Lock, pin: PinGuard
    ) -> None:
        self.engine = engine
        self._settings = settings
        self._clock = clock
        self._turn = turn
        self._pin = pin
        self._cnmi = ""
        self._memory = ""
        self._selected = ""

    async def ask(
        self, command: str, *, answer: str = "", must: bool = False, seconds: float | None = None
    ) -> list[str]:
        with self._clock.hold():
            async with self._turn:
                return await self.engine.command(
                    command, seconds or self._settings.answer_s, answer=answer, must=must
                )

    async def _read(self, command: str, name: str) -> str:
        """What stands behind the name in the one line a read command answers."""
        lines = await self.ask(command, answer=f"{name}:", must=True)
        return lines[0].removeprefix(f"{name}:").strip()

    # -- bringing up ----------------------------------------------------------------------------------------------

    async def bring_up(self) -> None:
        """Make the modem ready to send and to tell what comes in. Waits while the SIM is busy after power on."""
        until = self._clock.now().mono + _SIM_READY_S
        while True:
            try:
                await self._settle()
                return
            except ModemRefused as error:
                if not error.busy or self._clock.now().mono >= until:
                    raise
            await self._clock.sleep(_SIM_ASK_EVERY_S)

    async def _settle(self) -> None:
        await self.ask("ATE0")
        await self.ask("AT+CMEE=1")
        await self._unlock()
        await self.ask("AT+CMGF=0")
        with suppress(ModemRefused):  # the phase 2 service is the default; not every modem has the command
            await self.ask("AT+CSMS=0", answer="+CSMS:")
        if self._settings.smsc is not None:
            await self.ask(f'AT+CSCA="{self._settings.smsc}",145')
        await self._choose_memory()
        await self._choose_indications()

    async def _unlock(self) -> None:
        try:
            state = await self._read("AT+CPIN?", "+CPIN")
        except ModemRefused as error:
            if error.remedy is Remedy.PERSON:
                raise NeedsPerson(error.what, "Look at the SIM and how it sits.") from error
            raise
        if state == "READY":
            if self._settings.pin is not None:
                self._pin.proven(self._settings.pin)  # a restart may have come between the PIN and its proof
            return
        if state != "SIM PIN":
            raise NeedsPerson(f"The SIM wants {state}.", "Unlock it in a phone, then put it back.")
        await self._give_pin()

    async def _give_pin(self) -> None:
        pin = self._settings.pin
        if pin is None:
            raise NeedsPerson("The SIM wants its PIN, and none is set.", "Take the lock off the SIM, or set `pin`.")
        if self._pin.spent(pin):
            raise NeedsPerson(
                "The SIM did not accept its PIN; it is not tried again, three wrong ones block the SIM.",
                "Mend `pin`, or take the lock off the SIM in a phone, then start again.",
            )
        left = await self._pin_tries_left()
        if left is not None and left < 3:
            raise NeedsPerson(
                f"The SIM wants its PIN and has only {left} tries left; none is used up without a person.",
                "Enter the right PIN in a phone once, then put the SIM back.",
            )
        self._pin.spend(pin)
        try:
            await self.ask(f'AT+CPIN="{pin}"', seconds=_PIN_S)
        except ModemRefused as error:
            raise NeedsPerson(
                f"The SIM refused its PIN: {error.what} It is not tried again.",
                "Mend `pin`, or take the lock off the SIM in a phone, then start again.",
            ) from error
        until = self._clock.now().mono + _SIM_READY_S
        while self._clock.now().mono < until:
            with suppress(ModemRefused):
                if await self._read("AT+CPIN?", "+CPIN") == "READY":
                    self._pin.proven(pin)
                    return
            await self._clock.sleep(_SIM_ASK_EVERY_S)
        raise ModemSilent(f"The SIM took its PIN but was not ready within {_SIM_READY_S:g} s.")

    async def _pin_tries_left(self) -> int | None:
        """TS 27.007, 8.65; None when the modem does not tell."""
        try:
            told = await self._read('AT+CPINR="SIM PIN"', "+CPINR")
        except ModemRefused:
            return None
        found = re.match(r'"?SIM PIN"?, ?(\d+)', told)
        return int(found[1]) if found else None

    async def _choose_memory(self) -> None:
        """Read and delete where incoming texts are stored: the first memory of +CPMS must be the third."""
        self._memory = self._selected = ""
        memories = await self._memories()
        if memories:
            self._selected = memories[0][0]
            self._memory = memories[-1][0]
            await self.select(self._memory)

    async def _memories(self) -> list[tuple[str, int, int]]:
        told = await self._read("AT+CPMS?", "+CPMS")
        return [(name, int(used), int(room)) for name, used, room in re.findall(r'"(\w+)", ?(\d+), ?(\d+)', told)]

    async def _choose_indications(self) -> None:
        """Ask to be told of texts and reports; stored ones first, which a lost line cannot lose (+CNMI)."""
        reports = ("2", "1", "0") if self._settings.delivery_reports else ("0",)
        for report in reports:
            for mode in ("2", "1"):
                self._cnmi = f"{mode},1,0,{report}"
                try:
                    await self.ask(f"AT+CNMI={self._cnmi},0")
                except ModemRefused as error:
                    if error.busy:
                        raise
                    continue
                if report != reports[0] and report == "0":
                    log.warning("Modem: it cannot tell of delivery reports; nothing will be shown as delivered")
                return
        raise NeedsPerson("The modem cannot tell of incoming texts (+CNMI).", "Use another modem.")

    # -- how it stands --------------------------------------------------------------------------------------------

    async def as_set(self) -> bool:
        """Whether the settings made at bring-up still hold; a modem that started anew has forgotten them."""
        mode = await self._read("AT+CMGF?", "+CMGF")
        told = await self._read("AT+CNMI?", "+CNMI")
        return mode == "0" and re.sub(r"\s", "", told).startswith(self._cnmi)

    async def network(self) -> tuple[bool, str]:
        """Whether a text could go out, and how the modem stands to the network, in words."""
        states = []
        for name in ("+CREG", "+CEREG"):
            with suppress(ModemRefused):
                told = (await self._read(f"AT{name}?", name)).split(",")
                states.append(told[min(1, len(told) - 1)].strip())
                if _NETWORK.get(states[-1], (False, ""))[0]:
                    break
        # the one that is usable, or else the one that says more than that there is nothing
        telling = [state for state in reversed(states) if state != "0"] or states or [""]
        return _NETWORK.get(telling[0], (False, "the modem does not tell whether it is registered"))

    async def signal_dbm(self) -> int | None:
        """Signal strength in dBm, TS 27.007 8.5; None when the modem does not know."""
        try:
            found = re.match(r"\d+", await self._read("AT+CSQ", "+CSQ"))
        except ModemRefused:
            return None
        rssi = int(found[0]) if found else 99
        return 2 * rssi - 113 if rssi <= 31 else None

    # -- what lies in it ------------------------------------------------------------------------------------------

    async def select(self, memory: str = "") -> None:
        """Read from this memory ("SM", "ME", "SR"); without a name from the one where texts come in."""
        wanted = memory or self._memory
        if wanted != self._selected:
            await self.ask(f'AT+CPMS="{wanted}"', answer="+CPMS:")
            self._selected = wanted

    async def stored(self) -> list[Stored]:
        """Every received PDU in the selected memory, read or not."""
        lines = await self.ask("AT+CMGL=4", answer="+CMGL:", seconds=_LIST_S)
        found = []
        for head, pdu in pairwise(lines):
            parts = re.fullmatch(r"\+CMGL: ?(\d+), ?([01]),.*?, ?(\d+)", head)
            if parts is not None and not pdu.startswith("+"):
                found.append(Stored(int(parts[1]), pdu, int(parts[3])))
        return found

    async def delete(self, index: int) -> None:
        await self.ask(f"AT+CMGD={index}", seconds=_LIST_S)

    async def full(self) -> bool:
        """Whether the memory where texts come in has no room for another."""
        memories = await self._memories()
        return bool(memories) and memories[-1][1] >= memories[-1][2] > 0
