"""What the alarm engine remembers between two scans, and how it wakes up after a stop: plain values, JSON and back.

A condition's timers are kept too, so that neither a restart nor a reboot loop can lose an alarm on its way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from brinewatch.alarms.events import Priority, State
from brinewatch.moment import Moment

NUMBERS = 999
LONGEST_DELAY_S = 604800.0  # a week: longer than that nothing is told to wait


@dataclass(frozen=True, slots=True)
class AlarmMemory:
    """One alarm between two scans.

    active: the condition, confirmed by its delay; pending: since when it has been seen otherwise, None when not;
    confirm: the next usable scan alone decides what is pending; began: when the condition first held (this time);
    activated: the last new activation, which an acknowledgement must come after; called: the last call;
    answered: when it was acknowledged; number: 1 to 999, 0 before the first activation, kept when it is over;
    serial: how many activations there had been in the shed, with this one; incident: the one it belongs to;
    priority: it called with, which may be more urgent than its rule's when its consequences are; until, one_shot,
    reason: of a shelving, of being out of service, or of being held back ("attended", or the cause's id); lost:
    since when that cause has not been seen to hold or to be over; parts: since when each part of a combination
    holds, by its path.
    """

    alarm: str
    state: State = State.NORMAL
    active: bool = False
    pending: Moment | None = None
    confirm: bool = False
    began: Moment | None = None
    activated: Moment | None = None
    called: Moment | None = None
    answered: Moment | None = None
    acknowledged_by: str = ""
    number: int = 0
    serial: int = 0
    priority: Priority = Priority.LOW
    title: str = ""
    incident: int = 0
    until: Moment | None = None
    one_shot: bool = False
    reason: str = ""
    lost: Moment | None = None
    parts: Mapping[str, Moment] = field(default_factory=dict, hash=False)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        saved: dict[str, Any] = {}
        for key in self.__dataclass_fields__:
            value = getattr(self, key)
            if isinstance(value, Moment):
                value = _plain(value)
            elif isinstance(value, (State, Priority)):
                value = value.value
            elif key == "parts":
                value = {path: _plain(since) for path, since in self.parts.items()}
            saved[key] = value
        return saved

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any], like: Moment) -> AlarmMemory:
        """The way back; the zone is taken from `like`. ValueError, KeyError or TypeError for foreign values."""
        known: dict[str, Any] = {key: saved[key] for key in cls.__dataclass_fields__ if key in saved}
        for key in _MOMENTS:
            if known.get(key) is not None:
                known[key] = _moment(known[key], like)
        known["state"] = State(known["state"])
        known["priority"] = Priority(known["priority"])
        known["parts"] = {path: _moment(since, like) for path, since in known.get("parts", {}).items()}
        return cls(**known)


def _plain(at: Moment) -> dict[str, Any]:
    return {"mono": at.mono, "utc": at.utc, "trusted": at.trusted}


def _moment(saved: Mapping[str, Any], like: Moment) -> Moment:
    return Moment(float(saved["mono"]), float(saved["utc"]), bool(saved["trusted"]), like.zone)


_MOMENTS = ("pending", "began", "activated", "called", "answered", "until", "lost")


# the key under which the attended mode is kept among the alarms; no rule can have it
ATTENDED = "(attended)"


@dataclass(frozen=True, slots=True)
class Attended:
    """Somebody works in the shed until an instant: alarms of that work are held back."""

    by: str
    since: Moment
    until: Moment


@dataclass(frozen=True, slots=True)
class Memory:
    """All alarms between two scans. serial: activations so far, which the short numbers are counted from."""

    alarms: Mapping[str, AlarmMemory] = field(default_factory=dict)
    serial: int = 0
    attended: Attended | None = None

    def saved(self, key: str) -> dict[str, Any] | None:
        """What is to be written down under a key of `Step.changed`; None when there is nothing any more."""
        if key == ATTENDED:
            mode = self.attended
            if mode is None:
                return None
            return {"by": mode.by, "since": _plain(mode.since), "until": _plain(mode.until)}
        one = self.alarms.get(key)
        return None if one is None else one.to_dict()

    @property
    def standing(self) -> tuple[AlarmMemory, ...]:
        """Alarms people still have to look at, in the order they came."""
        found = [one for one in self.alarms.values() if one.state.standing]
        return tuple(sorted(found, key=lambda one: one.serial))

    @property
    def waiting(self) -> tuple[int, ...]:
        """Numbers of the alarms that wait for an answer."""
        return tuple(one.number for one in self.standing if one.state in (State.UNACKNOWLEDGED, State.RETURNED))


def next_number(serial: int, taken: set[int]) -> tuple[int, int]:
    """The next short number and the serial it stands for: round and round 1..999, over those still standing.

    Going round is what keeps a number from coming back within the last 100 activations.
    """
    for _ in range(NUMBERS):
        serial += 1
        number = (serial - 1) % NUMBERS + 1
        if number not in taken:
            return number, serial
    # more standing alarms than numbers: the number is shared rather than the alarm lost
    return serial % NUMBERS + 1, serial + 1


def shift_of(saved_mono: float, saved_utc: float | None, same_boot: bool, now: Moment) -> tuple[float, bool]:
    """What is to be added to monotonic times kept over a stop, and whether anybody knows how long the stop was.

    See `resume` for what is given.
    """
    if same_boot:
        return 0.0, True
    known = saved_utc is not None and now.trusted and now.utc >= saved_utc
    stop = now.utc - saved_utc if known and saved_utc is not None else 0.0
    return now.mono - stop - saved_mono, known


def resume(
    saved: Mapping[str, Mapping[str, Any]],
    saved_mono: float,
    saved_utc: float | None,
    same_boot: bool,
    now: Moment,
) -> Memory:
    """The memory after a stop of the daemon, of the machine, or of both.

    saved: alarm -> AlarmMemory.to_dict(); saved_mono: monotonic seconds when the memory was last known to hold;
    saved_utc: POSIX seconds of the same instant, None when the clock could not be trusted then;
    same_boot: whether monotonic time still counts from the same start.

    Standing alarms stand on and are not raised anew. A condition on its way to an alarm keeps its time, the stop
    counted in; when nobody knows how long the stop was it counts as long, and one confirming scan decides. A return
    to normal on its way starts again, since nobody saw the stop. No step of the wall clock matters.
    """
    shift, known = shift_of(saved_mono, saved_utc, same_boot, now)
    alarms: dict[str, AlarmMemory] = {}
    attended = None
    for alarm, values in saved.items():
        if alarm == ATTENDED:
            since, until = (_moved(_moment(values[key], now), shift) for key in ("since", "until"))
            if since is not None and until is not None:
                attended = Attended(str(values["by"]), since, until)
            continue
        one = AlarmMemory.from_dict(values, now)
        # a part's delay that nobody knows the length of is over, and one scan confirms it or not
        over = 0.0 if known else LONGEST_DELAY_S
        one = replace(
            one, parts={path: replace(since, mono=since.mono + shift - over) for path, since in one.parts.items()}
        )
        moved: dict[str, Any] = {key: _moved(getattr(one, key), shift) for key in _MOMENTS}
        if one.active:
            one = replace(one, **{**moved, "pending": None}, confirm=False)
        else:
            one = replace(one, **moved, confirm=one.pending is not None and (one.confirm or not known))
        alarms[alarm] = one
    return Memory(alarms, max((one.serial for one in alarms.values()), default=0), attended)


def _moved(moment: Moment | None, shift: float) -> Moment | None:
    return None if moment is None else replace(moment, mono=moment.mono + shift)
