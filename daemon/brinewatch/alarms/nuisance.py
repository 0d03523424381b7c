"""When alarms themselves become the trouble: floods, and alarms that chatter.

A flood is more than ten calls in ten minutes and ends below five in ten (ISA-18.2, quoted second-hand); an alarm
chatters from the third call in a minute (ISA-18.2, second-hand) or, since a shed is slow and people are asleep,
from the fourth in half an hour (judgement). Both are alarms of their own. What chatters is still judged, journalled
and shown, and calls on every ten minutes; only the calls between are left out. The first call of a critical alarm
and every call because nobody answered always go out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from brinewatch.alarms.events import AlarmEvent, Happening, Priority
from brinewatch.alarms.scan import CAME_BACK
from brinewatch.moment import Moment

# the part of the watch that speaks of floods and chatter
ALARMS_POINT = "alarms.health"
FLOOD_MORE_THAN, FLOOD_ENDS_BELOW, FLOOD_S = 10, 5, 600.0
# so many calls within so many seconds are chatter
CHATTER = ((3, 60.0), (4, 1800.0))
KEPT_S = max(FLOOD_S, *(seconds for _, seconds in CHATTER))
_STILL_CALLS_S = 600.0


def _may_wait(event: AlarmEvent) -> bool:
    """Whether it comes or goes of itself: that may be left out when it does so again and again."""
    match event.happening:
        case Happening.RAISED:
            return event.priority is not Priority.CRITICAL
        case Happening.REPEATED:
            return event.detail == CAME_BACK
        case happening:
            return happening is Happening.RETURNED


class Nuisance:
    """Looks at the events as they come; `own` names the alarms that speak of floods and are not counted in them."""

    def __init__(self, own: Iterable[str] = ()) -> None:
        self._own = frozenset(own)
        self._calls: deque[tuple[float, str]] = deque()
        self._told: dict[str, float] = {}
        self._flood = False

    def take(self, events: Iterable[AlarmEvent], now: Moment) -> None:
        """Count the calls among these events. A call again because nobody answered is no chatter."""
        for event in events:
            came = event.happening is Happening.RAISED or (
                event.happening is Happening.REPEATED and event.detail == CAME_BACK
            )
            if came and event.alarm not in self._own:
                self._calls.append((now.mono, event.alarm))
        while self._calls and self._calls[0][0] < now.mono - KEPT_S:
            self._calls.popleft()
        lately = sum(1 for at, _ in self._calls if at > now.mono - FLOOD_S)
        self._flood = lately > FLOOD_MORE_THAN or (self._flood and lately >= FLOOD_ENDS_BELOW)

    @property
    def flood(self) -> bool:
        return self._flood

    def chatters(self, now: Moment) -> tuple[str, ...]:
        """The alarms that chatter now, the noisiest first."""
        counted: dict[str, int] = {}
        for count, seconds in CHATTER:
            within: dict[str, int] = {}
            for at, alarm in self._calls:
                if at > now.mono - seconds:
                    within[alarm] = within.get(alarm, 0) + 1
            for alarm, times in within.items():
                if times >= count:
                    counted[alarm] = max(times, counted.get(alarm, 0))
        return tuple(sorted(counted, key=lambda alarm: (-counted[alarm], alarm)))

    def hold_back(self, event: AlarmEvent, now: Moment) -> bool:
        """Whether the message of this event is left out: it chatters, and people heard of it within ten minutes."""
        if not _may_wait(event) or event.alarm not in self.chatters(now):
            self._told[event.alarm] = now.mono
            return False
        last = self._told.get(event.alarm)
        if last is not None and now.mono - last < _STILL_CALLS_S:
            return True
        self._told[event.alarm] = now.mono
        return False

    def restore(self, events: Iterable[AlarmEvent]) -> None:
        """What happened before a restart, oldest first, monotonic stamps counted as now: it goes on as it was."""
        for event in events:
            self.take([event], event.at)
            self.hold_back(event, event.at)

    def health(self, now: Moment, titles: dict[str, str]) -> tuple[bool, str]:
        """Well or not, and why, as the part `alarms` of the watch."""
        noisy = self.chatters(now)
        parts = []
        if noisy:
            names = ", ".join(titles.get(alarm, alarm) for alarm in noisy[:3])
            parts.append(f"comes and goes again and again: {names}")
        if self._flood:
            parts.append(f"more than {FLOOD_MORE_THAN} calls within {FLOOD_S / 60:.0f} min")
        return not parts, "; ".join(parts)
