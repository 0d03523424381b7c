"""The command itself: finds the probe, holds its alarms, has the talk, and takes the hold off whatever comes."""

from __future__ import annotations

import argparse
import asyncio
import signal
from datetime import tzinfo

from brinewatch.calibrate.checking import check
from brinewatch.calibrate.console import Console, GaveUp, Terminal
from brinewatch.calibrate.dialogue import calibrate, past_of
from brinewatch.calibrate.held import Ask, HeldProbe, Measured, over, records_of
from brinewatch.calibrate.listing import COLUMNS, rows
from brinewatch.calibrate.talk import Conditions, choice
from brinewatch.calibrate.visit import Visit
from brinewatch.calibrate.words import AIR_HELD, DRY, HELD
from brinewatch.clock import SystemClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text, utc_of
from brinewatch.ports import Clock
from brinewatch.signals.calibrating import methods_of
from brinewatch.signals.upkeep import upkeep_of

_SAVED, _NOT_SAVED = 0, 1


def work(options: argparse.Namespace) -> int:
    """Run the command; 0 when something was saved or listed."""
    shed = read_shed(options.shed)
    clock = SystemClock(shed.zone)
    try:
        return asyncio.run(_main(options, shed, clock, over(shed.data / "control.sock", clock)))
    except (KeyboardInterrupt, asyncio.CancelledError):
        return _NOT_SAVED  # the talk has said how things stand


async def _main(options: argparse.Namespace, shed: ShedFile, clock: Clock, ask: Ask) -> int:
    if options.list:
        return await _list(options, shed, clock, ask)
    if options.probe is None:
        probes = sorted({probe.name for probe, _ in shed.calibratable().values()})
        raise BrinewatchError("Which probe?", f"Name one of: {', '.join(probes)}.")
    terminal = Terminal()
    terminal.open()
    me = asyncio.current_task()
    assert me is not None
    for one in (signal.SIGTERM, signal.SIGHUP):  # a closed window is as good as Ctrl-C
        asyncio.get_running_loop().add_signal_handler(one, me.cancel)
    terminal.say("Ctrl-C gives up at any time, and so does q in answer to a question.")
    try:
        return await guide(options, shed, clock, ask, terminal)
    finally:
        terminal.close()


async def guide(options: argparse.Namespace, shed: ShedFile, clock: Clock, ask: Ask, console: Console) -> int:
    """The talk for one probe. Whatever ends it, the hold is taken off and the person told how things stand."""
    probe, wanted = find(shed, options.probe)
    since = None if options.since is None else instant(options.since, shed.zone)
    records, _ = await records_of(ask, None)
    held, done = HeldProbe(ask, probe, options.by), list[str]()
    try:
        measured, water = await held.begin()
        one = await _which(console, measured, wanted)
        past = past_of(records, one.point, since, options.replaces, clock.now().utc, shed.zone)
        thermometer = next(
            (other.point for other in measured if other.quantity == "temperature" and other is not one), None
        )
        visit = Visit(
            console, held, clock, probe, options.by, one, records, Conditions(water), thermometer, done
        )  # fmt: skip
        if visit.short_hold:
            await held.end()
        console.say(AIR_HELD if visit.short_hold else HELD.format(span=span_text(held.held_s)))
        console.say(DRY)
        saved = False
        try:
            if options.check:
                saved = await check(visit, records, since)
            else:
                saved = await calibrate(visit, past, _due_days(shed, one))
        except GaveUp as why:
            console.say(str(why))
        await visit.back()
        return _SAVED if saved or done else _NOT_SAVED
    except GaveUp as why:
        console.say(str(why))
        return _NOT_SAVED
    except asyncio.CancelledError:
        console.say()
        console.say("Broken off. Put the probe back in its place now.")
        raise
    finally:
        kept = "What was saved stays." if done else "Nothing was saved: all is as it was."
        console.say(f"{kept} {await _end(held)}".rstrip())


async def _end(held: HeldProbe) -> str:
    if not held.begun:
        return ""
    try:
        return await held.end()
    except BrinewatchError as error:
        return f"{error.what} Its alarms come on again by themselves."


async def _which(console: Console, measured: list[Measured], wanted: str | None) -> Measured:
    able = [one for one in measured if methods_of(one.quantity) and wanted in (None, one.point)]
    if not able:
        named = ", ".join(one.point for one in measured if wanted in (None, one.point)) or wanted
        raise BrinewatchError(
            f"{named} takes no calibration.", "Test a switch by hand; a kit has its own standards."
        )
    return able[await choice(console, "Which of its points?", [one.point for one in able])]


def find(shed: ShedFile, name: str) -> tuple[str, str | None]:
    """The probe of that name, or the one that feeds a point of that name and the point. BrinewatchError if none."""
    able = shed.calibratable()
    if name in able:
        return able[name][0].name, name
    probes = {probe.name for probe, _ in able.values()}
    if name in probes:
        return name, None
    known = {point: probe.name for point, (_, probe, _) in shed.channels().items()}
    if name in known or name in known.values():
        raise BrinewatchError(
            f"{name} takes no calibration.", "Test a switch by hand; a kit has its own standards."
        )
    raise BrinewatchError(
        f"There is no probe or measured point {name!r}.",
        f"These can be calibrated: {', '.join([*sorted(probes), *sorted(able)])}.",
    )


def _due_days(shed: ShedFile, measured: Measured) -> float | None:
    own, upkeep = shed.calibratable()[measured.point][1].calibrate_every_days, upkeep_of(measured.quantity)
    return own if own is not None else upkeep.due_days if upkeep else None


def instant(text: str, zone: tzinfo) -> float:
    """A day or a minute of the shed's own calendar, as UTC seconds. BrinewatchError when it is neither."""
    try:
        return utc_of(text, zone)
    except ValueError as error:
        raise BrinewatchError(f"--since {error}.", "Write it by the shed's own clock.") from error


async def _list(options: argparse.Namespace, shed: ShedFile, clock: Clock, ask: Ask) -> int:
    from brinewatch.terminal import print_table

    records, in_force = await records_of(ask, None)
    if options.probe is not None:
        probe, wanted = find(shed, options.probe)
        points = {point for point, (_, one, _) in shed.channels().items() if one.name == probe}
        records = [one for one in records if one.point in ({wanted} if wanted else points)]
    if not records:
        Terminal().say("No calibration is on record there yet.")
        return _SAVED
    print_table(COLUMNS, rows(records, in_force, clock.now().utc, shed.zone))
    return _SAVED
