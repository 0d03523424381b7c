"""Seasons by the shed's own calendar; the comparison with a library is in test_quality_reference."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag
from brinewatch.signals.climate import Season, climatology
from brinewatch.signals.quality import Quality
from signals.judging import readings

WATER = QUANTITIES["temperature"]
SUMMER = Season(begins="06-01", ends="08-31", low=14, high=24)


def at(text: str, zone: str = "Etc/UTC", *, trusted: bool = True) -> Moment:
    place = ZoneInfo(zone)
    utc = datetime.fromisoformat(text).replace(tzinfo=place).timestamp()
    return Moment(utc, utc, trusted, place)


def test_outside_the_season_s_span_is_suspect_and_never_worse() -> None:
    assert climatology(14.0, at("2026-07-01"), [SUMMER], WATER) == (Flag.PASS, "")
    assert climatology(24.0, at("2026-07-01"), [SUMMER], WATER) == (Flag.PASS, "")
    assert climatology(13.9, at("2026-07-01"), [SUMMER], WATER)[0] is Flag.SUSPECT
    flag, reason = climatology(40.0, at("2026-07-01"), [SUMMER], WATER)
    assert (flag, reason) == (Flag.SUSPECT, "Above 24 degC, unusual from 06-01 to 08-31.")
    assert climatology(40.0, at("2026-09-01"), [SUMMER], WATER) == (Flag.PASS, "")


def test_the_calendar_is_the_shed_s_own() -> None:
    # 31 August 20:00 in Honolulu is 1 September in UTC
    honolulu = at("2026-08-31T20:00", "Pacific/Honolulu")
    assert climatology(40.0, honolulu, [SUMMER], WATER)[0] is Flag.SUSPECT
    assert climatology(40.0, Moment(honolulu.mono, honolulu.utc, True), [SUMMER], WATER)[0] is Flag.PASS


def test_a_clock_nobody_trusts_has_no_season() -> None:
    assert climatology(40.0, at("2026-07-01", trusted=False), [SUMMER], WATER) == (Flag.PASS, "")


def test_nothing_is_interpolated_between_seasons() -> None:
    seasons = [SUMMER, Season(begins="09-01", ends="09-30", high=20)]
    assert climatology(22.0, at("2026-08-31T23:59:59"), seasons, WATER)[0] is Flag.PASS
    assert climatology(22.0, at("2026-09-01T00:00:00"), seasons, WATER)[0] is Flag.SUSPECT


@given(st.dates(), st.dates(), st.dates())
def test_a_season_covers_the_days_it_lists(begins: object, ends: object, day: object) -> None:
    season = Season(begins=f"{begins:%m-%d}", ends=f"{ends:%m-%d}", high=1)
    number = datetime(2000, day.month, day.day).timetuple().tm_yday  # type: ignore[attr-defined]
    assert season.covers(number) is (number in season.days())
    assert season.covers(min(season.days()))


def test_it_reaches_the_live_flag() -> None:
    live, _, _ = readings([30.0], Quality.model_validate({"season": [
        {"begins": "11-01", "ends": "11-30", "high": 20}]}), point="sump.temperature")  # fmt: skip
    assert (live[0].flag, live[0].reason) == (Flag.SUSPECT, "Above 20 degC, unusual from 11-01 to 11-30.")


@pytest.mark.parametrize(
    ("season", "message"),
    [
        ({"begins": "02-30", "ends": "03-01", "low": 1}, "month-day like 06-01"),
        ({"begins": "6-1", "ends": "08-31", "low": 1}, "month-day like 06-01"),
        ({"begins": "2026-06-01", "ends": "08-31", "low": 1}, "month-day like 06-01"),
        ({"begins": "06-01", "ends": "08-31"}, "low, high or both"),
        ({"begins": "06-01", "ends": "08-31", "low": 5, "high": 5}, "low to be less than high"),
        ({"begins": "06-01", "low": 5}, "Field required"),
    ],
)
def test_a_season_that_cannot_be_meant_is_refused(season: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        Season.model_validate(season)
