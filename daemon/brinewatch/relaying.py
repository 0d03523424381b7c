"""The daemon's end of the relays: driven at every look, remembered over restarts, told when they do not obey."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from brinewatch.alarms.relays import MARK, Relay, faults
from brinewatch.calendar import Calendar
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError, PortLost
from brinewatch.moment import Moment
from brinewatch.notify.relay import Output, output_of
from brinewatch.ports import Clock
from brinewatch.watchkeeper import Watchkeeper

# an output is set again so often though nothing changed: a chip that was away has forgotten it
_AGAIN_S = 30.0


class Relays:
    """note: one line for people, kept in the journal."""

    def __init__(self, shed: ShedFile, keeper: Watchkeeper, clock: Clock, note: Callable[[str], None]) -> None:
        self._keeper = keeper
        self._clock = clock
        self._note = note
        self._alarms = {alarm.id: alarm for alarm in shed.alarms}
        self._relays = [Relay(settings) for settings in shed.relays]
        self._outputs: dict[str, Output] = {one.key: output_of(one, shed.folder) for one in shed.relays}
        self._works: dict[str, bool] = {}
        self._driven: dict[str, float] = {}
        self._broken: dict[str, str] = {}
        self._kept: dict[str, Mapping[str, Any]] = {}

    def recall(self, kept: Mapping[str, Mapping[str, Any]]) -> list[str]:
        """What was remembered. A pump that ran runs on."""
        lost = []
        for one in self._relays:
            key = f"{MARK}{one.settings.key}"
            try:
                if key in kept:
                    one.recall(kept[key])
                    self._kept[key] = one.to_dict()
            except (KeyError, TypeError, ValueError) as error:
                lost.append(f"What is known of the relay {one.settings.key} cannot be read ({error}).")
        return lost

    def look(self, now: Moment) -> tuple[bool, str]:
        """Drive each relay as it should be now; whether all obey, and what is wrong."""
        for one in self._relays:
            key, before = one.settings.key, self._works.get(one.settings.key)
            works = one.look(self._alarms, self._keeper.memory.alarms, self._keeper.latest, now)
            last = self._driven.get(key)
            if works == before and key not in self._broken and last is not None and now.mono - last < _AGAIN_S:
                continue
            try:
                self._outputs[key].drive(works != (one.settings.rests == "energised"))
                self._broken.pop(key, None)
                self._driven[key] = now.mono
            except PortLost as error:
                self._broken[key] = f"{key}: {error.what}"
                continue
            self._works[key] = works
            if works != before and (before is not None or works):
                self._note(f"{one.settings.does} {key}: {'on' if works else 'at rest'}")
        why = "; ".join([*self._broken.values(), *filter(None, [faults(self._relays, now)])])
        return not why, why

    def changed(self) -> dict[str, Mapping[str, Any] | None]:
        """What is to be written down beside the alarms' memories."""
        now = {f"{MARK}{one.settings.key}": one.to_dict() for one in self._relays}
        found = {key: body for key, body in now.items() if self._kept.get(key) != body}
        self._kept = dict(now)
        return dict(found)

    def plan(self, calendar: Calendar) -> None:
        """Put the proofs of pumps on the calendar."""
        for one in self._relays:
            if one.settings.prove_day is not None:
                hour, minute = map(int, one.settings.prove_at.split(":"))
                name, day = f"proof of {one.settings.key}", one.settings.prove_day
                calendar.at(name, partial(self._prove, one), day=day, hour=hour, minute=minute)

    async def _prove(self, one: Relay) -> None:
        self._note(f"{one.settings.key}: run for a minute, to see that it runs")
        one.begin_proof(self._clock.now())

    # -- requests of the command line ---------------------------------------------------------------------------

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request. Raises BrinewatchError for what cannot be done."""
        if request["do"] != "relay list":
            one = self._named(str(request.get("key")))
            by = str(request.get("by") or "the command line")
            if request["do"] == "relay rest":
                one.rest()
                self._note(f"{one.settings.key} rested by {by}")
            elif request["do"] == "relay prove":
                if one.settings.proven_by is None:
                    raise BrinewatchError(f"Nothing tells whether {one.settings.key} runs.", "Set its proven_by.")
                self._note(f"{one.settings.key} tried by {by}")
                one.begin_proof(self._clock.now())
            else:
                raise BrinewatchError(f"The daemon does not know {request['do']!r}.", "See: brinewatch --help")
        return {
            "relays": [
                {
                    "key": one.settings.key, "does": one.settings.does, "works": self._works.get(one.settings.key),
                    "proven_utc": one.proven_utc, "proving": one.proving is not None,
                    "fault": self._broken.get(one.settings.key, "") or one.health(self._clock.now()),
                }
                for one in self._relays
            ]
        }  # fmt: skip

    def _named(self, key: str) -> Relay:
        for one in self._relays:
            if one.settings.key == key:
                return one
        known = ", ".join(one.settings.key for one in self._relays) or "there is none"
        raise BrinewatchError(f"{key!r} is no relay of this shed ({known}).", "Add a [[relay]] to the shed file.")

    def close(self) -> None:
        for one in self._outputs.values():
            one.close()
