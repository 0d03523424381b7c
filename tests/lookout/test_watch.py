"""What is remembered of a shed's signs of life: recordings, delays, leaves, clocks that step."""

from __future__ import annotations

from dataclasses import replace

import pytest

from brinewatch.moment import Moment
from brinewatch.sentry.beats import Beat, from_short, ills, short_text, strains
from brinewatch.sentry.table import Road, Sight
from brinewatch.sentry.watch import Terms, Watched, all_off, broken, look, take, take_text, told

UTC = 1_790_200_800.0
NOW = Moment(1000.0, UTC, True)
WELL = Beat("quay", 5, 1, UTC, True, 30.0, "1", cycle_age_s=1.0, critical_age_s=2.0, critical="a.air_pressure",
            mains=True, disk_free_percent=40.0)  # fmt: skip
TERMS = Terms(90.0)


def seen(one: Watched, now: Moment, road: Road = Road.OPEN, opened: float = 0.0, terms: Terms = TERMS) -> Sight:
    return look(one, terms, road, opened, None, now)


def test_a_shed_is_there_until_its_signs_stay_out() -> None:
    one = take(Watched(), WELL, NOW).watched
    assert seen(one, NOW.later(90)) is Sight.THERE
    assert seen(one, NOW.later(90.1)) is Sight.SILENT


def test_the_same_sign_twice_is_no_second_sign() -> None:
    one = take(Watched(), WELL, NOW).watched
    again = take(one, WELL, NOW.later(80))
    assert again.refused == ""
    assert again.watched == one
    assert seen(again.watched, NOW.later(91)) is Sight.SILENT


def test_a_recording_changes_nothing_and_is_refused() -> None:
    one = take(Watched(), replace(WELL, n=7), NOW).watched
    for old in (replace(WELL, n=6), replace(WELL, start=4, n=900)):
        again = take(one, old, NOW.later(80))
        assert "older than what was heard before" in again.refused
        assert again.watched == one


def test_a_sign_held_back_on_its_way_is_late_and_no_sign_of_now() -> None:
    one = take(Watched(), WELL, NOW).watched
    late = take(one, replace(WELL, n=2), NOW.later(200))
    assert "late" in late.refused
    assert seen(late.watched, NOW.later(200)) is Sight.SILENT
    # nor can it be heard a second time
    assert take(late.watched, replace(WELL, n=2), NOW.later(201)).watched.heard == one.heard


@pytest.mark.parametrize(("shed_trusted", "own_trusted"), [(False, True), (True, False), (False, False)])
def test_a_clock_nobody_set_makes_no_sign_late(shed_trusted: bool, own_trusted: bool) -> None:
    now = replace(NOW, trusted=own_trusted)
    beat = replace(WELL, utc=UTC - 900_000, trusted=shed_trusted)
    assert seen(take(Watched(), beat, now).watched, now) is Sight.THERE


@pytest.mark.parametrize("step", [-86_400.0, -3600.0, 3600.0, 86_400.0])
def test_a_wall_clock_that_steps_makes_nobody_silent_and_nobody_heard(step: float) -> None:
    one = take(Watched(), WELL, NOW).watched
    after = replace(NOW.later(80), utc=UTC + 80 + step)
    assert seen(one, after) is Sight.THERE
    assert seen(one, replace(NOW.later(91), utc=UTC + 91 + step)) is Sight.SILENT


def test_what_the_broker_kept_says_what_was() -> None:
    kept = take(Watched(), WELL, NOW, retained=True).watched
    assert kept.newest == WELL
    assert seen(kept, NOW.later(5), opened=NOW.mono) is Sight.UNTOLD
    assert seen(kept, NOW.later(91), opened=NOW.mono) is Sight.SILENT


def test_a_new_road_gives_every_shed_its_time() -> None:
    one = take(Watched(), WELL, NOW).watched
    later = NOW.later(600)
    assert seen(one, later, Road.CLOSED) is Sight.UNTOLD
    assert seen(one, later, opened=later.mono) is Sight.UNTOLD
    assert seen(one, later.later(91), opened=later.mono) is Sight.SILENT


def test_a_clean_stop_is_quiet_until_its_time_and_loud_after_it() -> None:
    leave = replace(WELL, n=2, until_utc=UTC + 1800)
    one = take(take(Watched(), WELL, NOW).watched, leave, NOW).watched
    assert seen(one, NOW.later(1799)) is Sight.STOPPED
    assert seen(one, NOW.later(1799), Road.CLOSED) is Sight.STOPPED
    assert seen(one, NOW.later(1800)) is Sight.OVERDUE
    state, why = told(one, Sight.OVERDUE, Road.OPEN, NOW.later(1800))
    assert state == "off"
    assert "until 22:30 and not back" in why
    # back in time, in a new start
    back = take(one, replace(WELL, start=6, n=1, utc=UTC + 900), NOW.later(900)).watched
    assert seen(back, NOW.later(901)) is Sight.THERE


def test_a_leave_cannot_be_asked_for_without_end_nor_replayed() -> None:
    for_ever = take(Watched(), replace(WELL, until_utc=UTC + 10 * 86_400), NOW).watched
    assert seen(for_ever, NOW.later(86_401)) is Sight.OVERDUE
    one = take(Watched(), replace(WELL, n=9), NOW).watched
    assert take(one, replace(WELL, n=3, until_utc=UTC + 3600), NOW.later(60)).watched.back is None


