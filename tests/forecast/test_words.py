"""Forecasts as people read them."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alarms.english import ENGLISH
from brinewatch.alarms.septets import septets
from brinewatch.alarms.wording import Left
from brinewatch.forecast.outlook import Forecast
from brinewatch.forecast.words import rounded, sentence, short
from brinewatch.quantities import QUANTITIES

H = 3600.0


def oxygen(earliest: float, middle: float, latest: float, *, corrected: bool = True) -> Forecast:
    return Forecast("oxygen_saturation", 65.0, middle, earliest, latest, corrected, "measured fall")


def in_a_text(told: Forecast) -> str:
    how, numbers = short(told)
    return Left(how, "", numbers).said(ENGLISH)


@pytest.mark.parametrize(
    ("told", "long", "tight"),
    [
        (oxygen(8500, 11400, 16000), "about 3 h 10 min to 65 %, 2 h 20 min at the earliest",
         "O2 65% in ~3h10, earliest 2h20"),
        (oxygen(510, 700, 1000), "about 12 min to 65 %, 8 min at the earliest", "O2 65% in ~12min, earliest 8min"),
        (oxygen(8500, inf, inf), "65 % perhaps not reached, 2 h 20 min at the earliest",
         "O2 65% perhaps never, earliest 2h20"),
        (oxygen(inf, inf, inf), "65 % is not reached", "O2 65% not reached"),
        (oxygen(0, 0, 0), "65 % is passed", "O2 65% passed"),
        (oxygen(0, 0, 300), "65 % is passed", "O2 65% passed"),
        (oxygen(8500, 11400, 16000, corrected=False), "at least 2 h 20 min to 65 % (not measured)",
         "O2 65% in 2h20 or more"),
        (oxygen(50 * H, 75 * H, 99 * H), "about 3 d 3 h to 65 %, 2 d 2 h at the earliest",
         "O2 65% in ~3d03h, earliest 2d02h"),
        (oxygen(20, 200, 300), "about 3 min to 65 %, now at the earliest", "O2 65% in ~3min, earliest now"),
        (oxygen(20, 200, 300, corrected=False), "65 % may be near (not measured)", "O2 65% may be near"),
        (Forecast("temperature", 17.0, 3 * H, 2 * H, 9 * H, True, ""), "about 3 h to 17 degC, 2 h at the earliest",
         "T 17degC in ~3h00, earliest 2h00"),
        (Forecast("ph", 7.6, 3 * H, 2 * H, 9 * H, True, ""), "about 3 h to 7.6, 2 h at the earliest",
         "pH 7.6 in ~3h00, earliest 2h00"),
    ],
)  # fmt: skip
def test_words(told: Forecast, long: str, tight: str) -> None:
    assert sentence(told) == long
    assert in_a_text(told) == tight


@given(
    st.sampled_from(sorted(key for key, one in QUANTITIES.items() if one.states is None)),
    st.lists(st.one_of(st.floats(0, 1e6), st.just(inf)), min_size=3, max_size=3),
    st.booleans(),
)
def test_a_text_message_can_carry_it(quantity: str, times: list[float], corrected: bool) -> None:
    earliest, middle, latest = sorted(times)
    told = Forecast(quantity, 7.25, middle, earliest, latest, corrected, "")
    length = septets(in_a_text(told))
    assert length is not None
    assert length <= 60
    assert "inf" not in sentence(told) + in_a_text(told)
    assert "nan" not in sentence(told) + in_a_text(told)


@given(st.floats(0, 1e6))
def test_the_earliest_is_never_told_later_than_it_is(seconds: float) -> None:
    assert rounded(seconds, down=True) <= seconds
    assert rounded(seconds, down=True) > seconds - max(60.0, seconds / 4.0)
    assert rounded(seconds, down=False) == pytest.approx(seconds, abs=max(30.0, seconds / 8.0))


@pytest.mark.parametrize("times", [(2.0, 1.0, 3.0), (1.0, 3.0, 2.0), (-1.0, 1.0, 2.0), (float("nan"), 1.0, 2.0)])
def test_a_forecast_out_of_order_is_refused(times: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="expected 0 <= earliest <= middle <= latest"):
        oxygen(*times)
