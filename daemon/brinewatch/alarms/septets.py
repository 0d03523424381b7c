"""The GSM 7-bit default alphabet (3GPP TS 23.038, 6.2.1): how long a text is on the air, and how to make it fit.

One character outside it turns a whole message of 160 into one of 70.
"""

from __future__ import annotations

import unicodedata

ESCAPE = 0x1B
# 6.2.1: the place of a character is its code; the escape stands for itself
DEFAULT = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
# 6.2.1.1: reached by an escape before the code, so two septets long
EXTENSION = {
    0x0A: "\f", 0x14: "^", 0x28: "{", 0x29: "}", 0x2F: "\\", 0x3C: "[", 0x3D: "~", 0x3E: "]", 0x40: "|", 0x65: "€",
}  # fmt: skip

_ONE = frozenset(DEFAULT) - {chr(ESCAPE)}
_TWO = frozenset(EXTENSION.values())
ONE_PART = 160

_INSTEAD = str.maketrans(
    {
        "°": "", "µ": "u", "μ": "u", "–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"',
        "≤": "<=", "≥": ">=", "≈": "about ", "→": "->", "…": "...", "×": "x", "\N{NO-BREAK SPACE}": " ",
        "\N{THIN SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " ",
        "₂": "2", "₃": "3", "₄": "4", "\t": " ", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i",
        "þ": "th", "ð": "d",
    }
)  # fmt: skip


def septets(text: str) -> int | None:
    """Length in septets, None when a character is outside the alphabet."""
    total = 0
    for character in text:
        if character in _ONE:
            total += 1
        elif character in _TWO:
            total += 2
        else:
            return None
    return total


def plain(text: str) -> str:
    """The text in the GSM alphabet: near letters for foreign ones, a question mark where there is none."""
    out = []
    for character in text.translate(_INSTEAD):
        if character in _ONE or character in _TWO:
            out.append(character)
            continue
        bare = [part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part)]
        out.append("".join(part if part in _ONE else "?" for part in bare))
    return "".join(out)


def length(text: str) -> int:
    """Septets of a text that `plain` made."""
    found = septets(text)
    assert found is not None
    return found


def shorten(text: str, room: int) -> str:
    """The text in so many septets: whole words go first, then letters; a number is left out, never cut."""
    text = plain(text)
    while length(text) > room:
        head = text.rpartition(" ")[0]
        if head:
            text = head
        elif text[-1].isdigit():
            text = text.rstrip("0123456789.,")
        else:
            text = text[:-1]
        text = text.rstrip(" ,;:-")
    return text
