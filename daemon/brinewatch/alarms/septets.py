"""The GSM 7-bit default alphabet (3GPP TS 23.038, 6.2.1): how long a text is on the air, and how to make it fit.

One character outside it turns a whole message of 160 into one of 70.
"""

from __future__ import annotations

import unicodedata

# 3GPP TS 23.038, 6.2.1 (0x00 to 0x7F without the escape) and 6.2.1.1 (the extension table, two septets each)
BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION = frozenset("\f^{}\\[~]|€")
ONE_PART = 160

_INSTEAD = str.maketrans(
    {
        "°": " deg", "µ": "u", "μ": "u", "–": "-", "—": "-", "−": "-", "‘": "'", "’": "'", "“": '"', "”": '"',
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
        if character in BASIC:
            total += 1
        elif character in EXTENSION:
            total += 2
        else:
            return None
    return total


def plain(text: str) -> str:
    """The text in the GSM alphabet: near letters for foreign ones, a question mark where there is none."""
    out = []
    for character in text.translate(_INSTEAD):
        if character in BASIC or character in EXTENSION:
            out.append(character)
            continue
        bare = [part for part in unicodedata.normalize("NFKD", character) if not unicodedata.combining(part)]
        out.append("".join(part if part in BASIC else "?" for part in bare))
    return "".join(out)
