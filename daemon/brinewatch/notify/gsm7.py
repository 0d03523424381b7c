"""The GSM 7-bit default alphabet as bits on the wire: 3GPP TS 23.038, 6.1.2.1 (packing).

The alphabet itself, how long a text is and how it is made to fit stand in alarms.septets.
"""

from __future__ import annotations

from brinewatch.alarms.septets import DEFAULT, ESCAPE, EXTENSION

_CODES = {character: bytes([code]) for code, character in enumerate(DEFAULT) if code != ESCAPE}
_CODES |= {character: bytes([ESCAPE, code]) for code, character in EXTENSION.items()}


def fits(text: str) -> bool:
    """Whether every character is in the alphabet or its extension; one that is not forces the text into UCS2."""
    return all(character in _CODES for character in text)


def codes(text: str) -> list[bytes]:
    """One or two septets for each character, one a byte. KeyError for a character that does not fit."""
    return [_CODES[character] for character in text]


def text_of(septets: bytes) -> str:
    """The text of septets given one a byte.

    An escaped code without an entry in the extension table is shown by the default table, and an escape that
    nothing useful follows as a space (TS 23.038, 6.2.1.1).
    """
    out = []
    escaped = False
    for septet in septets:
        if escaped:
            escaped = False
            out.append(" " if septet == ESCAPE else EXTENSION.get(septet, DEFAULT[septet]))
        elif septet == ESCAPE:
            escaped = True
        else:
            out.append(DEFAULT[septet])
    return "".join(out) + " " * escaped


def pack(septets: bytes, fill_bits: int = 0) -> bytes:
    """Septets, one a byte, as octets: first septet in the lowest bits, after `fill_bits` zero bits."""
    value = 0
    for place, septet in enumerate(septets):
        value |= septet << (fill_bits + 7 * place)
    return value.to_bytes((fill_bits + 7 * len(septets) + 7) // 8, "little")


def unpack(octets: bytes, count: int, fill_bits: int = 0) -> bytes:
    """`count` septets, one a byte, out of packed octets. ValueError when there are too few octets."""
    if 8 * len(octets) < fill_bits + 7 * count:
        raise ValueError(f"{len(octets)} octets cannot hold {count} septets after {fill_bits} fill bits")
    value = int.from_bytes(octets, "little") >> fill_bits
    return bytes(value >> (7 * place) & 0x7F for place in range(count))
