"""What comes from the modem and from people: AT lines, PDUs, texts; what comes signed over the broker.

PDUs are made by a library that is not ours and must come back as the same text; orders are made with a known
meaning.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, date
from functools import lru_cache
from typing import Any

from brinewatch.alarms.events import Order
from brinewatch.alarms.replying import Asked, order_of, understand, without_pin
from brinewatch.clock import SystemClock
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.notify.at import AtEngine, _Exchange
from brinewatch.notify.inbox import Stored, letters
from brinewatch.notify.intake import Intake
from brinewatch.notify.pdu import PduError, StatusReport, decode, submit
from brinewatch.notify.sim import SimWatch
from brinewatch.sentry.beats import Beat, from_short, heard_of, ills, short_text, strains
from brinewatch.signing import BadSignature, opened, opened_text, sealed, sealed_text
from brinewatch.simulator.modem_pdu import deliver, read_submit, status_report, tpdu_octets
from brinewatch.wire import LineSettings, SerialStream

from .mutate import spoiled
from .target import Target, Wrong

_NOW = Moment(5000.0, 1_790_200_800.0, True, UTC)
_LETTERS = "abcXYZ 0123456789@£$¥èéùìò_ΔΦ{}[]~|€!?.,"
_OTHERS = "ъЖ中あ😀ß"

# -- PDUs ---------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _made(number: int) -> tuple[str, str, tuple[str, ...]]:
    """(sender, text, its PDUs by a library that is not ours); kept, for making them takes ten times the parsing."""
    chance = random.Random(f"text {number}")
    letters_ = _LETTERS + (_OTHERS if chance.random() < 0.4 else "")
    text = "".join(chance.choice(letters_) for _ in range(chance.choice((1, 8, 40, 160, 200))))
    sender = chance.choice(("+447700900101", "447700900102", "NETWORK"))
    return sender, text, tuple(deliver(sender, text, _NOW.utc, chance.randrange(256)))


def _pdu(chance: random.Random) -> tuple[str, int | None, tuple[str, str, int] | None]:
    """(PDU, length announced, what it must say when it is whole: sender, text of all parts, place of this part)"""
    if chance.random() < 0.2:
        pdu = status_report(
            chance.randrange(256), "+447700900101", chance.choice((0, 0x30, 0x41)), _NOW.utc, _NOW.utc
        )
        truth = None
    else:
        sender, text, parts = _made(chance.randrange(64))
        place = chance.randrange(len(parts))
        pdu, truth = parts[place], (sender, text, place)
    if chance.random() < 0.1:
        return pdu, chance.choice((None, tpdu_octets(pdu))), truth
    if chance.random() < 0.7:
        data = spoiled(chance, bytes.fromhex(pdu))
        length = chance.choice((None, len(data), max(0, len(data) - 8)))
        return data.hex().upper(), length, None
    return spoiled(chance, pdu.encode()).decode("ascii", "replace"), None, None


def _check_pdu(given: tuple[str, int | None, tuple[str, str, int] | None]) -> bool:
    pdu, length, truth = given
    try:
        got = decode(pdu, length)
    except PduError:
        if truth is not None:
            raise Wrong(f"{truth[1]!r} was refused") from None
        return False
    if isinstance(got, StatusReport):
        if not isinstance(got.state, Delivery) or not got.detail:
            raise Wrong("a report that says nothing")
        return True
    got.text.encode("utf-8")  # half a character would not be stored
    got.sender.encode("utf-8")
    if truth is not None:
        sender, text, place = truth
        if got.sender != sender or got.text not in text or (got.concat is None) != (got.text == text):
            raise Wrong(f"{got.sender} {got.text!r} instead of {sender} {text!r}")
        if got.concat is not None and got.concat.number != place + 1:
            raise Wrong(f"part {got.concat.number} instead of {place + 1}")
    (letter,) = letters([(Stored(1, pdu, 0), got)])
    if got.concat is None and letter.text != got.text:
        raise Wrong("a letter with another text")
    return True


def _text_out(chance: random.Random) -> tuple[str, str]:
    letters_ = chance.choice((_LETTERS, _LETTERS + _OTHERS, _LETTERS + "\ud800\x00\x1b\n"))
    text = "".join(chance.choice(letters_) for _ in range(chance.choice((0, 1, 20, 70, 71, 160, 161, 400))))
    return chance.choice(("+447700900101", "0", "", "+", "12a", "+" + "4" * 30, "٤٤")), text


def _check_text_out(given: tuple[str, str]) -> bool:
    to, text = given
    try:
        parts = submit(to, text, concat_reference=7, validity_min=60, report=True)
    except PduError:
        return False
    read = [read_submit(part.pdu) for part in parts]
    if "".join(one.text for one in read) != text or {one.to.removeprefix("+") for one in read} != {
        to.removeprefix("+")
    }:
        raise Wrong(f"{[one.text for one in read]!r} to {read[0].to} instead of {text!r} to {to}")
    return True


# -- the modem's lines --------------------------------------------------------------------------------------------

_SAID = (
    b"\r\nOK\r\n", b"\r\nERROR\r\n", b"\r\n+CMS ERROR: 38\r\n", b"\r\n+CME ERROR: SIM not inserted\r\n",
    b"\r\nRING\r\n",
    b'\r\n+CMTI: "SM",3\r\n', b"\r\n+CDS: 25\r\n0791448720003023240B91\r\n", b"\r\nNO CARRIER\r\n", b"> ",
    b'\r\n+CUSD: 0,"Your credit is 12,40 pounds",15\r\n', b'\r\n+CUSD: 0,"0031003200300030",72\r\n',
    b"\r\n+CMGS: 12\r\n",
    b'\r\n+CMT: ,30\r\n0791448720003023040B914477009001F10000', b'\r\n+CDSI: "SR",1\r\n', b"\r\n+CMEE: 1\r\n",
    b"\r\n+CMGL: 1,1,,24\r\n0791448720003023\r\n",
)  # fmt: skip


def _at(chance: random.Random) -> tuple[str, bytes]:
    data = b"".join(chance.choice(_SAID) for _ in range(chance.randrange(1, 5)))
    asked = chance.choice(("", "AT+CMGL=4", "AT+CMGS=20", "ATD+447700900101;", "AT+CMEE?"))
    return asked, spoiled(chance, data)


def _check_at(given: tuple[str, bytes]) -> bool:
    asked, data = given
    heard: list[tuple[str, str]] = []
    engine = AtEngine(
        SerialStream(LineSettings("none")), SystemClock(), lambda line, pdu: heard.append((line, pdu))
    )
    if asked:
        engine._now = _Exchange(asked, "+CMGS:" if "CMGS" in asked else "+CM", wants_prompt="CMGS" in asked)
    for at in range(0, len(data), 7):  # as it comes, in pieces
        engine._feed(data[at : at + 7])
    if len(engine._buffer) > 4096 + 7:
        raise Wrong("noise is kept for ever")
    if engine._now is not None and engine._now.final is not None:
        with suppress(Exception):  # a refusal, which is told apart elsewhere
            engine._judge(engine._now)
    intake = Intake("sms", SystemClock(), lambda inbound: None, lambda report: None)
    sim = SimWatch(date(2027, 3, 31), "*100#", r"([0-9]+[.,][0-9]{2})", 5.0, _NOW, lambda well, words: None)
    for line, pdu in heard:
        if not sim.hear(line, _NOW):
            intake.announced(line, pdu)
    sim.tell(_NOW)
    return bool(heard)


# -- texts of people ----------------------------------------------------------------------------------------------

_ORDERS: tuple[tuple[str, Asked], ...] = (
    ("OK 12", Asked(Order.ACKNOWLEDGE, 12)), ("ok", Asked(Order.ACKNOWLEDGE)),
    ("OK ALL", Asked(Order.ACKNOWLEDGE, every=True)), ("RESET 7", Asked(Order.RESET, 7)),
    ("SHELVE 12 30", Asked(Order.SHELVE, 12, for_s=1800.0)),
    ("SHELVE 12 2H", Asked(Order.SHELVE, 12, for_s=7200.0)),
    ("UNSHELVE 12", Asked(Order.UNSHELVE, 12)), ("HERE 90", Asked(Order.ATTEND, for_s=5400.0)),
    ("LEFT", Asked(Order.LEAVE)), ("STATE", Asked(None, what="state")), ("who", Asked(None, what="who")),
)  # fmt: skip


def _reply(chance: random.Random) -> tuple[str, Asked | None]:
    text, meaning = chance.choice(_ORDERS)
    if chance.random() < 0.3:
        text = chance.choice((text.lower(), text.upper(), text.title()))
        text = "".join(chance.choice((" ", ". ", " - ", "\n")) if sign == " " else sign for sign in text)
        return chance.choice(("", " ", "...")) + text + chance.choice(("", "!", " .\r\n")), meaning
    return spoiled(chance, text.encode()).decode("utf-8", "replace"), None


def _check_reply(given: tuple[str, Asked | None]) -> bool:
    text, meaning = given
    asked = understand(text)
    if meaning is not None and asked != meaning:
        raise Wrong(f"{text!r} was taken for {asked}")
    without_pin(text, "4711")
    if asked is None:
        return False
    if asked.number is not None and (not 1 <= asked.number <= 999 or str(asked.number) not in text):
        raise Wrong(f"{text!r} was taken for number {asked.number}")
    command = order_of(asked, "Wren", _NOW, (12,))
    if command is not None and command.for_s is not None and not 0 <= command.for_s < 1e9:
        raise Wrong(f"{text!r} was taken for {command.for_s} s")
    return True


# -- what is signed -----------------------------------------------------------------------------------------------

_SECRET, _TOPIC = "a-secret-of-the-shed-0123456789", "brinewatch/gannet-quay/beat"
_BEAT = Beat(
    "gannet-quay", 3, 120, _NOW.utc, True, 30.0, "1.0", cycle_age_s=2.5, critical_age_s=1.0,
    critical="raceway.oxygen",
    failing=("modem",), mains=True, disk_free_percent=40.0, standing=1,
)  # fmt: skip
_SEALED = sealed(_TOPIC, _BEAT.fields(), _SECRET).encode()
_TEXT = sealed_text(short_text(_BEAT), _SECRET)


def _signed(chance: random.Random) -> tuple[str, bytes]:
    """Spoiled as it came over the wire, or spoiled and signed again by somebody who has the secret."""
    match chance.randrange(4):
        case 0:
            return "sealed", spoiled(chance, _SEALED)
        case 1:
            return "text", spoiled(chance, _TEXT.encode())
        case 2:
            return "short", spoiled(chance, short_text(_BEAT).encode())
    fields = dict(_BEAT.fields())
    for _ in range(chance.randrange(1, 3)):
        fields[chance.choice([*fields, "x"])] = chance.choice(
            (None, -1, 0, 10**40, 1e308, "", "x", [], {}, [1], True)
        )
    return "sealed", sealed(_TOPIC, fields, _SECRET).encode()


def _check_signed(given: tuple[str, bytes]) -> bool:
    kind, data = given
    try:
        if kind == "sealed":
            fields = opened(_TOPIC, data, _SECRET)
            _same(json.loads(data), fields)
            beat = Beat.of(fields)
        else:
            text = data.decode("utf-8", "replace")
            if kind == "text":
                said = opened_text(text, _SECRET)
                if said != short_text(_BEAT):
                    raise Wrong(f"{said!r} passed for signed")
                text = said
            with suppress(ValueError):
                heard_of(text)
            beat, _ = from_short(text)
    except (BadSignature, ValueError):
        return False
    ills(beat)
    strains(beat)
    return True


def _same(payload: dict[str, Any], fields: dict[str, Any]) -> None:
    mac = payload.pop("mac")
    if payload != fields or sealed(_TOPIC, payload, _SECRET) != sealed(_TOPIC, fields, _SECRET):
        raise Wrong("other fields than were signed")
    if mac != json.loads(sealed(_TOPIC, payload, _SECRET))["mac"]:
        raise Wrong("a wrong signature passed")


def _targets() -> Iterator[Target]:
    yield Target("PDUs of the modem", _pdu, _check_pdu, 10)
    yield Target("texts sent out", _text_out, _check_text_out, 0.4)
    yield Target("lines of the modem", _at, _check_at, 8)
    yield Target("texts of people", _reply, _check_reply, 10)
    yield Target("signs of life", _signed, _check_signed, 8)


TARGETS = tuple(_targets())
