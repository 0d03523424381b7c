"""How long a machine has run and how often it started, from what is seen of it scan by scan.

Time counts on the monotonic clock. What was not seen is unknown time: it is neither running nor standing, and a
machine that ran before a gap and runs after it has not started. Between two sights it did as at the first of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from brinewatch.moment import Moment

DAY_S = 86400.0
# starts remembered one by one; a motor that starts more often in a day has long been called out
_KEPT = 500


@dataclass(frozen=True, slots=True)
class RunMemory:
    """What is remembered between two sights.

    running: when last told, None before; told: whether the newest sight could tell; seen: the newest sight;
    since: the first; run_s, still_s, unknown_s: seconds in each; gaps: breaks of the watch whose length nobody
    knows; starts: in all; recent: monotonic seconds of those of the past 24 h.
    """

    running: bool | None = None
    told: bool = False
    seen: Moment | None = None
    since: Moment | None = None
    run_s: float = 0.0
    still_s: float = 0.0
    unknown_s: float = 0.0
    gaps: int = 0
    starts: int = 0
    recent: tuple[float, ...] = ()

    @property
    def hours(self) -> float:
        """Hours it was seen to run."""
        return self.run_s / 3600.0

    def recent_starts(self, now: Moment) -> int:
        """Starts seen in the past 24 h."""
        return sum(now.mono - one < DAY_S for one in self.recent)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        saved = asdict(replace(self, seen=None, since=None))
        return {**saved, "recent": list(self.recent), "seen": _plain(self.seen), "since": _plain(self.since)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any], like: Moment) -> RunMemory:
        """The way back; the zone is taken from `like`. KeyError, TypeError or ValueError for foreign values."""
        body = {key: saved[key] for key in cls.__dataclass_fields__}
        body["recent"] = tuple(float(one) for one in saved["recent"])
        body["seen"], body["since"] = _moment(saved["seen"], like), _moment(saved["since"], like)
        return cls(**body)


def count(memory: RunMemory, running: bool | None, now: Moment, longest_s: float) -> RunMemory:
    """One sight more. running: None when it cannot be told; longest_s: between two sights, beyond it is a gap."""
    if memory.seen is None:
        return replace(memory, running=running, told=running is not None, seen=now, since=now)
    passed = max(0.0, now.mono - memory.seen.mono)
    run_s, still_s, unknown_s = memory.run_s, memory.still_s, memory.unknown_s
    if not memory.told or passed > longest_s:
        unknown_s += passed
    elif memory.running:
        run_s += passed
    else:
        still_s += passed
    starts, recent = memory.starts, memory.recent
    if running and memory.running is False:
        starts += 1
        recent = (*(one for one in recent if now.mono - one < DAY_S), now.mono)[-_KEPT:]
    return replace(
        memory,
        running=memory.running if running is None else running,
        told=running is not None,
        seen=now,
        run_s=run_s,
        still_s=still_s,
        unknown_s=unknown_s,
        starts=starts,
        recent=recent,
    )


def awake(memory: RunMemory, same_boot: bool, now: Moment) -> RunMemory:
    """The memory after a stop of the watch: its stamps on the monotonic clock of this boot.

    The stop itself is unknown time; when no trusted clock tells how long it was, it is counted as a gap.
    """
    seen = memory.seen
    if seen is None or (same_boot and seen.mono <= now.mono):
        return memory
    known = seen.trusted and now.trusted and now.utc >= seen.utc
    away = now.utc - seen.utc if known else 0.0
    shift = now.mono - away - seen.mono
    return replace(
        memory,
        told=False,
        seen=replace(seen, mono=seen.mono + shift),
        gaps=memory.gaps + (not known),
        recent=tuple(one + shift for one in memory.recent),
    )


def _plain(moment: Moment | None) -> dict[str, Any] | None:
    return None if moment is None else {"mono": moment.mono, "utc": moment.utc, "trusted": moment.trusted}


def _moment(saved: Mapping[str, Any] | None, like: Moment) -> Moment | None:
    if saved is None:
        return None
    return Moment(float(saved["mono"]), float(saved["utc"]), bool(saved["trusted"]), like.zone)
