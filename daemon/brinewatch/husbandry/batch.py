"""The sheet of a batch, from what was entered: animals, feed, growth, loss, yield, days to market weight.

No number stands alone: beside each is what it rests on, and where the data are too few it says so in its place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from brinewatch.husbandry.growth import (
    FEWEST,
    Trend,
    day_of_weight,
    feed_conversion_ratio,
    growth_trend,
    specific_growth_rate,
    survival_percent,
)
from brinewatch.husbandry.settings import DAY_S, BatchSettings
from brinewatch.husbandry.typed import Sample, sample_of

# what of the round counts for a batch
QUANTITIES_USED = (
    "feed_given", "feed_left", "deaths", "animals_taken", "mean_weight", "roe_yield", "meat_yield",
)  # fmt: skip
# a trend is not drawn on for longer than this many times the time it was told from (judgement)
_FARTHEST = 2.0
_TWO_SIGMA = 2.0


@dataclass(frozen=True, slots=True)
class Noted:
    """One entry that counts. utc: when it was measured; typed: as it was typed."""

    utc: float
    value: float
    typed: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the sheet. key: for programs; value: in unit, None when it cannot be told; low, high: its range,
    None when none can be told; text: the value for people, or why there is none; note: what it rests on."""

    key: str
    name: str
    value: float | None
    unit: str
    text: str
    note: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Weighing:
    """day: since the batch came; sample: how many were weighed, None when only the mean was typed."""

    day: float
    utc: float
    mean_g: float
    sample: Sample | None


@dataclass(frozen=True, slots=True)
class BatchSheet:
    """A batch at an instant. day: since it came, or at its end; figures: in the order they are read."""

    key: str
    name: str
    species: str
    stage: str
    started: str
    ended: str
    day: float
    figures: tuple[Figure, ...]
    weighings: tuple[Weighing, ...] = field(default=())


def span_of(batch: BatchSettings, zone: tzinfo) -> tuple[float, float]:
    """From when until when entries count for a batch, POSIX seconds."""
    begin = datetime(batch.started.year, batch.started.month, batch.started.day, tzinfo=zone).timestamp()
    if batch.ended is None:
        return begin, math.inf
    after = batch.ended + timedelta(days=1)
    return begin, datetime(after.year, after.month, after.day, tzinfo=zone).timestamp()


def batch_sheet(
    batch: BatchSettings, noted: Mapping[str, Sequence[Noted]], now_utc: float, zone: tzinfo
) -> BatchSheet:
    """The sheet at an instant. noted: by quantity, what counts of what was entered at its stage, oldest first."""
    begin, end = span_of(batch, zone)
    kept = {key: [one for one in rows if begin <= one.utc < end] for key, rows in noted.items()}
    weighings = _weighings(batch, kept.get("mean_weight", ()), begin)
    trend = growth_trend([(one.day, one.mean_g) for one in weighings])
    day = max(0.0, (min(now_utc, end) - begin) / DAY_S)
    counts = _Counts(batch, kept, weighings, begin)
    figures = [
        *counts.figures(), _weight(weighings, day), *_growth(weighings, trend), counts.feed(), counts.ratio(),
        *_yields(kept, counts, begin), _market(batch, weighings, trend, day, begin, zone),
    ]  # fmt: skip
    return BatchSheet(
        batch.key, batch.name, batch.species, batch.stage, batch.started.isoformat(),
        batch.ended.isoformat() if batch.ended else "", day, tuple(figures), tuple(weighings),
    )  # fmt: skip


def _weighings(batch: BatchSettings, noted: Sequence[Noted], begin: float) -> list[Weighing]:
    found = []
    if batch.mean_weight_g is not None:
        found.append(Weighing(0.0, begin, batch.mean_weight_g, None))
    for one in noted:
        if one.value > 0:
            sample = sample_of(one.typed)
            many = sample if sample is not None and sample.count > 1 else None
            found.append(Weighing((one.utc - begin) / DAY_S, one.utc, one.value, many))
    return found


