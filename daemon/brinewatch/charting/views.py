"""Which past is wanted, asked of the store in a thread of its own; the addresses of the times beside it."""

from __future__ import annotations

import asyncio
import csv
import io
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, tzinfo
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from brinewatch.charting import records
from brinewatch.charting.drawing import PIXELS, Draw
from brinewatch.charting.script import packed
from brinewatch.charting.sky import nights
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment, seconds_of, utc_of, utc_text
from brinewatch.ports import Clock
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import how
from brinewatch.querying.buckets import buckets, edges_for
from brinewatch.querying.marks import AlarmSpan, Mark, limits_in_force, marks_of, spans_of
from brinewatch.querying.past import Past
from brinewatch.readings import quantity_of, stage_of
from brinewatch.store.reader import StoreReader

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.charts import ChartView, Wanted

_DAY_S = 86400.0
_LEAST_S = 600.0
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

        add_charts(app, templates, self)

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

    async def numbers(self, wanted: Wanted) -> bytes:
        """The same for the script that draws it (see `planes`)."""
        now = self._clock.now()
        with self._clock.hold():
            return await asyncio.to_thread(self._numbers, wanted, now)

    async def answer(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """What a program asks of the past (see `records`)."""
        now = self._clock.now()
        with self._clock.hold():
            return await asyncio.to_thread(records.answer, self._shed, request, now.utc)

    # -- in a thread ------------------------------------------------------------------------------------------

    def _span(self, wanted: Wanted, now: Moment) -> tuple[float, float]:
        until = now.utc if not wanted.until else self._instant(wanted.until, now)
        since = until - _USUAL_S if not wanted.since else self._instant(wanted.since, now, until)
        if not records.EARLIEST <= since < until <= min(since + _LONGEST_S, records.LATEST):
            raise BrinewatchError("The time ends before it begins, or is too long.", "Choose another beginning.")
        return since, until

    def _begun(self, past: Past, points: Sequence[str], wanted: Wanted, since: float, until: float) -> float:
        """From where it is drawn when nobody said: of a history that is younger than the usual span, all of it."""
        if wanted.since or wanted.until or any(past.store.last(one, since) for one in points):
            return since
        first = next(past.store.readings(points, since, until), None)
        return since if first is None else max(since, min(first.at.utc, until - _LEAST_S))

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
            points = self._points(past, wanted)
            since = self._begun(past, points, wanted, since, until)
            text = io.StringIO()
            rows = csv.writer(text, lineterminator="\r\n")
            rows.writerow(["from", "to", "point", "unit", "lowest", "mean", "highest", "readings", "worst flag"])
            edges = edges_for(since, until, PIXELS)
            for point in points:
                found, unit = buckets(past, point, edges), QUANTITIES[past.quantity(point)].unit
                worst, counts = found.worst, found.readings
                for n, (begin, end) in enumerate(pairwise(edges)):
                    if counts[n]:
                        flag = worst[n]
                        rows.writerow([utc_text(begin), utc_text(end), point, unit, found.low[n], found.mean[n],
                                       found.high[n], counts[n], None if flag is None else int(flag)])  # fmt: skip
        return text.getvalue()

    def _shift(self, wanted: Wanted) -> float:
        if wanted.against and wanted.against not in _AGAINST:
            raise BrinewatchError(f"{wanted.against!r} is no period.", f"Choose one of: {', '.join(_AGAINST)}.")
        return _AGAINST[wanted.against][1] * _DAY_S if wanted.against else 0.0

    def _numbers(self, wanted: Wanted, now: Moment) -> bytes:
        shift = self._shift(wanted)
        since, until = self._span(wanted, now)
        with StoreReader(self._shed.data, self._shed.zone) as store:
            past = Past(store, how(self._shed))
            points = self._points(past, wanted)
            since = self._begun(past, points, wanted, since, until)
            return packed(
                self._shed, past, [(one, self._name(one)) for one in points], since, until, shift,
                _AGAINST[wanted.against][0] if wanted.against else "",
                limits_in_force(past, self._shed.alarms, points, since, until), spans_of(past, since, until),
                marks_of(past, since, until, self._shed.shed.display), self._nights(since, until), now.utc,
            )  # fmt: skip

    def _view(self, wanted: Wanted, now: Moment) -> ChartView:
        from brinewatch.page.charts import ChartView

        shift = self._shift(wanted)
        since, until = self._span(wanted, now)
        with StoreReader(self._shed.data, self._shed.zone) as store:
            past = Past(store, how(self._shed))
            points = self._points(past, wanted)
            since = self._begun(past, points, wanted, since, until)
            draw = Draw(self._shed, past, since, until)
            limits = limits_in_force(past, self._shed.alarms, points, since, until)
            alarms, marks = spans_of(past, since, until), marks_of(past, since, until, self._shed.shed.display)
            strips = [draw.strip(one, self._name(one), limits, alarms, marks, shift) for one in points]
            choice = [(one, self._name(one), one in points) for one in past.points]
        query = _query(points, since, until, self._shed.zone)
        more = f"&against={wanted.against}" if wanted.against else ""
        return ChartView(
            shed=self._shed.shed.name, when=f"{draw.when(since)} to {draw.when(until)}", strips=strips,
            nights=[draw.width(begin, end) for begin, end in self._nights(since, until)],
            ticks=draw.ticks(), move=self._move(wanted, since, until, now),
            links=self._links(wanted, since, until), choice=choice,
            happened=_happened(alarms, marks, draw.when), against=wanted.against,
            against_words=_AGAINST[wanted.against][0] if wanted.against else "",
            since=wanted.since or "24h", until=wanted.until, csv=f"/history.csv?{query}",
            picture=f"/history.svg?{query}{more}", numbers=f"/history/numbers?{query}{more}",
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
