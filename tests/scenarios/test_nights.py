"""Nights in one shed, read from outside: what broke, what the phones got, what was standing afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.errors import StoreBusy
from brinewatch.readings import Flag
from brinewatch.service import Daemon
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from scenarios.night import TEAL, WREN, Night, night, shed_text, unhurried

AIR = "air-stopped@manifold.air_pressure"
# what this shed can see of the cause: the call names it, and the air's own alarm joins its incident
BLOWER = "motor-current-low@blower.motor_current"


async def test_a_quiet_half_hour_calls_nobody(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.passes(1800)
        assert it.standing() == []
        assert it.modem.sent == []
        view = it.daemon.overview()
        blind = {p.point for s in view.stages for p in s.points if not p.flag.usable or p.old}
        assert blind == {"raceway.tan", "raceway.nh3_n"}  # nobody has tested the water yet


async def test_air_stops_and_the_phones_ring_until_somebody_answers(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        stopped = it.clock.now().mono
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED"))
        # one scan for the pressure to be seen low, the on-delay of the rule, and nothing to speak of beside
        assert 15 <= it.clock.now().mono - stopped <= 15 + 3
        first = it.texts("AIR STOPPED", to=WREN)[0]
        assert first.startswith("GANNET QUAY Blower 22:00 AIR STOPPED: MOTOR NOT RUNNING 0.00 A (min 0.10)")
        assert len(first) <= 160
        number = next(a.number for a in it.daemon.overview().alarms if a.alarm == BLOWER)
        assert f"Reply OK {number}" in first
        # nobody answers: the next person after five minutes, who hears it as it is then
        await it.passes(290)
        assert it.texts("AIR STOPPED", to=TEAL) == []
        await it.passes(20)
        [second] = it.texts("AIR STOPPED", f"OK {number}", to=TEAL)
        assert second.startswith("GANNET QUAY Blower 22:05 AIR STOPPED: MOTOR NOT RUNNING")
        assert "AGAIN" not in second

        # still nobody: it calls again after ten minutes, both of them, under the same number
        await it.passes(300)
        assert it.texts("AGAIN AIR STOPPED", f"OK {number}", to=WREN)
        assert it.texts("AGAIN AIR STOPPED", f"OK {number}", to=TEAL)

        # a stranger's answer changes nothing and gets none
        it.modem.receive("+447700900999", f"OK {number}")
        await it.passes(10)
        assert it.texts(to="+447700900999") == []
        assert not it.texts("taken")

        it.modem.receive(WREN, f"ok {number}")
        await it.until(lambda: it.texts(f"taken {number}", to=WREN))
        assert it.texts("Wren has taken", to=TEAL)
        calls = len(it.texts("AGAIN AIR STOPPED"))
        await it.passes(1200)
        assert len(it.texts("AGAIN AIR STOPPED")) == calls

        await it.shed.faults.off("blower-stop")
        await it.until(lambda: it.texts("ALL CLEAR", "MOTOR NOT RUNNING", to=TEAL))
        assert BLOWER not in it.standing()


async def test_a_short_dip_of_the_air_wakes_nobody(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        await it.passes(10)
        await it.shed.faults.off("blower-stop")
        await it.passes(60)
        assert it.modem.sent == []
        assert it.standing() == []


async def test_one_failure_makes_one_call_however_much_follows_from_it(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("mains-off")
        await it.until(lambda: it.texts("AIR STOPPED: MAINS OFF", to=WREN), 30)
        await it.passes(500)
        assert [text for text in it.texts(to=WREN) if "AIR STOPPED: MAINS OFF" not in text] == []
        assert len(it.texts(to=WREN)) == 1
        # the rest is known all the same
        overview = it.daemon.overview()
        assert {alarm.alarm for alarm in overview.alarms} == {"mains-off@shed.mains"}
        held = {key for key, one in it.daemon.keeper.memory.alarms.items() if one.state.aside}
        assert {AIR, BLOWER, "water-flow-low@header.water_flow"} <= held


async def test_an_unplugged_probe_is_missing_never_low_and_comes_back_by_itself(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried(every_s=5)) as it:
        await it.shed.faults.on("probe-unplugged", "oxygen")
        await it.passes(120)
        reading = it.daemon.keeper.latest["raceway.oxygen"]
        assert reading.flag is Flag.MISSING
        assert reading.value is None
        # the others on the same wire go on
        assert it.daemon.keeper.latest["raceway.ph"].flag is Flag.PASS
        assert it.clock.now().mono - it.daemon.keeper.latest["raceway.ph"].at.mono <= 6
        await it.passes(400)
        assert any(alarm.startswith("no-") and "raceway.oxygen" in alarm for alarm in it.standing())
        assert not any(alarm.startswith("cucumber-oxygen") for alarm in it.standing())
        await it.shed.faults.off("probe-unplugged", "oxygen")
        await it.passes(60)
        assert it.daemon.keeper.latest["raceway.oxygen"].flag is Flag.PASS


async def test_a_whole_wire_pulled_out_delays_no_other_and_returns(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("probe-unplugged", "rs485")
        await it.passes(30)
        assert it.daemon.keeper.latest["raceway.oxygen"].flag is Flag.MISSING
        air = it.daemon.keeper.latest["manifold.air_pressure"]
        assert it.clock.now().mono - air.at.mono <= 1.01
        await it.shed.faults.off("probe-unplugged", "rs485")
        await it.passes(30)
        assert it.daemon.keeper.latest["raceway.oxygen"].flag is Flag.PASS


async def test_a_dead_modem_holds_the_call_until_it_lives_and_is_told_of(tmp_path: Path) -> None:
    # deadlines on the wire are real seconds: short ones, so that a dead modem costs the test little
    text = shed_text().replace("[modem]\n", "[modem]\nanswer_s = 0.5\nprompt_s = 0.5\nnetwork_s = 1\ntotal_s = 3\n")
    async with night(tmp_path, unhurried(text, every_s=5)) as it:
        it.modem.faults.silent = True
        await it.shed.faults.on("blower-stop")
        await it.passes(200)
        assert it.texts("AIR STOPPED") == []
        assert BLOWER in it.standing()
        assert "modem-failing@modem.health" in it.standing()
        it.modem.faults.silent = False
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN) and it.texts("AIR STOPPED", to=TEAL), 400)
        assert len([text for text in it.texts("AIR STOPPED", to=WREN) if "AGAIN" not in text]) == 1


async def test_a_restart_keeps_what_stood_and_calls_nobody_twice(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN))
        number = next(a.number for a in it.daemon.overview().alarms if a.alarm == BLOWER)
        sent = len(it.texts("AIR STOPPED"))
        await it.end()
        await it.begin()
        await it.passes(60)
        assert BLOWER in it.standing()
        assert next(a.number for a in it.daemon.overview().alarms if a.alarm == BLOWER) == number
        assert len(it.texts("AIR STOPPED")) == sent
        assert any("Resumed" in line for line in it.said)
        # who comes next is not forgotten either, nor called at once
        assert it.daemon.overview().alarms[0].told[0].startswith("Wren: ")
        await it.passes(200)
        assert it.texts("AIR STOPPED", to=TEAL) == []
        await it.passes(60)
        assert len(it.texts("AIR STOPPED", to=TEAL)) == 1
        assert len(it.texts("AIR STOPPED", to=WREN)) == sent


async def test_a_reboot_loop_cannot_hide_an_alarm(tmp_path: Path) -> None:
    # each life is shorter than the on-delay of 15 s: the condition's time goes on from one to the next
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        for _ in range(4):
            await it.passes(6)
            if BLOWER in it.standing():
                break
            await it.end()
            await it.begin()
        assert BLOWER in it.standing()


async def test_steps_of_the_wall_clock_call_nobody_and_hide_nothing(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        for step in (-6 * 3600.0, 86400.0 * 30, -60.0, 5.0):
            it.clock.step_wall(step)
            await it.passes(20)
        assert it.modem.sent == []
        await it.shed.faults.on("blower-stop")
        it.clock.step_wall(-7200)
        await it.until(lambda: it.texts("AIR STOPPED"), 20)


async def test_a_second_daemon_on_the_store_is_refused_by_name(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        second = Daemon(read_shed(tmp_path / "shed.toml"), SystemClock(), print)
        with pytest.raises(StoreBusy, match=r"already kept by the daemon of Gannet Quay nursery, process \d+"):
            await second.run()
        await it.passes(10)
        assert it.daemon.overview().checked is not None


async def test_without_a_writable_journal_the_call_still_goes_out(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "journal.sqlite").mkdir()  # a folder where the file should be: it can never be opened
    async with night(tmp_path) as it:
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 60)
        await it.passes(30)
        assert "journal-failing@journal.health" in it.standing()
        number = next(a.number for a in it.daemon.overview().alarms if a.alarm == BLOWER)
        it.modem.receive(WREN, f"OK {number}")
        await it.until(lambda: it.texts(f"taken {number}", to=WREN))


async def test_what_was_entered_by_hand_is_judged_with_its_age_and_outlives_a_restart(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await _enter(it, 0.4)
        await it.passes(10)
        await it.end()
        await it.begin()
        await it.passes(20)
        reading = it.daemon.keeper.latest["raceway.nh3_n"]
        assert reading.flag is Flag.PASS
        assert reading.value is not None
        assert 0.002 < reading.value < 0.02  # near the table of husbandry: 0.4 mg/L TAN at pH 7.9, 12 degC
        assert "as N" in reading.basis
        assert "NBS" in reading.basis
        assert reading.age_s > 20


async def _enter(it: Night, value: float) -> None:
    answer = await it.daemon._desk.answer({"do": "enter", "point": "raceway.tan", "value": value, "by": "Wren"})
    assert answer["line"].startswith("Kept: raceway.tan 0.40 mg/L N")


async def test_history_and_journal_hold_the_night_afterwards(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        begun = it.clock.now().utc
        await it.shed.faults.on("blower-stop")
        await it.passes(60)
        await it.shed.faults.off("blower-stop")
        await it.passes(120)
    history = History(tmp_path / "data" / "history.sqlite", SystemClock())
    await history.open()
    air = await history.read("manifold.air_pressure", begun, begun + 180)
    await history.close()
    assert len(air) == pytest.approx(180, abs=2)
    assert (
        min(r.value for r in air if r.value is not None) < 1 < 11 < max(r.value for r in air if r.value is not None)
    )
    journal = Journal(tmp_path / "data" / "journal.sqlite", SystemClock())
    await journal.open()
    logged = [one for one in await journal.recent() if one.event.alarm == BLOWER]
    posted = [one for one in await journal.outbox() if "AIR STOPPED" in one.message.text]
    await journal.close()
    assert [one.event.happening.value for one in logged] == ["returned", "raised"]
    raised = logged[-1]
    assert raised.event.began.mono <= raised.event.at.mono - 10
    assert raised.committed is not None
    assert raised.sent is not None
    assert {one.state.value for one in posted} <= {"sent", "delivered"}


def test_the_text_of_the_shed_has_the_delays_of_a_real_one(tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    path.write_text(shed_text(), encoding="utf-8")
    alarm = next(one for one in read_shed(path).alarms if one.id == AIR)
    assert alarm.rule.on_delay_s == 15  # the default the project promises for loss of air
