"""How much of a nuisance the calls of a stretch of time are, in the terms of ISA-18.2 and EEMUA 191.

The figures of those standards are for a staffed desk and for thirty days or more: of a shed, whose calls wake
people up, the counts matter and the shares do not until there are many. Thresholds: chatter from three calls in a
minute, flood from more than ten in ten minutes until fewer than five, standing for more than 24 hours (ISA-18.2,
quoted second-hand); four calls in half an hour are chatter too, what is over within a minute is fleeting, and night
is from 22 to 7 (judgement).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from brinewatch.alarms.events import Priority
from brinewatch.alarms.nuisance import CHATTER, FLOOD_ENDS_BELOW, FLOOD_MORE_THAN, FLOOD_S
from brinewatch.rehearsal.calls import Call

STANDING_S = 24 * 3600.0
FLEETING_S = 60.0
NIGHT = (22, 7)  # hours of the shed's own clock
# below so many calls a share of them says nothing (judgement)
MANY = 100
FEW_DAYS = 30.0  # ISA-18.2 asks for at least so many
_TOP = 10
_WEEK, _DAY, _TEN_MIN = 7 * 86400.0, 86400.0, 600.0


@dataclass(frozen=True, slots=True)
class Source:
    """One of the alarms that called most."""

    alarm: str
    calls: int
    share: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Calls of a stretch of time in numbers.

    days: of watch; calls: that people were made anew; again: calls again because nobody answered; chattering,
    fleeting, standing: by alarm, how many calls; floods: how many there were; flood_share: of the time, in floods;
    most_in_ten_min: calls; shares are None while there are too few calls to tell; priorities: calls by priority.
    """

    days: float
    calls: int
    again: int
    per_week: float
    per_day: float
    per_ten_min: float
    at_night: int
    chattering: dict[str, int]
    fleeting: dict[str, int]
    standing: dict[str, int]
    floods: int
    flood_share: float
    most_in_ten_min: int
    top: tuple[Source, ...]
    priorities: dict[str, int]
    notes: tuple[str, ...] = field(default=())


def figures_of(calls: Sequence[Call], watched_s: float, end: float) -> Figures:
    """watched_s: how long there was a watch; end: POSIX seconds up to which a call that stands is counted."""
    ordered = sorted(calls, key=lambda call: call.at.utc)
    by_alarm = Counter(call.alarm for call in ordered)
    many = len(ordered) >= MANY
    floods, flood_s, most = _floods(ordered, end)
    notes = []
    if round(watched_s / _DAY) < FEW_DAYS:
        notes.append(f"Under {FEW_DAYS:.0f} days of watch: figures of rates are rough.")
    if ordered and not many:
        notes.append(f"Fewer than {MANY} calls: how they are shared out says nothing yet.")
    return Figures(
        days=watched_s / _DAY,
        calls=len(ordered),
        again=sum(call.again for call in ordered),
        per_week=_rate(len(ordered), watched_s, _WEEK),
        per_day=_rate(len(ordered), watched_s, _DAY),
        per_ten_min=_rate(len(ordered), watched_s, _TEN_MIN),
        at_night=sum(_at_night(call) for call in ordered),
        chattering=_chattering(ordered),
        fleeting=_counted(call for call in ordered if call.over is not None and call.lasted_s(end) < FLEETING_S),
        standing=_counted(call for call in ordered if call.lasted_s(end) > STANDING_S),
        floods=floods,
        flood_share=flood_s / watched_s if watched_s else 0.0,
        most_in_ten_min=most,
        top=tuple(Source(alarm, n, n / len(ordered) if many else None) for alarm, n in by_alarm.most_common(_TOP)),
        priorities={one.value: sum(call.priority is one for call in ordered) for one in Priority},
        notes=tuple(notes),
    )  # fmt: skip


def _rate(count: int, seconds: float, each_s: float) -> float:
    return count * each_s / seconds if seconds else 0.0


def _counted(calls: Iterable[Call]) -> dict[str, int]:
    return dict(Counter(call.alarm for call in calls).most_common())


def _at_night(call: Call) -> bool:
    return call.at.local.hour >= NIGHT[0] or call.at.local.hour < NIGHT[1]


def _chattering(calls: Sequence[Call]) -> dict[str, int]:
    """By alarm: its calls that came with so many others of it in so short a time."""
    times: dict[str, list[float]] = {}
    for call in calls:
        times.setdefault(call.alarm, []).append(call.at.utc)
    found = {}
    for alarm, stamps in times.items():
        noisy = {
            place
            for count, seconds in CHATTER
            for first in range(len(stamps) - count + 1)
            if stamps[first + count - 1] - stamps[first] < seconds
            for place in range(first, first + count)
        }
        if noisy:
            found[alarm] = len(noisy)
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def _floods(calls: Sequence[Call], end: float) -> tuple[int, float, int]:
    """How many floods, how long they lasted together, and the most calls in ten minutes."""
    # each call counts from when it is made until ten minutes later; at one instant what leaves goes first
    turns = sorted([(call.at.utc, 1) for call in calls] + [(call.at.utc + FLOOD_S, -1) for call in calls])
    lately, most, floods, seconds = 0, 0, 0, 0.0
    since: float | None = None
    for at, change in turns:
        lately += change
        most = max(most, lately)
        if since is None and lately > FLOOD_MORE_THAN:
            floods, since = floods + 1, at
        elif since is not None and lately < FLOOD_ENDS_BELOW:
            seconds, since = seconds + min(at, end) - since, None
    return floods, seconds, most
