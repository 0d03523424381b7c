"""What a plain GSM modem knows and answers: one command line in, answer lines and a result out.

Answers are worded after 3GPP TS 27.005 and 27.007; what a modem forgets at a restart is forgotten here too.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from brinewatch.simulator.modem_pdu import tpdu_octets

_REGISTERED = (1, 5, 6, 7, 9, 10)
_RECEIVED_UNREAD, _RECEIVED_READ = 0, 1


@dataclass(frozen=True, slots=True)
class Reply:
    """Answer lines and the result; prompt: what +CMGS was given, when a text is to follow."""

    lines: tuple[str, ...] = ()
    final: str = "OK"
    prompt: str | None = None
    dial: str | None = None
    later: str | None = None


@dataclass(slots=True)
class Slot:
    """One stored PDU and whether it was listed before."""

    pdu: str
    status: int = _RECEIVED_UNREAD


@dataclass
class Brain:
    """The state of one modem and its SIM.

    pin: None for an unlocked SIM; tries: wrong PINs left; registration: <stat> of +CREG, lte of +CEREG;
    report_modes: <ds> values +CNMI accepts; tells_tries: whether +CPINR is known; crammed: the SIM is full of what
    is not the daemon's; keeps_deleted: +CMGD fails; calls: it can ring phones; call: number and <stat> of the call
    under way; ussd: what the network answers to a code, as the modem says it.
    """

    pin: str | None = None
    tries: int = 3
    tells_tries: bool = True
    registration: int = 1
    lte: int = 0
    rssi: int = 21
    report_modes: tuple[int, ...] = (0, 1, 2)
    capacity: int = 30
    crammed: bool = False
    keeps_deleted: bool = False
    calls: bool = True
    call: tuple[str, int] | None = None
    ussd: dict[str, str] = field(default_factory=dict)
    pin_attempts: list[str] = field(default_factory=list)
    memories: dict[str, dict[int, Slot]] = field(default_factory=lambda: {"SM": {}, "SR": {}})

    def __post_init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Power off and on: echo, text mode, no indications, PIN wanted; what is stored stays."""
        self.echo = True
        self.text_mode = True
        self.numeric_errors = False
        self.unlocked = self.pin is None
        self.indications = [0, 0, 0, 0, 0]
        self.reading = "SM"

    @property
    def registered(self) -> bool:
        return self.unlocked and (self.registration in _REGISTERED or self.lte in _REGISTERED)

    def store(self, memory: str, pdu: str) -> int | None:
        """The place a PDU was stored at, None when there is no room."""
        slots = self.memories[memory]
        free = [at for at in range(1, self.capacity + 1) if at not in slots]
        if not free or self.crammed:
            return None
        slots[free[0]] = Slot(pdu)
        return free[0]

    def error(self, code: int, kind: str = "CMS") -> str:
        return f"+{kind} ERROR: {code}" if self.numeric_errors else "ERROR"

    def answer(self, line: str) -> Reply:
        """What comes back for one command line, without its AT."""
        for pattern, locked, handle in _COMMANDS:
            found = re.fullmatch(pattern, line, re.IGNORECASE)
            if found is None:
                continue
            if not self.unlocked and not locked:
                return Reply(final=self.error(11, "CME") if line.startswith("+C") else "ERROR")
            return handle(self, found)
        return Reply(final="ERROR")

    def _set_echo(self, found: re.Match[str]) -> Reply:
        self.echo = found[1] == "1"
        return Reply()

    def _set_errors(self, found: re.Match[str]) -> Reply:
        self.numeric_errors = found[1] != "0"
        return Reply()

    def _pin_state(self, _: re.Match[str]) -> Reply:
        state = "READY" if self.unlocked else "SIM PIN" if self.tries else "SIM PUK"
        return Reply((f"+CPIN: {state}",))

    def _give_pin(self, found: re.Match[str]) -> Reply:
        if self.unlocked:
            return Reply(final=self.error(3, "CME"))
        self.pin_attempts.append(found[1])
        if not self.tries:
            return Reply(final=self.error(12, "CME"))
        if found[1] != self.pin:
            self.tries -= 1
            return Reply(final=self.error(16 if self.tries else 12, "CME"))
        self.tries, self.unlocked = 3, True
        return Reply()

    def _tries_left(self, _: re.Match[str]) -> Reply:
        if not self.tells_tries:
            return Reply(final="ERROR")
        return Reply((f"+CPINR: SIM PIN,{self.tries},3",))

    def _set_mode(self, found: re.Match[str]) -> Reply:
        self.text_mode = found[1] == "1"
        return Reply()

    def _memory_state(self, _: re.Match[str]) -> Reply:
        parts = []
        for name in (self.reading, "SM", "SM"):
            used = self.capacity if self.crammed else len(self.memories[name])
            parts.append(f'"{name}",{used},{self.capacity}')
        return Reply((f"+CPMS: {','.join(parts)}",))

    def _set_memory(self, found: re.Match[str]) -> Reply:
        if found[1] not in self.memories:
            return Reply(final=self.error(302))
        self.reading = found[1]
        used = len(self.memories[found[1]])
        return Reply((f"+CPMS: {','.join([f'{used},{self.capacity}'] * 3)}",))

    def _set_indications(self, found: re.Match[str]) -> Reply:
        wanted = [int(number) for number in found[1].split(",")]
        if len(wanted) != 5 or wanted[3] not in self.report_modes:
            return Reply(final=self.error(303))
        self.indications = wanted
        return Reply()

    def _list(self, _: re.Match[str]) -> Reply:
        lines: list[str] = []
        for at, slot in sorted(self.memories[self.reading].items()):
            lines += [f"+CMGL: {at},{slot.status},,{tpdu_octets(slot.pdu)}", slot.pdu]
            slot.status = _RECEIVED_READ
        return Reply(tuple(lines))

    def _delete(self, found: re.Match[str]) -> Reply:
        if self.keeps_deleted:
            return Reply(final=self.error(500))
        if self.memories[self.reading].pop(int(found[1]), None) is None:
            return Reply(final=self.error(321))
        return Reply()

    def _dial(self, found: re.Match[str]) -> Reply:
        if not self.calls:
            return Reply(final=self.error(3, "CME"))
        if not self.registered:
            return Reply(final="NO CARRIER")
        return Reply(dial=found[1])

    def _service_code(self, found: re.Match[str]) -> Reply:
        return Reply(later=self.ussd.get(found[1], '+CUSD: 2,"Unknown code",15'))

    def _call_list(self, _: re.Match[str]) -> Reply:
        if self.call is None:
            return Reply()
        number, state = self.call
        return Reply((f'+CLCC: 1,0,{state},0,0,"{number}",145',))

    def _hang_up(self, _: re.Match[str]) -> Reply:
        self.call = None
        return Reply()

    def _submit(self, found: re.Match[str]) -> Reply:
        return Reply(prompt=found[1])


