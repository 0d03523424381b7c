"""What every kind of probe shares: settings of a measuring channel, and how a number becomes a Sample."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator, model_validator

from brinewatch.errors import BrinewatchError, NoAnswer, PortLost, ProbeError
from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import Flag, Sample, quantity_of
from brinewatch.settings import Settings
from brinewatch.signals.quality import Quality
from brinewatch.signals.upkeep import upkeep_of

POINT = re.compile(r"[a-z][a-z0-9_-]*\.[a-z][a-z0-9_]*")
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]*$", max_length=32)]

# the manifold pressure is the first to tell that the blower stopped; everything else in water changes slowly
_EVERY_AIR_S = 1.0
_EVERY_S = 5.0
_DEADLINE_S = 2.0


class ChannelSettings(Settings):
    """One measured number of a probe. The number off the wire times `scale` plus `offset` is in `unit`."""

    point: str = Field(description="measuring point this feeds, stage.quantity")
    unit: str | None = Field(None, description="unit the probe speaks; the quantity's own when left out")
    scale: float = Field(1.0, description="multiplies the number off the wire")
    offset: float = Field(0.0, description="added after scale, in the probe's unit")
    accuracy: float | None = Field(
        None, gt=0, description="one standard uncertainty, in the quantity's own unit; unknown when left out"
    )
    calibrate_every_days: float | None = Field(
        None, gt=0, le=3650, description="days between calibrations, after which people are told; d"
    )
    quality: Quality = Field(default_factory=Quality, description="limits of the quality tests for this channel")

    @field_validator("point")
    @classmethod
    def _measurable(cls, value: str) -> str:
        quantity = QUANTITIES.get(quantity_of(value))
        if not POINT.fullmatch(value):
            raise ValueError("stage.quantity in small letters, like nursery.oxygen")
        if quantity is None:
            known = ", ".join(sorted(key for key, one in QUANTITIES.items() if _measured(one)))
            raise ValueError(f"a known quantity after the dot: {known}")
        if not _measured(quantity):
            raise ValueError(f"a measured quantity; {quantity.key} is worked out from others")
        return value

    @field_validator("unit")
    @classmethod
    def _accepted(cls, value: str | None, info: ValidationInfo) -> str | None:
        quantity = QUANTITIES.get(quantity_of(info.data.get("point", "")))
        if value is not None and quantity is not None and not quantity.accepts(value):
            raise ValueError(f"one of {', '.join([quantity.unit, *quantity.units])}")
        return value

    @field_validator("calibrate_every_days")
    @classmethod
    def _takes_calibration(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and upkeep_of(quantity_of(info.data.get("point", "."))) is None:
            raise ValueError("nothing here: this quantity takes no calibration")
        return value

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("a number other than 0, which would make every reading the same")
        return value

    @property
    def quantity(self) -> Quantity:
        return QUANTITIES[quantity_of(self.point)]

    @property
    def spoken_unit(self) -> str:
        return self.unit or self.quantity.unit


def _measured(quantity: Quantity) -> bool:
    return not quantity.derived and quantity.key != "health"


class ProbeSettings(Settings):
    """One probe on a bus. Each kind of bus adds what finds the probe and its channels."""

    name: Name = Field(description="the probe's name, unique in the shed")
    every_s: float | None = Field(
        None, gt=0, le=86400, description="time between readings, s; 1 for air pressure and 5 for all else"
    )
    deadline_s: float | None = Field(
        None, gt=0, le=60, description="longest wait for a reading, s; 2, or every_s when that is less"
    )
    channel: Sequence[ChannelSettings]

    @model_validator(mode="after")
    def _has_channels(self) -> ProbeSettings:
        if not self.channel:
            raise ValueError("at least one channel: write [[bus.NAME.probe.channel]]")
        return self

    @property
    def every(self) -> float:
        """Seconds between readings."""
        if self.every_s is not None:
            return self.every_s
        air = any(channel.quantity.key == "air_pressure" for channel in self.channel)
        return _EVERY_AIR_S if air else _EVERY_S

    @property
    def deadline(self) -> float:
        """Longest a reading may take, seconds."""
        return self.deadline_s if self.deadline_s is not None else min(_DEADLINE_S, max(self.every, 0.5))

    @property
    def oldest(self) -> float:
        """Seconds a value it gives may be old already, where the probe speaks in its own time; else 0."""
        return 0.0


def sample_of(
    channel: ChannelSettings,
    probe: str,
    raw: float,
    at: Moment,
    *,
    physical: float | None = None,
    unit: str | None = None,
    doubt: str = "",
) -> Sample:
    """The number off the wire as a Sample in the quantity's own unit.

    physical: the number before scale and offset when it is not `raw` itself; unit: the unit it is in after them,
    when the channel does not say; doubt: why the device itself doubts it (flag SUSPECT). A number that is not
    finite, or a state other than 0 and 1, gives no value and flag FAIL.
    """
    quantity = channel.quantity
    number = raw if physical is None else physical
    number = quantity.to_canonical(number * channel.scale + channel.offset, channel.unit or unit or quantity.unit)
    wire = raw if math.isfinite(raw) else None
    if not math.isfinite(number):
        return Sample(channel.point, None, wire, at, probe, Flag.FAIL, f"The probe sent {raw}, which is no number.")
    if quantity.states is not None and number not in (0.0, 1.0):
        return Sample(channel.point, None, wire, at, probe, Flag.FAIL, f"The probe sent {raw:g}, neither 0 nor 1.")
    return Sample(channel.point, number, wire, at, probe, Flag.SUSPECT if doubt else Flag.PASS, doubt)


def no_sample(channel: ChannelSettings, probe: str, at: Moment, error: Exception) -> Sample:
    """A Sample that says why there is no value: MISSING when nothing came, FAIL when something came but was bad."""
    if isinstance(error, ProbeError):
        flag = Flag.MISSING if isinstance(error, (NoAnswer, PortLost)) else Flag.FAIL
    else:
        flag = Flag.MISSING if isinstance(error, TimeoutError) else Flag.FAIL
    return Sample(channel.point, None, None, at, probe, flag, reason_of(error))


def reason_of(error: Exception) -> str:
    """Why a reading failed, for people."""
    if isinstance(error, BrinewatchError):
        return error.what
    if isinstance(error, TimeoutError):
        return "No answer within the deadline."
    return f"The driver failed: {type(error).__name__}: {error}"
