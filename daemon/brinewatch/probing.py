"""`brinewatch probes`: what is on the buses now. The running daemon is asked; without one they are read here."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from math import inf
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text, utc_text
from brinewatch.quantities import QUANTITIES
from brinewatch.terminal import AddCommand

if TYPE_CHECKING:
    from brinewatch.config import ShedFile
    from brinewatch.ports import Clock
    from brinewatch.signals.display import DisplayUnits

# one look at everything: the probes as plain values, and who said so
Look = Callable[[], Awaitable[tuple[str, Sequence[Mapping[str, Any]]]]]

COLUMNS = ("probe", "bus", "point", "raw", "value", "flag", "status", "age", "reason")
_SHORTEST_S = 1.0


def register(add: AddCommand) -> argparse.ArgumentParser:
    """Make the command known; the caller adds --shed."""
    command = add("probes", _work, "say what is on the buses now: raw and calibrated values, flags and why")
    command.add_argument("--follow", action="store_true", help="again at every scan, until Ctrl-C")
    command.add_argument("--json", action="store_true", help="for programs; one line a scan with --follow")
    return command


def _work(options: argparse.Namespace) -> int:
    from brinewatch.clock import SystemClock
    from brinewatch.config import read_shed

    shed = read_shed(options.shed)
    clock = SystemClock(shed.zone)
    show = _as_json if options.json else lambda *seen: _as_text(shed.shed.display, *seen)
    asyncio.run(_watch(look_at(shed, clock), show, clock, _every(shed) if options.follow else None))
    return 0


async def _watch(look: Look, show: Callable[..., None], clock: Clock, every_s: float | None) -> None:
    due = clock.now().mono
    while True:
        told_by, probes = await look()
        show(clock, told_by, probes, every_s is not None)
        if every_s is None:
            return
        due = max(due + every_s, clock.now().mono)
        await clock.sleep_until(due)


def _every(shed: ShedFile) -> float:
    return max(_SHORTEST_S, min(probe.every for bus in shed.buses.values() for probe in bus.probe))


def look_at(shed: ShedFile, clock: Clock) -> Look:
    """How to look at a shed's probes, as often as is wanted. BrinewatchError when neither way is open."""
    from brinewatch.control import NoDaemon, ask
    from brinewatch.store.lock import kept_by

    alone: list[_Alone] = []

    async def look() -> tuple[str, Sequence[Mapping[str, Any]]]:
        try:
            with clock.hold():
                answer = await asyncio.to_thread(ask, shed.data / "control.sock", {"do": "probes"})
        except NoDaemon:
            if not alone:
                keeper = kept_by(shed.data)
                if keeper:
                    raise BrinewatchError(
                        f"{shed.data} is kept by {keeper}, which holds the wires and does not listen yet.",
                        "Ask again in a moment; a daemon that plays a record never listens.",
                    ) from None
                alone.append(_Alone(shed, clock))
            return "the wires, read here: no daemon is running", await alone[0].look()
        return "the running daemon", answer["probes"]

    return look


class _Alone:
    """A watch that only looks: no alarms, no store. It remembers between looks what the quality tests need."""

    def __init__(self, shed: ShedFile, clock: Clock) -> None:
        from brinewatch.config.plans import channels_of
        from brinewatch.store.reader import StoreReader
        from brinewatch.watchkeeper import Watchkeeper

        self._shed = shed
        self._clock = clock
        channels = channels_of(shed)
        for point, one in channels.items():
            if one.wire is not None:  # read whenever somebody looks: no scan can be missed here
                channels[point] = replace(one, wire=replace(one.wire, every_s=inf))
        self._keeper = Watchkeeper(
            shed.shed.name, (), channels, (), (), shed.shed.display, clock.now()
        )  # fmt: skip
        with StoreReader(shed.data, shed.zone) as store:
            self._keeper.calibrate(store.calibrations())

    async def look(self) -> Sequence[Mapping[str, Any]]:
        from brinewatch.overview import as_json
        from brinewatch.probes.build import ask_all

        answers = await ask_all(self._shed.buses, self._clock, self._shed.folder)
        samples = [one for bus in answers.values() for answer in bus for one in answer.samples]
        now = self._clock.now()
        self._keeper.take(samples, now)
        probes: Sequence[Mapping[str, Any]] = as_json(self._keeper.probes(now))
        return probes


def sentence(probes: Sequence[Mapping[str, Any]]) -> str:
    """How many probes there are, and which are not good."""
    by_status: dict[str, list[str]] = {}
    for one in probes:
        by_status.setdefault(one["status"], []).append(one["probe"])
    good = by_status.pop("good", [])
    if not by_status:
        return f"All {len(probes)} probes are good."
    from brinewatch.signals.status import Status

    worst = [f"{status} {', '.join(by_status[status])}" for status in Status if status in by_status]
    return f"{len(good)} of {len(probes)} probes are good; {'; '.join(worst)}."


def rows(probes: Sequence[Mapping[str, Any]], units: DisplayUnits) -> list[Mapping[str, Any]]:
    """One row a channel, in the shed's display units."""
    from brinewatch.signals.display import show

    made: list[Mapping[str, Any]] = []
    for probe in probes:
        for one in probe["channels"]:
            raw = "" if one["raw"] is None else show(one["quantity"], one["raw"], units)
            age = "" if one["age_s"] is None else span_text(one["age_s"])
            made.append(
                {
                    "probe": probe["probe"], "bus": probe["bus"], "point": one["point"], "raw": raw,
                    "value": value_text(one, units), "flag": f"{one['flag']} {one['word']}",
                    "status": one["status"], "age": age, "reason": one["reason"],
                }
            )  # fmt: skip
    return made


def value_text(channel: Mapping[str, Any], units: DisplayUnits) -> str:
    """The value with one standard uncertainty: "8.02 ± 0.1 mg/L"; a state has none.

    Of the uncertainty two digits are shown (GUM, JCGM 100:2008, 7.2.6).
    """
    from brinewatch.signals.display import convert, show

    key, value, uncertainty = channel["quantity"], channel["value"], channel["uncertainty"]
    if value is None:
        return "no value"
    text = show(key, value, units)
    if uncertainty is None or QUANTITIES[key].states is not None:
        return text
    number, unit, _ = convert(key, value, units)
    spread = abs(convert(key, value + uncertainty, units)[0] - number)
    said = f"± {spread:.0f}" if spread >= 10.0 else f"± {spread:.2g}"
    return f"{text.removesuffix(unit).rstrip()} {said} {unit}" if text.endswith(unit) else f"{text} {said}"


def _as_text(
    units: DisplayUnits, clock: Clock, told_by: str, probes: Sequence[Mapping[str, Any]], again: bool
) -> None:
    from brinewatch.terminal import print_table

    _say(f"{clock.now().local:%Y-%m-%d %H:%M:%S}, from {told_by}.")
    _say(sentence(probes))
    print_table(COLUMNS, rows(probes, units))


def _as_json(clock: Clock, told_by: str, probes: Sequence[Mapping[str, Any]], again: bool) -> None:
    body = {"at": utc_text(clock.now().utc), "from": told_by, "sentence": sentence(probes), "probes": probes}
    _say(json.dumps(body, indent=None if again else 2))


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()