class _Counts:
    """What adds up: animals and feed."""

    def __init__(
        self, batch: BatchSettings, kept: Mapping[str, Sequence[Noted]], weighings: Sequence[Weighing], begin: float
    ) -> None:
        self._batch, self._kept, self._weighings, self._begin = batch, kept, weighings, begin
        self.dead, self.taken = self._sum("deaths"), self._sum("animals_taken")
        self.present = batch.animals_in - self.dead - self.taken

    def _sum(self, key: str, until: float = math.inf) -> float:
        return math.fsum(one.value for one in self._kept.get(key, ()) if one.utc <= until)

    def figures(self) -> list[Figure]:
        batch = self._batch
        found = [_figure("animals_in", "Animals in", float(batch.animals_in), "", 0, f"on {batch.started}")]
        if self.dead > batch.animals_in or self.present < 0:
            why = f"{self.dead:.0f} dead and {self.taken:.0f} taken out: more than the {batch.animals_in} that came"
            wrong = "cannot be told: the counts do not fit"
            return [
                *found,
                Figure("deaths", "Found dead", self.dead, "", f"{self.dead:.0f}", why),
                Figure("survival", "Survival", None, "%", wrong, why),
                Figure("present", "Animals there now", None, "", wrong, why),
            ]
        found.append(_figure("deaths", "Found dead", self.dead, "", 0, _times(self._kept.get("deaths", ()))))
        if self.taken:
            times = _times(self._kept.get("animals_taken", ()))
            found.append(_figure("taken", "Taken out", self.taken, "", 0, times))
        if self._kept.get("deaths"):
            share = survival_percent(batch.animals_in, self.dead)
            note = "of those that came; who vanished without being found is not counted as dead"
            found.append(_figure("survival", "Survival", share, "%", 1, note))
        else:
            nobody = "not known: nobody has entered how many were found dead, not even 0"
            found.append(Figure("survival", "Survival", None, "%", nobody))
        note = "by these counts, not counted anew"
        found.append(_figure("present", "Animals there now", self.present, "", 0, note))
        return found

    def feed(self) -> Figure:
        given, left = self._sum("feed_given"), self._sum("feed_left")
        if not self._kept.get("feed_given"):
            return Figure("feed", "Feed eaten", None, "kg", "not known: no feed was entered")
        note = f"{given / 1000:.2f} kg given, {left / 1000:.2f} kg found left"
        if not self._kept.get("feed_left"):
            note = "given; nothing was entered as left over"
        return _figure("feed", "Feed eaten", (given - left) / 1000, "kg", 2, note)

    def ratio(self) -> Figure:
        """From the first to the last weighing: feed after that has not shown yet."""
        key, name = "fcr", "Feed conversion ratio"
        if len(self._weighings) < 2 or self._weighings[0].day > 0:
            few = "weight at the start" if not self._weighings or self._weighings[0].day > 0 else "second weighing"
            return Figure(key, name, None, "", f"not known: it takes a {few}")
        last = self._weighings[-1]
        feed = self._sum("feed_given", last.utc) - self._sum("feed_left", last.utc)
        if feed <= 0:
            return Figure(key, name, None, "", "not known: no feed was entered before the last weighing")
        gain = self._gain(last.mean_g)
        if gain <= 0:
            return Figure(key, name, None, "", f"none: no gain by the last weighing ({gain / 1000:.2f} kg)")
        value = feed_conversion_ratio(feed, gain)
        note = f"{feed / 1000:.2f} kg eaten for {gain / 1000:.2f} kg gained by day {last.day:.0f}, less the dead"
        error = last.sample.error if last.sample is not None else None
        if error is None:
            return _figure(key, name, value, "", 2, f"{note}; its range is not known: one mean weight was typed")
        least = self._gain(last.mean_g - _TWO_SIGMA * error)
        low = feed_conversion_ratio(feed, self._gain(last.mean_g + _TWO_SIGMA * error))
        if least <= 0:
            text = f"{low:.2f} or more"
            return Figure(key, name, value, "", text, f"{note}; the gain is within the spread of the weighing", low)
        return _figure(key, name, value, "", 2, note, low, feed_conversion_ratio(feed, least))

    def _gain(self, mean_g: float) -> float:
        """Live weight gained by the last weighing: there, and taken out before it, less what came."""
        last = self._weighings[-1]
        there = self._batch.animals_in - self._sum("deaths", last.utc) - self._sum("animals_taken", last.utc)
        taken = math.fsum(
            one.value * _weight_at(self._weighings, (one.utc - self._begin) / DAY_S)
            for one in self._kept.get("animals_taken", ()) if one.utc <= last.utc
        )  # fmt: skip
        return there * mean_g + taken - self._batch.animals_in * self._weighings[0].mean_g


def _weight_at(weighings: Sequence[Weighing], day: float) -> float:
    """The mean weight between two weighings, growing at one rate from the one to the other."""
    before = [one for one in weighings if one.day <= day]
    after = [one for one in weighings if one.day > day]
    if not before or not after:
        return (before or after)[-1 if before else 0].mean_g
    one, other = before[-1], after[0]
    share = (day - one.day) / (other.day - one.day)
    return one.mean_g * math.pow(other.mean_g / one.mean_g, share)


def _weight(weighings: Sequence[Weighing], day: float) -> Figure:
    if not weighings:
        return Figure("mean_weight", "Mean weight", None, "g", "not known: nothing was weighed")
    last = weighings[-1]
    age = f"{max(0.0, day - last.day):.0f} d old"
    if last.sample is None:
        note = "as it was given when they came" if last.day == 0 else "a mean as typed, its spread unknown"
        return _figure("mean_weight", "Mean weight", last.mean_g, "g", 2, f"{note}; {age}")
    error = last.sample.error or 0.0
    low, high = last.mean_g - _TWO_SIGMA * error, last.mean_g + _TWO_SIGMA * error
    note = f"of {last.sample.count} weighed, standard deviation {last.sample.spread or 0.0:.2f} g; {age}"
    return _figure("mean_weight", "Mean weight", last.mean_g, "g", 2, note, max(0.0, low), high)


