"""The limits of one channel's quality tests: what a shed file says, and what is tested when it says nothing."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from brinewatch.settings import Settings
from brinewatch.signals.climate import Season, apart


class Attenuated(Settings):
    """Moves less than it should over a length of time. QARTOD manuals, test 10."""

    over_s: float = Field(gt=0, description="length of time looked at, s")
    by: Literal["range", "standard deviation"] = Field("range", description="how movement is measured")
    suspect: float = Field(gt=0, description="moving less than this is suspect")
    fail: float | None = Field(None, gt=0, description="moving less than this has failed; not tested when left out")

    @model_validator(mode="after")
    def _in_order(self) -> Attenuated:
        if self.fail is not None and self.fail > self.suspect:
            raise ValueError("fail to be no more than suspect")
        return self


class Unsteady(Settings):
    """Jumps to and fro as water cannot: most second differences over a length of time are too large."""

    over_s: float = Field(gt=0, description="length of time looked at, s")
    beyond: float = Field(gt=0, description="a value standing off the line between its neighbours by half of this")
    share: float = Field(0.5, gt=0, lt=1, description="suspect when more than this share of the values does so")


class Drift(Settings):
    """The mean of a tidal day (24.84 h) moves further than the water's does: fouling, or a probe that wanders."""

    beyond: float = Field(gt=0, description="moving by more than this within three days is suspect")


class Quality(Settings):
    """Limits of the quality tests of one channel, in the quantity's own unit. A test left out is not made."""

    low: float | None = Field(None, description="below this the reading is suspect")
    high: float | None = Field(None, description="above this the reading is suspect")
    season: list[Season] = Field(default_factory=list, description="what is usual in parts of the year")
    rate_per_min: float | None = Field(
        None, gt=0, description="a change greater than this within a minute makes the reading suspect"
    )
    step: float | None = Field(
        None, gt=0, description="a jump between two samples greater than this stays suspect until it is undone"
    )
    step_for_s: float = Field(
        43200, gt=0, description="after so many seconds the value a jump led to is taken for the new normal"
    )
    flat_after_s: float | None = Field(
        None, gt=0, description="unchanged for so many seconds is suspect: a live signal is never perfectly still"
    )
    flat_fail_after_s: float | None = Field(
        None, gt=0, description="unchanged for so many seconds has failed; three times flat_after_s when left out"
    )
    flat_within: float = Field(0.0, ge=0, description="a spread up to this counts as unchanged")
    attenuated: Attenuated | None = Field(None, description="moving too little over a length of time")
    unsteady: Unsteady | None = Field(None, description="jumping to and fro over a length of time")
    drift: Drift | None = Field(None, description="the day's mean moving too fast")
    spike: float | None = Field(
        None, gt=0, description="standing off both neighbours by more than this is marked suspect in history"
    )
    late_after_s: float | None = Field(
        None, gt=0, description="a sample older than this when it is judged counts as missing"
    )
    sensor_faults: bool = Field(
        True, description="test for what this kind of probe is known for: in air, a bubble, broken glass"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Quality:
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low to be less than high")
        if self.flat_fail_after_s is not None and self.flat_after_s is None:
            raise ValueError("flat_after_s to go with flat_fail_after_s")
        if self.flat_after_s is not None and self.flat_fails_after_s < self.flat_after_s:
            raise ValueError("flat_fail_after_s to be no less than flat_after_s")
        apart(self.season)
        return self

    @property
    def flat_fails_after_s(self) -> float:
        """Seconds of stillness after which the reading has failed; infinite when not tested."""
        if self.flat_after_s is None:
            return float("inf")
        return 3.0 * self.flat_after_s if self.flat_fail_after_s is None else self.flat_fail_after_s
