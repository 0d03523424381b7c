"""What the codes of modem and network mean, and what can be done about each.

TP-ST: 3GPP TS 23.040, 9.2.3.15. +CMS ERROR: TS 27.005, 3.2.5, which takes 0 to 127 from TS 24.011 annex E and
128 to 255 from TS 23.040, 9.2.3.22. +CME ERROR: TS 27.007, 9.2. Meanings are the standards'; the remedy is ours.
"""

from __future__ import annotations

from enum import StrEnum

from brinewatch.messages import Delivery


class Remedy(StrEnum):
    """What a refusal asks for. UNKNOWN: the message may have gone out all the same."""

    RETRY = "retry"
    PERSON = "person"
    UNKNOWN = "unknown"


_R, _P, _U = Remedy.RETRY, Remedy.PERSON, Remedy.UNKNOWN

CMS: dict[int, tuple[str, Remedy]] = {
    1: ("the number is not assigned to anyone", _P),
    8: ("barred by the operator", _P),
    10: ("calls are barred", _P),
    21: ("short message transfer rejected; check credit and the service centre's number", _R),
    22: ("congestion, or the memory of the destination is full", _R),
    27: ("the destination is out of service", _R),
    28: ("the network does not know this subscriber", _P),
    29: ("facility rejected", _P),
    30: ("the network does not know the subscriber called", _P),
    38: ("network out of order", _R),
    41: ("temporary failure of the network", _R),
    42: ("congestion in the network", _R),
    47: ("no resources in the network", _R),
    50: ("the subscription does not include text messages", _P),
    69: ("facility not implemented in the network", _P),
    81: ("invalid transfer reference", _R),
    95: ("invalid message", _P),
    96: ("invalid mandatory information", _P),
    97: ("message type not implemented", _P),
    98: ("message does not fit the state of the protocol", _R),
    99: ("information element not implemented", _P),
    111: ("protocol error", _R),
    127: ("interworking error", _R),
    128: ("telematic interworking not supported", _P),
    129: ("message type 0 not supported", _P),
    130: ("cannot replace the message", _P),
    143: ("error in the protocol identifier", _P),
    144: ("alphabet not supported", _P),
    145: ("message class not supported", _P),
    159: ("error in the data coding scheme", _P),
    160: ("the command cannot be carried out", _P),
    161: ("the command is not supported", _P),
    175: ("error in the command", _P),
    176: ("the message unit is not supported", _P),
    192: ("service centre busy", _R),
    193: ("no subscription at the service centre", _P),
    194: ("service centre failed", _R),
    195: ("the service centre does not accept the number", _P),
    196: ("the destination is barred", _P),
    197: ("rejected as a duplicate: the service centre already has it", _U),
    198: ("validity period format not supported", _P),
    199: ("validity period not supported", _P),
    208: ("the SIM's message storage is full", _R),
    209: ("the SIM has no message storage", _P),
    210: ("error in the phone", _R),
    211: ("memory full", _R),
    212: ("SIM toolkit busy", _R),
    213: ("SIM data download error", _R),
    255: ("unspecified error", _R),
    300: ("the modem failed", _R),
    301: ("the modem keeps its message service for itself", _R),
    302: ("operation not allowed", _P),
    303: ("operation not supported", _P),
    304: ("the modem does not take the message as it was written", _P),
    305: ("the modem is not in PDU mode", _P),
    310: ("no SIM in the modem", _P),
    311: ("the SIM wants its PIN", _P),
    312: ("the modem is locked to another SIM", _P),
    313: ("the SIM failed", _P),
    314: ("the SIM is busy", _R),
    315: ("wrong SIM", _P),
    316: ("the SIM is blocked and wants its PUK", _P),
    317: ("the SIM wants PIN2", _P),
    318: ("the SIM wants PUK2", _P),
    320: ("the modem's memory failed", _R),
    321: ("no such place in the memory", _R),
    322: ("the memory is full", _R),
    330: ("the service centre's number is not known; set `smsc`", _P),
    331: ("no network service", _R),
    332: ("the network did not answer in time", _U),
    340: ("no acknowledgement expected", _R),
    500: ("unknown error", _R),
}

CME: dict[int, tuple[str, Remedy]] = {
    3: ("operation not allowed", _P),
    4: ("operation not supported", _P),
    5: ("the modem is locked to another SIM", _P),
    10: ("no SIM in the modem", _P),
    11: ("the SIM wants its PIN", _P),
    12: ("the SIM is blocked and wants its PUK", _P),
    13: ("the SIM failed", _P),
    14: ("the SIM is busy", _R),
    15: ("wrong SIM", _P),
    16: ("wrong PIN", _P),
    17: ("the SIM wants PIN2", _P),
    18: ("the SIM wants PUK2", _P),
    20: ("the memory is full", _R),
    21: ("no such place in the memory", _R),
    23: ("the modem's memory failed", _R),
    30: ("no network service", _R),
    31: ("the network did not answer in time", _R),
    32: ("the network allows emergency calls only", _R),
    100: ("unknown error", _R),
}

# bit 5 alone: the service centre still tries; bit 6: it has given up, with bit 5 over something temporary
_PASSING = ("congestion", "phone busy", "no answer from the phone", "service rejected",
            "quality of service not available", "error in the phone")  # fmt: skip
_LASTING = ("remote procedure error", "the destination cannot take it", "refused by the phone", "not obtainable",
            "quality of service not available", "no interworking", "validity period over", "deleted by its sender",
            "deleted at the service centre", "the message does not exist")  # fmt: skip
STATUS = {
    0x00: "delivered to the phone",
    0x01: "passed on, but the service centre cannot confirm delivery",
    0x02: "replaced at the service centre",
    **{0x20 + at: f"{cause}; the service centre keeps trying" for at, cause in enumerate(_PASSING)},
    **{0x40 + at: f"{cause}; given up" for at, cause in enumerate(_LASTING)},
    **{0x60 + at: f"{cause}; given up" for at, cause in enumerate(_PASSING)},
}


def cause(kind: str, code: int | None) -> tuple[str, Remedy]:
    """Meaning and remedy of a refusal. kind: "CMS", "CME" or "" for a bare ERROR."""
    known = {"CMS": CMS, "CME": CME}.get(kind, {}).get(-1 if code is None else code)
    return known or ("a reason the standard does not name", Remedy.RETRY)


def status_state(status: int) -> Delivery:
    """Only 0 proves delivery: 1 was passed on unconfirmed, 2 was replaced; what is reserved counts as given up."""
    if status == 0:
        return Delivery.DELIVERED
    return Delivery.SENT if status < 0x40 else Delivery.FAILED


def status_text(status: int) -> str:
    """TP-ST in words, its code behind."""
    if status < 0x20:
        other = "completed without proof of delivery"
    else:
        other = "not delivered yet; the service centre keeps trying" if status < 0x40 else "not delivered; given up"
    return f"{STATUS.get(status, other)} (status 0x{status:02X})"
