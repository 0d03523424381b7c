"""Quality tests by QARTOD, one sample at a time, and the live flag.

The live flag uses the tests that can be decided now: syntax, gap, gross range, rate of change, flat line. A verdict
that needs the next sample (spike) comes one sample late, is meant for history alone, and never touches the live
flag.

No test here can hide a real event. Rate of change gives SUSPECT at most, and alarms judge SUSPECT readings: a
blower that stops is a step, and must be heard. Flags are combined worst first (flags.PRECEDENCE).

Where this differs on purpose from the ioos_qc library:
- missing with good is missing, not good; a number that is not finite is FAIL, since something did come;
- flat line: the span may equal the tolerance, and a tolerance of 0 means "the very same number" (there, 0 never
flags); - rate of change: real seconds (there, cut to whole seconds, so that faster sampling is never tested), and
the first
  sample after a gap is tested against the last good one (there, it passes);
- spike: a real step is no spike; only a sample that stands off both neighbours on the same side is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

from pydantic import Field, model_validator

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import Flag, Reading, Sample, quantity_of
from brinewatch.settings import Settings
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.flags import gross_range, worst

_MINUTE = 60.0
_IDENTITY = Calibration()


class Quality(Settings):
    """Limits of the quality tests of one channel, in the quantity's own unit. A test left out is not made."""

    low: float | None = Field(None, description="below this the reading is suspect")
    high: float | None = Field(None, description="above this the reading is suspect")
    rate_per_min: float | None = Field(
        None, gt=0, description="a change greater than this within a minute makes the reading suspect"
    )
    flat_after_s: float | None = Field(
        None, gt=0, description="unchanged for so many seconds is suspect: a live signal is never perfectly still"
    )
    flat_fail_after_s: float | None = Field(
        None, gt=0, description="unchanged for so many seconds has failed; three times flat_after_s when left out"
    )
    flat_within: float = Field(0.0, ge=0, description="a spread up to this counts as unchanged")
    spike: float | None = Field(
        None, gt=0, description="standing off both neighbours by more than this is marked suspect in history"
    )
    late_after_s: float | None = Field(
        None, gt=0, description="a sample older than this when it is judged counts as missing"
    )

    @model_validator(mode="after")
    def _in_order(self) -> Quality:
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low to be less than high")
        if self.flat_fail_after_s is not None and self.flat_after_s is None:
            raise ValueError("flat_after_s to go with flat_fail_after_s")
        if self.flat_after_s is not None and self.flat_fails_after_s < self.flat_after_s:
            raise ValueError("flat_fail_after_s to be no less than flat_after_s")
        return self

    @property
    def flat_fails_after_s(self) -> float:
        """Seconds of stillness after which the reading has failed; infinite when not tested."""
        if self.flat_after_s is None:
            return float("inf")
        return 3.0 * self.flat_after_s if self.flat_fail_after_s is None else self.flat_fail_after_s


@dataclass(frozen=True, slots=True)
class QualityMemory:
    """What the tests remember of one point between samples.

    last, before: the newest two readings in a row that had a value inside the physical span; minute: (mono, value)
    of the past minute; times: mono of the newest three values; lows, highs: the lowest and highest values of the
    still stretch, oldest first, each with the time from which nothing went beyond it.
    """

    last: Reading | None = None
    before: Reading | None = None
    minute: tuple[tuple[float, float], ...] = ()
    lows: tuple[tuple[float, float], ...] = ()
    highs: tuple[tuple[float, float], ...] = ()
    times: tuple[float, ...] = ()


def judge(
    sample: Sample,
    settings: Quality,
    memory: QualityMemory | None,
    now: Moment,
    calibration: Calibration = _IDENTITY,
    accuracy: float | None = None,
) -> tuple[Reading, QualityMemory, Reading | None]:
    """One sample as a reading with its flag, the memory for the next, and a verdict in hindsight.

    The verdict is the previous reading again with a worse flag, for history only; None when there is nothing to
    revise. accuracy: one standard uncertainty of the probe in the quantity's unit, None when unknown.
    """
    memory = memory or QualityMemory()
    quantity = QUANTITIES[quantity_of(sample.point)]
    value, flag, reason = _received(sample, settings, now)
    value = None if value is None else calibration.apply(value)
    if value is None or not flag.usable:
        reading = _reading(sample, quantity, value, flag, reason, calibration, accuracy)
        return reading, replace(memory, before=None, last=None), None
    found = [(flag, reason), _span(value, quantity, settings)]
    if found[-1][0] is Flag.FAIL:
        shown = value if isfinite(value) else None
        reading = _reading(sample, quantity, shown, Flag.FAIL, found[-1][1], calibration, accuracy)
        return reading, replace(memory, before=None, last=None), None
    mono = sample.at.mono
    if quantity.states is None:
        found.append(_rate(value, mono, memory.minute, quantity, settings))
        memory = _remember(memory, value, mono, settings)
        found.append(_flat(memory, mono, settings))
    flag = worst(one for one, _ in found)
    reason = " ".join(text for one, text in found if text and one is flag)
    reading = _reading(sample, quantity, value, flag, reason, calibration, accuracy)
    verdict = _spike(memory.before, memory.last, reading, settings)
    return reading, replace(memory, before=memory.last, last=reading), verdict


