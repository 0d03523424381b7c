"""What is in the history stands, the same file once more changes nothing, and no stop loses or doubles anything."""

from __future__ import annotations

import asyncio
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.clock import SteppingClock, SystemClock
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError
from brinewatch.importing.guess import guess
from brinewatch.intake import MOST, Intake, packed, unpacked
from brinewatch.moment import Moment
from brinewatch.readings import IMPORTED, Flag, Reading
from brinewatch.recalling import replay_history
from brinewatch.service import Daemon
from brinewatch.store.history import History
from brinewatch.store.journal import Journal
from config.sheds import SMALL
from config.sheds import write as write_shed
from importing.files import MAPPED, RECORD, ask, changes, estuary, kept, remarks, rows, write

NOON = 1_717_243_200.0  # 2024-06-01 12:00 UTC
TANK = ["--time", "when", "--column", "T=tank.temperature"]
# a shed without wires: all is entered by hand
BY_HAND = SMALL.replace('kind = "line_serial"\nport = "ports/line"', 'kind = "manual"').replace(
    'ask = "R\\\\r"\n', ""
)
for _field in (1, 2, 3, 4):
    BY_HAND = BY_HAND.replace(f"\nfield = {_field}\n", "\n")


def log(folder: Path, *lines: str, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return path


async def lived(shed: Path, *readings: Reading) -> None:
    """What a daemon kept before."""
    history = History(read_shed(shed).data / "history.sqlite", SteppingClock(NOON))
    await history.open()
    history.add(readings)
    await history.close()


def read(point: str, second: float, value: float) -> Reading:
    at = Moment(5.0 + second, NOON + second, True)
    return Reading(point, point.rpartition(".")[2], value, value, Flag.PASS, "", at, "sonde")


async def test_what_was_read_live_is_never_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shed = write_shed(tmp_path)
    await lived(shed, read("tank.temperature", 0, 14.0), read("tank.temperature", 60, 14.5))
    before = changes(shed)
    file = log(tmp_path, "when,T", "2024-06-01T12:00Z,14", "2024-06-01T12:01Z,99", "2024-06-01T12:02Z,15")
    code, said = ask(capsys, shed, file, *TANK)
    assert (code, said["new"], said["there"], said["conflicts"], said["written"]) == (3, 1, 1, 1, None)
    assert changes(shed) == before  # a dry run writes nothing
    code, said = ask(capsys, shed, file, *TANK, "--write")
    assert (code, said["written"]) == (3, 1)
    found = {at: (one.value, one.probe) for (_, at), one in kept(shed, ["tank.temperature"]).items()}
    assert found == {
        NOON: (14.0, "sonde"), NOON + 60: (14.5, "sonde"), NOON + 120: (15.0, "import log"),
    }  # fmt: skip


def test_a_dry_run_makes_no_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = log(tmp_path, "when,T", "2024-06-01T12:00Z,14")
    shed = write_shed(tmp_path)
    assert main(["import", str(file), *TANK, "--shed", str(shed)]) == 0
    assert "1 readings are new. Nothing was written; to do it, add --write." in capsys.readouterr().out
    assert not (tmp_path / "data").exists()


def test_the_same_file_once_more_changes_nothing_and_the_first_time_is_journalled(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("USER", "wren")
    shed = estuary(tmp_path, quality=True)
    file = write(tmp_path / "log.csv", *rows(96))
    assert ask(capsys, shed, file, *MAPPED, "--write")[1]["written"] == 960
    first, number, told = kept(shed), changes(shed), remarks(shed)
    code, said = ask(capsys, shed, file, *MAPPED, "--write")
    assert (code, said["written"], said["new"], said["there"]) == (0, 0, 0, 960)
    assert (kept(shed), changes(shed), remarks(shed)) == (first, number, told)
    begun, ended = told
    assert begun.startswith("wren imports log.csv as 'log': 96 rows from 2021-07-02T06:00:00.000Z to")
    assert said["sha256"] in begun
    assert "Temp=creek.temperature" in begun
    assert "has ended: 960 readings written" in ended


async def test_what_is_worked_out_stands_on_other_files_and_on_the_history(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oxygen without any temperature gives no saturation, and leaves its place free for when there is one."""
    shed = write_shed(tmp_path)
    oxygen = log(tmp_path, "when,O", "2024-06-01T12:00:30Z,8", name="oxygen.csv")
    column = ["--time", "when", "--column", "O=tank.oxygen"]
    _, said = ask(capsys, shed, oxygen, *column)
    assert said["not_worked_out"] == {"tank.oxygen_saturation": 1}
    await lived(shed, read("tank.temperature", 0, 14.0), read("tank.salinity", 0, 33.0))
    _, said = ask(capsys, shed, oxygen, *column, "--write")
    assert said["not_worked_out"] == {}
    [saturation] = kept(shed, ["tank.oxygen_saturation"]).values()
    # 8.37 mg/L in air-saturated water at 14 degC, S 33 (Benson and Krause 1984, as tabled by the USGS)
    assert saturation.value == pytest.approx(100 * 8 / 8.37, abs=0.5)


def test_a_guessed_mapping_is_printed_and_does_what_a_person_would_have_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shed = estuary(tmp_path)
    assert main(["import", str(RECORD), "--shed", str(shed)]) == 0
    said = capsys.readouterr()
    assert "Nothing was read in" in said.err
    assert not read_shed(shed).data.exists()
    (tmp_path / "map.toml").write_text(said.out, encoding="utf-8")
    file = write(tmp_path / "log.csv", *rows(96))
    _, ours = ask(capsys, shed, file, *MAPPED)
    _, guessed = ask(capsys, shed, file, "--mapping", str(tmp_path / "map.toml"), "--name", "log")
    assert {**ours, "points": None} == {**guessed, "points": None}
    assert ours["points"] == {point: guessed["points"][point] for point in ours["points"]}


def test_day_and_month_that_could_be_either_are_left_to_the_person(tmp_path: Path) -> None:
    shed = read_shed(write_shed(tmp_path))
    file = log(tmp_path, "Date;Temp (°F)", "03/04/2024 10:00;50,5", "04/04/2024 10:00;51,5")
    text = guess(file, shed)
    for line in (
        '# time_format = "%d/%m/%Y %H:%M"', '# time_format = "%m/%d/%Y %H:%M"', 'delimiter = ";"', 'decimal = ","',
        'unit = "degF"', 'point = "tank.temperature"',
    ):  # fmt: skip
        assert line in text
    assert "\ntime_format" not in text


# -- stops ---------------------------------------------------------------------------------------------------


def start(shed: Path, file: Path) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", "brinewatch", "import", str(file), *MAPPED, "--write", "--shed", str(shed)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_killed_at_any_moment_it_goes_on_where_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(tmp_path / "log.csv", *rows(8 * 96))
    whole = estuary(tmp_path / "whole", quality=True)
    assert ask(capsys, whole, file, *MAPPED, "--write")[1]["written"] == 7680
    cut, chance, kills = estuary(tmp_path / "cut", quality=True), random.Random(8), 0
    data = read_shed(cut).data / "history.sqlite"
    for _ in range(3):
        with start(cut, file) as one:
            until = time.monotonic() + 10
            while not data.exists() and one.poll() is None and time.monotonic() < until:
                time.sleep(0.005)
            time.sleep(chance.uniform(0.02, 0.8))
            kills += one.poll() is None
            one.kill()
    assert kills >= 1
    code, said = ask(capsys, cut, file, *MAPPED, "--write")
    assert code == 0
    assert said["new"] + said["there"] == 7680
    assert kept(cut) == kept(whole)
    assert remarks(cut)


def test_ctrl_c_stops_between_two_pieces_of_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, shed = write(tmp_path / "log.csv", *rows(40 * 96)), estuary(tmp_path / "shed")
    with start(shed, file) as one:
        assert one.stderr is not None
        assert one.stderr.readline() == "writing: 10 %\n"
        one.send_signal(signal.SIGINT)
        out, _ = one.communicate(timeout=30)
    assert one.returncode == 130
    assert out.endswith("Stopped; the same command goes on from there.\n")
    written = len(kept(shed))
    assert remarks(shed)[-1:] == [] if not written else "was stopped" in remarks(shed)[-1]
    assert not (read_shed(shed).data / "brinewatch.lock").exists()


# -- beside the daemon ---------------------------------------------------------------------------------------


async def test_a_running_daemon_takes_them_in_and_wakes_nobody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Air that stood still, at a point whose alarm would call at once."""
    shed = write_shed(tmp_path, BY_HAND)
    daemon = Daemon(read_shed(shed), SystemClock())
    running = asyncio.create_task(daemon.run())
    while not (read_shed(shed).data / "control.sock").exists():
        await asyncio.sleep(0.01)
    await asyncio.sleep(0.1)
    now = daemon.clock.now().utc
    body = [f"{now - 600 + n},0.0,{14 + n % 7 / 10}" for n in range(599)]
    file = log(tmp_path, "when,P,T", *body)
    mapping = [*TANK, "--column", "P=manifold.air_pressure"]
    raised = len(await daemon.journal.recent())
    code, said = await asyncio.to_thread(ask, capsys, shed, file, *mapping, "--write")
    assert (code, said["written"]) == (0, said["new"])
    assert said["points"]["manifold.air_pressure"]["new"] == 599
    assert len(await daemon.journal.recent()) == raised
    assert "manifold.air_pressure" not in daemon.keeper.latest or not daemon.keeper.latest[
        "manifold.air_pressure"
    ].probe.startswith(IMPORTED)
    # nor do they speak to the rules after a restart
    seen: list[Reading] = []
    daemon.keeper.replay = lambda readings, at: seen.extend(readings)  # type: ignore[method-assign]
    await replay_history(daemon.keeper, daemon.history, daemon.clock.now())
    assert not [one for one in seen if one.probe.startswith(IMPORTED)]
    _, again = await asyncio.to_thread(ask, capsys, shed, file, *mapping, "--write")
    assert (again["written"], again["there"]) == (0, said["new"])
    daemon.stop()
    await running
    assert len(remarks(shed)) == 2
    assert len(kept(shed, ["tank.temperature"])) >= 599


async def test_the_daemon_takes_nothing_of_a_time_to_come(tmp_path: Path) -> None:
    clock = SteppingClock(NOON)
    intake = Intake(History(tmp_path / "h.sqlite", clock), Journal(tmp_path / "j.sqlite", clock), clock)
    later = replace(read("tank.temperature", 3600, 14.0), probe="import x")
    with pytest.raises(BrinewatchError, match="future"):
        await intake.answer({"do": "import readings", **packed([later])})


def test_readings_handed_over_come_back_and_others_are_refused() -> None:
    zone = Moment(0.0, 0.0, True).zone
    one = Reading(
        "tank.oxygen", "oxygen", 0.1 + 0.2, 1 / 3, Flag.SUSPECT, "Why.", Moment(NOON, NOON, True, zone), "import x",
        0.1, "o1", 3.5, "from T",
    )  # fmt: skip
    assert unpacked(packed([one] * 3), zone) == [one] * 3
    for wrong in (
        packed([one] * (MOST + 1)),
        {"rows": [[0]], "words": []},
        {},
        packed([read("tank.oxygen", 0, 8)]),
    ):
        with pytest.raises(BrinewatchError, match="cannot be taken in"):
            unpacked(wrong, zone)
