"""Texts as the network carries them: SMS-SUBMIT out, SMS-DELIVER and SMS-STATUS-REPORT in (3GPP TS 23.040, 9.2).

Bytes in, values out; nothing here touches a port. Whatever is wrong with a PDU ends as PduError, which says where.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from brinewatch.errors import BrinewatchError
from brinewatch.messages import Delivery
from brinewatch.notify import gsm7
from brinewatch.notify.causes import status_state, status_text

_USER_DATA_OCTETS = 140
_UCS2 = 0x08
_CONCAT_8, _CONCAT_16 = 0x00, 0x08
_LOCKING_SHIFT = 0x25
_INTERNATIONAL, _UNKNOWN_NUMBER = 0x91, 0x81
_ALPHANUMERIC = 0b101
_DIGITS = "0123456789*#abc"


class PduError(BrinewatchError):
    """A PDU that cannot be made, or bytes that are not one."""


@dataclass(frozen=True, slots=True)
class Part:
    """One SMS-SUBMIT in hexadecimal, an empty service centre in front; length: the octets +CMGS is told."""

    pdu: str
    length: int


@dataclass(frozen=True, slots=True)
class Concat:
    """Which part of a longer text this is (TS 23.040, 9.2.3.24.1 and .8). number counts from 1."""

    reference: int
    total: int
    number: int


@dataclass(frozen=True, slots=True)
class Deliver:
    """A text that came in. sent: the service centre's time stamp, None when it is no possible time."""

    sender: str
    text: str
    sent: datetime | None
    concat: Concat | None = None


@dataclass(frozen=True, slots=True)
class StatusReport:
    """What became of a text that went out. status: TP-ST as it came; reference: the TP-MR that +CMGS answered."""

    recipient: str
    reference: int
    status: int
    discharged: datetime | None

    @property
    def state(self) -> Delivery:
        return status_state(self.status)

    @property
    def detail(self) -> str:
        return status_text(self.status)


# -- out ----------------------------------------------------------------------------------------------------------


def submit(to: str, text: str, *, concat_reference: int, validity_min: int | None, report: bool) -> list[Part]:
    """One text as SMS-SUBMIT parts, in order.

    to: digits with or without a leading +; concat_reference: 0 to 255, used when there is more than one part;
    validity_min: rounded up to what TP-VP can say, None to leave it to the service centre; report: ask for a
    delivery report. Raises PduError for a number or a text that cannot be sent.
    """
    pieces, coding = _split(text)
    if len(pieces) > 255:
        raise PduError(f"The text would take {len(pieces)} messages.", "At most 255 can be joined: shorten it.")
    first = 0x01 | (0x10 if validity_min is not None else 0) | (0x20 if report else 0)
    first |= 0x40 if len(pieces) > 1 else 0
    head = bytes([first, 0]) + _address(to) + bytes([0, coding])
    if validity_min is not None:
        head += bytes([relative_validity(validity_min)])
    made = []
    for number, piece in enumerate(pieces, 1):
        header = bytes([5, _CONCAT_8, 3, concat_reference, len(pieces), number]) if len(pieces) > 1 else b""
        tpdu = head + _user_data(piece, coding, header)
        made.append(Part("00" + tpdu.hex().upper(), len(tpdu)))
    return made


def _split(text: str) -> tuple[list[bytes], int]:
    """The text cut into what one message holds, and its data coding scheme. No character is ever cut in two."""
    if gsm7.fits(text):
        units, coding, whole, part = gsm7.codes(text), 0, 160, 153
    else:
        try:
            units = [character.encode("utf-16-be") for character in text]
        except UnicodeEncodeError as error:
            raise PduError(f"The text holds half a character at place {error.start + 1}.") from error
        coding, whole, part = _UCS2, _USER_DATA_OCTETS, _USER_DATA_OCTETS - 6
    if sum(map(len, units)) <= whole:
        return [b"".join(units)], coding
    pieces, piece = [], b""
    for unit in units:
        if len(piece) + len(unit) > part:
            pieces.append(piece)
            piece = b""
        piece += unit
    return [*pieces, piece], coding


def _user_data(piece: bytes, coding: int, header: bytes) -> bytes:
    if coding == _UCS2:
        return bytes([len(header) + len(piece)]) + header + piece
    fill = -8 * len(header) % 7
    septets = (8 * len(header) + fill) // 7 + len(piece)
    return bytes([septets]) + header + gsm7.pack(piece, fill)


def _address(number: str) -> bytes:
    digits = number.removeprefix("+")
    if not re.fullmatch(r"[0-9*#]{1,20}", digits):
        raise PduError(f"{number!r} is not a phone number.", "Write it as + and 7 to 15 digits.")
    kind = _INTERNATIONAL if number.startswith("+") else _UNKNOWN_NUMBER
    nibbles = [_DIGITS.index(digit) for digit in digits] + [0xF] * (len(digits) % 2)
    pairs = zip(nibbles[::2], nibbles[1::2], strict=True)
    return bytes([len(digits), kind, *(high << 4 | low for low, high in pairs)])


