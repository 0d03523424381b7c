"""Quality tests by QARTOD, one sample at a time, and the live flag.

The live flag uses the tests that can be decided now: syntax, gap, gross range, climatology, rate of change, step,
flat line, attenuated signal, unsteadiness, drift of the day's mean, and what one kind of probe is known for
(sensor_faults). A verdict that needs the next sample (spike) comes one sample late, is meant for history alone, and
never touches the live flag. Tests between two points (multivariate, neighbour) are in crosscheck.

No test here can hide a real event. Rate of change, step and all that look at movement give SUSPECT at most, and
alarms judge SUSPECT readings: a blower that stops is a step, and must be heard. Only a signal that does not move at
all can fail (flat line; attenuated where asked for). Flags are combined worst first (flags.PRECEDENCE).

Where this differs on purpose from the ioos_qc library (release 3), which it agrees with everywhere else on a
regular series without gaps:
1. missing with good is missing, not good; a number that is not finite is FAIL, since something did come;
2. gross range: the lower limit must be the lower one (there, a reversed pair is turned round silently);
3. flat line: the span may equal the tolerance, and a tolerance of 0 means "the very same number" (there, 0 never
   flags); a time shorter than the sampling interval still needs three equal values (there, everything is flagged);
   silence is not stillness (there, what is missing is passed over);
4. rate of change: real seconds (there, cut to whole seconds, so that below one the bare change is held against the
   limit per second); within a minute, not blown up from a second; the first sample after a gap is tested against
   the last good one (there, it passes); SUSPECT at most;
5. spike: its differential method alone, whose neighbours are clean; SUSPECT at most; a real step is no spike; the
   first and the newest sample are judged by the other tests meanwhile (there, flag 2);
6. attenuated signal: not judged until the window has been lived through once, and again after a silence of a
   quarter of it (there, the first sample fails: one value has no spread); until then the other tests decide
   (there, flag 2);
7. climatology: SUSPECT at most; a season counts to the last second of its last day, may run over the new year
   and never overlaps another (there, the last one written wins); outside all the other tests decide (there, flag
   2);
8. gap: a late sample is missing at once (there, the sample after the gap is marked 4 in hindsight).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isfinite

from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import Flag, Reading, Sample, quantity_of
from brinewatch.signals import sensor_faults
from brinewatch.signals.calibration import Calibration
from brinewatch.signals.climate import climatology
from brinewatch.signals.flags import gross_range, worst
from brinewatch.signals.limits import Quality
from brinewatch.signals.movement import Movement, moved
from brinewatch.signals.still import Still, flat_line, stretched
from brinewatch.signals.windows import Window

__all__ = ["Quality", "QualityMemory", "judge"]

_MINUTE = 60.0
_IDENTITY = Calibration()


@dataclass(frozen=True, slots=True)
class QualityMemory:
    """What the tests remember of one point between samples.

    last, before: the newest two readings in a row that had a value inside the physical span; minute: (mono, value)
    of the past minute; still: the stretch without movement; movement: steps and windows; risen, glass: what the
    tests of oxygen and pH probes need.
    """

    last: Reading | None = None
    before: Reading | None = None
    minute: tuple[tuple[float, float], ...] = ()
    still: Still = field(default_factory=Still)
    movement: Movement = field(default_factory=Movement)
    risen: sensor_faults.Risen | None = None
    glass: Window | None = None


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
    if quantity.states is None:
        memory = _in_time(found, memory, value, sample.at, quantity, settings)
    flag = worst(one for one, _ in found)
    reason = " ".join(text for one, text in found if text and one is flag)
    reading = _reading(sample, quantity, value, flag, reason, calibration, accuracy)
    verdict = _spike(memory.before, memory.last, reading, settings)
    return reading, replace(memory, before=memory.last, last=reading), verdict


def _in_time(
    found: list[tuple[Flag, str]],
    memory: QualityMemory,
    value: float,
    at: Moment,
    quantity: Quantity,
    settings: Quality,
) -> QualityMemory:
    """The tests that look back: what they found is added to `found`, and the memory comes back with this value."""
    mono, key = at.mono, quantity.key
    found.append(climatology(value, at, settings.season, quantity))
    found.append(_rate(value, mono, memory.minute, quantity, settings))
    still = stretched(memory.still, value, mono, settings, silent=memory.last is None)
    found.append(flat_line(still, mono, settings))
    minute, risen, glass = memory.minute, memory.risen, memory.glass
    if settings.sensor_faults:
        found.append(sensor_faults.in_air(key, value))
        if key in sensor_faults.BUBBLE_RISE:
            lowest = min((other for then, other in minute if mono - then < _MINUTE), default=None)
            risen = sensor_faults.bubble(key, value, mono, lowest, risen)
            found.append(sensor_faults.bubble_words(risen))
        glass = sensor_faults.glass_window(glass, key, value, mono)
        found.append(sensor_faults.broken_glass(glass))
    movement, doubts = moved(
        memory.movement, value, mono, memory.last, memory.before, quantity, settings,
        doubted=any(flag is not Flag.PASS for flag, _ in found),
    )  # fmt: skip
    found += doubts
    if settings.rate_per_min is not None or (settings.sensor_faults and key in sensor_faults.BUBBLE_RISE):
        minute = (*((then, other) for then, other in minute if mono - then <= _MINUTE), (mono, value))
    return replace(memory, minute=minute, still=still, movement=movement, risen=risen, glass=glass)


def _reading(
    sample: Sample,
    quantity: Quantity,
    value: float | None,
    flag: Flag,
    reason: str,
    calibration: Calibration,
    accuracy: float | None,
) -> Reading:
    uncertainty = calibration.standard_uncertainty(accuracy, calibration.age_days(sample.at.utc))
    return Reading(
        point=sample.point,
        quantity=quantity.key,
        value=value,
        raw=sample.value,
        flag=flag,
        reason=reason,
        at=sample.at,
        probe=sample.probe,
        uncertainty=None if value is None else uncertainty,
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
