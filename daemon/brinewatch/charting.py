"""The past on the page: what is asked of the store in a thread of its own, and drawn as shapes and words."""

from __future__ import annotations

import asyncio
import csv
import io
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, seconds_of, utc_of, utc_text
from brinewatch.ports import Clock
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import how, max_age_s
from brinewatch.querying.buckets import Buckets, buckets, edges_for
from brinewatch.querying.marks import AlarmSpan, LimitLine, Mark, limits_in_force, marks_of, spans_of
from brinewatch.querying.past import Past
from brinewatch.readings import Flag, quantity_of, stage_of
from brinewatch.signals.display import show
from brinewatch.store.reader import StoreReader

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.charts import ChartView, Strip, Wanted

_WIDE, _HIGH, _ROOM = 340.0, 100.0, 14.0
_LABEL = 11.0  # a line of words is so high
_PIXELS, _ROWS = 680, 24
_DAY_S = 86400.0
_USUAL_S = _DAY_S
_CLOSEST_S, _LONGEST_S = 120.0, 20 * 366 * _DAY_S
_USUAL = ("air_pressure", "oxygen_saturation", "oxygen", "temperature", "ph")
_SPANS = (("6 hours", "6h"), ("a day", "24h"), ("a week", "7d"), ("a month", "30d"), ("a year", "365d"))
_AGAINST = {
    "day": ("the day before", 1),
    "week": ("the week before", 7),
    "year": ("the same days last year", 365),
}
_NIGHTS_UP_TO_S = 45 * _DAY_S
_HAPPENED = 40


