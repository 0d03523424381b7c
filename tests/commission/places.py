"""A machine with things on its wires: serial names, kernel trees, and a person who answers by what is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from brinewatch.calibrate.console import Asked, GaveUp
from brinewatch.moment import Moment
from brinewatch.simulator.sysfs import Thermometer


def names(folder: Path, **ports: Path) -> Path:
    """A /dev with a stable name for each port: usb-NAME-if00."""
    by_id = folder / "dev" / "serial" / "by-id"
    by_id.mkdir(parents=True)
    for name, port in ports.items():
        (by_id / f"usb-{name}-if00").symlink_to(port)
    return folder / "dev"


def kernel(folder: Path, w1: Path | None = None, iio: Path | None = None) -> Path:
    """A /sys with a 1-Wire and an IIO bus, each a link to a tree."""
    for bus, tree in (("w1", w1), ("iio", iio)):
        (folder / "sys" / "bus" / bus).mkdir(parents=True)
        if tree is not None:
            (folder / "sys" / "bus" / bus / "devices").symlink_to(tree)
    board = folder / "sys" / "class" / "hwmon" / "hwmon0"
    board.mkdir(parents=True)
    (board / "name").write_text("rpi_volt\n", encoding="ascii")
    return folder / "sys"


@dataclass
class Hand:
    """A thermometer's temperature, that a hand may change."""

    celsius: float

    def read(self, now: Moment) -> float:
        return self.celsius


@dataclass
class Rack:
    """DS18B20 thermometers as the kernel shows them, by identity."""

    root: Path
    hands: dict[str, Hand] = field(default_factory=dict)

    def show(self) -> None:
        for identity, hand in self.hands.items():
            source = Thermometer(identity, hand)  # type: ignore[arg-type]
            for name, text in source.files(Moment(0.0, 0.0, True)).items():
                path = self.root / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="ascii")


class Talker:
    """Answers the first of its rules whose words stand in the question; each answer is used up.

    A rule without an answer left says Enter. At the end of `ends` questions the line goes dead.
    """

    def __init__(self, rules: dict[str, str | Callable[[], str] | list[str]], ends: int = 500) -> None:
        self._rules = {words: iter(one) if isinstance(one, list) else one for words, one in rules.items()}
        self.heard: list[str] = []
        self.asked: list[str] = []
        self._ends = ends

    def say(self, text: str = "") -> None:
        self.heard.append(text)

    def show(self, text: str) -> None:
        self.heard.append(text)

    async def ask(self, question: str, asked: Asked | None = None) -> str:
        self.asked.append(question)
        self.heard.append(question)
        if len(self.asked) > self._ends:
            raise GaveUp("The input has ended.")
        # what a list of choices is of was said before its question
        asked = "\n".join(self.heard[-12:]) if question.startswith("Which") else question
        for words, answer in self._rules.items():
            if words in asked:
                if isinstance(answer, Iterator):
                    return next(answer, "")
                return answer() if callable(answer) else answer
        return ""

    def typed(self) -> str | None:
        return None

    @property
    def text(self) -> str:
        return "\n".join(self.heard)
