"""A curve on the terminal: lowest to highest of each column, the limits there were, alarms and marks below it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import pairwise
from shutil import get_terminal_size
from typing import TYPE_CHECKING

from brinewatch.past.bars import can_print
from brinewatch.querying.buckets import Buckets, buckets
from brinewatch.querying.marks import AlarmSpan, LimitLine, limits_in_force, marks_of, spans_of
from brinewatch.querying.past import Past
from brinewatch.readings import Flag
from brinewatch.signals.display import show

if TYPE_CHECKING:
    from brinewatch.config import ShedFile

_HIGH = 16  # rows of a curve
_WIDEST, _LEFT = 110, 14
_INK, _DOUBT, _MIN, _MAX = "█", "▒", "▔", "▁"
_PLAIN = {_INK: "#", _DOUBT: "?", _MIN: "-", _MAX: "-"}
_DAY_S = 86400.0

_Say = Callable[[float], str]


def print_plot(past: Past, shed: ShedFile, point: str, since: float, until: float) -> None:
    """Print one curve. Suspect readings are drawn lighter; where there is no usable one, nothing is drawn."""
    width = max(20, min(_WIDEST, get_terminal_size().columns - _LEFT - 1))
    edges = [since + (until - since) * n / width for n in range(width + 1)]
    found = buckets(past, point, edges)
    limits = limits_in_force(past, shed.alarms, [point], since, until)
    spans = [one for one in spans_of(past, since, until) if one.point == point]
    marks = [one for one in marks_of(past, since, until, shed.shed.display) if one.point in (point, "")]

    def say(value: float) -> str:
        return show(past.quantity(point), value, shed.shed.display)

    def when(utc: float) -> str:
        form = "%m-%d %H:%M" if until - since > _DAY_S else "%H:%M"
        return datetime.fromtimestamp(utc, shed.zone).strftime(form)

    lines = [f"{point} from {when(since)} to {when(until)}, {shed.shed.time_zone}"]
    lines += _curve(found, limits, say, when, edges)
    lines += _far(found, limits, say)
    if spans:
        lines.append(f"{'alarms':>{_LEFT - 2}}  {_row_of_spans(spans, edges)}")
    lines += [_told(one, say, when) for one in spans]
    lines += [f"    {when(one.utc)} {one.kind}: {one.text}" for one in marks]
    text = "\n".join(lines) + "\n"
    if not can_print(text):
        for fine, plain in _PLAIN.items():
            text = text.replace(fine, plain)
    sys.stdout.write(text)


def _curve(found: Buckets, limits: Sequence[LimitLine], say: _Say, when: _Say, edges: Sequence[float]) -> list[str]:
    span = _span(found)
    if span is None:
        return ["    no usable reading in that time"]
    low, high = span
    near = [one.value for one in limits if _near(one.value, span)]
    bottom, top = min([low, *near]), max([high, *near])
    if bottom == top:
        bottom, top = bottom - 0.5, top + 0.5
    grid = [[" "] * len(found) for _ in range(_HIGH)]

    def row(value: float) -> int:
        return min(_HIGH - 1, max(0, _HIGH - 1 - int((value - bottom) / (top - bottom) * _HIGH)))

    for line in limits:
        if line.value in near:
            for column, begin in enumerate(edges[:-1]):
                if line.begin < edges[column + 1] and line.end > begin:
                    grid[row(line.value)][column] = _MIN if line.side == "min" else _MAX
    worst = found.worst
    for column, (least, most) in enumerate(zip(found.low, found.high, strict=True)):
        if least is not None and most is not None:
            ink = _INK if worst[column] is Flag.PASS else _DOUBT
            for place in range(row(most), row(least) + 1):
                grid[place][column] = ink
    labels = {0: say(top), _HIGH - 1: say(bottom)}
    for line in limits:
        if line.value in near:
            labels.setdefault(row(line.value), f"{line.side} {say(line.value)}")
    lines = [f"{labels.get(n, ''):>{_LEFT - 2}} ▏{''.join(cells)}".rstrip() for n, cells in enumerate(grid)]
    left, right = when(edges[0]), when(edges[-1])
    lines.append(f"{'':>{_LEFT - 1}}{left}{right:>{max(1, len(found) - len(left))}}")
    return lines


def _span(found: Buckets) -> tuple[float, float] | None:
    lows = [one for one in found.low if one is not None]
    highs = [one for one in found.high if one is not None]
    return (min(lows), max(highs)) if lows and highs else None


def _near(limit: float, span: tuple[float, float]) -> bool:
    """Whether a limit can be drawn and leave the curve a fifth of the height or more."""
    reach = max(span[1] - span[0], 1e-9)
    return span[0] - 2 * reach <= limit <= span[1] + 2 * reach


def _far(found: Buckets, limits: Sequence[LimitLine], say: _Say) -> list[str]:
    span = _span(found)
    far = {} if span is None else {(one.side, one.value): one for one in limits if not _near(one.value, span)}
    words = [f"{side} {say(value)} ({one.title})" for (side, value), one in sorted(far.items())]
    return [f"    beyond what is shown: {'; '.join(words)}"] if words else []


def _row_of_spans(spans: Sequence[AlarmSpan], edges: Sequence[float]) -> str:
    return "".join(
        "═" if any(one.begin < end and (one.end is None or one.end > begin) for one in spans) else " "
        for begin, end in pairwise(edges)
    ).rstrip()


def _told(one: AlarmSpan, say: _Say, when: _Say) -> str:
    until = "and still" if one.end is None else f"to {when(one.end)}"
    value = "" if one.value is None else f", {say(one.value)}"
    limit = "" if one.limit is None else f" (limit {say(one.limit)})"
    return f"    {when(one.begin)} {until}: {one.title} ({one.number}){value}{limit}"
