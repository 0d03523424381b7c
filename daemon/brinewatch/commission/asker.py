"""Questions whose answers are kept as they come: broken off, the next run offers them again as what Enter means."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

from brinewatch.calibrate.console import Console
from brinewatch.calibrate.talk import line
from brinewatch.commission.draft import Draft
from brinewatch.phrases import one_line
from brinewatch.ports import Clock

# takes what was typed and gives it as it is kept; ValueError says what is wrong, in words
Check = Callable[[str], str]


class Asker:
    """Asks by a name for each question; the answer under it is on the disk before the next one is asked."""

    def __init__(self, console: Console, draft: Draft, clock: Clock) -> None:
        self.console = console
        self.clock = clock
        self._draft = draft

    async def ask(self, key: str, question: str, check: Check, default: str = "") -> str:
        """An answer that passed its check. Enter takes what was answered last, else the default; "-" takes back
        what was answered where nothing is an answer too."""
        known = self._draft.answers.get(key, default)
        while True:
            typed = one_line(await line(self.console, f"{question}{f' [{known}]' if known else ''}:")) or known
            try:
                answer = check("" if typed == "-" else typed)
            except ValueError as error:
                self.console.say(f"{typed!r}: {error}." if typed else f"An answer is needed: {error}.")
                continue
            self._draft.answers[key] = answer
            self._draft.keep()
            return answer

    async def choose(self, key: str, question: str, names: Sequence[str], default: int = 0) -> int:
        """The index of one of several, by its number or by its name; kept by its name."""
        self.console.say(question)
        for place, name in enumerate(names, 1):
            self.console.say(f"  {place}. {name}")
        known = self._draft.answers.get(key)
        usual = names.index(known) if known in names else default
        while True:
            typed = one_line(await line(self.console, f"Which [{usual + 1}]:"))
            chosen = _chosen(typed, names, usual)
            if chosen is not None:
                self._draft.answers[key] = names[chosen]
                self._draft.keep()
                return chosen
            self.console.say(f"{typed!r}: a number from 1 to {len(names)}.")

    async def yes(self, key: str, question: str, default: bool) -> bool:
        def check(typed: str) -> str:
            if typed.lower() in ("y", "yes"):
                return "yes"
            if typed.lower() in ("n", "no"):
                return "no"
            raise ValueError("yes or no")

        return await self.ask(key, f"{question} yes or no", check, "yes" if default else "no") == "yes"


def _chosen(typed: str, names: Sequence[str], usual: int) -> int | None:
    if not typed:
        return usual
    if typed in names:
        return names.index(typed)
    return int(typed) - 1 if typed.isdecimal() and 1 <= int(typed) <= len(names) else None


def number(low: float, high: float, *, optional: bool = False) -> Check:
    """A number between both; kept as it was typed, with a point."""

    def check(typed: str) -> str:
        if optional and not typed:
            return ""
        text = typed.replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            raise ValueError("a number, like 12.5") from None
        if not low <= value <= high:
            raise ValueError(f"a number from {low:g} to {high:g}")
        return f"{value:g}"

    return check


def words(longest: int, *, optional: bool = False) -> Check:
    def check(typed: str) -> str:
        if not typed and not optional:
            raise ValueError("a few words")
        if len(typed) > longest:
            raise ValueError(f"at most {longest} characters")
        return typed

    return check


def quoted(text: str) -> str:
    """As a TOML string: what JSON escapes, TOML understands."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
