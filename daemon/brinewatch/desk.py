"""Where people reach the daemon: texts from their phones, commands from the command line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from brinewatch.airtests import AirTests
from brinewatch.alarms.events import AlarmEvent, Command, Happening
from brinewatch.asked import ORDERS, order_of
from brinewatch.beside import ANSWERS, Beside
from brinewatch.calibrations import Calibrations
from brinewatch.callout import Callout
from brinewatch.errors import BrinewatchError
from brinewatch.intake import Intake
from brinewatch.messages import Inbound
from brinewatch.moment import Moment, utc_text
from brinewatch.overview import Overview, as_json
from brinewatch.ports import Clock
from brinewatch.readings import Sample
from brinewatch.recorder import Recorder
from brinewatch.store.history import History
from brinewatch.store.journal import Journal, Logged, Posted
from brinewatch.watchkeeper import Outcome, Watchkeeper


class Look(Protocol):
    """One step of the watch, now."""

    def __call__(self, samples: Sequence[Sample] = (), commands: Sequence[Command] = ()) -> Outcome: ...


class Desk:
    """Takes what people ask and gives what they are owed."""

    def __init__(
        self,
        keeper: Watchkeeper,
        callout: Callout,
        recorder: Recorder,
        journal: Journal,
        history: History,
        calibrations: Calibrations,
        air_tests: AirTests,
        beside: Beside,
        clock: Clock,
        look: Look,
        overview: Callable[[], Overview],
        say: Callable[[str], None],
    ) -> None:
        self._keeper = keeper
        self._callout = callout
        self._recorder = recorder
        self._journal = journal
        self._history = history
        self._intake = Intake(history, journal, clock)
        self._calibrations = calibrations
        self._air_tests = air_tests
        self._beside = beside
        self._clock = clock
        self._look = look
        self._overview = overview
        self._say = say

    async def inbound(self, inbound: Inbound) -> None:
        """A text from a phone: journalled, and obeyed and answered when it is a contact's."""
        now = self._clock.now()
        hearing = self._callout.hear(inbound, now, self._keeper.memory)
        self._say(f"{now.local:%H:%M:%S} text {hearing.remark}")
        events: Sequence[AlarmEvent] = ()
        if hearing.command is not None and self._beside.drills.hear(hearing.command.by, hearing.command, now):
            await self._journal.note("text in", hearing.remark, now)
            self._look()
            return
        if hearing.command is not None:
            events = self._look(commands=[hearing.command]).events
        reply = self._callout.reply(hearing, events, self._keeper.memory, now)
        if reply is not None:
            self._recorder.add((), {}, [reply])
        await self._journal.note("text in", hearing.remark, now)

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """One request of the command line. Raises BrinewatchError for what cannot be done."""
        match request["do"]:
            case "state":
                return {"overview": as_json(self._overview())}
            case order if order in ORDERS:
                return {"lines": self._order(order_of(request, self._keeper.alarms, self._clock.now()))}
            case "probes":
                return {"probes": as_json(self._keeper.probes(self._clock.now()))}
            case "messages":
                return {"rows": [_posted(one) for one in await self._journal.outbox()]}
            case "events":
                return {"rows": [_logged(one) for one in await self._journal.recent()]}
            case "write":
                return {"written": await self._history.flush()}
            case str(do) if do.startswith("import"):
                return await self._intake.answer(request)
            case str(do) if do.startswith(ANSWERS):
                done = await self._beside.answer(request)
                self._look()
                return done
            case str(do) if do.startswith("past "):
                return await self._beside.charts.answer(request)
            case str(do) if do.startswith("air-off"):
                return await self._air_tests.answer(request)
            case str(do) if do.startswith("calibration"):
                done = await self._calibrations.answer(request)
                self._look()  # what it changed shows at once
                return done
        raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.", "See: brinewatch --help")

    def _order(self, command: Command) -> list[str]:
        if self._beside.drills.hear(command.by, command, self._clock.now()):
            self._look()
            return ["The drill is answered and over."]
        events = [event for event in self._look(commands=[command]).events if event.by == command.by]
        if events and all(event.happening is Happening.REFUSED for event in events):
            raise BrinewatchError(f"Not done: {events[0].detail}.", "See: brinewatch state")
        return [event_line(event, self._keeper) for event in events]


def event_line(event: AlarmEvent, keeper: Watchkeeper) -> str:
    """One alarm event as one line for people."""
    until = f"until {event.until.local:%Y-%m-%d %H:%M}" if event.until else ""
    if not event.alarm:
        said = [f"{event.happening}", f"by {event.by}" if event.by else "", until, event.detail]
        return f"{event.at.local:%H:%M:%S}     {' '.join(part for part in said if part)}"
    value = keeper.show(event.point, event.value) if event.value is not None else ""
    parts = [event.title, event.point, value, f"by {event.by}" if event.by else "", until, event.detail]
    text = ", ".join(part for part in parts if part)
    return f"{event.at.local:%H:%M:%S} {event.number:3d} {event.happening.value:12} {text}"


def _posted(one: Posted) -> dict[str, Any]:
    message = one.message
    return {
        "created": utc_text(message.created_utc), "number": message.number, "way": message.way, "to": message.to,
        "state": one.state.value, "tries": one.tries, "detail": one.detail, "text": message.text,
        "payload": message.payload,
    }  # fmt: skip


def _logged(one: Logged) -> dict[str, Any]:
    def text(at: Moment | None) -> str | None:
        return utc_text(at.utc) if at else None

    return {
        **as_json(one.event), "occurred": text(one.event.began), "detected": text(one.event.at),
        "committed": text(one.committed), "sent": text(one.sent),
    }  # fmt: skip
