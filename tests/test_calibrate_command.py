"""The guided calibration: what is asked, saved and refused, and that the hold ends whatever happens."""

from __future__ import annotations

import asyncio
import io
import math
import os
import pty
import re
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import gsw
import pytest

from bench import NOW, Bench, Person, bench
from brinewatch.calibrate.console import GaveUp, Terminal
from brinewatch.calibrate.held import over
from brinewatch.calibrate.work import find, guide, instant
from brinewatch.cli import _parser, main
from brinewatch.config import ShedFile, read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.seawater.electrode import buffer_ph, nernst_slope_mV
from brinewatch.signals.records import CalibrationRecord, Reference, Visit, calibration_at
from scenarios.night import shed_text

DAY = 86400.0


@pytest.fixture
def shed(tmp_path: Path) -> ShedFile:
    (tmp_path / "shed.toml").write_text(shed_text(), encoding="utf-8")
    return read_shed(tmp_path / "shed.toml")


async def run(shed: ShedFile, made: Bench, path: Path, person: Person, *words: str) -> int:
    options = _parser().parse_args(["calibrate", *words, "--by", "Wren"])
    return await guide(options, shed, made.clock, over(path, made.clock), person)


class Beaker:
    """What a probe says, which changes with a time constant when it is put elsewhere."""

    def __init__(self, value: float, tau_s: float = 15.0) -> None:
        self._from = self._to = value
        self._at = 0.0
        self._tau = tau_s

    def __call__(self, mono: float) -> float:
        return self._to + (self._from - self._to) * math.exp(-max(0.0, mono - self._at) / self._tau)

    def put(self, made: Bench, value: float) -> str:
        """Into a beaker where it will say this; the answer to "is it in place?"."""
        mono = made.clock.now().mono
        self._from, self._to, self._at = self(mono), value, mono
        return ""


def electrode_in(name: str, degrees: float, percent: float, offset_mV: float) -> float:
    """The pH a meter shows for an electrode it believes perfect."""
    nernst = nernst_slope_mV(degrees)
    return 7.0 - (offset_mV / nernst - percent / 100.0 * (buffer_ph(name, degrees) - 7.0))


