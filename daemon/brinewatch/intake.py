"""Readings of the past handed to the running daemon, a few hundred at a time: it alone writes its store.

They were judged by whoever hands them in, and go into the history and nowhere else: no alarm and no forecast sees
them. The next few come when these are written, so that no more than that ever stands before what is read now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.ports import Clock
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import IMPORTED, Flag, Reading, quantity_of
from brinewatch.store.history import History
from brinewatch.store.journal import Journal

# readings in one request: a few milliseconds of the daemon's loop, and a line the control socket takes
MOST = 250
_AHEAD_S = 300.0


class Intake:
    """Answers `brinewatch import`."""

    def __init__(self, history: History, journal: Journal, clock: Clock) -> None:
        self._history = history
        self._journal = journal
        self._clock = clock

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request. Raises BrinewatchError for what cannot be taken in."""
        now = self._clock.now()
        match request["do"]:
            case "import readings":
                readings = unpacked(request, now.zone)
                if any(one.at.utc > now.utc + _AHEAD_S for one in readings) and now.trusted:
                    raise BrinewatchError(
                        "Some of these lie in the future.", "Look at the clocks of both machines."
                    )
                done = await self._history.take_in(readings)
                return {"new": done.new, "repeated": done.repeated, "refused": done.refused}
            case "import note":
                kept = await self._journal.note("import", str(request.get("text")), now)
                return {"kept": kept}
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")


def packed(readings: Sequence[Reading]) -> dict[str, Any]:
    """Readings of the past as plain JSON values: each text once, and a row for each reading."""
    words: dict[str, int] = {}

    def word(text: str) -> int:
        return words.setdefault(text, len(words))

    rows = [
        [
            word(one.point), one.at.utc, one.value, one.raw, int(one.flag), word(one.reason), word(one.probe),
            one.uncertainty, word(one.calibration), one.age_s, word(one.basis),
        ]
        for one in readings
    ]  # fmt: skip
    return {"rows": rows, "words": list(words)}


def unpacked(request: Mapping[str, Any], zone: tzinfo) -> list[Reading]:
    """The way back. BrinewatchError when these are not readings of the past."""
    try:
        words, rows = request["words"], request["rows"]
        if len(rows) > MOST:
            raise ValueError(f"{len(rows)} readings at once, {MOST} are taken")
        return [_reading(row, words, zone) for row in rows]
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise BrinewatchError(
            f"The readings cannot be taken in: {error!r}.", "Restart the daemon: versions may differ."
        ) from error


def _reading(row: Sequence[Any], words: Sequence[str], zone: tzinfo) -> Reading:
    point, utc, value, raw, flag, reason, probe, uncertainty, calibration, age_s, basis = row
    quantity = quantity_of(words[point])
    if quantity not in QUANTITIES or not words[probe].startswith(IMPORTED):
        raise ValueError(f"{words[point]} of {words[probe]!r}")
    at = Moment(float(utc), float(utc), True, zone)
    numbers = [None if one is None else float(one) for one in (value, raw, uncertainty)]
    return Reading(
        words[point], quantity, numbers[0], numbers[1], Flag(flag), words[reason], at, words[probe], numbers[2],
        words[calibration], float(age_s), words[basis],
    )  # fmt: skip
