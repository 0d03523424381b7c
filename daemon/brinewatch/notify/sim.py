"""How long the SIM will still do its work: the day it lapses, kept by hand, and its credit, asked of the network.

The network is asked by USSD (`AT+CUSD`, TS 27.007 7.15), once a day, with the code its operator has for that; the
answer comes later and unasked. It is words for people: a pattern says where the amount stands in them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime

from brinewatch.moment import Moment, span_text

_DAY_S = 86400.0
# asked again sooner when there was no answer
_AGAIN_S = 3600.0
_BEFORE_DAYS = 14
# without an answer for so long nobody knows the credit any more
_STALE_S = 7 * _DAY_S
_UCS2 = 72  # TS 23.038, 5: data coding scheme of a text in UCS2
_TOLD = re.compile(r'\+CUSD: ?\d+, ?"(.*?)"(?:, ?(\d+))?$')


class SimWatch:
    """What is known of one SIM. on_health(well, words): when that is news; begun: when the watch began."""

    def __init__(
        self, lapses: date | None, code: str | None, pattern: str, least: float, begun: Moment,
        on_health: Callable[[bool, str], None],
    ) -> None:  # fmt: skip
        self._lapses = lapses
        self._code = code
        self._pattern = re.compile(pattern)
        self._least = least
        self._on_health = on_health
        self._answered = begun.mono
        self._ask_at = begun.mono
        self._credit: float | None = None
        self._words = ""
        self._told: tuple[bool, str] | None = None

    @property
    def watches(self) -> bool:
        return self._lapses is not None or self._code is not None

    def wants(self, now: Moment) -> str | None:
        """The command that asks for the credit, when it is time; None otherwise."""
        if self._code is None or now.mono < self._ask_at:
            return None
        self._ask_at = now.mono + _AGAIN_S
        return f'AT+CUSD=1,"{self._code}",15'

    def hear(self, line: str, now: Moment) -> bool:
        """Take what the modem said unasked; False when it is no answer of this kind."""
        if not line.startswith("+CUSD:"):
            return False
        found = _TOLD.match(line)
        if found is None:
            self._words = f"the network's answer is not understood: {line[:60]}"
            return True
        text = _decoded(found[1], int(found[2] or 15))
        amount = self._pattern.search(text)
        if amount is None:
            self._words = f"no amount found in the network's answer: {text[:60]}"
            return True
        self._credit = float(amount[1].replace(",", "."))
        self._words, self._answered, self._ask_at = "", now.mono, now.mono + _DAY_S
        return True

    def tell(self, now: Moment) -> None:
        """Say how the SIM stands, when that is news."""
        if not self.watches:
            return
        ills = [*self._lapsing(now), *self._poor(now)]
        told = (not ills, "; ".join(ills or self._known()))
        if told != self._told:
            self._told = told
            self._on_health(*told)

    def _known(self) -> list[str]:
        """What people may want to know while all is well."""
        credit = [] if self._credit is None else [f"credit {self._credit:.2f}"]
        return [*credit, *([] if self._lapses is None else [f"lapses {self._lapses.isoformat()}"])]

    def _lapsing(self, now: Moment) -> list[str]:
        if self._lapses is None or not now.trusted:
            return []
        left = (datetime.combine(self._lapses, datetime.min.time(), now.zone).date() - now.local.date()).days
        if left > _BEFORE_DAYS:
            return []
        return [
            f"the SIM lapses in {left} day{'s' if left > 1 else ''}"
            if left > 0
            else "the SIM has lapsed by its date"
        ]

    def _poor(self, now: Moment) -> list[str]:
        if self._code is None:
            return []
        if self._credit is not None and self._credit < self._least:
            return [f"credit is {self._credit:.2f}, less than {self._least:g}"]
        silent = now.mono - self._answered
        if silent > _STALE_S:
            return [self._words or f"the network has not told the credit for {span_text(silent)}"]
        return []


def _decoded(text: str, scheme: int) -> str:
    """The words of an answer: as they are, or hexadecimal UCS2."""
    if scheme == _UCS2 or (len(text) >= 8 and len(text) % 4 == 0 and re.fullmatch(r"[0-9A-Fa-f]+", text)):
        try:
            return bytes.fromhex(text).decode("utf-16-be")
        except ValueError:
            return text
    return text
