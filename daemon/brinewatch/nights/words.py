"""A night in one text message, in plain words, and for programs: the same facts by one hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from brinewatch.alarms.septets import ONE_PART, length, plain, shorten
from brinewatch.alarms.texts import Texts
from brinewatch.moment import Moment, span_text, utc_text
from brinewatch.nights.night import Called, Night, Span
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.signals.display import DisplayUnits, convert

_SHORT = {"oxygen_saturation": "O2", "temperature": "T", "ph": "pH", "air_pressure": "air"}
_NO_UNIT = {"C", "pH"}  # said by the name already, or by custom


def short_text(texts: Texts, night: Night, units: DisplayUnits) -> str:
    """One text message: all well or not, ranges, air, calls, how much of the night was watched."""
    span = f"{night.begin.local:%H:%M}-{night.end.local:%H:%M}"
    head = texts.say("night.well" if night.well else "night.ill", shed=shorten(night.short, 20), span=span)
    told = [text for one in night.spans if (text := _range(one, units))]
    told = list(dict.fromkeys(told))
    air = []
    if night.air is not None and night.air[1]:
        air = [texts.say("night.air", share=percent_text(night.air[0] / night.air[1]))]
    count = texts.say("night.call" if len(night.calls) == 1 else "night.calls", count=len(night.calls))
    watch = "" if night.watch is None else percent_text(night.watch)
    watch = texts.say("night.watch" if watch else "night.watch_unknown", share=watch)
    stands = [texts.say("night.stands", title=shorten(texts.word(one.title), 28)) for one in night.standing[:2]]
    blind = [texts.say("night.blind", name=_name(one)) for one in night.spans if one.low is None][:2]
    quiet = [texts.say("night.waited", count=len(night.quiet))] if night.quiet else []
    # what is least missed goes first when it gets too long
    for ranges in (told, told[:3], told[:2], told[:1], []):
        for more in (quiet, []):
            text = f"{head}. {', '.join([*stands, *blind, *ranges, *air, count, watch, *more])}"
            if length(plain(text)) <= ONE_PART:
                return plain(text)
    return shorten(text, ONE_PART)


def long_text(night: Night, units: DisplayUnits | None = None) -> str:
    """The same in lines, for a mail or the terminal."""
    units = units or DisplayUnits()
    when = f"{night.begin.local:%Y-%m-%d %H:%M} to {night.end.local:%Y-%m-%d %H:%M}"
    lines = [f"{night.shed}, night of {when}: {'all well' if night.well else 'not all well'}.", ""]
    for one in night.spans:
        lines.append(f"{stage_of(one.point)}, {QUANTITIES[quantity_of(one.point)].name}: {range_words(one, units)}")
    if night.air is not None:
        lines.append(f"{air_words(night.air).capitalize()}.")
    lines += ["", f"Called for: {len(night.calls) or 'nothing'}."]
    lines += [f"  {call_words(one)}" for one in night.calls]
    if night.quiet:
        lines += ["Waited for the morning:", *(f"  {call_words(one)}" for one in night.quiet)]
    lines += ["", watch_words(night)]
    lines += [f"  {span_text(seconds)}: {why}" for why, seconds in night.gaps[:5]]
    lines += ["", *night.notes] if night.notes else []
    return "\n".join(lines)


def air_words(air: tuple[float, float]) -> str:
    """For how much of the time the air was on, as far as it is known."""
    on, known = air
    if not known:
        return "nothing is known of the air"
    return f"air on {percent_text(on / known)}" + (f" of {percent_text(known)} known" if known < 0.995 else "")


def range_words(one: Span, units: DisplayUnits) -> str:
    """From what to what, and what is not known of it."""
    key = quantity_of(one.point)
    if one.low is None or one.high is None or one.mean is None:
        said = "no good reading"
    else:
        (low, unit, decimals), (high, *_), (mean, *_) = (
            convert(key, value, units) for value in (one.low, one.high, one.mean)
        )
        said = f"{low:.{decimals}f} to {high:.{decimals}f} {'' if unit == 'pH' else unit}".rstrip()
        said += f", mean {mean:.{decimals}f}"
    if one.missing >= 0.005:
        said += f"; {percent_text(one.missing)} of the time without one"
    if one.doubtful:
        said += f"; {one.doubtful} doubtful"
    if one.failed:
        said += f"; {one.failed} failed"
    return said


def call_words(one: Called) -> str:
    """One call: when, what, how long, who answered."""
    over = f"over {clock(one.over, one.called)}" if one.over else "stands"
    by = (
        f", answered {clock(one.answered, one.called)} by {one.by or 'somebody'}"
        if one.answered
        else ", not answered"
    )
    times = f", called {one.times} times" if one.times > 1 else ""
    return f"{one.called.local:%d %b %H:%M} {one.title} ({one.priority}){times}{by}, {over}"


def clock(at: Moment | None, beside: Moment) -> str:
    if at is None:
        return ""
    return f"{at.local:%H:%M}" if at.local.date() == beside.local.date() else f"{at.local:%d %b %H:%M}"


def watch_words(night: Night) -> str:
    if night.watch is None:
        return "How much of the night was watched is not known."
    return f"Every critical alarm was able to call for {percent_text(night.watch)} of the night."


def as_json(night: Night) -> Mapping[str, Any]:
    """For programs: times in UTC, numbers in each quantity's own unit, shares from 0 to 1."""
    return {
        "shed": night.shed, "begin": utc_text(night.begin.utc), "end": utc_text(night.end.utc), "well": night.well,
        "told": utc_text(night.told),
        "ranges": [
            {
                "point": one.point, "unit": QUANTITIES[quantity_of(one.point)].unit, "low": one.low,
                "high": one.high, "mean": one.mean, "missing": one.missing, "doubtful": one.doubtful,
                "failed": one.failed,
            }
            for one in night.spans
        ],
        "air_on": None if night.air is None else night.air[0],
        "air_known": None if night.air is None else night.air[1],
        "calls": [_call(one) for one in night.calls],
        "waited": [_call(one) for one in night.quiet],
        "watch": night.watch,
        "notes": list(night.notes),
        "gaps": [{"why": why, "seconds": seconds} for why, seconds in night.gaps],
    }  # fmt: skip


