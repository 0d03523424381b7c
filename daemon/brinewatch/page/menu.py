"""The ways from page to page: one list, at the end of each."""

from __future__ import annotations

from jinja2 import Environment

# in the order somebody reaches for them, whichever was added first
_ORDER = (
    "/alarms",
    "/history",
    "/rounds",
    "/journal",
    "/report",
    "/rehearse",
    "/calibrate",
    "/people",
    "/health",
    "/account",
)


def on_menu(templates: Environment, address: str, words: str) -> None:
    """Have a page in the list. address: of the page; words: what one does there."""
    known = [one for one in templates.globals.get("menu", ()) if one[0] != address]
    templates.globals["menu"] = sorted([*known, (address, words)], key=_place)


def _place(entry: tuple[str, str]) -> tuple[int, str]:
    address = entry[0]
    return (_ORDER.index(address) if address in _ORDER else len(_ORDER), address)