class Charts:
    """stage_name: how people call a stage."""

    def __init__(self, shed: ShedFile, clock: Clock, stage_name: Callable[[str], str]) -> None:
        self._shed = shed
        self._clock = clock
        self._stage_name = stage_name

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the strips to the page."""
        from brinewatch.page.charts import add_charts

        add_charts(app, templates, self.tell, self.lines)

    async def tell(self, wanted: Wanted) -> ChartView:
        """The view that is wanted. BrinewatchError for a time or a point that is none; StoreError."""
        now = self._clock.now()
        with self._clock.hold():
            return await asyncio.to_thread(self._view, wanted, now)

    async def lines(self, wanted: Wanted) -> str:
        """The same numbers as comma-separated values."""
        now = self._clock.now()
        with self._clock.hold():
            return await asyncio.to_thread(self._csv, wanted, now)

    # -- in a thread ------------------------------------------------------------------------------------------

    def _span(self, wanted: Wanted, now: Moment) -> tuple[float, float]:
        until = now.utc if not wanted.until else self._instant(wanted.until, now)
        since = until - _USUAL_S if not wanted.since else self._instant(wanted.since, now, until)
        if not since < until <= since + _LONGEST_S:
            raise BrinewatchError("The time ends before it begins, or is too long.", "Choose another beginning.")
        return since, until

    def _instant(self, text: str, now: Moment, before: float | None = None) -> float:
        try:
            return (before or now.utc) - seconds_of(text)
        except ValueError:
            try:
                return utc_of(text, self._shed.zone)
            except (ValueError, OverflowError, OSError):
                raise BrinewatchError(f"{text!r} is no time.", "Write 24h, 7d or 2026-09-01T14:00.") from None

    def _points(self, past: Past, wanted: Wanted) -> list[str]:
        if wanted.points:
            for one in wanted.points:
                past.quantity(one)
            return list(wanted.points)
        found: list[str] = []
        for key in _USUAL:
            found += [one for one in past.points if quantity_of(one) == key]
        if any(quantity_of(one) == "oxygen_saturation" for one in found):
            found = [one for one in found if quantity_of(one) != "oxygen"]
        return found[:5]

    def _csv(self, wanted: Wanted, now: Moment) -> str:
        since, until = self._span(wanted, now)
        with StoreReader(self._shed.data, self._shed.zone) as store:
            past = Past(store, how(self._shed))
            text = io.StringIO()
            rows = csv.writer(text, lineterminator="\r\n")
            rows.writerow(["from", "to", "point", "unit", "lowest", "mean", "highest", "readings", "worst flag"])
            edges = edges_for(since, until, _PIXELS)
            for point in self._points(past, wanted):
                found, unit = buckets(past, point, edges), QUANTITIES[past.quantity(point)].unit
                worst, counts = found.worst, found.readings
                for n, (begin, end) in enumerate(pairwise(edges)):
                    if counts[n]:
                        flag = worst[n]
                        rows.writerow([utc_text(begin), utc_text(end), point, unit, found.low[n], found.mean[n],
                                       found.high[n], counts[n], None if flag is None else int(flag)])  # fmt: skip
        return text.getvalue()

    def _view(self, wanted: Wanted, now: Moment) -> ChartView:
        from brinewatch.page.charts import ChartView

        if wanted.against and wanted.against not in _AGAINST:
            raise BrinewatchError(f"{wanted.against!r} is no period.", f"Choose one of: {', '.join(_AGAINST)}.")
        since, until = self._span(wanted, now)
        with StoreReader(self._shed.data, self._shed.zone) as store:
            past = Past(store, how(self._shed))
            points = self._points(past, wanted)
            draw = _Draw(self._shed, past, since, until)
            limits = limits_in_force(past, self._shed.alarms, points, since, until)
            alarms, marks = spans_of(past, since, until), marks_of(past, since, until, self._shed.shed.display)
            shift = _AGAINST[wanted.against][1] * _DAY_S if wanted.against else 0.0
            strips = [draw.strip(one, self._name(one), limits, alarms, marks, shift) for one in points]
            choice = [(one, self._name(one), one in points) for one in past.points]
        lines = f"/history.csv?{_query(points, since, until, self._shed.zone)}"
        return ChartView(
            shed=self._shed.shed.name, when=f"{draw.when(since)} to {draw.when(until)}", strips=strips,
            nights=[draw.width(begin, end) for begin, end in self._nights(since, until)],
            ticks=draw.ticks(), move=self._move(wanted, since, until, now),
            links=self._links(wanted, since, until), choice=choice,
            happened=_happened(alarms, marks, draw.when), against=wanted.against,
            since=wanted.since or "24h", until=wanted.until, csv=lines,
            note="" if strips else "There are no readings yet.",
        )  # fmt: skip

    def _name(self, point: str) -> str:
        return f"{self._stage_name(stage_of(point))}, {QUANTITIES[quantity_of(point)].name}"

    def _move(self, wanted: Wanted, since: float, until: float, now: Moment) -> list[tuple[str, str]]:
        zone, points = self._shed.zone, wanted.points
        span = until - since
        more = {"against": wanted.against} if wanted.against else {}
        found = [("Earlier", _query(points, since - span / 2, until - span / 2, zone, more))]
        if until < now.utc - 1.0:
            found.append(("Later", _query(points, since + span / 2, min(now.utc, until + span / 2), zone, more)))
        if span > _CLOSEST_S:
            found.append(("Closer", _query(points, since + span / 4, until - span / 4, zone, more)))
        if 2 * span < _LONGEST_S:
            found.append(("Wider", _query(points, since - span / 2, min(now.utc, until + span / 2), zone, more)))
        return [(words, f"/history?{query}") for words, query in found]

    def _links(self, wanted: Wanted, since: float, until: float) -> list[tuple[str, str]]:
        zone, points = self._shed.zone, wanted.points
        more = {"against": wanted.against} if wanted.against else {}
        found = []
        for words, text in _SPANS:
            pairs = [*(("p", one) for one in points), ("since", text), *more.items()]
            found.append((f"Last {words.removeprefix('a ')}", urlencode(pairs)))
        for key, (words, _) in _AGAINST.items():
            if key != wanted.against:
                found.append((f"With {words}", _query(points, since, until, zone, {"against": key})))
        return [(words, f"/history?{query}") for words, query in found]

    def _nights(self, since: float, until: float) -> list[tuple[float, float]]:
        place = self._shed.shed
        if place.latitude is None or place.longitude is None or until - since > _NIGHTS_UP_TO_S:
            return []
        return nights(place.latitude, place.longitude, since, until)


def nights(latitude: float, longitude: float, since: float, until: float) -> list[tuple[float, float]]:
    """From each sunset to the next sunrise, as far as they lie in a span; none where the sun stays up or down."""
    from astral import Observer
    from astral.sun import sunrise, sunset

    place = Observer(latitude, longitude)
    found: list[tuple[float, float]] = []
    day = datetime.fromtimestamp(since, UTC).date() - timedelta(days=2)
    last = datetime.fromtimestamp(until, UTC).date() + timedelta(days=1)
    while day <= last:
        try:
            down = sunset(place, day).timestamp()
            ups = [sunrise(place, day + timedelta(days=n)).timestamp() for n in (0, 1, 2)]
            up = min(one for one in ups if one > down)
        except ValueError:
            pass  # a day or a night without end, near a pole
        else:
            if up > since and down < until and (not found or down >= found[-1][1]):
                found.append((max(down, since), min(up, until)))
        day += timedelta(days=1)
    return found


def _query(
    points: Sequence[str], since: float, until: float, zone: tzinfo, more: dict[str, str] | None = None
) -> str:
    def text(utc: float) -> str:
        return datetime.fromtimestamp(utc, zone).isoformat(timespec="seconds")

    return urlencode([*(("p", one) for one in points), ("since", text(since)), ("until", text(until)),
                      *(more or {}).items()])  # fmt: skip


def _happened(
    alarms: Sequence[AlarmSpan], marks: Sequence[Mark], when: Callable[[float], str]
) -> list[tuple[str, str]]:
    rows = [
        (one.begin, f"{one.title} ({one.number}), {'still' if one.end is None else f'over {when(one.end)}'}")
        for one in alarms
    ]
    rows += [(one.utc, f"{one.kind}: {one.text}") for one in marks]
    return [(when(utc), text) for utc, text in sorted(rows, reverse=True)[:_HAPPENED]]


class _Draw:
    """One axis of time for all strips."""

    def __init__(self, shed: ShedFile, past: Past, since: float, until: float) -> None:
        self._shed = shed
        self._past = past
        self._since, self._until = since, until
        self._edges = edges_for(since, until, _PIXELS)

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

        key = self._past.quantity(point)
        found = buckets(self._past, point, self._edges)
        earlier = buckets(self._past, point, [edge - shift for edge in self._edges]) if shift else None
        own = [one for one in limits if one.point == point]
        spans = [
            (*self.width(one.begin, one.end or self._until, 1.5),
             f"{one.title} ({one.number}), {self.when(one.begin)}")
            for one in alarms if one.point == point
        ]  # fmt: skip
        told = [
            (self.place(one.utc), f"{self.when(one.utc)} {one.kind}: {one.text}")
            for one in marks if one.point in (point, "")
        ]  # fmt: skip
        both = [one for some in (found, earlier) if some for column in (some.low, some.high)
                for one in column if one is not None]  # fmt: skip

        def text(value: float) -> str:
            return show(key, value, self._shed.shed.display)

        standing = self._standing(found, point)
        words = self._words(found, standing, text)
        if not both:
            return Strip(point, name, words, "", "", "", (), spans, told, "", "", "", ())
        least = 10.0 * 10.0 ** -QUANTITIES[key].decimals
        low, high = min(both), max(both)
        reach = 0.7 * max(high - low, least)
        near = [one for one in own if low - reach <= one.value <= high + reach]
        low, high = min([low, *(one.value for one in near)]), max([high, *(one.value for one in near)])
        if high - low < least:
            low, high = (low + high - least) / 2, (low + high + least) / 2

        def height(value: float) -> float:
            # what is shown in other units runs the same way: a straight line, or a curve that never turns
            return round(_ROOM + (high - value) * (_HIGH - 2 * _ROOM) / (high - low), 1)

        lines: list[tuple[str, str, float]] = []
        for one in near:
            y = height(one.value)
            label = f"{one.side} {text(one.value)}"
            free = all(abs(y - other) > _LABEL for _, words, other in lines if words)
            lines.append((f"M{self.place(one.begin):g} {y:g}H{self.place(one.end):g}", label if free else "", y))
        away = [f"{one.side} {text(one.value)} ({one.title})" for one in own if one not in near]
        worst = found.worst
        good = [one for one in standing if worst[one[0]] is Flag.PASS]
        doubt = self._path(found, [one for one in standing if worst[one[0]] is not Flag.PASS], height)
        before = "" if earlier is None else self._path(earlier, self._standing(earlier, point), height)
        return Strip(
            point, name, words, self._path(found, good, height), doubt, before, lines, spans, told, text(high),
            text(low), "; ".join(dict.fromkeys(away)), self._table(point, text),
        )  # fmt: skip

    def _standing(self, found: Buckets, point: str) -> list[tuple[int, float, float]]:
        """Each stretch with a usable reading: which, from when, until when it stands. Until the next, that is, and
        as long as alarms judge by it at most."""
        age = max_age_s(self._shed, point)
        known = [n for n, low in enumerate(found.low) if low is not None]
        begins = [self._edges[n] for n in known]
        ends = [*begins[1:], self._until]
        return [
            (n, begin, max(self._edges[n + 1], min(end, self._edges[n + 1] + age)))
            for n, begin, end in zip(known, begins, ends, strict=True)
        ]

    def _path(
        self, found: Buckets, standing: Sequence[tuple[int, float, float]], height: Callable[[float], float]
    ) -> str:
        """Lowest to highest of each stretch, as shapes; blank where nothing is known."""
        shapes = []
        for n, begin, end in standing:
            low, high = found.low[n], found.high[n]
            assert low is not None
            assert high is not None
            left, right, top, bottom = self.place(begin), self.place(end), height(high), height(low)
            shapes.append(f"M{left:g} {top:g}H{max(right, left + 0.3):g}V{max(bottom, top + 1.2):g}H{left:g}Z")
        return "".join(shapes)

    def _words(
        self, found: Buckets, standing: Sequence[tuple[int, float, float]], text: Callable[[float], str]
    ) -> str:
        lows = [one for one in found.low if one is not None]
        highs = [one for one in found.high if one is not None]
        if not lows:
            return "no usable reading in this time"
        known = sum(end - begin for _, begin, end in standing) / (self._until - self._since)
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