def _reading(
    sample: Sample,
    quantity: Quantity,
    value: float | None,
    flag: Flag,
    reason: str,
    calibration: Calibration,
    accuracy: float | None,
) -> Reading:
    return Reading(
        point=sample.point,
        quantity=quantity.key,
        value=value,
        raw=sample.value,
        flag=flag,
        reason=reason,
        at=sample.at,
        probe=sample.probe,
        uncertainty=None if value is None else calibration.standard_uncertainty(accuracy),
        calibration=calibration.id,
    )


def _received(sample: Sample, settings: Quality, now: Moment) -> tuple[float | None, Flag, str]:
    """Gap and syntax: whether there is a number at all, and what the driver thought of it."""
    if sample.value is None:
        flag = sample.flag if sample.flag in (Flag.FAIL, Flag.MISSING) else Flag.MISSING
        return None, flag, sample.reason or "The probe gave no value."
    if not isfinite(sample.value):
        return None, Flag.FAIL, sample.reason or f"The probe sent {sample.value}, which is no number."
    age = now.mono - sample.at.mono
    if settings.late_after_s is not None and age > settings.late_after_s:
        return None, Flag.MISSING, f"The newest value is {span_text(age)} old."
    return sample.value, sample.flag, sample.reason


def _span(value: float, quantity: Quantity, settings: Quality) -> tuple[Flag, str]:
    """Gross range: the quantity's physical span, then the user's."""
    flag, reason = gross_range(value, quantity)
    if flag is Flag.PASS and settings.low is not None and value < settings.low:
        return Flag.SUSPECT, f"Below {settings.low:g} {quantity.unit}, unusual here."
    if flag is Flag.PASS and settings.high is not None and value > settings.high:
        return Flag.SUSPECT, f"Above {settings.high:g} {quantity.unit}, unusual here."
    return flag, reason


def _rate(
    value: float, mono: float, minute: tuple[tuple[float, float], ...], quantity: Quantity, settings: Quality
) -> tuple[Flag, str]:
    """Against every sample of the past minute; against the last one, per minute, when that is older."""
    limit = settings.rate_per_min
    if limit is None or not minute:
        return Flag.PASS, ""
    within = [abs(value - other) for then, other in minute if mono - then <= _MINUTE]
    then, other = minute[-1]
    change = max(within) if within else abs(value - other) * _MINUTE / (mono - then)
    if change > limit:
        return Flag.SUSPECT, f"Changed by {change:.3g} {quantity.unit} in a minute, faster than {limit:g}."
    return Flag.PASS, ""


def _remember(memory: QualityMemory, value: float, mono: float, settings: Quality) -> QualityMemory:
    """The minute and the still stretch, with this value taken in."""
    minute = memory.minute
    if settings.rate_per_min is not None:
        minute = (*((then, other) for then, other in minute if mono - then <= _MINUTE), (mono, value))
    if settings.flat_after_s is None:
        return replace(memory, minute=minute)
    lows, highs, times = list(memory.lows), list(memory.highs), memory.times
    if memory.last is None and times and mono - times[-1] > settings.flat_after_s:
        lows, highs, times = [], [], ()  # nobody knows whether it was still while it was silent
    low_since = high_since = mono
    while lows and lows[-1][1] >= value:
        low_since = lows.pop()[0]
    while highs and highs[-1][1] <= value:
        high_since = highs.pop()[0]
    lows.append((low_since, value))
    highs.append((high_since, value))
    while highs[0][1] - lows[0][1] > settings.flat_within:
        # too wide: the stretch now begins just after whichever of the two extremes came first
        start = min(side[1][0] for side in (lows, highs) if len(side) > 1)
        for side in (lows, highs):
            while len(side) > 1 and side[1][0] <= start:
                side.pop(0)
            side[0] = (max(side[0][0], start), side[0][1])
    return replace(memory, minute=minute, lows=tuple(lows), highs=tuple(highs), times=(*times[-2:], mono))


def _flat(memory: QualityMemory, mono: float, settings: Quality) -> tuple[Flag, str]:
    if settings.flat_after_s is None:
        return Flag.PASS, ""
    began = max(memory.lows[0][0], memory.highs[0][0])
    still = mono - began
    few = len(memory.times) < 3 or memory.times[0] < began  # two equal values may be chance
    if few or still < settings.flat_after_s:
        return Flag.PASS, ""
    flag = Flag.FAIL if still >= settings.flat_fails_after_s else Flag.SUSPECT
    return flag, f"Has not moved for {span_text(still)}: the probe may be stuck."


def _spike(before: Reading | None, last: Reading | None, newest: Reading, settings: Quality) -> Reading | None:
    """The previous reading again, SUSPECT, when it stood off both its neighbours on the same side."""
    if settings.spike is None or before is None or last is None:
        return None
    if before.value is None or last.value is None or newest.value is None:
        return None
    one, other = last.value - before.value, last.value - newest.value
    height = min(abs(one), abs(other))
    if one * other <= 0.0 or height <= settings.spike:
        return None
    reason = f"A spike: stood {height:.3g} off both neighbours."
    flag = worst((last.flag, Flag.SUSPECT))
    return replace(last, flag=flag, reason=f"{last.reason} {reason}".strip())
