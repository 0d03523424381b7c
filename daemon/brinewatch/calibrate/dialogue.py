"""The guided calibration: from what the probe is held against to a record that a person has said yes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from brinewatch.calibrate.console import GaveUp
from brinewatch.calibrate.talk import choice, shown, yes
from brinewatch.calibrate.visit import Visit
from brinewatch.errors import BrinewatchError
from brinewatch.signals.calibrating import Line, electrode, fit, methods_of, record_of, unit_of
from brinewatch.signals.calibration import DAY_S, Calibration
from brinewatch.signals.plausibility import Finding, findings
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, earliest_since


@dataclass(frozen=True, slots=True)
class Past:
    """From when a calibration is to count. since_utc: None for now; replaces: id of a record it takes over from."""

    since_utc: float | None = None
    replaces: str = ""


def past_of(
    records: Sequence[CalibrationRecord], point: str, since_utc: float | None, replaces: str, now_utc: float,
    zone: tzinfo,
) -> Past:  # fmt: skip
    """Check what was asked for against the records there are. BrinewatchError when it cannot count so."""
    if replaces:
        old = next((one for one in records if one.id == replaces and one.point == point), None)
        if old is None:
            raise BrinewatchError(f"{point} has no record {replaces}.", "See: brinewatch calibrate PROBE --list")
        records = [one for one in records if one.id != replaces]
        since_utc = old.effective_utc if since_utc is None else since_utc
    if since_utc is None:
        return Past()
    if since_utc >= now_utc:
        raise BrinewatchError(
            "--since names a time to come.", "Name the last time the probe was known to be right."
        )
    first = earliest_since(records, point)
    if first is not None and since_utc < first:
        when = f"{datetime.fromtimestamp(first, zone):%Y-%m-%d %H:%M:%S}"
        raise BrinewatchError(
            f"Another record of {point} counts from {when}, and would go before this one.",
            f"Use --since {when.replace(' ', 'T')} or later, or --replaces the record that is wrong.",
        )
    return Past(since_utc, replaces)


async def calibrate(visit: Visit, past: Past, due_days: float | None) -> bool:
    """The whole of it for one channel; whether a record was saved. GaveUp when the person would not go on."""
    console, quantity = visit.console, visit.quantity
    before = visit.line_now()
    _say_standing(visit, before)
    methods = methods_of(quantity)
    method = methods[await choice(console, "What will you hold it against?", [one.name for one in methods])]
    console.say(f"This changes the {method.moves.value}: {method.why}.")
    points: list[CalibrationPoint] = []
    found: list[Finding] = []
    for number, reference in enumerate(method.references, 1):
        ordinal = f"Point {number} of {len(method.references)}. " if len(method.references) > 1 else ""
        point, doubts = await visit.take(reference, ordinal)
        points.append(point)
        found += doubts
    try:
        # what one point leaves as it is comes from the record before a wrong one that is replaced
        line = fit(points, method.moves, visit.line_now(past.replaces), visit.measured.said)
    except ValueError as error:
        raise GaveUp(f"No line goes through these points: {error}.") from error
    found += findings(quantity, points, line, before, visit.measured.said)
    _say_result(visit, before, line, points)
    if due_days is not None:
        console.say(f"  due again {visit.clock.now().later(due_days * DAY_S).local:%Y-%m-%d}")
    refused = [one for one in found if one.refused]
    for one in refused or found:
        console.say(f"{'Refused: ' if one.refused else 'Mind: '}{one.text}")
    if refused:
        console.say("Nothing is saved.")
        return False
    ramp = await _ramp(visit, past)
    now = visit.clock.now()
    record = record_of(
        visit.measured.point, visit.probe, visit.by, points, line, now.utc, due_days,
        identity=visit.identity(), effective_utc=past.since_utc, ramp=ramp, replaces=past.replaces,
        remark=f"{method.name}; {method.moves.value}",
    )  # fmt: skip
    question = "Save this in spite of what is said above?" if found else "Save this?"
    if not await yes(console, question):
        raise GaveUp("You said no.")
    await visit.save(record)
    return True


async def _ramp(visit: Visit, past: Past) -> bool:
    """Whether a correction of the past grows in a straight line, or counts whole from its first day."""
    if past.since_utc is None:
        return False
    when = datetime.fromtimestamp(past.since_utc, visit.clock.now().zone)
    question = f"It counts from {when:%Y-%m-%d %H:%M}. How was the probe off since then?"
    ways = ("by more and more, in a straight line from right to what was found now", "by the same all the time")
    return await choice(visit.console, question, ways) == 0


def _say_standing(visit: Visit, before: Calibration) -> None:
    measured, quantity, zone = visit.measured, visit.quantity, visit.clock.now().zone
    text = f"{measured.point}: the probe says {shown(quantity, measured.said)}"
    if measured.said is not None:
        text += f", which counts as {shown(quantity, before.apply(measured.said))}"
    visit.console.say(text + (f" ({measured.reason})" if measured.reason else "") + ".")
    record = measured.record
    if record is None:
        visit.console.say("It was never calibrated here.")
        return
    made = datetime.fromtimestamp(record.made_utc, zone)
    visit.console.say(f"Last calibrated {made:%Y-%m-%d} by {record.by}: {_line_text(quantity, before)}.")


def _line_text(quantity: str, line: Calibration | Line) -> str:
    return f"offset {line.offset:+.3f} {unit_of(quantity)}".rstrip() + f", slope {line.slope:.4f}"


def _say_result(visit: Visit, before: Calibration, line: Line, points: Sequence[CalibrationPoint]) -> None:
    quantity, console, unit = visit.quantity, visit.console, unit_of(visit.quantity)
    console.say()
    console.say(f"  old: {_line_text(quantity, before)}")
    console.say(f"  new: {_line_text(quantity, line)}")
    glass = electrode(quantity, line, points) if len(points) > 1 else None
    if glass is not None:
        console.say(f"  electrode: {glass.slope_percent:.1f} % of Nernst, {glass.offset_mV:+.1f} mV at pH 7")
    if len(points) > 2:
        left = ", ".join(f"{one:+.3f}" for one in line.residuals)
        console.say(f"  the points stand off the line by {left} {unit}".rstrip())
    if visit.measured.said is not None:
        was, becomes = before.apply(visit.measured.said), line.apply(visit.measured.said)
        console.say(f"  the reading when you began, {shown(quantity, was)}, becomes {shown(quantity, becomes)}")
    console.say(f"  the calibration itself is uncertain by {line.uncertainty:.3f} {unit}".rstrip() + " (standard)")
