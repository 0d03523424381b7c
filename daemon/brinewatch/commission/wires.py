"""Every wire proven by a hand at its probe, with somebody watching the number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from brinewatch.calibrate.console import Console
from brinewatch.calibrate.talk import line, number, yes
from brinewatch.commission.keeping import Keeping
from brinewatch.commission.wrong_wires import hints
from brinewatch.errors import BrinewatchError
from brinewatch.probing import Look, look_at
from brinewatch.proving.items import Outcome, point_title, wired
from brinewatch.proving.moves import Move, Seen, Watch, move_for
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.signals.display import show

_EVERY_S = 1.0
_CAUTION = (
    "Dry hands at anything that hangs on mains; sea water and electricity kill. Move probes only, never "
    "open a mains "
    "box: that is a licensed electrician's. Do not lean into tanks or sumps alone; pits and closed rooms may hold "
    "hydrogen sulfide: air them first and never enter alone."
)
_HOW = "Enter when you are at it, s to leave it for later, q to stop. What is proven stays proven."
_AT_WORK_S = 3600.0


async def prove_wires(
    keeping: Keeping, console: Console, points: Sequence[str], seconds: float, look: Look | None = None
) -> int:
    """Go through channels one by one; those not proven yet when none is named. 0 when nothing of them is open."""
    shed = keeping.shed
    known = wired(shed)
    unknown = [one for one in points if one not in known]
    if unknown:
        raise BrinewatchError(
            f"No wire feeds {', '.join(unknown)}.", f"Known: {', '.join(known) or 'none in this shed file'}."
        )
    settled = {one.item.key for one in (await keeping.sheet()).lines if one.state.settled}
    asked = list(points) or [one for one in known if f"wire:{one}" not in settled]
    if not asked:
        console.say("Every wire is proven. To prove one again, name it.")
        return 0
    console.say(_CAUTION)
    console.say(f"{len(asked)} of {len(known)} wires are to be proven. {_HOW}")
    await _announce(keeping, console)
    open_still = 0
    for place, point in enumerate(asked, 1):
        console.say()
        console.say(f"{place} of {len(asked)}: {point_title(shed, point)} ({point})")
        proven = await _one(keeping, console, point, seconds, look or look_at(shed, keeping.clock))
        open_still += not proven
    console.say()
    console.say(f"{len(asked) - open_still} of {len(asked)} proven.")
    return 1 if open_still else 0


async def _announce(keeping: Keeping, console: Console) -> None:
    """Alarms of this work need not call; those of the air do."""
    if not await keeping.running():
        return
    if await yes(console, "Say for an hour that you work in the shed, so that only loss of air and data calls?"):
        request = {"do": "attend", "for_s": _AT_WORK_S, "by": keeping.by, "why": "commissioning: wires"}
        for told in (await keeping.ask(request))["lines"]:
            console.say(str(told))


async def _one(keeping: Keeping, console: Console, point: str, seconds: float, look: Look) -> bool:
    move = move_for(point)
    bus, probe, _ = keeping.shed.channels()[point]
    console.say(f"  probe {probe.name} on bus {bus}")
    console.say(f"  {move.do}")
    if (await line(console, "Ready? [Enter/s/q]")).lower() in ("s", "skip"):
        return False
    if move.compare:
        seen, detail = await _compare(keeping, console, point, move, look)
    else:
        seen, detail = await _watch(keeping, console, point, seconds, look)
    if seen is Seen.MOVED:
        console.say(await keeping.prove(f"wire:{point}", Outcome.PROVEN, detail))
        return True
    console.say(f"NOT PROVEN: {detail}")
    for one in hints(keeping.shed.buses[bus].kind, seen, detail):
        console.say(f"  - {one.wire}. {one.do}")
    if await yes(console, "Write it down as failed?"):
        console.say(await keeping.prove(f"wire:{point}", Outcome.FAILED, detail))
    return False


@dataclass(slots=True)
class _Eyes:
    """Looks at every channel. ages: of the readings of the look before, s."""

    look: Look
    ages: dict[str, float] = field(default_factory=dict)

    async def values(self, point: str) -> tuple[dict[str, float | None], str, set[str]]:
        """Every channel's value, why the one under test has none, and which were read since the last look."""
        _, probes = await self.look()
        channels: Mapping[str, Mapping[str, Any]] = {
            one["point"]: one for each in probes for one in each["channels"]
        }
        ages = {key: float(one["age_s"]) for key, one in channels.items() if one["age_s"] is not None}
        # one that was not read anew is older than it was by the time between the looks
        fresh = {key for key, age in ages.items() if age < self.ages.get(key, age + 1.0) + _EVERY_S / 2}
        self.ages = ages
        reason = str(channels.get(point, {}).get("reason") or "no reading has come yet")
        return {key: one["value"] for key, one in channels.items()}, reason, fresh


async def _watch(keeping: Keeping, console: Console, point: str, seconds: float, look: Look) -> tuple[Seen, str]:
    watch, eyes = Watch(point), _Eyes(look)
    until = keeping.clock.now().mono + seconds
    told = False
    seen = Seen.WAITING
    while seen is Seen.WAITING:
        watch.take(*await eyes.values(point))
        if watch.ready and not told:
            console.say("  Now.")
            told = True
        console.show(f"  {_shown(keeping, point, watch.now)}")
        over = keeping.clock.now().mono >= until or (console.typed() or "").lower() in ("q", "quit", "s")
        seen = watch.seen(over=over)
        if seen is Seen.WAITING:
            await keeping.clock.sleep(_EVERY_S)
    before, now = _shown(keeping, point, watch.before), _shown(keeping, point, watch.now)
    match seen:
        case Seen.MOVED:
            console.say(f"  It moved: from {before} to {now}.")
            if await yes(console, "Was that you, at this probe?"):
                return seen, f"moved by hand from {before} to {now}"
            return Seen.STILL, f"it moved from {before} to {now}, and not by the hand at the probe"
        case Seen.WRONG_WAY:
            return seen, f"it moved the wrong way, from {before} to {now}"
        case Seen.ANOTHER:
            return seen, f"it stayed at {now} and {', '.join(watch.others())} moved instead"
        case Seen.NOISY:
            return seen, f"it is never at rest: it moves by {watch.noise:.3g} with nobody near"
        case Seen.SILENT:
            return seen, f"no value: {watch.reason}"
    return seen, f"it stayed at {now} for {seconds:.0f} s"


async def _compare(keeping: Keeping, console: Console, point: str, move: Move, look: Look) -> tuple[Seen, str]:
    values, reason, _ = await _Eyes(look).values(point)
    value = values.get(point)
    if value is None:
        return Seen.SILENT, f"no value: {reason}"
    unit = QUANTITIES[quantity_of(point)].unit
    console.say(f"  It reads {value:.1f} {unit}.")
    truth = await number(console, f"What does the other instrument show, {unit}")
    if abs(truth - value) <= move.least:
        return Seen.MOVED, f"reads {value:.1f} {unit} beside {truth:.1f} {unit} of another instrument"
    return Seen.STILL, f"reads {value:.1f} {unit} and the other instrument {truth:.1f} {unit}"


def _shown(keeping: Keeping, point: str, value: float | None) -> str:
    return "no value" if value is None else show(quantity_of(point), value, keeping.shed.shed.display)
