"""One visit to one channel: waiting for its signal to come to rest, and the point taken then."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from brinewatch.calibrate.console import Asked, Console, GaveUp
from brinewatch.calibrate.held import Heard, HeldProbe, Measured
from brinewatch.calibrate.talk import Conditions, line, shown, truth, yes
from brinewatch.calibrate.words import BACK, BACK_DRY, PREPARE
from brinewatch.errors import BrinewatchError
from brinewatch.moment import span_text, utc_text
from brinewatch.ports import Clock
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.plausibility import Finding, findings_of_point
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Reference, calibration_at
from brinewatch.signals.stability import Steadiness, tolerance_of
from brinewatch.signals.truths import GAUGES, Truth

_LOOK_EVERY_S = 1.0
# a person who has not pressed Enter by then has been called away; the pause of the alarm must not go on for ever
_LONGEST_WAIT_S = 1800.0


@dataclass
class Visit:
    """What every kind of visit shares.

    records: all there are; thermometer: the probe's own temperature point; done: what has been saved.
    """

    console: Console
    held: HeldProbe
    clock: Clock
    probe: str
    by: str
    measured: Measured
    records: Sequence[CalibrationRecord]
    conditions: Conditions
    thermometer: str | None = None
    done: list[str] = field(default_factory=list)
    is_back: bool = True

    @property
    def short_hold(self) -> bool:
        """Whether the daemon holds its alarms for a minute or two only: a stopped blower must be heard."""
        return self.quantity == "air_pressure"

    @property
    def quantity(self) -> str:
        return self.measured.quantity

    def line_now(self, without: str = "") -> Calibration:
        """The straight line in force; as it would be without the record of that id."""
        records = [one for one in self.records if one.id != without]
        return calibration_at(records, self.measured.point, self.clock.now().utc)

    def identity(self, what: str = "") -> str:
        """A record's id: the point, the instant in UTC, and what it is when one visit makes several."""
        return f"{self.measured.point}@{utc_text(self.clock.now().utc)[:19]}Z{what}"

    async def save(self, record: CalibrationRecord) -> None:
        said = await self.held.save(record)
        self.done.append(said)
        self.console.say(said)

    async def settled(self) -> Steadiness:
        """Show the signal until it rests and the person takes it. GaveUp otherwise, or after half an hour."""
        point, steady = self.measured.point, Steadiness(tolerance_of(self.quantity))
        began, warned = self.clock.now().mono, False
        if not self.held.begun:
            await self.held.begin()
        await self._look()  # what came before the probe was where it is now counts for nothing
        self.console.say("Waiting until it rests.")
        while True:
            heard = await self._look()
            for mono, value in heard.said.get(point, ()):
                steady = steady.take(mono, value)
            if self.thermometer and heard.said.get(self.thermometer):
                self.conditions.own_temperature = heard.said[self.thermometer][-1][1]
            reason = "" if heard.said.get(point) else heard.reasons.get(point, "")
            wanting = f"no value: {reason}" if reason else steady.wanting
            waited = self.clock.now().mono - began
            state = wanting or "at rest: press Enter to take it"
            held = "" if self.held.held_s else "   ITS ALARMS ARE ON"
            self.console.show(f"{span_text(waited):>8}   {shown(self.quantity, steady.latest)}   {state}{held}")
            typed = self.console.typed()
            if typed is not None:
                if typed.lower() in ("q", "quit"):
                    raise GaveUp("You gave up.")
                if not wanting:
                    return steady
                self.console.say(f"Not yet: {wanting}. It is taken only at rest.")
            if wanting and not warned and waited > steady.tolerance.give_up_s:
                warned = True
                self.console.say(f"It has not come to rest in {span_text(waited)}. {steady.advice}")
            if waited > _LONGEST_WAIT_S:
                raise GaveUp(f"Nobody took the reading in {span_text(waited)}.")
            await self.clock.sleep(_LOOK_EVERY_S)

    async def _look(self) -> Heard:
        try:
            return await self.held.look()
        except BrinewatchError:
            # the pause had run out while a question stood open, or the daemon was started again meanwhile
            await self.held.begin()
            self.console.say("The pause of this probe's alarms had ended by itself; it is on again.")
            return await self.held.look()

    async def start(self, reference: Reference, ordinal: str = "") -> None:
        """What to prepare, then wait for the person to have done it."""
        self.console.say()
        self.console.say(f"{ordinal}Reference: {reference.value}.")
        for number, words in enumerate(PREPARE[reference], 1):
            self.console.say(f"  {number}. {words}")
        if not self.short_hold:
            self.is_back = False
            await line(
                self.console, "Press Enter when the probe is in place:", Asked("", [("", "The probe is in place")])
            )
            return
        # the air's alarms are held for so short a time that it begins with the opening, and ends with the closing
        go = Asked("Only when you have pressed this, do it.", [("", "I do it now")])
        await line(self.console, "Press Enter, and only then do it:", go)
        self.is_back = False
        await self.held.begin()
        if self.held.held_s:
            self.console.say(f"Now. Its alarms wait for {span_text(self.held.held_s)}.")
        else:
            self.console.say("Its alarms are not held: they were held just before. Opening it now calls people.")

    async def back(self) -> None:
        """The hold stays on until the probe is where it belongs: in a cup it would call people."""
        if self.is_back:
            return
        self.console.say(BACK_DRY if self.quantity in GAUGES else BACK)
        with contextlib.suppress(GaveUp):
            await line(self.console, "Press Enter when it is back:", Asked("", [("", "It is back")]))
        self.is_back = True

    async def truth(self, reference: Reference) -> Truth:
        """Ask until the reference's value can be worked out."""
        while True:
            try:
                return await truth(self.console, self.quantity, reference, self.conditions)
            except ValueError as error:
                self.console.say(f"That cannot be: {error}.")

    async def take(self, reference: Reference, ordinal: str = "") -> tuple[CalibrationPoint, list[Finding]]:
        """One point, again and again until it is plausible; and what may be waved through of it."""
        await self.start(reference, ordinal)
        while True:
            steady = await self.settled()
            if self.short_hold:
                await self.back()
                await self.held.end()
            true = await self.truth(reference)
            point = true.held_against(steady.mean, steady.spread)
            said, right = shown(self.quantity, point.said), shown(self.quantity, point.true)
            self.console.say(f"Taken: the probe says {said} where {right} is true ({point.about}).")
            found = findings_of_point(self.quantity, point, self.line_now())
            if true.doubt:
                found.append(Finding(False, f"About the reference: {true.doubt}."))
            for one in found:
                self.console.say(f"{'Refused: ' if one.refused else 'Mind: '}{one.text}")
            if not any(one.refused for one in found):
                return point, found
            self.conditions.used.discard(true.name)
            if not await yes(self.console, "This point is not used. Try it again?"):
                raise GaveUp("The point was refused.")
            if self.short_hold:
                await self.start(reference, ordinal)
