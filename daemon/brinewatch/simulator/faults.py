"""Mishaps by name: switched on and off by hand, or by a script that keeps its times."""

from __future__ import annotations

import inspect
import logging
import shlex
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock

log = logging.getLogger(__name__)

# called with True or False, then the words given with the fault (none when switched off without them)
Switch = Callable[..., Awaitable[None] | None]


@dataclass(frozen=True, slots=True)
class ScriptedFault:
    """One line of a script. at_s counts from the script's start; without duration_s the fault stays."""

    at_s: float
    name: str
    args: tuple[str, ...] = ()
    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Known:
    switch: Switch
    takes: tuple[str, ...]
    about: str

    @property
    def required(self) -> int:
        return sum(not word.startswith("[") for word in self.takes)


class Faults:
    """The registry. Anyone may register a fault; a fault that names something is told apart by that name."""

    def __init__(self, changed: Callable[[], None] = lambda: None) -> None:
        self._known: dict[str, _Known] = {}
        self._active: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._changed = changed

    def register(self, name: str, switch: Switch, takes: str = "", about: str = "") -> None:
        """Make a fault known. takes: its arguments, "NAME" a required one, "[TIMES]" one that may be left out."""
        if name in self._known:
            raise ValueError(f"fault {name} is registered already")
        self._known[name] = _Known(switch, tuple(takes.split()), about)

    @property
    def names(self) -> list[str]:
        return sorted(self._known)

    @property
    def active(self) -> list[str]:
        """What is broken now, as it was asked for: "probe-frozen ph"."""
        return [" ".join((key[0], *args)) for key, args in self._active.items()]

    async def on(self, name: str, *args: str) -> None:
        """Break it. Once more with other numbers changes them. BrinewatchError for an unknown fault or word."""
        known = self._checked(name, args)
        await self._call(known.switch, True, args)
        self._active[self._key(known, name, args)] = args
        log.info("Fault on: %s", " ".join((name, *args)))

    async def off(self, name: str, *args: str) -> None:
        """Mend it. Nothing happens when it was not broken."""
        known = self._checked(name, args)
        given = self._active.pop(self._key(known, name, args), None)
        if given is not None:
            await self._call(known.switch, False, args[: known.required])
            log.info("Fault off: %s", " ".join((name, *args)))

    async def play(self, script: Sequence[ScriptedFault], clock: Clock) -> None:
        """Keep a script from now on; returns after its last line."""
        started = clock.now().mono
        times = [(one.at_s, True, one) for one in script]
        times += [(one.at_s + one.duration_s, False, one) for one in script if one.duration_s is not None]
        for one in script:
            self._checked(one.name, one.args)
        # at one instant what ends, ends before what begins
        for at, begins, one in sorted(times, key=lambda entry: (entry[0], entry[1])):
            await clock.sleep_until(started + at)
            await (self.on(one.name, *one.args) if begins else self.off(one.name, *one.args))

    async def command(self, line: str) -> str:
        """One line in words, one line of answer: "on NAME [WORDS]", "off NAME [WORDS]" or "list"."""
        words = shlex.split(line)
        match words:
            case ["list"]:
                return f"Broken: {', '.join(self.active) or 'nothing'}. May break: {', '.join(self.describe())}."
            case ["on", name, *args]:
                await self.on(name, *args)
                return f"{' '.join([name, *args])} is on."
            case ["off", name, *args]:
                await self.off(name, *args)
                return f"{' '.join([name, *args])} is off."
        raise BrinewatchError(f"{line!r} is not understood.", "Write on NAME, off NAME, or list.")

    def describe(self) -> list[str]:
        """Each fault with the words it takes: "probe-frozen NAME"."""
        return [" ".join((name, *self._known[name].takes)) for name in self.names]

    def about(self, name: str) -> str:
        return self._known[name].about

    def _checked(self, name: str, args: Sequence[str]) -> _Known:
        known = self._known.get(name)
        if known is None:
            raise BrinewatchError(f"There is no fault {name!r}.", f"Known are: {', '.join(self.describe())}.")
        if not known.required <= len(args) <= len(known.takes):
            raise BrinewatchError(f"{name} takes {' '.join(known.takes) or 'no words'}, not {' '.join(args)!r}.")
        return known

    @staticmethod
    def _key(known: _Known, name: str, args: Sequence[str]) -> tuple[str, ...]:
        return (name, *args[: known.required])

    async def _call(self, switch: Switch, on: bool, args: Sequence[str]) -> None:
        result = switch(on, *args)
        if inspect.isawaitable(result):
            await result
        self._changed()