def _call(one: Called) -> Mapping[str, Any]:
    return {
        "number": one.number, "alarm": one.alarm, "title": one.title, "priority": one.priority.value,
        "called": utc_text(one.called.utc), "times": one.times, "by": one.by,
        "answered": utc_text(one.answered.utc) if one.answered else None,
        "over": utc_text(one.over.utc) if one.over else None,
    }  # fmt: skip


def _range(one: Span, units: DisplayUnits) -> str:
    if one.low is None or one.high is None:
        return ""
    (low, unit, decimals), (high, *_) = (
        convert(quantity_of(one.point), value, units) for value in (one.low, one.high)
    )
    if unit == "%":
        decimals = 0
    ends = [f"{low:.{decimals}f}", f"{high:.{decimals}f}"]
    said = ends[0] if ends[0] == ends[1] else "-".join(ends)
    return f"{_name(one)} {said}{'' if unit in _NO_UNIT else f' {unit}'}"


def _name(one: Span) -> str:
    key = quantity_of(one.point)
    return _SHORT.get(key, QUANTITIES[key].symbol)


def percent_text(share: float) -> str:
    """Never rounded up to all of it, nor down to nothing."""
    percent = 100.0 * share
    if 99.0 <= percent < 99.95:
        return f"{percent:.1f} %"
    if 99.95 <= percent < 100.0:
        return "99.9 %"
    return f"{percent:.0f} %" if percent >= 0.5 or percent == 0 else "under 1 %"
