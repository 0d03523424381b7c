"""What a calibration asks of the running daemon, and what comes back; one request each over the control socket."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brinewatch.control import ask
from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock
from brinewatch.signals.records import CalibrationRecord

Ask = Callable[[Mapping[str, Any]], Awaitable[Mapping[str, Any]]]


def over(path: Path, clock: Clock) -> Ask:
    """Ask the daemon that keeps the store beside this socket. Raises BrinewatchError when it refuses."""

    async def asked(request: Mapping[str, Any]) -> Mapping[str, Any]:
        with clock.hold():
            return await asyncio.to_thread(ask, path, request)

    return asked


@dataclass(frozen=True, slots=True)
class Measured:
    """One channel of the probe as it was when the calibration began.

    record: the calibration in force, None when there never was one; said: what the probe says before calibration;
    value: the calibrated reading; reason: why there is none, or why it is doubted.
    """

    point: str
    quantity: str
    record: CalibrationRecord | None
    said: float | None
    value: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class Water:
    """The nearest usable readings: degC, PSS-78, hPa; None when nobody knows. altitude_m: of the shed."""

    temperature: float | None
    salinity: float | None
    barometric_pressure: float | None
    altitude_m: float


@dataclass(frozen=True, slots=True)
class Heard:
    """What came since the last look: (seconds, what the probe said) by point, and why nothing came."""

    said: Mapping[str, Sequence[tuple[float, float]]]
    reasons: Mapping[str, str]


class HeldProbe:
    """One probe whose alarms the daemon holds for us. An answer that is not as agreed is one BrinewatchError."""

    def __init__(self, ask: Ask, probe: str, by: str) -> None:
        self._ask = ask
        self._probe = probe
        self._by = by
        self.begun = False  # whether the daemon may hold this probe's alarms because of us
        self.held_s = 0.0  # for how long it holds them, as of its last answer; 0 for not at all

    async def begin(self) -> tuple[list[Measured], Water]:
        """Have the probe's alarms held; `held_s` says for how long without a look."""
        before, self.begun = self.begun, True  # an answer that never reaches us may stand for a hold all the same
        try:
            answer = await self._ask({"do": "calibration begin", "probe": self._probe, "by": self._by})
        except BrinewatchError:
            self.begun = before
            raise
        try:
            self.held_s = float(answer["held_s"])
            points = [
                Measured(
                    one["point"], one["quantity"],
                    CalibrationRecord.from_dict(one["record"]) if one["record"] else None,
                    one["said"], one["value"], one["reason"],
                )
                for one in answer["points"]
            ]  # fmt: skip
            water = answer["water"]
            return points, Water(
                water["temperature"], water["salinity"], water["barometric_pressure"], water["altitude_m"]
            )
        except (KeyError, TypeError, ValueError) as error:
            raise _unlike(error) from error

    async def look(self) -> Heard:
        """The newest samples; also holds the alarms on, but for those of the air."""
        answer = await self._ask({"do": "calibration look", "probe": self._probe})
        try:
            self.held_s = float(answer["held_s"])
            said = {
                point: [(float(mono), float(value)) for mono, value in pairs]
                for point, pairs in answer["said"].items()
            }
            return Heard(said, dict(answer["reasons"]))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise _unlike(error) from error

    async def save(self, record: CalibrationRecord) -> str:
        """Keep a record; the daemon's own sentence about it."""
        return str((await self._ask({"do": "calibration save", "record": record.to_dict()}))["line"])

    async def end(self) -> str:
        """Let the alarms go; the daemon's own sentence about it."""
        answer = await self._ask({"do": "calibration end", "probe": self._probe})
        self.begun, self.held_s = False, 0.0
        return str(answer["line"])


async def records_of(ask: Ask, point: str | None) -> tuple[list[CalibrationRecord], Mapping[str, str]]:
    """Every record of a point (of all points: None), and the id of the one in force by point."""
    answer = await ask({"do": "calibrations", "point": point})
    try:
        return [CalibrationRecord.from_dict(one) for one in answer["records"]], dict(answer["in_force"])
    except (KeyError, TypeError, ValueError) as error:
        raise _unlike(error) from error


def _unlike(error: Exception) -> BrinewatchError:
    return BrinewatchError(
        f"The daemon's answer was not understood: {type(error).__name__}: {error}.",
        "The program and the running daemon may be of different versions: restart the daemon.",
    )
