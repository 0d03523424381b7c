"""`brinewatch backup` and `restore` as a keeper types them, and the night's copy."""

from __future__ import annotations

import re
from datetime import UTC
from pathlib import Path

import pytest

from brinewatch.cli import main
from brinewatch.clock import SteppingClock
from brinewatch.config import read_shed
from brinewatch.copying import nightly
from brinewatch.store.lock import StoreLock
from store.made import NOW
from store.test_backup import readings, record, watched

EXAMPLE = Path(__file__).parents[1] / "deploy" / "examples" / "shed.toml"


@pytest.fixture
async def shed(tmp_path: Path) -> Path:
    """A shed file with a store beside it, and a disk to copy to."""
    text = EXAMPLE.read_text(encoding="utf-8")
    text = re.sub(r"# backup_to = .*", 'backup_to = "disk"', text)
    text = re.sub(r"# backups_kept = .*", "backups_kept = 2", text)
    (tmp_path / "shed.toml").write_text(text, encoding="utf-8")
    (tmp_path / "data").mkdir()
    (tmp_path / "disk").mkdir()
    (await watched(tmp_path / "data", 300)).close()
    return tmp_path / "shed.toml"


def test_there_and_back(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shed.parent
    assert main(["backup", str(folder / "disk"), "--shed", str(shed)]) == 0
    said = capsys.readouterr().out
    assert "history.sqlite" in said
    assert "300 readings; read back" in said
    (folder / "data" / "history.sqlite").write_bytes(b"\xa5" * 9000)
    assert main(["restore", str(folder / "disk"), "--shed", str(shed)]) == 0
    assert "Start the daemon again" in capsys.readouterr().out
    assert readings(folder / "data") == record(300)


def test_restore_is_refused_while_a_daemon_has_the_store(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shed.parent
    assert main(["backup", str(folder / "disk"), "--shed", str(shed)]) == 0
    with StoreLock(folder / "data").take("quay", NOW):
        assert main(["restore", str(folder / "disk"), "--shed", str(shed)]) == 1
    assert "is already kept by the daemon of quay" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [(["backup", "nowhere"], "There is no folder nowhere"), (["restore", "nowhere"], "There is no folder nowhere"),
     (["backup", ".", "--keep", "-1"], "expected a number from 1 on")],
)  # fmt: skip
def test_what_cannot_be_is_said(
    shed: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--shed", str(shed)]) == 1
    assert told in capsys.readouterr().err


async def test_night_without_a_disk_is_told_and_the_next_one_is_well(shed: Path) -> None:
    told: list[tuple[bool, str]] = []
    flushed = 0

    async def written() -> None:
        nonlocal flushed
        flushed += 1

    settings = read_shed(shed)
    assert [stage for stage in settings.stages if stage.settings.key == "backup"]  # its failure has an alarm
    clock = SteppingClock(NOW.utc, UTC)
    work = nightly(settings, clock, written, lambda well, words: told.append((well, words)))
    disk = shed.parent / "disk"
    disk.rename(shed.parent / "unplugged")
    await work()
    (shed.parent / "unplugged").rename(disk)
    for _ in range(3):
        clock.step_wall(86400.0)
        await work()
    assert [well for well, _ in told] == [False, True, True, True]
    assert "Is the disk mounted there?" in told[0][1]
    assert flushed == 4
    assert len(list(disk.iterdir())) == 2
