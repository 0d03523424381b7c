"""Strips as shapes in a box of 340 by 100, and as words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from brinewatch.charting.seen import Seen, Standing, look
from brinewatch.config import ShedFile
from brinewatch.querying.buckets import Buckets, buckets, edges_for
from brinewatch.querying.marks import AlarmSpan, LimitLine, Mark
from brinewatch.querying.past import Past
from brinewatch.signals.display import show

if TYPE_CHECKING:
    from brinewatch.page.charts import Strip

_WIDE, _HIGH, _ROOM = 340.0, 100.0, 14.0
_LABEL = 11.0  # a line of words is so high
_SPECK = 6.0  # small boxes stand so far apart
_ROWS = 24
_DAY_S = 86400.0
PIXELS = 680
_Height = Callable[[float], float]


def _mark(kind: str, x: float) -> str:
    """A diamond for a calibration, a dot for a value entered by hand, a triangle for all else."""
    left, right = f"{round(x - 3, 1):g}", f"{round(x + 3, 1):g}"
    match kind:
        case "calibration":
            return f"M{x:g} 104L{right} 108L{x:g} 112L{left} 108Z"
        case "entered":
            return f"M{left} 108a3 3 0 1 1 6 0a3 3 0 1 1-6 0Z"
    return f"M{x:g} 104L{left} 112H{right}Z"


class Draw:
    """One axis of time for all strips."""

    def __init__(self, shed: ShedFile, past: Past, since: float, until: float) -> None:
        self._shed = shed
        self._past = past
        self._since, self._until = since, until
        self._edges = edges_for(since, until, PIXELS)

    def place(self, utc: float) -> float:
        share = (utc - self._since) / (self._until - self._since)
        return round(min(1.0, max(0.0, share)) * _WIDE, 1)

    def width(self, begin: float, end: float, least: float = 0.0) -> tuple[float, float]:
        """Where a stretch begins, and how wide it is."""
        left = self.place(begin)
        return left, round(max(least, self.place(end) - left), 1)

    def when(self, utc: float) -> str:
        return f"{datetime.fromtimestamp(utc, self._shed.zone):%Y-%m-%d %H:%M}"

    def ticks(self) -> list[tuple[float, str]]:
        """At most six, at round times of the shed's own clock."""
        span, zone = self._until - self._since, self._shed.zone
        steps = (600, 1800, 3600, 7200, 21600, 43200, _DAY_S, 2 * _DAY_S, 7 * _DAY_S, 14 * _DAY_S, 61 * _DAY_S)
        step = next((one for one in steps if span / one <= 6), 366 * _DAY_S)
        offset = datetime.fromtimestamp(self._since, zone).utcoffset() or timedelta()
        shift = offset.total_seconds()
        form = "%H:%M" if step < _DAY_S and span <= 2 * _DAY_S else "%d %b" if step < 300 * _DAY_S else "%Y"
        first = (self._since + shift) // step * step + step - shift
        found = []
        while first < self._until - span / 40:
            if first > self._since + span / 40:
                found.append((self.place(first), f"{datetime.fromtimestamp(first, zone):{form}}"))
            first += step
        return found

    def strip(
        self, point: str, name: str, limits: Sequence[LimitLine], alarms: Sequence[AlarmSpan],
        marks: Sequence[Mark], shift: float,
    ) -> Strip:  # fmt: skip
        from brinewatch.page.charts import Strip
        from brinewatch.page.marks import with_degree

        seen = look(self._past, self._shed, point, self._edges, shift)
        own = [one for one in limits if one.point == point]
        spans = [
            (*self.width(one.begin, one.end or self._until, 1.5),
             f"{one.title} ({one.number}), {self.when(one.begin)}")
            for one in alarms if one.point == point
        ]  # fmt: skip
        told = [
            (_mark(one.kind, self.place(one.utc)), f"{self.when(one.utc)} {one.kind}: {one.text}")
            for one in marks if one.point in (point, "")
        ]  # fmt: skip

        def text(value: float) -> str:
            return with_degree(show(seen.quantity, value, self._shed.shed.display))

        words = self._words(seen, text)
        reach = seen.reach(own)
        if reach is None:
            return Strip(point, name, words, "", "", "", "", "", (), spans, told, "", "", "", ())
        low, high, near = reach

        def height(value: float) -> float:
            # what is shown in other units runs the same way: a straight line, or a curve that never turns
            return round(_ROOM + (high - value) * (_HIGH - 2 * _ROOM) / (high - low), 1)

        lines: list[tuple[str, str, float]] = []
        for one in near:
            y = height(one.value)
            label, foot = f"{one.side} {text(one.value)}", y - 3 if y > _ROOM + 2 else y + _LABEL
            free = all(abs(foot - other) > _LABEL for _, words, other in lines if words)
            lines.append((f"M{self.place(one.begin):g} {y:g}H{self.place(one.end):g}", label if free else "", foot))
        beyond = "".join(
            f"M{self.place(one.begin):g} {height(one.value):g}H{self.place(one.end):g}V{edge:g}"
            f"H{self.place(one.begin):g}Z"
            for one in near for edge in (_HIGH if one.side == "min" else 0.0,)
        )  # fmt: skip
        away = [f"{one.side} {text(one.value)} ({one.title})" for one in own if one not in near]
        good = [one for one in seen.standing if not seen.doubted(one[0])]
        doubt = [one for one in seen.standing if seen.doubted(one[0])]
        before = "" if seen.earlier is None else self._path(seen.earlier, seen.earlier_standing, height)
        return Strip(
            point, name, words, self._path(seen.found, good, height),
            self._hollow(seen.found, doubt, height) + self._specks(seen),
            self._unsure(seen, height), before, beyond, lines, spans, told, text(high), text(low),
            "; ".join(dict.fromkeys(away)), self._table(point, text),
        )  # fmt: skip

    def _path(self, found: Buckets, standing: Sequence[Standing], height: _Height) -> str:
        """Lowest to highest of each stretch, as shapes; blank where nothing is known."""
        shapes = []
        for n, begin, end in standing:
            low, high = found.low[n], found.high[n]
            assert low is not None
            assert high is not None
            left, right, top, bottom = self.place(begin), self.place(end), height(high), height(low)
            shapes.append(f"M{left:g} {top:g}H{max(right, left + 0.3):g}V{max(bottom, top + 1.2):g}H{left:g}Z")
        return "".join(shapes)

    def _hollow(self, found: Buckets, standing: Sequence[Standing], height: _Height) -> str:
        """The same, wide and tall enough to be seen as hollow."""
        shapes = []
        for n, begin, end in standing:
            low, high = found.low[n], found.high[n]
            assert low is not None
            assert high is not None
            left, right, top, bottom = self.place(begin), self.place(end), height(high), height(low)
            wide, tall = max(0.0, 3.0 - (right - left)) / 2, max(0.0, 4.0 - (bottom - top)) / 2
            box = (left - wide, top - tall, right + wide, bottom + tall)
            x, y, across, down = (f"{round(one, 1):g}" for one in box)
            shapes.append(f"M{x} {y}H{across}V{down}H{x}Z")
        return "".join(shapes)

    def _specks(self, seen: Seen) -> str:
        """Small boxes along the top where some of a stretch was suspect or failed; of those side by side a few."""
        shapes, free = [], -1.0
        for n in range(len(seen.found)):
            middle = self.place((self._edges[n] + self._edges[n + 1]) / 2)
            if seen.speckled(n) and middle >= free:
                shapes.append(f"M{round(middle - 1.5, 1):g} .5h3v3h-3Z")
                free = middle + _SPECK
        return "".join(shapes)

    def _unsure(self, seen: Seen, height: _Height) -> str:
        """One shape for each unbroken stretch: from one standard uncertainty below the lowest to one above the
        highest."""
        shapes: list[str] = []
        upper: list[str] = []
        lower: list[str] = []
        last = -1.0

        def close() -> None:
            if upper:
                shapes.append(f"M{upper[0]}{''.join(f'L{one}' for one in (*upper[1:], *reversed(lower)))}Z")
            upper.clear()
            lower.clear()

        for n, begin, end in seen.standing:
            unsure, low, high = seen.unsure[n], seen.found.low[n], seen.found.high[n]
            assert low is not None
            assert high is not None
            if not unsure or begin > last:
                close()
            if unsure:
                top, bottom = f"{height(high + unsure):g}", f"{height(low - unsure):g}"
                for x in (self.place(begin), self.place(end)):
                    upper.append(f"{x:g} {top}")
                    lower.append(f"{x:g} {bottom}")
            last = end
        close()
        return "".join(shapes)

    def _words(self, seen: Seen, text: Callable[[float], str]) -> str:
        lows = [one for one in seen.found.low if one is not None]
        highs = [one for one in seen.found.high if one is not None]
        if not lows:
            return "no usable reading in this time"
        known = sum(end - begin for _, begin, end in seen.standing) / (self._until - self._since)
        # what little is known is not rounded away
        gaps = f", nothing known for {min(99.0, 100 * (1 - known)):.0f} % of it" if known < 0.98 else ""
        return f"{text(min(lows))} to {text(max(highs))}{gaps}"

    def _table(self, point: str, text: Callable[[float], str]) -> list[tuple[str, str, str, str, str]]:
        edges = edges_for(self._since, self._until, _ROWS)
        found = buckets(self._past, point, edges)

        def cell(value: float | None) -> str:
            return "" if value is None else text(value)

        rows = []
        for n, begin in enumerate(edges[:-1]):
            if found.readings[n]:
                flags = ", ".join(
                    f"{count[n]} {name}" for name, count in (
                        ("suspect", found.suspect), ("failed", found.failed), ("missing", found.missing),
                    ) if count[n]
                )  # fmt: skip
                rows.append((self.when(begin), cell(found.low[n]), cell(found.mean[n]), cell(found.high[n]), flags))
        return rows