def test_a_leave_by_a_clock_nobody_set_counts_from_when_it_is_heard() -> None:
    leave = replace(WELL, utc=100.0, trusted=False, until_utc=100.0 + 600)
    one = take(Watched(), leave, NOW).watched
    assert seen(one, NOW.later(599)) is Sight.STOPPED
    assert seen(one, NOW.later(600)) is Sight.OVERDUE


def test_the_will_counts_until_the_next_sign() -> None:
    one = broken(take(Watched(), WELL, NOW).watched)
    assert seen(one, NOW.later(1)) is Sight.BROKE
    assert seen(take(one, replace(WELL, n=2), NOW.later(2)).watched, NOW.later(2)) is Sight.THERE


def test_texts_tell_a_shed_from_its_line() -> None:
    terms = Terms(90.0, 4500.0)
    one = take(Watched(), WELL, NOW).watched
    one = take_text(one, replace(WELL, n=2), (), NOW.later(60)).watched
    assert look(one, terms, Road.OPEN, 0, 0.0, NOW.later(600)) is Sight.CUT
    assert look(one, terms, Road.BROKER_OFF, 0, 0.0, NOW.later(600)) is Sight.THERE
    assert look(one, terms, Road.OPEN, 0, 0.0, NOW.later(5000)) is Sight.SILENT
    # whose own modem fails cannot say that no text came
    assert look(one, terms, Road.CLOSED, 0, None, NOW.later(5000)) is Sight.UNTOLD
    assert look(one, Terms(90.0, 4500.0, road=False), Road.OPEN, 0, 0.0, NOW.later(5000)) is Sight.SILENT


def test_a_text_overtaken_by_the_broker_is_no_recording() -> None:
    one = take(Watched(), replace(WELL, n=9), NOW).watched
    late = take_text(one, replace(WELL, n=4), (), NOW.later(300))
    assert late.refused == ""
    assert late.watched.texted == NOW.mono + 300
    assert "older" in take_text(late.watched, replace(WELL, n=3), (), NOW.later(301)).refused


def test_what_a_watch_says_of_itself_is_told() -> None:
    assert ills(WELL) == []
    assert strains(WELL) == []
    found = ills(replace(WELL, cycle_age_s=300.0, critical_age_s=None, outbox_age_s=1200.0, failing=("journal",)))
    assert found == ["no usable reading for 5 min", "no good a.air_pressure yet", "a message waits for 20 min",
                     "journal failing"]  # fmt: skip
    assert strains(replace(WELL, mains=False, failing=("modem",), disk_free_percent=1.0)) == [
        "mains off", "modem failing", "disk 1% free",
    ]  # fmt: skip
    one = take(Watched(), replace(WELL, mains=False), NOW).watched
    assert told(one, Sight.THERE, Road.OPEN, NOW) == ("strained", "mains off")


def test_all_together_needs_two_and_all() -> None:
    assert all_off([Sight.SILENT, Sight.BROKE])
    assert not all_off([Sight.SILENT])
    assert not all_off([Sight.SILENT, Sight.THERE])
    assert not all_off([Sight.SILENT, Sight.OVERDUE])


def test_the_short_text_is_one_part_and_says_the_same() -> None:
    beat = replace(WELL, watch="a" * 32, start=1_790_200_800, n=99_999, cycle_age_s=900.0, mains=False,
                   failing=("modem", "broker"), disk_free_percent=0.0, trusted=False, standing=999,
                   every_s=3600.0)  # fmt: skip
    text = short_text(beat)
    assert len(text) + 17 <= 160  # a space and 16 letters of signature follow
    back, complaints = from_short(text)
    assert (back.watch, back.order, back.standing, back.trusted) == ("a" * 32, beat.order, 999, False)
    assert complaints == (
        "ill",
        "mains off",
        "modem failing",
        "broker failing",
        "disk nearly full",
        "clock not set",
    )
    assert from_short(short_text(WELL))[1] == ()


@pytest.mark.parametrize(
    "text", ["", "BEAT", "BEAT quay 1.1 1 - 1", "BEAT QUAY 1.1 1 - 1 30", "BEAT quay 1.1 1 XY 1 30", "OK 12",
             "BEAT quay 1.1 1 - 1 30 more",
             f"BEAT quay 1.1 1{'z' * 400} - 1 30", f"BEAT quay 1.1 1 - 1 {'9' * 400}"],
)  # fmt: skip
def test_other_texts_are_no_signs_of_life(text: str) -> None:
    with pytest.raises(ValueError, match="no beat"):
        from_short(text)


@pytest.mark.parametrize(
    ("key", "value"),
    [("n", -1), ("n", True), ("n", 1.5), ("start", "5"), ("utc", None), ("trusted", 1), ("failing", "modem"),
     ("failing", [1]), ("mains", "on"), ("watch", 7), ("cycle_age_s", "1"), ("until_utc", False)],
)  # fmt: skip
def test_fields_of_another_kind_are_no_sign_of_life(key: str, value: object) -> None:
    assert Beat.of(WELL.fields()) == WELL
    with pytest.raises(ValueError, match=key):
        Beat.of({**WELL.fields(), key: value})
