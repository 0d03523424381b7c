"""`brinewatch history` in its forms for people: lines, days, percentages, time past a limit, a curve."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.alarms.version import body_of
from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.moment import Moment, utc_of
from brinewatch.past.bars import spark_of
from brinewatch.querying.marks import LimitLine, alarm_spans, limits_in_force, marks_of
from brinewatch.querying.past import How, Past
from brinewatch.readings import Flag, Reading
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from brinewatch.store.reader import StoreReader
from brinewatch.store.rows import Draft
from config.sheds import write

AIR = "manifold.air_pressure"
HOUR = 3600.0
FLAGS = {200: Flag.SUSPECT}


def hours(shed_zone: object, n: float) -> Moment:
    utc = utc_of("2026-09-20T00:00", shed_zone) + n * HOUR  # type: ignore[arg-type]
    return Moment(1000.0 + n * HOUR, utc, True, shed_zone)  # type: ignore[arg-type]


@pytest.fixture
async def shed(tmp_path: Path) -> Path:
    """Four days of air: 12 kPa by day, 9 in the second night; the limit was another one on the first day."""
    path = write(tmp_path)
    file = read_shed(path)
    zone = file.zone

    def value(n: int) -> float:
        return 9.0 if 26 <= n / 6 < 30 else 12.0 + (n % 7) / 10

    rows = [
        Reading(AIR, "air_pressure", value(n), value(n), FLAGS.get(n, Flag.PASS), "", hours(zone, n / 6), "p")
        for n in range(96 * 6)
        if not 60 <= n / 6 < 66
    ]
    clock = SteppingClock(hours(zone, 96).utc, mono=hours(zone, 96).mono)
    history = History(file.data / "history.sqlite", clock)
    await history.open()
    history.add(rows)
    await history.close()
    journal = Journal(file.data / "journal.sqlite", clock)
    await journal.open()
    now = {one.id: body_of(one) for one in file.alarms}
    alarm = next(one for one in file.alarms if one.point == AIR and one.rule.side == "min")
    before = replace(alarm, rule=replace(alarm.rule, condition=replace(alarm.rule.condition, limit=7.0)))
    await journal.begin({**now, alarm.id: body_of(before)}, hours(zone, 1))
    await journal.begin(now, hours(zone, 24))
    base = AlarmEvent(
        Happening.RAISED, alarm.id, 7, Priority.HIGH, alarm.rule.title, AIR, "air_pressure", State.UNACKNOWLEDGED,
        9.0, alarm.rule.limit, hours(zone, 26), hours(zone, 26.1), incident=7,
    )  # fmt: skip
    over = replace(base, happening=Happening.CLEARED, state=State.NORMAL, at=hours(zone, 30.2))
    await journal.commit([base, over], {}, [], hours(zone, 30.2))
    wrong = await journal.enter(AIR, 1.18, "Teal", hours(zone, 50.5))
    right = Draft(AIR, 11.8, hours(zone, 49).utc, note="by hand gauge", corrects=wrong.id)
    await journal.enter_all([right], "Teal", hours(zone, 51))
    await journal.note("cleaning", "Diffusers cleaned.", hours(zone, 50))
    await journal.close()
    return path


def ask(shed: Path, *words: str) -> int:
    return main(["history", *words, "--since", "2026-09-20", "--until", "2026-09-24", "--shed", str(shed)])


async def test_without_a_point_all_are_listed_with_a_line_of_bars(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask(shed) == 0
    out = capsys.readouterr().out
    [row] = [line for line in out.splitlines() if AIR in line]
    assert "9.0 kPa" in row
    assert "12.6 kPa" in row
    assert "▁" in row
    assert " " * 3 in row.partition("█")[2]  # the gap of the third day


async def test_days_are_the_sheds_and_count_flags(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(shed, AIR, "--days") == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines() if line.strip().startswith("2026-")]
    assert [row[0] for row in rows] == ["2026-09-20", "2026-09-21", "2026-09-22", "2026-09-23"]
    assert [row[1] for row in rows] == ["12.0", "9.0", "12.0", "12.0"]
    assert [row[7] for row in rows] == ["144", "144", "108", "144"]
    assert rows[1][9] == "1"  # suspect


async def test_time_past_a_limit_is_a_sentence(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(shed, AIR, "--below", "10") == 0
    out = capsys.readouterr().out
    # readings every ten minutes stand for as long as their alarms judge by them, no longer
    assert out.startswith("manifold.air_pressure was below 10.0 kPa for ")
    assert "24 times" in out or "once" in out
    assert "furthest 9.0 kPa" in out
    assert "nothing is known" in out
    assert ask(shed, AIR, "--above", "20") == 0
    assert capsys.readouterr().out.startswith("manifold.air_pressure was never above 20.0 kPa.")


async def test_percentages(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(shed, AIR, "--percent", "0,50,100") == 0
    row = next(line for line in capsys.readouterr().out.splitlines() if line.strip().startswith(AIR))
    assert row.split()[1:] == ["540", "9.0", "kPa", "12.3", "kPa", "12.6", "kPa"]
    assert ask(shed, AIR, "--percent", "50,many") != 0
    assert "is no list of percentages" in capsys.readouterr().err


async def test_a_curve_has_its_limits_alarms_and_remarks(
    shed: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "111")
    assert ask(shed, AIR, "--plot") == 0
    out = capsys.readouterr().out
    assert "12.6 kPa ▏" in out
    assert "beyond what is shown: max 25.0 kPa" in out
    assert "min 8.0 kPa ▏" in out or "8.0 kPa ▏" in out
    assert "Diffusers cleaned." in out
    assert "09-21 02:00 to 09-21 06:12:" in out
    bars = next(line for line in out.splitlines() if line.strip().startswith("alarms"))
    assert bars.count("═") == 5  # 4 h 12 min of 96 h on 96 columns
    curve = [line.partition("▏")[2] for line in out.splitlines() if "▏" in line]
    filled = [any(row[n : n + 1] in ("█", "▒") for row in curve) for n in range(96)]
    assert filled == [not 60 <= n < 66 for n in range(96)]


async def test_limits_are_those_of_their_time(shed: Path) -> None:
    file = read_shed(shed)
    with StoreReader(file.data, file.zone) as store:
        past = Past(store, How({}, (), file.zone))
        since, until = hours(file.zone, 0).utc, hours(file.zone, 96).utc
        lines = [one for one in limits_in_force(past, file.alarms, [AIR], since, until) if one.side == "min"]
        told = [(one.kind, one.text) for one in marks_of(past, since, until, file.shed.display)]
    changed = [one for one in lines if one.value == 7.0]
    assert [(one.begin, one.end) for one in changed] == [(hours(file.zone, 1).utc, hours(file.zone, 24).utc)]
    after = [one for one in lines if one.alarm == changed[0].alarm and one.value != 7.0]
    assert {type(one) for one in after} == {LimitLine}
    assert min(one.begin for one in after) == hours(file.zone, 24).utc
    assert max(one.end for one in after) == until
    assert ("cleaning", "Diffusers cleaned.") in told
    # entered at hour 51, measured at hour 49; the wrong one before it does not count
    assert [text for kind, text in told if kind == "entered"] == ["11.8 kPa by Teal (by hand gauge)"]


def test_an_alarm_that_still_holds_has_no_end() -> None:
    at = Moment(0.0, 100.0, True)
    one = AlarmEvent(
        Happening.RAISED, "a@b.c", 1, Priority.HIGH, "A", "b.c", "oxygen", State.UNACKNOWLEDGED, 1.0, 2.0, at, at
    )
    again = replace(one, happening=Happening.REPEATED, at=at.later(600))
    [span] = alarm_spans([one, again], 50.0, 900.0)
    assert (span.begin, span.end) == (100.0, None)
    assert alarm_spans([one, again], 0.0, 99.0) == []
    over = replace(one, happening=Happening.RETURNED, at=at.later(700))
    [span] = alarm_spans([one, again, over], 50.0, 900.0)
    assert span.end == 800.0
    assert alarm_spans([one, again, over], 801.0, 900.0) == []


def test_what_followed_from_a_cause_is_over_when_it_is_no_longer_held_back() -> None:
    at = Moment(0.0, 100.0, True)
    one = AlarmEvent(
        Happening.JOINED, "a@b.c", 0, Priority.HIGH, "A", "b.c", "oxygen", State.SUPPRESSED, 1.0, 2.0, at, at
    )
    [span] = alarm_spans([one], 0.0, 900.0)
    assert span.end is None
    [span] = alarm_spans(
        [one, replace(one, happening=Happening.RELEASED, state=State.NORMAL, at=at.later(300))], 0.0, 900.0
    )
    assert span.end == 400.0


def test_bars_of_nothing_and_of_one_value() -> None:
    assert spark_of([None, None]) == ""
    assert spark_of([1.0, None, 1.0]) == "▁ ▁"
    assert spark_of([0.0, 7.0]) == "▁█"


@pytest.mark.parametrize(
    "words",
    [
        (AIR, "--plot", "--every", "1h"),
        (AIR, "--days", "--raw"),
        (AIR, "tank.oxygen", "--every", "1h"),
        ("--raw",),
        (AIR, "--above", "1", "--every", "1h"),
    ],
)
async def test_an_option_that_says_nothing_here_is_refused(
    shed: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert ask(shed, *words) != 0
    assert "goes with the table of one point" in capsys.readouterr().err


async def test_a_limit_is_in_the_unit_people_are_shown(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1 kPa is 4.01463 inches of water (NIST SP 811): 9.0 kPa is 36.1, 12.0 kPa is 48.2."""
    text = shed.read_text(encoding="utf-8")
    shown = 'altitude_m = 4\ndisplay = { pressure = "inH2O" }'
    shed.write_text(text.replace("altitude_m = 4", shown), encoding="utf-8")
    assert ask(shed, AIR, "--below", "40") == 0
    out = capsys.readouterr().out
    assert out.startswith("manifold.air_pressure was below 40.0 inH2O for ")
    assert "furthest 36.1 inH2O" in out
    assert " inH2O h beyond it" in out
    assert ask(shed, AIR, "--below", "36") == 0
    assert "was never below 36.0 inH2O" in capsys.readouterr().out
