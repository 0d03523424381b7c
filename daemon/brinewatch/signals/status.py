"""How far a probe can be relied on, by the status signals of NAMUR NE 107 (2012), worked out from its readings.

The words and their meaning are NE 107's, as the OPC UA device model carries them (OPC 10000-100, DeviceHealth):
failure: the value is not valid, for a fault of the device or what it hangs on; function check: not valid for now,
since somebody works on it or it cannot be judged yet; out of specification: outside what it is made for, or in
doubt; maintenance required: valid still, but not for long.

A probe has the first of these, in this order, that any of its channels has. So a failure is never hidden by work on
another channel; on the channel that is worked on, nothing but the work is said, since it explains the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of
from brinewatch.signals.holds import Hold

_SCANS = 3  # a value may miss two scans before it is too old


class Status(StrEnum):
    """In order of priority, the first before all others."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"
    GOOD = "good"

    @property
    def rank(self) -> int:
        """0 goes before all others."""
        return list(Status).index(self)


@dataclass(frozen=True, slots=True)
class Wire:
    """Where one point comes from: bus, probe, seconds between scans, whether a person enters it, and after how many
    days its settings ask for a calibration.
    """

    bus: str
    probe: str
    point: str
    every_s: float
    by_hand: bool = False
    calibrate_every_days: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel now. Numbers in the quantity's own unit: raw before calibration, value after it with one standard
    uncertainty. age_s: of the value; calibration: id of the record used; due_utc: when the next is due.
    """

    point: str
    quantity: str
    unit: str
    raw: float | None
    value: float | None
    uncertainty: float | None
    flag: Flag
    word: str
    status: Status
    reason: str
    age_s: float | None
    calibration: str = ""
    due_utc: float | None = None


@dataclass(frozen=True, slots=True)
class ProbeView:
    """One probe now, with the worst status of its channels and what is said of it."""

    probe: str
    bus: str
    status: Status
    reason: str
    channels: tuple[ChannelView, ...]


def flag_word(flag: Flag) -> str:
    """The name QARTOD gives a flag."""
    return flag.name.lower().replace("_", " ")


def probe_views(
    wires: Iterable[Wire],
    latest: Mapping[str, Reading],
    due_utc: Mapping[str, float | None],
    holds: Mapping[str, Hold],
    now: Moment,
) -> list[ProbeView]:
    """Every probe in the order of its wires.

    latest: newest reading by point; due_utc: when its next calibration is due, by point; holds: points being
    calibrated.
    """
    views = []
    for (bus, probe), group in groupby(wires, key=lambda one: (one.bus, one.probe)):
        channels = tuple(
            _channel(one, latest.get(one.point), due_utc.get(one.point), holds.get(one.point), now) for one in group
        )
        status = min((one.status for one in channels), key=lambda one: one.rank)
        reasons = dict.fromkeys(one.reason for one in channels if one.status is status and one.reason)
        views.append(ProbeView(probe, bus, status, " ".join(reasons), channels))
    return views


def channel_status(
    wire: Wire, reading: Reading | None, due_utc: float | None, hold: Hold | None, now: Moment
) -> tuple[Status, str]:
    """The status of one channel, and why; "" when there is nothing to say."""
    if hold is not None:
        return Status.FUNCTION_CHECK, f"Being calibrated by {hold.by}."
    if reading is None:
        return (Status.MAINTENANCE_REQUIRED, "Nothing entered yet.") if wire.by_hand else (
            Status.FUNCTION_CHECK, "Not read yet."
        )  # fmt: skip
    age = now.mono - reading.at.mono
    if wire.by_hand and reading.flag is Flag.MISSING:
        return Status.MAINTENANCE_REQUIRED, _sentence(reading.reason or "Nothing entered yet")
    if not wire.by_hand and age > _SCANS * wire.every_s:
        return Status.FAILURE, f"Nothing came for {span_text(age)}, though it is read every {wire.every_s:g} s."
    match reading.flag:
        case Flag.FAIL | Flag.MISSING:
            return Status.FAILURE, _sentence(reading.reason or "No value")
        case Flag.NOT_EVALUATED:
            return Status.FUNCTION_CHECK, _sentence(reading.reason or "Not judged yet")
        case Flag.SUSPECT:
            return Status.OUT_OF_SPECIFICATION, _sentence(reading.reason or "In doubt")
    # a clock that is not set cannot say that a day has passed
    if due_utc is not None and now.trusted and now.utc > due_utc:
        return Status.MAINTENANCE_REQUIRED, f"Calibration overdue since {span_text(now.utc - due_utc)}."
    return Status.GOOD, ""


def _channel(
    wire: Wire, reading: Reading | None, due_utc: float | None, hold: Hold | None, now: Moment
) -> ChannelView:
    status, reason = channel_status(wire, reading, due_utc, hold, now)
    key = quantity_of(wire.point)
    flag = Flag.MISSING if reading is None else reading.flag
    return ChannelView(
        point=wire.point,
        quantity=key,
        unit=QUANTITIES[key].unit,
        raw=reading.raw if reading else None,
        value=reading.value if reading else None,
        uncertainty=reading.uncertainty if reading else None,
        flag=flag,
        word=flag_word(flag),
        status=status,
        reason=reason,
        age_s=max(0.0, now.mono - reading.at.mono) + reading.age_s if reading else None,
        calibration=reading.calibration if reading else "",
        due_utc=due_utc,
    )


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
