"""Inputs spoiled at random, the same at every run: each is made from its own name and number alone."""

from __future__ import annotations

import copy
import random
from collections.abc import Sequence
from typing import Any

# what breaks parsers: signs of formats, numbers at the edges, digits and letters of other alphabets
TOKENS = (
    b"", b"\x00", b"\xff", b"\r", b"\n", b"\r\n", b" ", b'"', b"'", b"\\", b",", b";", b"+", b"-", b".", b"*", b"!",
    b"/", b"~", b"=", b"[", b"]", b"{", b"}", b"#", b"nan", b"inf", b"-Infinity", b"NaN", b"1e999", b"1e-999",
    b"-0",
    b"0x10", b"1_000", b"9" * 20, b"9" * 400, b"9" * 5000, b"[" * 2000, b"\xef\xbb\xbf", b"\xff\xfe",
    b"\xed\xa0\x80",
    "١٢".encode(), "İ".encode(), "\u2028".encode(), b"\x1a", b"\x1b", b"\x7f", b"OK", b"ERROR", b"true", b"null",
    b"1970-01-01T00:00:00Z", b"9999-12-31T23:59:59+14:00", b"0001-01-01T00:00:00-14:00",
)  # fmt: skip
# values nobody would write on purpose where another sort is expected
ODD: tuple[Any, ...] = (
    -1, 0, 1, 2, 255, 65536, 2**63, -(2**63), 10**30, 0.0, -0.5, 1e308, -1e308, 1e-308, float("inf"), float("nan"),
    True, False, "", " ", "x", "x" * 300, "\x00", "١", "a.b", "tank.oxygen", "tank.health", "../..", [], [[]], [1],
    ["", 1], {},
    {"a": {}}, {"": 0}, [{}], [{"a": 1}],
)  # fmt: skip


def chance_of(name: str, number: int) -> random.Random:
    return random.Random(f"{name} {number}")


def spoiled(chance: random.Random, data: bytes, others: Sequence[bytes] = ()) -> bytes:
    """The bytes after one to four changes: bits, bytes, tokens, pieces cut out, doubled, or taken from another."""
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 4))):
        at = chance.randrange(len(made) + 1)
        match chance.randrange(9):
            case 0 if made:
                made[at - 1] ^= 1 << chance.randrange(8)
            case 1 if made:
                made[at - 1] = chance.randrange(256)
            case 2:
                made[at:at] = chance.choice(TOKENS)
            case 3:
                made[at : at + chance.randrange(1, 9)] = chance.choice(TOKENS)
            case 4:
                del made[at : at + chance.randrange(1, 20)]
            case 5:
                made[at:at] = made[at : at + chance.randrange(1, 20)]
            case 6:
                del made[at:]
            case 7 if others:
                other = chance.choice(others)
                cut = chance.randrange(len(other) + 1)
                made[at:] = other[cut:]
            case _:
                made[at:at] = bytes([chance.choice(b"0123456789+-.,:abcXYZ")])
    return bytes(made)


def spoiled_tree(chance: random.Random, tree: dict[str, Any]) -> dict[str, Any]:
    """A copy of a table with one to three of its values made odd, taken out, doubled or put under another key."""
    made = copy.deepcopy(tree)
    for _ in range(chance.choice((1, 1, 2, 3))):
        here: Any = made
        while True:
            keys = list(here) if isinstance(here, dict) else list(range(len(here)))
            if not keys:
                break
            key = chance.choice(keys)
            if isinstance(here[key], (dict, list)) and here[key] and chance.random() < 0.85:
                here = here[key]
                continue
            _spoil(chance, here, key)
            break
    return made


def _spoil(chance: random.Random, here: Any, key: Any) -> None:
    match chance.randrange(6):
        case 0:
            del here[key]
        case 1 if isinstance(here, list):
            here.insert(key, copy.deepcopy(here[key]))
        case 2 if isinstance(here, dict):
            here[chance.choice(("", "x", "key", "kind", "name", "point", "bus"))] = here.pop(key)
        case _:
            here[key] = copy.deepcopy(chance.choice(ODD))


def toml_of(value: Any) -> str:
    """A value as TOML; tables inline, so that any tree can be written."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(_escaped(sign) for sign in value) + '"'
    if isinstance(value, list):
        return f"[{', '.join(toml_of(one) for one in value)}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_of(str(key))} = {toml_of(one)}" for key, one in value.items()) + "}"
    return str(value)


def _escaped(sign: str) -> str:
    return f"\\u{ord(sign):04X}" if sign in '"\\' or ord(sign) < 0x20 or ord(sign) == 0x7F else sign


def file_of(tree: dict[str, Any]) -> str:
    return "".join(f"{toml_of(key)} = {toml_of(value)}\n" for key, value in tree.items())