def relative_validity(minutes: int) -> int:
    """TP-VP for at least so many minutes (TS 23.040, 9.2.3.12.1): steps of 5 min, 30 min, a day, a week."""
    if minutes <= 12 * 60:
        return max(1, -(-minutes // 5)) - 1
    if minutes <= 24 * 60:
        return 143 + -(-(minutes - 12 * 60) // 30)
    days = -(-minutes // (24 * 60))
    return 166 + days if days <= 30 else min(255, 192 + -(-days // 7))


# -- in -----------------------------------------------------------------------------------------------------------


class _Octets:
    """A PDU read from the front; every short read says what was missing."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, count: int, what: str) -> bytes:
        if self._at + count > len(self._data):
            raise PduError(f"The PDU ends after {len(self._data)} octets, within {what}.")
        self._at += count
        return self._data[self._at - count : self._at]

    def octet(self, what: str) -> int:
        return self.take(1, what)[0]


def decode(pdu: str, length: int | None = None) -> Deliver | StatusReport:
    """A PDU as a modem lists it, in hexadecimal with the service centre in front.

    length: the octets the modem announced, which do not count the service centre; a PDU of just that many octets
    comes without one. Raises PduError.
    """
    try:
        data = bytes.fromhex(pdu.strip())
    except ValueError:
        raise PduError(f"The PDU is not hexadecimal: {pdu[:40]!r}.") from None
    octets = _Octets(data)
    if length is None or length != len(data):
        octets.take(octets.octet("the length of the service centre"), "the service centre")
    first = octets.octet("its first octet")
    match first & 0x03:
        case 0:
            return _deliver(octets, has_header=bool(first & 0x40))
        case 2:
            return _status_report(octets)
    raise PduError(f"The PDU is neither a text nor a status report (type {first & 0x03}).")


def _deliver(octets: _Octets, *, has_header: bool) -> Deliver:
    sender = _number(octets, "the sender")
    octets.octet("the protocol identifier")
    coding = _alphabet(octets.octet("the data coding scheme"))
    sent = _time(octets.take(7, "the time stamp"))
    length = octets.octet("the length of the text")
    size = length if coding != "gsm7" else (7 * length + 7) // 8
    if size > _USER_DATA_OCTETS:
        raise PduError(f"The PDU announces a text of {size} octets; {_USER_DATA_OCTETS} is the most there can be.")
    data = octets.take(size, "the text")
    if coding == "binary":
        raise PduError("The message is 8-bit data, not text.")
    concat, header = _header(data) if has_header else (None, 0)
    if coding == "ucs2":
        return Deliver(sender, data[header:].decode("utf-16-be", "replace"), sent, concat)
    fill = -8 * header % 7
    count = length - (8 * header + fill) // 7
    if count < 0:
        raise PduError("The user data header is longer than the text it stands in.")
    return Deliver(sender, gsm7.text_of(gsm7.unpack(data[header:], count, fill)), sent, concat)


def _status_report(octets: _Octets) -> StatusReport:
    reference = octets.octet("the message reference")
    recipient = _number(octets, "the recipient")
    octets.take(7, "the time stamp")
    discharged = _time(octets.take(7, "the discharge time"))
    return StatusReport(recipient, reference, octets.octet("the status"), discharged)


def _number(octets: _Octets, what: str) -> str:
    length = octets.octet(f"the length of {what}")
    kind = octets.octet(f"the type of {what}")
    data = octets.take((length + 1) // 2, what)
    if kind >> 4 & 0b111 == _ALPHANUMERIC:
        return gsm7.text_of(gsm7.unpack(data, 4 * length // 7))
    nibbles = [nibble for octet in data for nibble in (octet & 0xF, octet >> 4)][:length]
    if 0xF in nibbles:
        raise PduError(f"A digit of {what} is missing in {data.hex()}.")
    digits = "".join(_DIGITS[nibble] for nibble in nibbles)
    return f"+{digits}" if kind >> 4 & 0b111 == 0b001 else digits


def _alphabet(scheme: int) -> str:
    """TS 23.038, 4: reserved codings are read as the default alphabet."""
    group = scheme >> 4
    if group < 0b1000:
        if scheme & 0x20:
            raise PduError("The message is compressed, which nothing here can read.")
        return ("gsm7", "binary", "ucs2", "gsm7")[scheme >> 2 & 0b11]
    if group == 0b1111:
        return "binary" if scheme & 0x04 else "gsm7"
    return "ucs2" if group == 0b1110 else "gsm7"


def _header(data: bytes) -> tuple[Concat | None, int]:
    """The concatenation, if any, and the octets the user data header takes (TS 23.040, 9.2.3.24)."""
    octets = _Octets(data)
    size = octets.octet("the length of the user data header")
    elements = _Octets(octets.take(size, "the user data header"))
    concat = None
    left = size
    while left > 0:
        kind = elements.octet("a header element")
        value = elements.take(elements.octet("the length of a header element"), "a header element")
        left -= 2 + len(value)
        if kind == _LOCKING_SHIFT:
            raise PduError("The message is written in a national language table, which nothing here can read.")
        if (kind, len(value)) in ((_CONCAT_8, 3), (_CONCAT_16, 4)):
            total, number = value[-2:]
            # an element that makes no sense is to be passed over (9.2.3.24.1)
            concat = Concat(int.from_bytes(value[:-2], "big"), total, number) if 1 <= number <= total else None
    return concat, size + 1


def _time(octets: bytes) -> datetime | None:
    """A time stamp (TS 23.040, 9.2.3.11), None when it is no possible time: it informs, it decides nothing."""
    swapped = [(octet & 0xF) * 10 + (octet >> 4) if octet & 0xF < 10 and octet >> 4 < 10 else None
               for octet in octets[:6]]  # fmt: skip
    # bit 3 of the last octet is the sign of the zone, which a plain swap of digits reads as 80 quarters of an hour
    quarters = (octets[6] & 0x07) * 10 + (octets[6] >> 4)
    sign = -1 if octets[6] & 0x08 else 1
    try:
        year, month, day, hour, minute, second = (_whole(one) for one in swapped)
        zone = timezone(sign * timedelta(minutes=15 * quarters))
        return datetime(year + (1900 if year >= 70 else 2000), month, day, hour, minute, second, tzinfo=zone)
    except ValueError:
        return None


def _whole(digits: int | None) -> int:
    if digits is None:
        raise ValueError("not a decimal digit")
    return digits
