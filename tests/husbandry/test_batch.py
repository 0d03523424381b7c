"""The sheet of a batch: numbers that add up by hand, and none that stands alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from brinewatch.husbandry.batch import BatchSheet, Figure, Noted, batch_sheet, span_of
from brinewatch.husbandry.growth import specific_growth_rate
from brinewatch.husbandry.settings import BatchSettings

BEGIN = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
DAY = 86400.0


def batch(**more: Any) -> BatchSettings:
    given = {
        "key": "spring", "name": "Spring animals", "species": "Apostichopus japonicus", "stage": "raceway",
        "started": date(2026, 3, 1), "animals_in": 1000, "mean_weight_g": 5.0, "market_weight_g": 20.0, **more,
    }  # fmt: skip
    return BatchSettings.model_validate({key: value for key, value in given.items() if value is not None})


def at(*rows: tuple[float, float] | tuple[float, float, str]) -> list[Noted]:
    """Entries of a day since the beginning."""
    return [Noted(BEGIN + row[0] * DAY, row[1], row[2] if len(row) == 3 else f"{row[1]:g}") for row in rows]


def sheet(day: float, settings: BatchSettings | None = None, **noted: Sequence[Noted]) -> BatchSheet:
    return batch_sheet(settings or batch(), noted, BEGIN + day * DAY, UTC)


def figures(made: BatchSheet) -> dict[str, Figure]:
    return {one.key: one for one in made.figures}


def grown(day: float, rate: float = 0.02) -> float:
    return 5.0 * math.exp(rate * day)


def test_animals_are_counted() -> None:
    found = figures(sheet(30, deaths=at((3, 4), (9, 6)), animals_taken=at((20, 100))))
    assert found["deaths"].value == 10
    assert found["present"].value == 890
    # taken out alive is not lost: survival is of the dead alone
    assert found["survival"].value == 99.0
    assert "without being found" in found["survival"].note


def test_without_a_count_of_the_dead_no_survival_is_claimed() -> None:
    assert figures(sheet(30))["survival"].value is None
    assert figures(sheet(30, deaths=at((3, 0))))["survival"].value == 100.0


def test_counts_that_cannot_be_are_said_to_be_so() -> None:
    found = figures(sheet(30, deaths=at((3, 900)), animals_taken=at((5, 200))))
    assert found["survival"].value is None
    assert "the counts do not fit" in found["present"].text
    assert "more than the 1000" in found["present"].note


def test_feed_conversion_by_hand() -> None:
    """1000 animals of 5 g; 10 dead; the rest weigh 10 g on day 40. Gain: 990 * 10 - 1000 * 5 = 4900 g. Eaten by
    then: 6000 - 120 g. 5880 / 4900 = 1.2."""
    made = sheet(
        50, deaths=at((10, 10), (45, 20)), feed_given=at((1, 3000), (20, 3000), (45, 999)), feed_left=at((21, 120)),
        mean_weight=at((40, 10.0)),
    )  # fmt: skip
    found = figures(made)
    assert found["fcr"].value == pytest.approx(1.2)
    assert found["fcr"].low is None
    assert "its range is not known" in found["fcr"].note
    # the sheet's feed is all of it
    assert found["feed"].value == pytest.approx(6.879)


def test_what_was_taken_out_has_grown_too() -> None:
    """100 of 1000 are taken out on day 20, when they weigh the middle of 5 and 10 g in growth: 7.071 g."""
    found = figures(sheet(40, animals_taken=at((20, 100)), feed_given=at((1, 5000)), mean_weight=at((40, 10.0))))
    gain = 900 * 10 + 100 * math.sqrt(50) - 5000
    assert found["fcr"].value == pytest.approx(5000 / gain)


def test_the_spread_of_the_weighing_is_the_range_of_what_stands_on_it() -> None:
    found = figures(sheet(40, feed_given=at((1, 5000)), mean_weight=at((40, 10.0, "9 10 11"))))
    weight, ratio = found["mean_weight"], found["fcr"]
    error = 1 / math.sqrt(3)
    assert (weight.low, weight.high) == pytest.approx((10 - 2 * error, 10 + 2 * error))
    assert "3 weighed, standard deviation 1.00 g" in weight.note
    assert ratio.value == pytest.approx(1.0)
    assert ratio.low == pytest.approx(5000 / (1000 * (10 + 2 * error) - 5000))
    assert ratio.high == pytest.approx(5000 / (1000 * (10 - 2 * error) - 5000))


def test_a_gain_within_the_spread_has_no_upper_end() -> None:
    found = figures(sheet(40, feed_given=at((1, 5000)), mean_weight=at((40, 6.0, "4 6 8"))))
    assert found["fcr"].high is None
    assert found["fcr"].text.endswith("or more")
    assert figures(sheet(40, feed_given=at((1, 5000)), mean_weight=at((40, 4.0))))["fcr"].text.startswith("none")


@pytest.mark.parametrize(
    ("settings", "noted", "text"),
    [
        (batch(mean_weight_g=None), {}, "it takes a weight at the start"),
        (batch(), {}, "it takes a second weighing"),
        (batch(), {"mean_weight": at((40, 10.0))}, "no feed was entered before the last weighing"),
        (batch(), {"mean_weight": at((40, 10.0)), "feed_given": at((45, 100))}, "no feed was entered before"),
    ],
)
def test_no_ratio_without_what_it_is_made_of(
    settings: BatchSettings, noted: dict[str, list[Noted]], text: str
) -> None:
    found = figures(sheet(50, settings, **noted))["fcr"]
    assert found.value is None
    assert text in found.text


def test_growth_of_two_weighings_says_that_they_are_few() -> None:
    found = figures(sheet(40, mean_weight=at((40, 10.0))))["sgr"]
    assert found.value == pytest.approx(specific_growth_rate(5.0, 10.0, 40.0))
    assert (found.low, found.high) == (None, None)
    assert "no range can be told of so few" in found.note
    assert figures(sheet(40))["sgr"].text == "not known: it takes two weighings, there are 1"


def test_growth_and_days_to_market_come_with_a_range() -> None:
    weighed = at((14, grown(14) * 1.04), (28, grown(28) * 0.97), (42, grown(42) * 1.02), (50, grown(50) * 0.99))
    found = figures(sheet(50, mean_weight=weighed))
    rate, market = found["sgr"], found["days_to_market"]
    assert rate.low is not None
    assert rate.high is not None
    assert rate.low < 2.0 < rate.high
    assert market.low is not None
    assert market.high is not None
    # 20 g are reached after ln 4 / 0.02 = 69.3 days, 19.3 from now
    assert market.low < math.log(4) / 0.02 - 50 < market.high
    assert "between" in market.text
    assert "if they grow on as in 5 weighings" in market.note


def test_no_days_to_market_are_told_of_too_little() -> None:
    def text(settings: BatchSettings | None = None, *rows: tuple[float, float]) -> str:
        return figures(sheet(60, settings, mean_weight=at(*rows)))["days_to_market"].text

    assert "names no market_weight_g" in text(batch(market_weight_g=None))
    assert "it takes 3 weighings, there are 2" in text(None, (20, 7.0))
    assert "cannot be told from the scatter" in text(None, (20, 9.0), (40, 5.5), (60, 6.0))
    assert text(None, (20, 30.0)) == "reached: 20 g"
    # 20 days of slow growth tell nothing of the years it would take
    far = figures(sheet(20, batch(market_weight_g=2000.0), mean_weight=at((10, 5.5), (20, 6.06))))["days_to_market"]
    assert far.value is None
    assert far.text == "more than 40 d"
    # growth that is just told from its scatter has no latest day
    loose = figures(sheet(60, mean_weight=at((20, 8.0), (40, 9.0), (60, 15.5))))["days_to_market"]
    assert loose.value is None
    assert "at the earliest" in loose.text


def test_yield_says_how_many_and_when() -> None:
    found = figures(sheet(50, roe_yield=at((48, 14.0, "12 14 16")), meat_yield=at((48, 40.0))))
    assert found["roe_yield"].low == pytest.approx(14 - 2 * 2 / math.sqrt(3))
    assert "on day 48, 3 animals" in found["roe_yield"].note
    assert found["meat_yield"].low is None
    assert "its spread unknown" in found["meat_yield"].note


def test_what_was_before_and_after_does_not_count() -> None:
    ended = batch(ended=date(2026, 3, 20))
    made = sheet(50, ended, deaths=at((-1, 50), (10, 1), (19.9, 2), (20.1, 70)))
    assert figures(made)["deaths"].value == 3
    assert made.day == 20
    begin, end = span_of(batch(started=date(2026, 3, 28), ended=date(2026, 3, 29)), ZoneInfo("Europe/Dublin"))
    assert end - begin == 47 * 3600  # clocks go forward on the 29th


def test_no_number_stands_alone() -> None:
    """Each figure says what it rests on, or says in its place why there is none."""
    full = sheet(
        50, deaths=at((3, 4)), animals_taken=at((20, 10)), feed_given=at((2, 900)), roe_yield=at((40, 12.0)),
        mean_weight=at((10, 6.1, "6 6.2"), (20, 7.4), (40, 11.0)),
    )  # fmt: skip
    for made in (sheet(0), full, sheet(50, batch(mean_weight_g=None, market_weight_g=None))):
        for one in made.figures:
            assert one.text
            assert one.note or one.value is None, one.key
            if one.low is not None and one.high is not None:
                assert one.low <= one.high
            assert one.value is None or math.isfinite(one.value)


def test_a_batch_ends_after_it_began() -> None:
    with pytest.raises(ValidationError, match="ended on or after"):
        batch(ended=date(2026, 2, 1))
