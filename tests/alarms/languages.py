"""An invented second language, made of the English texts letter by letter: no word of English survives in it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from brinewatch.config.texts import file_of, texts_folder

TEXT = (texts_folder() / file_of("en")).read_text(encoding="utf-8")
TABLE: Mapping[str, Any] = tomllib.loads(TEXT)
# what a person writes back, and the places, are the same in every language
KEPT = re.compile(r"\{[a-z_]+\}|\b(?:OK|ALL|RESET|SHELVE|UNSHELVE|HERE|LEFT|STATE|WHO)\b")
# the invented language: each letter is the next of its kind, so that no English word survives
TURN = str.maketrans("aeioubcdfghklmnprstvwyAEIOUBCDFGHKLMNPRSTVWY", "eiouacdfghklmnprstvwybEIOUACDFGHKLMNPRSTVWYB")
WORDS = {
    "AIR STOPPED": "EOS TVURRIF", "Blower? Breaker?": "Cmuxis? Csielis?", "Air supply stopped": "Eos tarrmb",
    "OXYGEN LOW": "UXBHIP MUX", "no answer": "pu eptxis", "line open": "mopi urip", "air": "eos",
    "Blower motor draws no current": "Cmuxis nuvus",
}  # fmt: skip


def turned(text: str) -> str:
    made, last = "", 0
    for kept in KEPT.finditer(text):
        made += text[last : kept.start()].translate(TURN) + kept[0]
        last = kept.end()
    return made + text[last:].translate(TURN)


def written(table: Mapping[str, Any]) -> str:
    """A table of texts as TOML again."""

    def quoted(value: object) -> str:
        return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'

    lines = [f"months = [{', '.join(map(quoted, table['months']))}]"]
    for part, rows in table.items():
        if part != "months":
            lines.append(f"[{part}]")
            for key, value in rows.items():
                right = f"[{', '.join(map(quoted, value))}]" if isinstance(value, list) else quoted(value)
                lines.append(f"{quoted(key)} = {right}")
    return "\n".join(lines)


def invented() -> dict[str, Any]:
    table: dict[str, Any] = {"months": [turned(one) for one in TABLE["months"]]}
    for part, rows in TABLE.items():
        if part not in ("months", "words"):
            table[part] = {
                key: [turned(one) for one in value] if isinstance(value, list) else turned(value)
                for key, value in rows.items()
            }
    return {**table, "words": dict(WORDS)}


INVENTED = written(invented())
