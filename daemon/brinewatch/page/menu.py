"""The ways from page to page: one list, at the end of each."""

from __future__ import annotations

from typing import cast

from jinja2 import Environment

# in the order somebody reaches for them, whichever was added first
_ORDER = (
    "/alarms",
    "/history",
    "/rounds",
    "/journal",
    "/report",
    "/commission",
    "/rehearse",
    "/calibrate",
    "/drill",
    "/people",
    "/health",
    "/account",
)


def on_menu(templates: Environment, address: str, words: str) -> None:
    """Have a page in the list. address: of the page; words: what one does there."""
    known = cast("dict[str, str]", templates.globals.setdefault("menu", {}))
    known[address] = words
    templates.globals["menu"] = dict(sorted(known.items(), key=_place))


def _place(entry: tuple[str, str]) -> tuple[int, str]:
    address = entry[0]
    return (_ORDER.index(address) if address in _ORDER else len(_ORDER), address)
