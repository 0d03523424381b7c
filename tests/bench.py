"""A daemon's end of the control socket for calibrations, with probes that can be put into beakers, and a person."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brinewatch.calibrate.console import Asked, GaveUp
from brinewatch.clock import SteppingClock
from brinewatch.control import ControlServer
from brinewatch.errors import BrinewatchError
from brinewatch.signals.records import CalibrationRecord, in_force

NOW = 1_790_200_800.0  # 2026-09-23 22:00 UTC


@dataclass
class Bench:
    """Answers as the contract of the socket says. said: what each point's probe says at a monotonic second."""

    clock: SteppingClock
    said: dict[str, Callable[[float], float | None]]
    water: dict[str, float | None] = field(
        default_factory=lambda: {
            "temperature": 12.0,
            "salinity": 33.0,
            "barometric_pressure": 1013.25,
            "altitude_m": 4.0,
        }
    )
    records: list[CalibrationRecord] = field(default_factory=list)
    asked: list[Mapping[str, Any]] = field(default_factory=list)
    held: bool = False
    held_s: float = 1800.0
    lapse_after: int | None = None  # looks after which the hold has run out by itself
    _seen: float = 0.0

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        self.asked.append(request)
        now = self.clock.now()
        match request["do"]:
            case "calibration begin":
                if request["probe"] == "gone":
                    raise BrinewatchError("There is no probe gone.", "See: brinewatch state")
                self.held, self._seen = True, now.mono
                points = [self._point(point) for point in self.said]
                return {"points": points, "water": self.water, "held_s": self.held_s}
            case "calibration look":
                if self.lapse_after is not None:
                    self.lapse_after -= 1
                    self.held = self.held and self.lapse_after != 0
                if not self.held:
                    raise BrinewatchError("No probe is being calibrated.")
                said: dict[str, list[tuple[float, float]]] = {}
                reasons = {}
                for point, function in self.said.items():
                    for second in range(int(self._seen) + 1, int(now.mono) + 1):
                        value = function(float(second))
                        if value is None:
                            reasons[point] = "No answer within the deadline."
                        else:
                            said.setdefault(point, []).append((float(second), value))
                self._seen = now.mono
                return {"said": said, "reasons": reasons, "held_s": self.held_s}
            case "calibration save":
                record = CalibrationRecord.from_dict(request["record"])
                self.records.append(record)
                return {"line": f"Kept: {record.visit.value} of {record.point}."}
            case "calibration end":
                self.held = False
                return {"line": f"The alarms of {request['probe']} are on again."}
            case "calibrations":
                points = {one.point for one in self.records}
                standing = {point: in_force(self.records, point, now.utc) for point in points}
                return {
                    "records": [one.to_dict() for one in self.records],
                    "in_force": {point: one.id for point, one in standing.items() if one},
                }
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.")

    def _point(self, point: str) -> dict[str, Any]:
        said = self.said[point](self.clock.now().mono)
        record = in_force(self.records, point, self.clock.now().utc)
        return {
            "point": point, "quantity": point.partition(".")[2], "unit": "", "accuracy": 0.1,
            "record": record.to_dict() if record else None, "said": said, "value": said,
            "flag": 9 if said is None else 1, "reason": "No answer within the deadline." if said is None else "",
        }  # fmt: skip

    def did(self) -> list[str]:
        """What was asked, without the looks."""
        return [str(one["do"]) for one in self.asked if one["do"] != "calibration look"]


@asynccontextmanager
async def bench(folder: Path, **said: Callable[[float], float | None]) -> AsyncIterator[tuple[Bench, Path]]:
    """A bench behind a real control socket in stepped time. said: by point, with _at_ for the dot."""
    clock = SteppingClock(NOW)
    made = Bench(clock, {point.replace("_at_", "."): function for point, function in said.items()})
    path = folder / "data" / "control.sock"
    path.parent.mkdir(parents=True, exist_ok=True)
    tasks = [asyncio.create_task(ControlServer(path, made.answer, clock).run()), asyncio.create_task(clock.drive())]
    while not path.exists():
        await asyncio.sleep(0.001)
    try:
        yield made, path
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


class Person:
    """Answers questions in order: (words of the question, answer or what to do). Takes a point once it rests."""

    def __init__(self, *script: tuple[str, str | Callable[[], str]]) -> None:
        self._script = list(script)
        self.heard: list[str] = []
        self._shown = ""
        self.takes = True

    def say(self, text: str = "") -> None:
        self.heard.append(text)

    def show(self, text: str) -> None:
        self._shown = text

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        self.heard.append(question)
        if not self._script:
            raise GaveUp("The input has ended.")
        words, answer = self._script.pop(0)
        assert words in question, f"asked {question!r}, expected {words!r}; heard: {self.text}"
        return answer() if callable(answer) else answer

    def typed(self) -> str | None:
        return "" if self.takes and "at rest" in self._shown else None

    @property
    def text(self) -> str:
        return "\n".join(self.heard)

    @property
    def left(self) -> list[str]:
        return [words for words, _ in self._script]