async def test_oxygen_in_air_saturated_water(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(7.0)
    async with bench(tmp_path, raceway_at_oxygen=probe) as (made, path):
        person = Person(
            ("Which [1]", "1"),
            ("in place", lambda: probe.put(made, 8.00)),
            ("Temperature of that water, degC [12.0]", ""),
            ("Salinity of that water, 0 for fresh water [33.0]", ""),
            ("Station pressure, hPa [1013.2]", ""),
            ("Save this?", "yes"),
            ("when it is back", ""),
        )
        assert await run(shed, made, path, person, "oxygen") == 0
        assert person.left == []
        assert made.did() == ["calibrations", "calibration begin", "calibration save", "calibration end"]
        record = made.records[0]
    assert record.point == "raceway.oxygen"
    assert (record.by, record.visit, record.effective_utc) == ("Wren", Visit.CALIBRATION, record.made_utc)
    assert record.made_utc > NOW + 100  # it waited
    assert record.due_utc == record.made_utc + 30 * DAY
    point = record.points[0]
    assert point.reference is Reference.AIR_SATURATED
    assert point.said == pytest.approx(8.0, abs=0.03)
    # 12 degC, S 33, 1 atm by gsw: Garcia & Gordon's micromol/kg, with its density of the water, g/mol of oxygen
    salt = gsw.SA_from_SP(33.0, 0.0, -30.0, 50.0)
    warm = gsw.CT_from_t(salt, 12.0, 0.0)
    expected = gsw.O2sol_SP_pt(33.0, 12.0) * gsw.rho(salt, warm, 0.0) * 31.9988e-6
    assert point.true == pytest.approx(expected, rel=0.0005)
    assert record.offset == 0.0
    assert record.slope == pytest.approx(point.true / point.said)
    assert 0.0 < record.uncertainty < 0.1
    for words in (
        "does not call anybody", "Giving up at any time",
        "This changes the slope: the zero of an oxygen probe hardly moves",
        "old: offset +0.000 mg/L, slope 1.0000", "new: offset +0.000 mg/L, slope 1.09",
        "the reading when you began, 7.000 mg/L, becomes 7.6",
        "What was saved stays. The alarms of oxygen are on again.",
        "Rinse the probe, put it back",
    ):  # fmt: skip
        assert words in person.text
    assert not made.held


async def test_a_ph_electrode_in_two_buffers(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(8.1)
    async with bench(tmp_path, raceway_at_ph=probe) as (made, path):
        person = Person(
            ("Which [1]", ""),
            ("in place", lambda: probe.put(made, electrode_in("7.00", 15.0, 96.0, 12.0))),
            ("Which [1]", "3"),  # 4.01, 6.865, 7.00 in this order
            ("Temperature of the buffer, degC [12.0]", "15"),
            ("in place", lambda: probe.put(made, electrode_in("10.01", 15.0, 96.0, 12.0))),
            ("Which [1]", "5"),  # 7.00 is no longer offered
            ("Temperature of the buffer, degC [15.0]", ""),
            ("Save this", "yes"),
            ("when it is back", ""),
        )
        assert await run(shed, made, path, person, "raceway.ph") == 0
        record = made.records[0]
    assert [one.true for one in record.points] == [pytest.approx(7.04), pytest.approx(10.12)]  # a maker's table
    assert record.slope_percent == pytest.approx(96.0, abs=0.6)
    assert record.offset_mV == pytest.approx(12.0, abs=1.0)
    assert f"electrode: {record.slope_percent:.1f} % of Nernst, {record.offset_mV:+.1f} mV" in person.text
    assert record.due_utc == record.made_utc + 21 * DAY


async def test_the_wrong_buffer_is_refused_and_can_be_tried_again(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(8.1)
    async with bench(tmp_path, raceway_at_ph=probe) as (made, path):
        person = Person(
            ("Which [1]", "1"),
            ("in place", lambda: probe.put(made, electrode_in("10.01", 15.0, 96.0, 12.0))),
            ("Which [1]", "3"),
            ("Temperature", "15"),
            ("Try it again?", lambda: "yes" + probe.put(made, electrode_in("7.00", 15.0, 96.0, 12.0))),
            ("Which [1]", "3"),
            ("Temperature", ""),
            ("in place", "q"),
            ("when it is back", ""),
        )
        assert await run(shed, made, path, person, "ph") == 1
        assert made.records == []
        assert made.did()[-1] == "calibration end"
    assert "Refused: The electrode says pH 9.7" in person.text
    assert "looks like buffer 10.01" in person.text
    assert "Nothing was saved: all is as it was." in person.text


async def test_a_spent_electrode_is_never_saved(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(8.1)
    async with bench(tmp_path, raceway_at_ph=probe) as (made, path):
        person = Person(
            ("Which [1]", "1"),
            ("in place", lambda: probe.put(made, electrode_in("4.01", 20.0, 84.0, 0.0))),
            ("Which [1]", "1"),
            ("Temperature", "20"),
            ("in place", lambda: probe.put(made, electrode_in("10.01", 20.0, 84.0, 0.0))),
            ("Which [1]", "5"),
            ("Temperature", ""),
            ("when it is back", ""),
        )
        assert await run(shed, made, path, person, "ph") == 1
        assert made.records == []
    assert re.search(r"Refused: The slope would be 8[34]\.\d % of Nernst, outside 85 to 105 %", person.text)
    assert "Nothing is saved." in person.text
    assert "Save this" not in person.text


async def test_no_is_no_and_so_is_anything_but_yes(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.0) as (made, path):
        person = Person(
            ("Which [1]", "2"),
            ("in place", ""),
            ("instrument shows", "12.1"),
            ("How far off", ""),
            ("Save this? Type yes", "y"),
            ("when it is back", ""),
        )
        assert await run(shed, made, path, person, "raceway.temperature") == 1
        assert made.records == []
        assert not made.held
    assert "You said no." in person.text


async def test_a_gauge_is_zeroed_and_its_alarm_waits_only_while_it_is_open(tmp_path: Path, shed: ShedFile) -> None:
    gauge = Beaker(11.9, 2.0)
    async with bench(tmp_path, manifold_at_air_pressure=gauge) as (made, path):
        made.held_s = 120.0

        def opened() -> str:
            assert not made.held  # while the instructions are read the alarm is on
            return gauge.put(made, 0.25)

        def closed() -> str:
            assert made.held
            return gauge.put(made, 11.9)

        def sure() -> str:
            assert not made.held  # the tube is back: nothing waits for an answer
            return "yes"

        person = Person(
            ("Which [1]", "1"), ("only then do it", opened), ("it is back", closed), ("Save this?", sure)
        )
        assert await run(shed, made, path, person, "manifold.air_pressure") == 0
        assert person.left == []
        record = made.records[0]
    assert (record.offset, record.slope) == (pytest.approx(-0.25, abs=0.02), 1.0)
    # by hand: a gauge that says 0.25 in the open air says 11.9 at 11.65
    assert record.calibration.apply(11.9) == pytest.approx(11.65, abs=0.02)
    assert record.due_utc == record.made_utc + 30 * DAY
    for words in ("Listen to the blower", "Its alarms wait for 2 min", "Put the tube back on the gauge"):
        assert words in person.text


async def test_a_gauge_whose_alarm_does_not_wait_any_more_says_so(tmp_path: Path, shed: ShedFile) -> None:
    gauge = Beaker(11.9, 2.0)
    async with bench(tmp_path, manifold_at_air_pressure=gauge) as (made, path):
        made.held_s = 0.0
        person = Person(("Which [1]", "1"), ("only then do it", ""), ("it is back", ""))
        shown: list[str] = []
        person.show = shown.append  # type: ignore[method-assign]
        person.typed = lambda: "q" if shown else None  # type: ignore[method-assign]
        assert await run(shed, made, path, person, "manifold.air_pressure") == 1
        assert not made.held
    assert "Opening it now calls people" in person.text
    assert shown[0].endswith("ITS ALARMS ARE ON")


async def test_a_signal_that_does_not_rest_is_not_taken(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 10.0 + 0.002 * mono) as (made, path):
        person = Person(("Which [1]", "2"), ("in place", ""), ("when it is back", ""))
        presses = iter([None] * 20 + ["", "rubbish"])
        person.typed = lambda: next(presses, None)  # type: ignore[method-assign]
        assert await run(shed, made, path, person, "raceway.temperature") == 1
        assert made.records == []
    assert "Not yet: " in person.text
    assert "It has not come to rest in 15 min. It still creeps" in person.text
    assert "Nobody took the reading in 30 min." in person.text
    assert not made.held


async def test_a_silent_probe_says_why(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: None) as (made, path):
        person = Person(("Which [1]", "2"), ("in place", ""), ("when it is back", ""))
        shown: list[str] = []
        person.show = shown.append  # type: ignore[method-assign]
        person.typed = lambda: "q" if len(shown) > 5 else ""  # type: ignore[method-assign]
        assert await run(shed, made, path, person, "raceway.temperature") == 1
    assert "no value: No answer within the deadline." in shown[-1]
    assert "Not yet: no value" in person.text
    assert "the probe says no value (No answer within the deadline.)." in person.text


async def test_samples_from_before_the_probe_was_in_place_do_not_count(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(12.0, 1.0)
    async with bench(tmp_path, raceway_at_temperature=probe) as (made, path):

        def moved() -> str:
            # ten quiet minutes in the tank while the ice was crushed, then straight into it
            made._seen = made.clock.now().mono - 600.0
            return probe.put(made, 0.21)

        person = Person(("Which [1]", "1"), ("in place", moved), ("Save this?", "yes"), ("back", ""))
        assert await run(shed, made, path, person, "raceway.temperature") == 0
        assert made.records[0].points[0].said == pytest.approx(0.21, abs=0.01)
        assert made.records[0].offset == pytest.approx(-0.21, abs=0.01)


async def test_a_hold_that_ran_out_is_taken_again(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.1) as (made, path):
        made.lapse_after = 40
        person = Person(
            ("Which [1]", "2"), ("in place", ""), ("reference instrument shows", "12,4"), ("How far off", "0.05"),
            ("Save", "yes"), ("back", ""),
        )  # fmt: skip
        assert await run(shed, made, path, person, "raceway.temperature") == 0
        assert made.did().count("calibration begin") == 2
        assert made.records[0].offset == pytest.approx(0.3)
    assert "had ended by itself; it is on again" in person.text


async def test_wrong_answers_are_asked_again(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(8.2)
    async with bench(tmp_path, raceway_at_oxygen=probe) as (made, path):
        made.water["barometric_pressure"] = None
        person = Person(
            ("Which [1]", "7"), ("Which [1]", "one"), ("Which [1]", "1"), ("in place", ""),
            ("Temperature", "warm"), ("Temperature", "nan"), ("Temperature", "55"), ("Salinity", ""),
            ("the mean at 4 m", "soft"), ("the mean at 4 m", ""),
            ("Temperature", "12"), ("Salinity", ""), ("the mean at 4 m", ""),
            ("in spite of what is said above", "yes"), ("back", ""),
        )  # fmt: skip
        assert await run(shed, made, path, person, "oxygen") == 0
        assert person.left == []
    assert "'warm' is not a number" in person.text
    assert "'nan' is not a number" in person.text
    assert "That cannot be: temperature_C = 55 degC is outside the valid range" in person.text
    assert "Type a number from 1 to 4" in person.text
    assert "never from a forecast" in person.text
    assert "Mind: About the reference: without a barometer" in person.text


async def test_ctrl_c_leaves_everything_and_ends_the_hold(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_oxygen=Beaker(7.0)) as (made, path):
        person = Person(("Which [1]", "1"), ("in place", ""))
        person.takes = False
        task = asyncio.create_task(run(shed, made, path, person, "oxygen"))
        while "Waiting until it rests" not in person.text:
            await asyncio.sleep(0.001)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert not made.held
        assert made.records == []
    assert "Put the probe back in its place now." in person.text
    assert "Nothing was saved: all is as it was. The alarms of oxygen are on again." in person.text


# the past


def earlier(offset: float, days_ago: float, identity: str = "old", **more: object) -> CalibrationRecord:
    made, kind = NOW - days_ago * DAY, Visit.CALIBRATION
    return CalibrationRecord(
        identity, "raceway.temperature", "raceway-thermometer", kind, made, made, "Teal", offset=offset,
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def beside(value: str, *rest: tuple[str, str]) -> Person:
    return Person(
        ("Which [1]", "2"), ("in place", ""), ("instrument shows", value), ("How far off", ""), *rest,
        ("Save", "yes"), ("back", ""),
    )  # fmt: skip


@pytest.mark.parametrize(("way", "half"), [("1", 0.35), ("2", 0.6)])
async def test_a_correction_counts_for_the_past(tmp_path: Path, shed: ShedFile, way: str, half: float) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.0) as (made, path):
        made.records.append(earlier(0.1, 20.0))
        person = beside("12.6", ("Which [1]", way))
        assert await run(shed, made, path, person, "raceway.temperature", "--since", "2026-09-13T22:00") == 0
        since = NOW - 10 * DAY
        record = made.records[-1]
        assert (record.effective_utc, record.ramp) == (since, way == "1")
        middle = (since + record.made_utc) / 2
        assert calibration_at(made.records, "raceway.temperature", middle).offset == pytest.approx(half, abs=0.001)
        assert calibration_at(made.records, "raceway.temperature", since - 1).offset == pytest.approx(0.1)
    assert "Last calibrated 2026-09-03 by Teal: offset +0.100 degC" in person.text
    assert "Mind: This moves the present reading by +0.50 degC, more than 0.2 degC" in person.text
    assert "It counts from 2026-09-13 22:00." in person.text


async def test_a_wrong_record_is_replaced(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.0) as (made, path):
        made.records += [earlier(0.1, 20.0, "good", slope=1.01), earlier(1.9, 5.0, "wrong", slope=0.9)]
        person = beside("12.3", ("Which [1]", "2"))
        assert await run(shed, made, path, person, "raceway.temperature", "--replaces", "wrong") == 0
        record = made.records[-1]
    assert (record.replaces, record.effective_utc, record.ramp) == ("wrong", NOW - 5 * DAY, False)
    # what one point keeps, the slope, is that of the good record
    assert (record.slope, record.offset) == (1.01, pytest.approx(12.3 - 1.01 * 12.0))
    assert calibration_at(made.records, "raceway.temperature", NOW - DAY).id == record.id


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("raceway.temperature", "--since", "yesterday"), "--since 'yesterday': expected a day"),
        (("raceway.temperature", "--since", "2027-01-01"), "a time to come"),
        (("raceway.temperature", "--since", "2026-08-01"), "Another record .* counts from 2026-09-18 22:00:00"),
        (("raceway.temperature", "--replaces", "none"), "raceway.temperature has no record none"),
        (("nonsense",), "There is no probe or measured point 'nonsense'"),
        (("raceway.tan",), "raceway.tan takes no calibration"),
    ],
)
async def test_what_cannot_be_done_is_refused(
    tmp_path: Path, shed: ShedFile, words: tuple[str, ...], what: str
) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.0) as (made, path):
        made.records.append(earlier(0.1, 5.0))
        with pytest.raises(BrinewatchError, match=what):
            await run(shed, made, path, Person(), *words)
        assert not made.held
        assert len(made.records) == 1


async def test_a_switch_takes_no_calibration(tmp_path: Path, shed: ShedFile) -> None:
    point, (_, probe, _) = next(
        (point, found) for point, found in shed.channels().items() if point.endswith(".level_switch")
    )
    async with bench(tmp_path) as (made, path):
        for name in (point, probe.name):
            with pytest.raises(BrinewatchError, match=f"{name} takes no calibration"):
                await run(shed, made, path, Person(), name)
        assert made.asked == []
    assert find(shed, "raceway.ph") == ("ph", "raceway.ph")
    assert find(shed, "ph") == ("ph", None)


def test_dates_are_of_the_shed(shed: ShedFile) -> None:
    from zoneinfo import ZoneInfo

    assert instant("2026-09-23T22:00", shed.zone) == NOW
    assert instant("2026-09-23T22:00+02:00", shed.zone) == NOW - 7200
    assert instant("2026-07-01", ZoneInfo("Europe/Lisbon")) == instant("2026-06-30T23:00", shed.zone)


# checks


async def test_a_check_tells_fouling_from_drift_and_corrects_the_past(tmp_path: Path, shed: ShedFile) -> None:
    probe = Beaker(7.0)
    async with bench(tmp_path, raceway_at_oxygen=probe) as (made, path):
        made.records.append(
            CalibrationRecord(
                "old", "raceway.oxygen", "oxygen", Visit.CALIBRATION, NOW - 10 * DAY, NOW - 10 * DAY, "Teal"
            )
        )
        person = Person(
            ("Press Enter to read it", ""),
            ("Press Enter to read it", lambda: probe.put(made, 7.6)),
            ("Which [1]", "1"),
            ("in place", lambda: probe.put(made, 8.6)),
            ("Temperature", ""), ("Salinity", ""), ("Station", ""),
            ("Save this check?", "yes"),
            ("Correct them?", "yes"),
            ("back", ""),
        )  # fmt: skip
        assert await run(shed, made, path, person, "oxygen", "--check") == 0
        old, check, past = made.records
        point = "raceway.oxygen"
        assert check.visit is Visit.CHECK
        assert check.cleaning is not None
        assert check.cleaning.fouling == pytest.approx(0.6, abs=0.03)
        assert check.cleaning.drift == pytest.approx(8.6 - 8.77, abs=0.05)
        # just before the cleaning the probe said 7.0 where 7.6 + 0.17 was true
        assert calibration_at(made.records, point, check.made_utc - 1).apply(7.0) == pytest.approx(7.77, abs=0.05)
        assert calibration_at(made.records, point, NOW - 10 * DAY).apply(7.0) == pytest.approx(7.0)
        assert calibration_at(made.records, point, check.made_utc) == old.calibration
        assert past.until_utc == check.made_utc
    assert f"Fouling: cleaning moved the reading by {check.cleaning.fouling:+.2f} mg/L" in person.text
    assert "Drift: clean and in the standard it shows 0.1" in person.text
    assert "The values since 2026-09-13 22:00 can be put right" in person.text


async def test_a_check_of_nothing_saves_nothing(tmp_path: Path, shed: ShedFile) -> None:
    async with bench(tmp_path, raceway_at_oxygen=Beaker(7.0)) as (made, path):
        person = Person(("Press Enter to read it", "s"), ("Which [1]", "4"), ("back", ""))
        assert await run(shed, made, path, person, "oxygen", "--check") == 1
        assert made.records == []
    assert "Nothing was read that tells fouling or drift" in person.text


# the list


async def test_the_list_says_which_is_in_force_and_which_is_overdue(
    tmp_path: Path, shed: ShedFile, capsys: pytest.CaptureFixture[str]
) -> None:
    async with bench(tmp_path, raceway_at_temperature=lambda mono: 12.0) as (made, _):
        words = ["calibrate", "--list", "--shed", str(tmp_path / "shed.toml")]
        assert await asyncio.to_thread(main, words) == 0
        assert "No calibration is on record there yet." in capsys.readouterr().out
        made.records += [
            earlier(0.3, 40.0, "first"),
            earlier(0.1, 20.0, "second", due_utc=NOW - DAY, replaces="first", slope=1.02),
        ]
        assert await asyncio.to_thread(main, [*words, "raceway.temperature"]) == 0
    told = capsys.readouterr().out
    for part in ("first", "replaced by second", "in force, overdue", "2026-09-22", "+0.100 degC", "1.0200", "Teal"):
        assert part in told


def test_without_a_probe_the_probes_are_named(
    tmp_path: Path, shed: ShedFile, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["calibrate", "--shed", str(tmp_path / "shed.toml")]) == 1
    told = capsys.readouterr().err
    assert "Which probe?" in told
    assert "raceway-thermometer" in told


# the terminal


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    source, sink = os.pipe()
    yield source, sink
    os.close(source)


async def test_a_terminal_asks_and_is_answered(pipe: tuple[int, int]) -> None:
    source, sink = pipe
    out = io.StringIO()
    terminal = Terminal(out, source)
    terminal.open()
    try:
        os.write(sink, b"12.5\nyes")
        assert await terminal.ask("Temperature:") == "12.5"
        assert terminal.typed() is None
        os.write(sink, b" \nq\n")
        assert await terminal.ask("Save?") == "yes"
        assert await terminal.ask("More?") == "q"
        os.close(sink)
        with pytest.raises(GaveUp, match="input has ended"):
            await terminal.ask("Still there?")
        terminal.show("1 s  7.0")
        terminal.show("1 s  7.0")
        terminal.say("word " * 40)
    finally:
        terminal.close()
    lines = out.getvalue().split("\n")
    assert lines.count("Temperature: Save? More? Still there? 1 s  7.0") == 1
    assert max(map(len, lines)) <= 100


async def test_on_a_real_terminal_the_live_line_is_written_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as out:
        terminal = Terminal(out, slave)
        terminal.open()
        os.write(master, b"\n\n\n")  # a key pressed too often
        await asyncio.sleep(0.05)
        terminal.show("   5 s   7.012   still falling")
        terminal.show("   6 s   7.0")
        terminal.say("Done.")
        asked = asyncio.create_task(terminal.ask("Save this?"))
        await asyncio.sleep(0.05)
        assert not asked.done()
        os.write(master, b"yes\n")
        assert await asked == "yes"
        terminal.close()
        seen = os.read(master, 4096).decode()
    os.close(master)
    assert "\r   6 s   7.0                  \r\nDone." in seen


def test_without_anybody_to_answer_it_is_refused(tmp_path: Path, shed: ShedFile) -> None:
    nobody = os.open(tmp_path / "answers", os.O_CREAT | os.O_RDONLY)

    async def opened() -> None:
        Terminal(io.StringIO(), nobody).open()

    with pytest.raises(BrinewatchError, match="nobody can answer here"):
        asyncio.run(opened())
    os.close(nobody)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
async def test_the_command_broken_off_at_a_terminal(tmp_path: Path, shed: ShedFile, how: signal.Signals) -> None:
    async with bench(tmp_path, raceway_at_oxygen=Beaker(7.0)) as (made, _):
        master, slave = pty.openpty()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "brinewatch", "calibrate", "oxygen", "--shed", str(tmp_path / "shed.toml"),
            stdin=slave, stdout=slave, stderr=slave,
        )  # fmt: skip
        os.close(slave)
        seen = b""
        while b"Which [1]" not in seen:
            seen += await asyncio.to_thread(os.read, master, 4096)
        assert made.held
        process.send_signal(how)
        assert await process.wait() == 1
        while b"alarms of oxygen are on again" not in seen:
            seen += await asyncio.to_thread(os.read, master, 4096)
        os.close(master)
        assert not made.held
        assert made.records == []
    assert b"Nothing was saved: all is as it was." in seen
    assert b"Traceback" not in seen
