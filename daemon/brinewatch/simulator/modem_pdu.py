"""The network's side of text messages, made and read with a library that is not ours.

smspdudecoder decodes what the daemon sends, so that a fault of the daemon's own coding cannot hide. It decodes
letters, numbers and dates; the frame around them follows 3GPP TS 23.040, 9.2.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO

from brinewatch.errors import BrinewatchError

_SERVICE_CENTRE = "447700900999"
_PART_LETTERS = {"gsm": (160, 153), "ucs2": (70, 67)}


def need_library() -> None:
    """Raises BrinewatchError when the decoding library is not installed or does not load."""
    try:
        import smspdudecoder.fields  # noqa: F401
    except ImportError as error:
        raise BrinewatchError(
            f"The simulated modem cannot load smspdudecoder: {error}.",
            "Install it: pip install brinewatch[simulator]",
        ) from error


@dataclass(frozen=True, slots=True)
class Submitted:
    """One SMS-SUBMIT as the network understands it. concat: reference, total, number; validity_vp: TP-VP."""

    to: str
    text: str
    concat: tuple[int, int, int] | None
    report_wanted: bool
    validity_vp: int | None


def read_submit(pdu: str) -> Submitted:
    """Raises ValueError for what is no SMS-SUBMIT."""
    from smspdudecoder import fields

    data = StringIO(pdu)
    fields.SMSC.decode(data)
    header = fields.OutgoingPDUHeader.decode(data)
    if header["mti"] != "submit":
        raise ValueError(f"not an SMS-SUBMIT: {pdu}")
    data.read(2)  # TP-MR, which the modem sets
    recipient = fields.Address.decode(data)
    data.read(2)  # TP-PID
    coding = fields.DCS.decode(data)["encoding"]
    validity = int(data.read(2), 16) if header["vpf"] == 2 else None
    length = int(data.read(2), 16)
    text, concat = _user_data(data.read(), length, coding, has_header=header["udhi"])
    to = ("+" if recipient["toa"]["ton"] == "international" else "") + recipient["number"]
    return Submitted(to, text, concat, header["srr"], validity)


def _user_data(data: str, length: int, coding: str, *, has_header: bool) -> tuple[str, tuple[int, int, int] | None]:
    from smspdudecoder.codecs import GSM, UCS2
    from smspdudecoder.fields import UserDataHeader

    octets, concat = 0, None
    if has_header:
        header = UserDataHeader.decode(StringIO(data))
        octets = header["length"] + 1
        for element in header["elements"]:
            if element["iei"] == 0:
                told = element["data"]
                concat = (told["reference"], told["parts_count"], told["part_number"])
    size = length if coding != "gsm" else (7 * length + 7) // 8
    if len(data) != 2 * size:
        raise ValueError(f"the text has {len(data) // 2} octets, {size} are announced")
    if coding == "ucs2":
        return UCS2.decode(data[2 * octets :]), concat
    if coding != "gsm":
        raise ValueError(f"the text is {coding}")
    # with the header blanked it reads as so many letters @, whatever stood in it
    skipped = -(-8 * octets // 7)
    letters = GSM.decode("00" * octets + data[2 * octets :])[skipped:]
    # the library takes seven bits of filling at the end for one more @
    doubled = sum(letter in GSM.ALPHABET_EXT.values() for letter in letters)
    return letters[: length - skipped - doubled], concat


def deliver(sender: str, text: str, utc: float, reference: int = 1) -> list[str]:
    """One text as SMS-DELIVER PDUs. sender: digits with or without +, or a name."""
    from smspdudecoder.codecs import GSM, UCS2

    try:
        GSM.encode(text)
        coding = "gsm"
    except ValueError:
        coding = "ucs2"
    pieces = _pieces(text, coding)
    made = []
    for number, piece in enumerate(pieces, 1):
        header = bytes([5, 0, 3, reference, len(pieces), number]).hex() if len(pieces) > 1 else ""
        if coding == "gsm":
            blank = "@" * (7 if header else 0)
            length = len(blank + piece) + sum(letter in GSM.ALPHABET_EXT.values() for letter in piece)
            data = header + GSM.encode(blank + piece)[len(header) :]
        else:
            data = header + UCS2.encode(piece)
            length = len(data) // 2
        first = "44" if header else "04"
        scheme = "00" if coding == "gsm" else "08"
        made.append(f"{_centre()}{first}{_address(sender)}00{scheme}{_date(utc)}{length:02X}{data}".upper())
    return made


def _pieces(text: str, coding: str) -> list[str]:
    from smspdudecoder.codecs import GSM, UCS2

    weights = [
        len(UCS2.encode(one)) // 4 if coding == "ucs2" else 1 + (one in GSM.ALPHABET_EXT_INV) for one in text
    ]
    whole, part = _PART_LETTERS[coding]
    if sum(weights) <= whole:
        return [text]
    pieces, room = [""], part
    for letter, weight in zip(text, weights, strict=True):
        if weight > room:
            pieces.append("")
            room = part
        pieces[-1] += letter
        room -= weight
    return pieces


def status_report(reference: int, to: str, status: int, submitted_utc: float, utc: float) -> str:
    """One SMS-STATUS-REPORT."""
    return (
        f"{_centre()}06{reference:02X}{_address(to)}{_date(submitted_utc)}{_date(utc)}{status:02X}"
    ).upper()  # fmt: skip


def tpdu_octets(pdu: str) -> int:
    """The length a modem announces: all octets but the service centre's."""
    return len(pdu) // 2 - 1 - int(pdu[:2], 16)


def _centre() -> str:
    from smspdudecoder.elements import Number

    return f"0791{Number.encode(_SERVICE_CENTRE)}"


def _address(number: str) -> str:
    from smspdudecoder.codecs import GSM
    from smspdudecoder.elements import Number, TypeOfAddress

    digits = number.removeprefix("+")
    if not digits.isdecimal():
        kind = TypeOfAddress.encode({"ton": "alphanumeric", "npi": "unknown"})
        return f"{-(-7 * len(number) // 4):02X}{kind}{GSM.encode(number)}"
    kind = TypeOfAddress.encode({"ton": "international" if number.startswith("+") else "unknown", "npi": "isdn"})
    return f"{len(digits):02X}{kind}{Number.encode(digits)}"


def _date(utc: float) -> str:
    from smspdudecoder.elements import Date

    return str(Date.encode(datetime.fromtimestamp(utc, UTC)))
