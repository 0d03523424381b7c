"""A night as the page shows it: words and shapes, no numbers left to work out."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from brinewatch.moment import Moment, span_text
from brinewatch.nights.night import Night, Span
from brinewatch.nights.words import air_words, call_words, range_words, watch_words
from brinewatch.page.report import ReportView, StripView
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.signals.display import DisplayUnits, convert

_WIDE, _HIGH = 340.0, 80.0
# the band keeps clear of the words at the upper and the lower edge
_ROOM = 14.0
_LEAST = 1.0  # how flat a band may get
_GAPS = 5


def view_of(night: Night, units: DisplayUnits, stage_name: Callable[[str], str]) -> ReportView:
    """The night for people. stage_name: how people call a stage."""
    day = night.end.local.date()
    later = night.end.utc + 86400.0 <= night.told
    return ReportView(
        shed=night.shed,
        when=f"{night.begin.local:%d %B %H:%M} to {night.end.local:%d %B %Y %H:%M}",
        headline="A quiet night: all was well" if night.well else _headline(night),
        mark="" if night.well else "warning",
        watch=watch_words(night),
        gaps=tuple(f"{span_text(seconds)}: {why}" for why, seconds in night.gaps[:_GAPS]),
        air="" if night.air is None else f"{air_words(night.air).capitalize()}.",
        calls=tuple((call_words(one), one.incident) for one in night.calls),
        waited=tuple((call_words(one), one.incident) for one in night.quiet),
        strips=tuple(_strip(one, night, units, stage_name) for one in night.spans),
        before=(day - timedelta(days=1)).isoformat(),
        after=(day + timedelta(days=1)).isoformat() if later else "",
        notes=night.notes,
        told=f"{Moment(0.0, night.told, True, night.end.zone).local:%Y-%m-%d %H:%M}",
    )


def _headline(night: Night) -> str:
    if night.standing:
        return f"{night.standing[0].title}: it stood in the morning"
    if night.calls:
        return f"{len(night.calls)} call{'' if len(night.calls) == 1 else 's'}, all over by morning"
    if night.watch is None or night.watch < 0.99:
        return "The watch did not cover the whole night"
    return "Not everything is known of this night"


def _strip(one: Span, night: Night, units: DisplayUnits, stage_name: Callable[[str], str]) -> StripView:
    key = quantity_of(one.point)
    begin, end = night.begin.utc, night.end.utc
    name = f"{stage_name(stage_of(one.point))}, {QUANTITIES[key].name}"
    words = range_words(one, units)
    if one.low is None or one.high is None:
        return StripView(name, words, "", "", "", (), ())

    def text(value: float) -> str:
        number, unit, decimals = convert(key, value, units)
        return f"{number:.{decimals}f}{'' if unit == 'pH' else f' {unit}'}"

    # a strip of a steady night must not look like a storm: it spans some steps of the last digit shown
    least = 10.0 * 10.0 ** -QUANTITIES[key].decimals
    low, high = one.low, one.high
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    scale = (_HIGH - 2 * _ROOM) / (high - low)

    def place(utc: float) -> float:
        return round((utc - begin) / (end - begin) * _WIDE, 1)

    def height(value: float) -> float:
        return round(_ROOM + (high - value) * scale, 1)

    hours = []
    hour = begin - begin % 7200.0 + 7200.0
    while hour < end - 900.0:
        hours.append((place(hour), f"{Moment(0.0, hour, True, night.begin.zone).local:%H:%M}"))
        hour += 7200.0
    return StripView(
        name, words, _band(one, (end - begin) / 120 * 1.5, place, height), text(high), text(low), tuple(hours),
        _table(one, night, text),
    )  # fmt: skip


def _band(one: Span, apart: float, place: Callable[[float], float], height: Callable[[float], float]) -> str:
    """The band as one path; where nothing was read it is broken."""
    runs: list[list[tuple[float, float, float]]] = []
    for part in one.line:
        if not runs or part[0] - runs[-1][-1][0] > apart:
            runs.append([])
        runs[-1].append(part)
    shapes = []
    for run in runs:
        above = [(place(utc), min(height(high), height(low) - _LEAST)) for utc, low, high in run]
        below = [(place(utc), height(low)) for utc, low, _ in reversed(run)]
        if len(run) == 1:
            above.append((above[0][0] + 1.0, above[0][1]))
        shapes.append("M" + "L".join(f"{x:g} {y:g}" for x, y in [*above, *below]) + "Z")
    return "".join(shapes)


def _table(one: Span, night: Night, text: Callable[[float], str]) -> tuple[tuple[str, str, str], ...]:
    rows: dict[str, tuple[float, float]] = {}
    for utc, low, high in one.line:
        hour = f"{Moment(0.0, utc, True, night.begin.zone).local:%H}:00"
        before = rows.get(hour, (low, high))
        rows[hour] = (min(before[0], low), max(before[1], high))
    return tuple((hour, text(low), text(high)) for hour, (low, high) in rows.items())
