"""SDI-12 as data: what is asked, what an answer must look like, what its values are. Pure: bytes in, numbers out.

By "SDI-12, a serial-digital interface standard for microprocessor-based sensors, version 1.4" (SDI-12 Support
Group), section 4.4; its CRC is 4.4.12. Lengths of values and of answers are from memory of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from brinewatch.errors import BadAnswer
from brinewatch.probes.registers import crc16

END = b"\r\n"
# address, 75 characters of values, CRC, end; an identification is shorter
LONGEST = 1 + 75 + 3 + len(END)
MEASURE = r"^([MC][1-9]?|R[0-9])$"

# a sign that must be there, at most 7 digits, at most one point among them; longer ones are seen and refused
_VALUE = re.compile(r"[+-](?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)", re.ASCII)
_VALUES = re.compile(rf"(?:{_VALUE.pattern})*", re.ASCII)
_DIGITS = 7
_START = {"M": re.compile(r"([0-9]{3})([0-9])", re.ASCII), "C": re.compile(r"([0-9]{3})([0-9]{2})", re.ASCII)}
_IDENTITY = re.compile(r"([0-9]{2})([ -~]{8})([ -~]{6})([ -~]{3})([ -~]{0,13})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Identity:
    """What a probe says it is. protocol: "14" for version 1.4; maker, model and version as they stand there."""

    protocol: str
    maker: str
    model: str
    version: str
    more: str

    def __str__(self) -> str:
        said = (self.maker.strip(), self.model.strip(), self.version.strip(), self.more.strip())
        return " ".join(one for one in said if one)


def crc_signs(data: bytes) -> bytes:
    """The CRC of an answer as three characters (4.4.12.2): CRC-16 of start 0, six bits each, made printable."""
    crc = crc16(data, 0)
    return bytes((0x40 | crc >> 12, 0x40 | crc >> 6 & 0x3F, 0x40 | crc & 0x3F))


def command_of(measure: str, *, crc: bool) -> str:
    """The command of a measurement, after the address and before "!": ("M1", crc) -> "MC1"."""
    return f"{measure[0]}C{measure[1:]}" if crc else measure


def body(line: bytes, address: str, *, crc: bool) -> str:
    """What an answer says between its address and its end (or its CRC).

    Raises BadAnswer when it is cut off, too long, garbled, another's, or its CRC is missing or wrong. Bytes 00 and
    FF before it are a line driver turning round: no probe has either as its address.
    """
    answer = line.lstrip(b"\x00\xff")
    if not answer.endswith(END):
        raise BadAnswer(f"An answer of {len(answer)} bytes came without its end: {answer[:40]!r}.")
    answer = answer[: -len(END)]
    if len(answer) > LONGEST - len(END):
        raise BadAnswer(f"An answer of {len(answer)} bytes came; {LONGEST - len(END)} are allowed.")
    if not answer or any(not 0x20 <= byte <= 0x7F for byte in answer):  # a CRC may hold 7F
        raise BadAnswer(f"The answer is garbled: {answer[:40]!r}.", "Check speed, parity, cable and adapter.")
    if answer[:1] != address.encode("ascii"):
        raise BadAnswer(f"Address {answer[:1].decode('ascii')!r} answered instead of {address!r}.")
    if crc:
        if len(answer) < 4:
            raise BadAnswer(f"The answer of address {address} has no CRC: {answer!r}.")
        answer, given = answer[:-3], answer[-3:]
        if crc_signs(answer) != given:
            raise BadAnswer(f"The CRC of the answer of address {address} is wrong.")
    text = answer[1:].decode("ascii")
    if "\x7f" in text:
        raise BadAnswer(f"The answer is garbled: {answer[:40]!r}.", "Check speed, parity, cable and adapter.")
    return text


def started(text: str, kind: str) -> tuple[int, int]:
    """Of the answer to a measurement of kind "M" or "C": seconds until the data is there, how many values."""
    match = _START[kind].fullmatch(text)
    if match is None:
        raise BadAnswer(f"The answer to {kind} reads {text[:40]!r} instead of a time and a number of values.")
    return int(match[1]), int(match[2])


def values(text: str) -> list[float]:
    """The values of a data answer, in order; none when it holds none. BadAnswer for anything between them."""
    if not _VALUES.fullmatch(text):
        raise BadAnswer(f"The data reads {text[:40]!r}, which is not a row of signed numbers.")
    found = _VALUE.findall(text)
    for one in found:
        if sum(sign.isdigit() for sign in one) > _DIGITS:
            raise BadAnswer(f"A value reads {one[:40]!r}; {_DIGITS} digits are the most.")
    return [float(one) for one in found]


def identity(text: str) -> Identity:
    """What the answer to the identification command says."""
    match = _IDENTITY.fullmatch(text)
    if match is None:
        raise BadAnswer(f"The identification reads {text[:40]!r}, which is none.")
    return Identity(*match.groups())