def _growth(weighings: Sequence[Weighing], trend: Trend | None) -> list[Figure]:
    key, name, unit = "sgr", "Specific growth rate", "% a day"
    if len(weighings) < 2 or weighings[-1].day <= weighings[0].day:
        return [Figure(key, name, None, unit, f"not known: it takes two weighings, there are {len(weighings)}")]
    first, last = weighings[0], weighings[-1]
    days = last.day - first.day
    if trend is None:
        value = specific_growth_rate(first.mean_g, last.mean_g, days)
        note = f"between two weighings {days:.0f} d apart: no range can be told of so few"
        return [_figure(key, name, value, unit, 2, note)]
    note = f"by {trend.count} weighings over {days:.0f} d"
    if not trend.grows:
        note += "; growth cannot be told from their scatter"
    return [_figure(key, name, 100 * trend.rate, unit, 2, note, 100 * trend.low, 100 * trend.high)]


def _yields(kept: Mapping[str, Sequence[Noted]], counts: _Counts, begin: float) -> list[Figure]:
    found = []
    for key, name in (("roe_yield", "Roe yield"), ("meat_yield", "Meat yield")):
        rows = kept.get(key, ())
        if not rows:
            continue
        last = rows[-1]
        sample, day = sample_of(last.typed), (last.utc - begin) / DAY_S
        note = f"of live weight, on day {day:.0f}"
        if sample is None or sample.count < 2:
            found.append(_figure(key, name, last.value, "%", 1, f"{note}; one number, its spread unknown"))
            continue
        error = sample.error or 0.0
        found.append(
            _figure(
                key, name, last.value, "%", 1, f"{note}, {sample.count} animals",
                max(0.0, last.value - _TWO_SIGMA * error), last.value + _TWO_SIGMA * error,
            )
        )  # fmt: skip
    return found


def _market(
    batch: BatchSettings, weighings: Sequence[Weighing], trend: Trend | None, day: float, begin: float, zone: tzinfo
) -> Figure:
    key, name, unit = "days_to_market", "Days to market weight", "d"
    weight = batch.market_weight_g
    if weight is None:
        return Figure(key, name, None, unit, "not asked: the shed file names no market_weight_g")
    if weighings and weighings[-1].mean_g >= weight:
        return Figure(
            key, name, 0.0, unit, f"reached: {weight:g} g", f"by the weighing of day {weighings[-1].day:.0f}"
        )
    if trend is None:
        different = len({one.day for one in weighings})
        return Figure(key, name, None, unit, f"not known: it takes {FEWEST} weighings, there are {different}")
    found = day_of_weight(trend, weight)
    if found is None:
        return Figure(key, name, None, unit, "not known: growth cannot be told from the scatter of the weighings")
    best, early, late = (one - day for one in found)
    farthest = _FARTHEST * (trend.last - trend.first)
    if early > farthest:
        return Figure(
            key, name, None, unit, f"more than {farthest:.0f} d",
            f"{trend.count} weighings over {trend.last - trend.first:.0f} d tell no further ahead", low=farthest,
        )  # fmt: skip
    note = f"to {weight:g} g, if they grow on as in {trend.count} weighings over {trend.last - trend.first:.0f} d"
    if late > farthest:
        text = f"{max(0.0, early):.0f} d at the earliest"
        return Figure(key, name, None, unit, text, f"{note}; the latest cannot be told", low=max(0.0, early))
    first, last = (_day(begin + one * DAY_S, zone) for one in (found[1], found[2]))
    text = f"about {max(0.0, best):.0f} d, between {max(0.0, early):.0f} and {max(0.0, late):.0f} d"
    return Figure(
        key, name, max(0.0, best), unit, text, f"{note}; {first} to {last}, 95 %", max(0.0, early), max(0.0, late)
    )


def _day(utc: float, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(utc, zone):%Y-%m-%d}"


def _times(rows: Sequence[Noted]) -> str:
    return f"in {len(rows)} entr{'y' if len(rows) == 1 else 'ies'}" if rows else "none was entered"


def _figure(
    key: str, name: str, value: float, unit: str, decimals: int, note: str = "", low: float | None = None,
    high: float | None = None,
) -> Figure:  # fmt: skip
    text = f"{value:.{decimals}f} {unit}".rstrip()
    if low is not None and high is not None:
        text = f"{value:.{decimals}f} {unit}".rstrip() + f" ({low:.{decimals}f} to {high:.{decimals}f})"
    return Figure(key, name, value, unit, text, note, low, high)