def _told(name: str, value: Callable[[Brain], object]) -> Callable[[Brain, re.Match[str]], Reply]:
    return lambda brain, _: Reply((f"{name}: {value(brain)}",))


# pattern, whether it is answered while the SIM is locked, and by what
_COMMANDS: tuple[tuple[str, bool, Callable[[Brain, re.Match[str]], Reply]], ...] = (
    ("", True, lambda _, __: Reply()),
    ("E([01])", True, Brain._set_echo),
    (r"\+CMEE\?", True, _told("+CMEE", lambda brain: int(brain.numeric_errors))),
    (r"\+CMEE=([012])", True, Brain._set_errors),
    (r"\+CPIN\?", True, Brain._pin_state),
    (r'\+CPIN="(\d+)"', True, Brain._give_pin),
    (r'\+CPINR="SIM PIN"', True, Brain._tries_left),
    (r"\+CMGF\?", True, _told("+CMGF", lambda brain: int(brain.text_mode))),
    (r"\+CMGF=([01])", True, Brain._set_mode),
    (r"\+CSMS=0", False, _told("+CSMS", lambda _: "1,1,1")),
    (r'\+CSCA="\+?\d+",\d+', False, lambda _, __: Reply()),
    (r"\+CPMS\?", False, Brain._memory_state),
    (r'\+CPMS="(\w+)"', False, Brain._set_memory),
    (r"\+CNMI\?", False, _told("+CNMI", lambda brain: ",".join(map(str, brain.indications)))),
    (r"\+CNMI=([\d,]+)", False, Brain._set_indications),
    (r"\+CREG\?", True, _told("+CREG", lambda brain: f"0,{brain.registration if brain.unlocked else 0}")),
    (r"\+CEREG\?", True, _told("+CEREG", lambda brain: f"0,{brain.lte if brain.unlocked else 0}")),
    (r"\+CSQ", True, _told("+CSQ", lambda brain: f"{brain.rssi},99")),
    (r"\+CMGL=4", False, Brain._list),
    (r"\+CMGD=(\d+)", False, Brain._delete),
    (r"\+CMGS=(.+)", False, Brain._submit),
    (r"D(\+?\d+);", False, Brain._dial),
    (r'\+CUSD=1,"([*#0-9]+)",15', False, Brain._service_code),
    (r"\+CLCC", False, Brain._call_list),
    (r"\+CHUP|H0?", False, Brain._hang_up),
)
