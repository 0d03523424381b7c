"""What people type, what is unlike the values before, and what is due."""

from __future__ import annotations

import pytest

from brinewatch.errors import BrinewatchError
from brinewatch.husbandry.doubts import apart, doubts, old
from brinewatch.husbandry.due import Asked, overdue_words
from brinewatch.husbandry.typed import numbers_of, sample_of, value_of
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of

DAY = 86400.0


@pytest.mark.parametrize(
    ("point", "text", "value"),
    [
        ("t.tan", "0.4", 0.4), ("t.tan", "0,4", 0.4), ("t.tan", " .4 ", 0.4), ("t.tan", "0.4 mg/L N", 0.4),
        ("t.deaths", "3", 3.0), ("t.cleaning", "done", 1.0), ("t.cleaning", "Not done", 0.0),
        ("t.mean_weight", "12.1 13.4 11.9", 12.466667), ("t.mean_weight", "12,1; 13,4; 11,9", 12.466667),
        ("t.mean_weight", "12, 13, 14", 13.0), ("t.temperature", "-1.5", -1.5),
    ],
)  # fmt: skip
def test_what_is_typed(point: str, text: str, value: float) -> None:
    assert value_of(point, text) == pytest.approx(value)


@pytest.mark.parametrize(
    ("point", "text"),
    [
        ("t.tan", ""), ("t.tan", "0.4 mg/L NH4"), ("t.tan", "1 2"), ("t.tan", "1e3"), ("t.tan", "nan"),
        ("t.tan", "inf"), ("t.tan", "1.2.3"), ("t.tan", "½"), ("t.tan", "0x10"), ("t.tan", "--1"), ("t.tan", "1_0"),
        ("t.deaths", "1.5"), ("t.cleaning", "2"), ("t.cleaning", "perhaps"), ("t.mean_weight", "12 -3 4"),
        ("t.roe_yield", "12 130"), ("t.mean_weight", "1 " * 501),
    ],
)  # fmt: skip
def test_what_is_no_value_is_refused_with_what_to_do(point: str, text: str) -> None:
    with pytest.raises(BrinewatchError) as caught:
        value_of(point, text)
    assert caught.value.hint


def test_a_sample_is_the_animals_it_is_of() -> None:
    found = sample_of("2 4 4 4 5 5 7 9")
    assert found is not None
    # the textbook sample of mean 5 and sum of squares 32: its sample deviation is the root of 32/7
    assert (found.count, found.mean) == (8, 5.0)
    assert found.spread == pytest.approx((32 / 7) ** 0.5)
    assert found.error == pytest.approx((32 / 7 / 8) ** 0.5)
    alone = sample_of("2")
    assert alone is not None
    assert alone.error is None
    assert sample_of("many") is None
    assert numbers_of("") == []


def show(point: str, value: float) -> str:
    quantity = QUANTITIES[quantity_of(point)]
    return f"{value:.{quantity.decimals}f} {quantity.unit}"


def unlike(point: str, value: float, *before: float) -> bool:
    return bool(doubts(point, value, before, (), show))


def test_a_value_like_the_others_is_not_asked_back() -> None:
    assert not unlike("t.tan", 0.4)
    assert not unlike("t.tan", 0.4, 0.3)
    assert not unlike("t.tan", 0.28, 0.2, 0.22, 0.18, 0.2)
    assert not unlike("t.deaths", 4, 0, 0, 1, 0, 0)
    assert not unlike("t.cleaning", 0, 1, 1, 1, 1)
    assert not unlike("t.mean_weight", 13.0, 9.0, 10.0, 11.0, 12.0)


def test_a_slip_of_the_decimal_point_is_asked_back() -> None:
    assert unlike("t.tan", 4.0, 0.4)
    assert unlike("t.tan", 0.04, 0.4)
    assert unlike("t.tan", 2.0, 0.2, 0.22, 0.18, 0.2)
    assert unlike("t.alkalinity", 0.23, 2.3, 2.2, 2.4, 2.3)
    assert unlike("t.deaths", 40, 0, 0, 1, 0, 0)


def test_hours_do_not_go_back() -> None:
    [words] = doubts("t.lamp_hours", 10.0, [8000.0], (), show)
    assert "Right if the part was changed" in words
    assert not unlike("t.lamp_hours", 9000.0, 100.0)


def test_what_is_beyond_a_limit_says_which_alarm_it_stands_for() -> None:
    limits = [("max", 1.0, "Nitrite too high"), ("max", 0.5, "Nitrite rather high"), ("min", 0.1, "Low")]
    [words] = doubts("t.nitrite", 5.0, [4.0], limits, show)
    assert words == "Above 1.00 mg/L N: saved, it stands for the alarm 'Nitrite too high'."
    assert doubts("t.nitrite", 0.3, [0.3], limits, show) == []
    [words] = doubts("t.nitrite", 0.05, [0.05], limits, show)
    assert words.startswith("Below 0.10")


def test_more_than_there_are_is_asked_back() -> None:
    [words] = doubts("t.deaths", 300, [300.0], (), show, (200.0, "ever came"))
    assert words == "That is more than ever came (200 animals)."


def test_a_refractometer_apart_from_the_probe_is_asked_back() -> None:
    assert apart("t.refractometer_salinity", 33.0, "Header, salinity", 31.5, show) == ""
    words = apart("t.refractometer_salinity", 36.0, "Header, salinity", 31.5, show)
    assert words.startswith("The probe says 31.5 PSS-78 (Header, salinity). Zero the refractometer")


def test_what_was_measured_long_ago_is_asked_back() -> None:
    assert old(6 * DAY) == ""
    assert "8 d ago" in old(8 * DAY)


def test_due_and_overdue() -> None:
    never, fresh, due, late = (
        Asked("t.tan", DAY, last, True) for last in (None, 10 * DAY - 3600, 9.1 * DAY, 8.5 * DAY)
    )
    now = 10 * DAY
    assert [one.due(now) for one in (never, fresh, due, late)] == [True, False, True, True]
    assert [one.overdue(now) for one in (never, fresh, due, late)] == [True, False, False, True]
    # what the round does not ask for is due, and nobody is told of it
    assert not Asked("t.tan", DAY, None, False).overdue(now)
    assert sorted((fresh, due, late, never), key=lambda one: one.rank(now)) == [never, late, due, fresh]


def test_what_is_overdue_is_named_the_latest_first_and_not_without_end() -> None:
    many = [Asked(f"t{place}.tan", DAY, place * DAY, True) for place in range(9)]
    words = overdue_words(many, 10 * DAY, str.upper)
    assert words.startswith("not entered: total ammonia as N at T0 (last 10 d ago), ")
    assert words.endswith("and 3 more")
    assert overdue_words(many, 0.0, str.upper) == ""
