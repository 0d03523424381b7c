"""Calibrations on the whole daemon and the simulated shed, asked over its socket as the command line asks."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from brinewatch.cli import main
from brinewatch.control import ask
from brinewatch.errors import BrinewatchError
from brinewatch.moment import utc_text
from brinewatch.readings import Flag
from brinewatch.signals.records import CalibrationPoint, CalibrationRecord, Reference, Visit
from scenarios.night import WREN, Night, night, shed_text, unhurried

AIR = "air-stopped@manifold.air_pressure"
OXYGEN = "raceway.oxygen"
DUE = "calibration-due@calibration.health"


async def asked(it: Night, do: str, **more: Any) -> Mapping[str, Any]:
    """One request over the daemon's socket, as `brinewatch calibrate` makes it."""
    with it.clock.hold():
        return await asyncio.to_thread(ask, it.folder / "data" / "control.sock", {"do": do, **more})


def record(it: Night, key: str, offset: float, **more: object) -> CalibrationRecord:
    utc = it.clock.now().utc
    base = CalibrationRecord(
        key, OXYGEN, "oxygen", Visit.CALIBRATION, utc, utc, "Wren",
        (CalibrationPoint(Reference.AIR_SATURATED, 8.0, 8.0 + offset, 0.03),), offset, uncertainty=0.05,
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


async def saved(it: Night, one: CalibrationRecord) -> str:
    return str((await asked(it, "calibration save", record=one.to_dict()))["line"])


def now(it: Night, point: str = OXYGEN) -> Any:
    return it.daemon.keeper.latest[point]


async def test_a_calibration_changes_what_is_seen_and_outlives_a_restart(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        begun = await asked(it, "calibration begin", probe="oxygen", by="Wren")
        [point] = begun["points"]
        assert (point["point"], point["quantity"], point["unit"], point["accuracy"]) == (
            OXYGEN,
            "oxygen",
            "mg/L",
            0.1,
        )
        assert (point["record"], point["flag"], point["reason"]) == (None, 1, "")
        assert point["said"] == point["value"] == pytest.approx(8.3, abs=0.6)
        water = begun["water"]
        assert water["temperature"] == pytest.approx(now(it, "raceway.temperature").value)
        assert water["salinity"] == pytest.approx(now(it, "header.salinity").value)
        assert water["barometric_pressure"] == pytest.approx(now(it, "shed.barometric_pressure").value)
        assert water["altitude_m"] == 4

        await it.passes(30)
        heard = await asked(it, "calibration look", probe=OXYGEN)
        assert len(heard["said"][OXYGEN]) == 6
        assert [mono for mono, _ in heard["said"][OXYGEN]] == sorted(mono for mono, _ in heard["said"][OXYGEN])
        assert (await asked(it, "calibration look", probe="oxygen"))["said"] == {}

        before = now(it)
        line = await saved(it, record(it, "o1", 0.5, due_utc=it.clock.now().utc + 30 * 86400))
        assert line == "Kept: raceway.oxygen, record o1, counts from 2026-09-23 22:01, next due 2026-10-23."
        await asked(it, "calibration end", probe="oxygen")
        await it.passes(10)
        reading = now(it)
        assert (reading.flag, reading.calibration) == (Flag.PASS, "o1")
        assert reading.value == pytest.approx(reading.raw + 0.5)
        assert reading.raw == pytest.approx(before.raw, abs=0.3)
        # 0.1 of the probe and 0.05 of the calibration in quadrature (GUM 5.1.2); it is seconds old
        assert reading.uncertainty == pytest.approx(0.1118, abs=1e-3)
        # +0.5 mg/L of some 8.3 shows in the saturation too
        assert now(it, "raceway.oxygen_saturation").value == pytest.approx(92 * reading.value / 8.3, rel=0.1)

        await it.end()
        await it.begin()
        await it.passes(10)
        assert now(it).calibration == "o1"
        assert now(it).value == pytest.approx(now(it).raw + 0.5)
        kept = await asked(it, "calibrations", point=None)
        assert [one["id"] for one in kept["records"]] == ["o1"]
        assert kept["in_force"] == {OXYGEN: "o1"}
        assert CalibrationRecord.from_dict(kept["records"][0]).points[0].reference is Reference.AIR_SATURATED
        assert it.standing() == []
        assert it.modem.sent == []


async def test_what_is_not_right_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        utc = it.clock.now().utc
        await saved(it, record(it, "o1", 0.1))
        good = record(it, "o2", 0.2)
        for wrong, said in (
            (replace(good, id="o1"), "id o1, which is there already"),
            (replace(good, point="raceway.oxigen"), "takes no calibration here"),
            (replace(good, point="raceway.tan", probe="test-kit"), "takes no calibration here"),
            (replace(good, point="header.level_switch", probe="levels"), "takes no calibration here"),
            (replace(good, probe="ph"), "'oxygen' feeds raceway.oxygen"),
            (replace(good, effective_utc=utc + 3600, made_utc=utc + 3600), "a time to come"),
            (replace(good, replaces="o9"), "'o9', which is no record of raceway.oxygen"),
            (
                replace(good, point="raceway.ph", probe="ph", replaces="o1"),
                "'o1', which is no record of raceway.ph",
            ),
            (replace(good, slope=0.0), "expected above 0"),
        ):
            with pytest.raises(BrinewatchError, match="Not saved") as caught:
                await saved(it, wrong)
            assert said in caught.value.what
        with pytest.raises(BrinewatchError, match="Not saved"):
            await asked(it, "calibration save", record={**asdict(good), "surprise": 1})
        with pytest.raises(BrinewatchError, match="NaN is no number in JSON"):
            await saved(it, replace(good, slope=float("nan")))
        for do, probe, said in (
            ("calibration begin", "oxigen", "no probe or point 'oxigen'"),
            ("calibration begin", "shed.mains", "takes no calibration"),
            ("calibration begin", "raceway.tan", "takes no calibration"),
            ("calibration look", "oxygen", "No calibration of oxygen is under way"),
        ):
            with pytest.raises(BrinewatchError, match=said):
                await asked(it, do, probe=probe, by="Wren")
        await saved(it, replace(good, replaces="o1"))
        with pytest.raises(BrinewatchError, match="o2 has replaced"):
            await saved(it, record(it, "o3", 0.3, replaces="o1"))
        kept = await asked(it, "calibrations", point=OXYGEN)
        assert [one["id"] for one in kept["records"]] == ["o1", "o2"]
        with pytest.raises(BrinewatchError, match=r"no point 'raceway\.oxigen'"):
            await asked(it, "calibrations", point="raceway.oxigen")


async def test_two_people_do_not_calibrate_one_probe_at_once(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        await asked(it, "calibration begin", probe="oxygen", by="Wren")
        with pytest.raises(BrinewatchError, match=r"oxygen is being calibrated by Wren"):
            await asked(it, "calibration begin", probe="oxygen", by="Teal")
        await asked(it, "calibration begin", probe="oxygen", by="Wren")  # the same person, begun anew
        await asked(it, "calibration begin", probe="ph", by="Teal")
        await it.passes(10)
        assert now(it).reason == "being calibrated by Wren"
        assert now(it, "raceway.ph").reason == "being calibrated by Teal"


async def test_a_hold_ends_by_itself_and_is_said_meanwhile(tmp_path: Path) -> None:
    text = shed_text().replace("timeout_s = 0.3", "timeout_s = 0.05")  # a silent wire costs real time
    async with night(tmp_path, unhurried(text)) as it:
        await asked(it, "calibration begin", probe="oxygen", by="Wren")
        await it.passes(1200)
        await asked(it, "calibration look", probe="oxygen")
        await it.passes(1000)
        await it.shed.faults.on("probe-unplugged", "oxygen")
        await it.passes(790)
        assert now(it).flag is Flag.NOT_EVALUATED
        assert it.standing() == []
        [note] = it.daemon.overview().notes
        held = "Nursery raceway: dissolved oxygen is being calibrated by Wren"
        assert note == f"{held}; its alarms wait until 22:51 at the latest."
        await it.passes(20)
        assert it.daemon.overview().notes == ()
        assert any("Calibration of oxygen by Wren ended by itself" in line for line in it.said)
        with pytest.raises(BrinewatchError, match="under way"):
            await asked(it, "calibration look", probe="oxygen")
        # and what nobody put back is called for, after its ordinary delays
        await it.passes(700)
        called = {alarm.partition("@")[2] for alarm in it.standing()} - {"raceway.tan"}  # nobody tested the water
        assert called == {OXYGEN, "raceway.oxygen_saturation"}
        remarks = [one.text for one in await it.daemon.journal.remarks() if one.kind == "calibration"]
        assert any("begun by Wren" in text for text in remarks)
        assert any("ended by itself" in text for text in remarks)


async def test_a_hold_of_any_other_probe_hides_no_loss_of_air(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        for probe in ("oxygen", "ph", "motor", "barometer", "raceway-thermometer", "salinity"):
            await asked(it, "calibration begin", probe=probe, by="Wren")
        await it.passes(10)
        stopped = it.clock.now().mono
        await it.shed.faults.on("blower-stop")
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 60)
        assert it.clock.now().mono - stopped <= 18


async def test_the_air_is_held_for_two_minutes_and_no_longer_whoever_looks(tmp_path: Path) -> None:
    async with night(tmp_path) as it:
        begun = await asked(it, "calibration begin", probe="air-pressure", by="Wren")
        assert begun["held_s"] == 120
        [pressure] = [one for one in begun["points"] if one["quantity"] == "air_pressure"]
        assert pressure["value"] == pytest.approx(11.8, abs=1)
        held = it.clock.now().mono
        await it.shed.faults.on("blower-stop")  # the gauge would say the same with its hose off
        while it.clock.now().mono - held < 118:
            await it.passes(10 if it.clock.now().mono - held < 110 else 1)
            left = (await asked(it, "calibration look", probe="air-pressure"))["held_s"]
            assert left == pytest.approx(120 - (it.clock.now().mono - held))
            # the air's own alarms wait; the motor's do not
            assert not any("manifold" in alarm for alarm in it.standing())
            assert any("at the latest" in note for note in it.daemon.overview().notes)
        assert "motor-current-low@blower.motor_current" in it.standing()
        await it.until(lambda: it.texts("AIR STOPPED", to=WREN), 30)
        assert 120 <= it.clock.now().mono - held <= 120 + 18
        assert any("held for 2 min at most" in line for line in it.said)
        # the visit goes on, its samples too, without a hold; and begun anew there is none either
        await it.passes(5)
        look = await asked(it, "calibration look", probe="air-pressure")
        assert look["held_s"] == 0
        assert look["said"]["manifold.air_pressure"]
        await asked(it, "calibration end", probe="air-pressure")
        assert (await asked(it, "calibration begin", probe="air-pressure", by="Wren"))["held_s"] == 0
        await it.passes(5)
        assert now(it, "manifold.air_pressure").flag is Flag.PASS
        assert AIR in it.standing()


async def test_short_holds_of_the_air_add_up_to_two_minutes_in_a_quarter_of_an_hour(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried(every_s=5)) as it:
        for left in (120, 60):
            assert (await asked(it, "calibration begin", probe="air-pressure", by="Wren"))["held_s"] == left
            await it.passes(60)
            await asked(it, "calibration end", probe="air-pressure")
            await it.passes(5)
            assert now(it, "manifold.air_pressure").flag is Flag.PASS
        assert (await asked(it, "calibration begin", probe="air-pressure", by="Wren"))["held_s"] == 0
        await asked(it, "calibration end", probe="air-pressure")
        await it.passes(800)
        assert (await asked(it, "calibration begin", probe="air-pressure", by="Wren"))["held_s"] == 120


async def test_a_corrected_record_changes_history_and_not_what_was_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def history(point: str, *more: str) -> list[dict[str, Any]]:
        since, until = utc_text(began - 1), utc_text(it.clock.now().utc)
        words = ["history", point, "--since", since, "--until", until, "--json", "--raw", "--shed", shed, *more]
        assert main(words) == 0
        out = capsys.readouterr()
        assert out.err == ""
        return list(json.loads(out.out))

    shed = str(tmp_path / "shed.toml")
    async with night(tmp_path) as it:
        began = it.clock.now().utc
        await saved(it, record(it, "o1", 0.6))
        await it.passes(300)

        async def read(point: str, *more: str) -> list[dict[str, Any]]:
            with it.clock.hold():
                return await asyncio.to_thread(history, point, *more)

        before, saturation = await read(OXYGEN), await read("raceway.oxygen_saturation")
        assert len(before) >= 60  # what the daemon had not written yet is there too
        assert {one["calibration"] for one in before[1:]} == {"o1"}
        await saved(it, record(it, "o2", 0.1, slope=1.01, effective_utc=began, replaces="o1"))
        after, again = await read(OXYGEN), await read("raceway.oxygen_saturation")
        for old, new in zip(before[1:], after[1:], strict=False):
            assert (old["time"], old["said"]) == (new["time"], new["said"])
            assert old["value"] == pytest.approx(old["said"] + 0.6)
            assert new["value"] == pytest.approx(0.1 + 1.01 * new["said"])
            assert new["calibration"] == "o2"
        # percent goes with mg/L, temperature and the rest being equal; of two probes read in the very same instant
        # of stepped time the view takes both, the watch the one it had heard by then
        oxygen = {one["time"]: one for one in before}
        for old, new in zip(saturation[5:55], again[5:55], strict=True):
            said = oxygen[old["time"]]["said"]
            assert new["value"] / old["value"] == pytest.approx((0.1 + 1.01 * said) / (said + 0.6), rel=2e-4)
    # and the same without the daemon, from the files
    down = history(OXYGEN)
    assert down[: len(after)] == after
    stored = tmp_path / "data" / "history.sqlite"
    assert not stored.with_name("history.sqlite-wal").exists()


DAYS = shed_text().replace('point = "raceway.oxygen"\n', 'point = "raceway.oxygen"\ncalibrate_every_days = 30\n')
DAYS += "\n[calling]\ndrill_every_days = 0\n"  # a month without a drill would be an alarm of its own


async def test_an_overdue_calibration_is_called_once_and_a_new_record_clears_it(tmp_path: Path) -> None:
    text = DAYS.replace('from_priority = "high"', 'from_priority = "low"')
    assert text.count("calibrate_every_days") == 1
    async with night(tmp_path, unhurried(text)) as it:
        await saved(it, record(it, "o1", 0.1))
        await it.passes(1200)
        assert it.standing() == []
        it.clock.step_wall(30 * 86400)
        await it.passes(550)
        assert it.standing() == []
        await it.until(lambda: it.standing() == [DUE], 200)
        # at half past ten in the evening it wakes nobody: it waits for the morning
        await it.passes(60)
        assert it.modem.sent == []
        it.clock.step_wall(8.5 * 3600)
        await it.until(lambda: it.texts("CALIBRATION DUE", to=WREN), 200)
        assert it.texts("CALIBRATION DUE")[0].startswith("GANNET QUAY Calibration 07:0")
        [alarm] = it.daemon.overview().alarms
        assert alarm.priority.value == "low"
        assert alarm.shown == "raceway.oxygen overdue since 2026-10-23 (brinewatch calibrate oxygen)"
        assert alarm.todo[0] == "Run: brinewatch calibrate PROBE."
        assert "brinewatch calibrate PROBE" in it.texts("CALIBRATION DUE")[0]
        await it.passes(900)
        assert len(it.texts("CALIBRATION DUE")) == 1
        await saved(it, record(it, "o2", 0.2))
        await it.passes(60)
        assert [alarm.state.value for alarm in it.daemon.overview().alarms] == ["returned to normal unacknowledged"]
        number = alarm.number
        it.modem.receive(WREN, f"OK {number}")
        await it.until(lambda: it.standing() == [], 30)


async def test_a_clock_that_is_not_set_neither_calls_nor_clears(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried(DAYS)) as it:
        await saved(it, record(it, "o1", 0.1))
        it.clock.trusted = False
        it.clock.step_wall(400 * 86400)
        await it.passes(900)
        assert it.standing() == []
        assert now(it, "calibration.health").reason == "The clock is not set: nobody knows what is due."
        assert now(it).calibration == "o1"
        it.clock.trusted = True
        await it.until(lambda: it.standing() == [DUE], 700)
        it.clock.trusted = False
        it.clock.step_wall(-400 * 86400)
        await it.passes(300)
        assert it.standing() == [DUE]
        line = await saved(it, record(it, "o2", 0.3))
        assert "The clock is not set" in line
        with pytest.raises(BrinewatchError, match="older than records made before it"):
            await saved(it, record(it, "o3", 0.3, made_utc=1000.0, effective_utc=1000.0))
        await it.passes(10)
        assert now(it).calibration == "o2"


async def test_a_shed_never_calibrated_is_well_until_somebody_sets_the_days(tmp_path: Path) -> None:
    async with night(tmp_path, unhurried()) as it:
        await it.passes(900)
        assert it.standing() == []
        [stage] = [one for one in it.daemon.overview().stages if one.key == "calibration"]
        assert (stage.path, stage.points[0].shown) == ("watch", "well")


async def test_a_record_kept_while_the_disk_is_gone_counts_and_says_so(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "journal.sqlite").mkdir()  # a folder where the file should be: it can never be opened
    async with night(tmp_path) as it:
        line = await saved(it, record(it, "o1", 0.5))
        assert "The disk does not take it now" in line
        await it.passes(10)
        assert now(it).calibration == "o1"
