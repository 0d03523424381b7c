"""Relays beside the watch: a siren, a lamp, a stand-by air pump. Pure: what each should do, and what was proven.

| relay | works while |
|---|---|
| lamp | any alarm stands |
| siren | a critical alarm waits for an answer, for `for_s` after each call |
| stand-by air | from the moment the loss of air is confirmed until a person rests it |

The pump is not rested by the air it makes itself: with it the pressure is back and the alarm for its loss is over,
though nothing is mended. Shelving silences a call and starts no air; only an air-off test with somebody standing by
holds the pump back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from brinewatch.alarms.events import Priority, State
from brinewatch.alarms.memory import AlarmMemory
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.view import trusted
from brinewatch.moment import Moment
from brinewatch.readings import Reading
from brinewatch.settings import Settings

MARK = "relay:"  # what is kept of relays lies beside the memories of alarms, whose names have no colon
Does = Literal["siren", "lamp", "stand-by air"]
PROOF_S = 60.0
_SEEN_WITHIN_S = 30.0
_OVERDUE_DAYS = 40
_DAY_S = 86400.0
_TEST = "air-off test of "


class RelaySettings(Settings):
    """One relay the watch drives. Mains behind it is a licensed electrician's work."""

    key: str = Field(pattern=r"^[a-z][a-z0-9_-]*$", max_length=32, description="short name")
    does: Does = Field(description="siren, lamp or stand-by air")
    chip: Literal["gpiod", "files"] = Field("gpiod", description="a real chip, or a tree of files")
    device: str = Field("/dev/gpiochip0", description="the chip's device, or the root of the tree")
    line: int = Field(ge=0, le=1023, description="the output's number on the chip")
    rests: Literal["energised", "dropped"] = Field(
        "energised",
        description="the relay while all is well; energised: a dead watch or a cut wire does what an alarm would",
    )
    for_s: float = Field(300, ge=10, le=3600, description="a siren sounds so long after each call, s")
    proven_by: str | None = Field(
        None, description="point that tells that the stand-by air runs, stage.standby_air"
    )
    prove_day: int | None = Field(
        None, ge=1, le=28,
        description="day of the month on which the stand-by air is run for a minute; never when left out",
    )  # fmt: skip
    prove_at: str = Field("10:30", description="when on that day, by the shed's clock")

    @field_validator("prove_at")
    @classmethod
    def _a_time(cls, value: str) -> str:
        hour, _, minute = value.partition(":")
        if not (len(value) == 5 and hour.isdigit() and minute.isdigit() and int(hour) < 24 and int(minute) < 60):
            raise ValueError('a time of the day, as "10:30"')
        return value

    @model_validator(mode="after")
    def _of_its_kind(self) -> RelaySettings:
        if self.does != "stand-by air" and (self.proven_by is not None or self.prove_day is not None):
            raise ValueError("proven_by and prove_day for stand-by air only")
        if self.prove_day is not None and self.proven_by is None:
            raise ValueError("proven_by beside prove_day: the point that tells that it runs")
        return self


@dataclass(slots=True)
class Relay:
    """One relay and what it remembers. latched: stand-by air nobody has rested; proving: monotonic seconds at
    which a proof began; proven_utc: of the last that was seen to work; fault: why it is not to be trusted."""

    settings: RelaySettings
    latched: bool = False
    proving: float | None = None
    seen: bool = False
    proven_utc: float | None = None
    fault: str = ""

    def look(
        self, alarms: Mapping[str, Alarm], memory: Mapping[str, AlarmMemory], readings: Mapping[str, Reading],
        now: Moment,
    ) -> bool:  # fmt: skip
        """One look of the watch: whether it should work now."""
        match self.settings.does:
            case "lamp":
                return any(one.state.standing for one in memory.values())
            case "siren":
                return any(self._sounds(one, now) for one in memory.values())
        self.latched = self.latched or any(_air_lost(alarms.get(key), one) for key, one in memory.items())
        self._prove(readings, now)
        return self.latched or self.proving is not None

    def _sounds(self, one: AlarmMemory, now: Moment) -> bool:
        waits = one.state is State.UNACKNOWLEDGED and one.priority is Priority.CRITICAL
        return waits and one.called is not None and now.mono - one.called.mono < self.settings.for_s

    # -- the proof of a pump ------------------------------------------------------------------------------------

    def begin_proof(self, now: Moment) -> None:
        """Run it for a minute and look whether it runs. A pump that is needed now proves itself."""
        self.proving, self.seen = now.mono, False

    def _prove(self, readings: Mapping[str, Reading], now: Moment) -> None:
        if self.proving is None:
            return
        since = now.mono - self.proving
        reading = readings.get(self.settings.proven_by or "")
        fresh = reading is not None and reading.at.mono > self.proving and trusted(reading, _SEEN_WITHIN_S, now)
        self.seen = self.seen or (fresh and reading is not None and reading.value == 1.0)
        if since >= PROOF_S:
            self.proving = None
            self.fault = "" if self.seen else "the stand-by air did not run when it was tried"
            if self.seen:
                self.proven_utc = now.utc

    def rest(self) -> None:
        """A person has looked and rests it."""
        self.latched, self.proving = False, None

    def health(self, now: Moment) -> str:
        """What is wrong with it, "" when nothing is."""
        if self.fault or self.settings.prove_day is None or self.proven_utc is None or not now.trusted:
            return self.fault
        late = now.utc - self.proven_utc > _OVERDUE_DAYS * _DAY_S
        return "the stand-by air was not proven for more than a month" if late else ""

    # -- kept over a restart ------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        return {"latched": self.latched, "proven_utc": self.proven_utc, "fault": self.fault}

    def recall(self, body: Mapping[str, Any]) -> None:
        """ValueError or TypeError for what is not its own."""
        self.latched, self.fault = bool(body["latched"]), str(body.get("fault", ""))
        proven = body.get("proven_utc")
        self.proven_utc = None if proven is None else float(proven)


def _air_lost(alarm: Alarm | None, one: AlarmMemory) -> bool:
    if alarm is None or alarm.rule.takes != "air" or not one.active:
        return False
    return not (one.state is State.SHELVED and one.reason.startswith(_TEST))


def faults(relays: Sequence[Relay], now: Moment) -> str:
    """All that is wrong with the relays, in one line."""
    return "; ".join(f"{one.settings.key}: {why}" for one in relays if (why := one.health(now)))
