"""The service units, by the service manager's own tools: nothing to complain of, and little to attack."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "deploy" / "systemd"
UNITS = ("brinewatch", "brinewatch-lookout")
ALLOWED = 16  # tenths


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tree as it is after installing: the units, what they start, and the targets they name."""
    tree = tmp_path_factory.mktemp("root")
    units = tree / "etc" / "systemd" / "system"
    for unit in UNITS:
        (units / f"{unit}.service.d").mkdir(parents=True)
        shutil.copy(SYSTEMD / f"{unit}.service", units)
        shutil.copy(SYSTEMD / "hardening.conf", units / f"{unit}.service.d")
    for program in ("bin/sh", "opt/brinewatch/current/bin/brinewatch"):
        (tree / program).parent.mkdir(parents=True, exist_ok=True)
        (tree / program).write_text("#!/bin/sh\n")
        (tree / program).chmod(0o755)
    library = tree / "usr" / "lib" / "systemd" / "system"
    library.mkdir(parents=True)
    for target in Path("/usr/lib/systemd/system").glob("*.target"):
        shutil.copy(target, library)
    return tree


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    tool = shutil.which("systemd-analyze")
    assert tool, "systemd-analyze is not here; on Debian: apt-get install systemd"
    environ = {**os.environ, "SYSTEMD_PAGER": "", "SYSTEMD_COLORS": "0"}
    return subprocess.run([tool, *words], capture_output=True, text=True, env=environ, timeout=60)


@pytest.mark.parametrize("unit", UNITS)
def test_verify_is_silent(root: Path, unit: str) -> None:
    found = analyze("verify", f"--root={root}", f"{unit}.service")
    # it prints what it does not understand and exits 0 all the same
    assert (found.returncode, found.stdout, found.stderr) == (0, "", "")


def test_verify_is_not_silent_over_a_wrong_word(root: Path) -> None:
    wrong = root / "etc" / "systemd" / "system" / "wrong.service"
    wrong.write_text("[Service]\nExecStart=/bin/sh\nNoNewPrivilege=yes\n")
    assert "NoNewPrivilege" in analyze("verify", f"--root={root}", "wrong.service").stderr


@pytest.mark.parametrize("unit", UNITS)
def test_exposure_with_serial_ports_gpio_and_network(root: Path, unit: str) -> None:
    found = analyze("security", "--offline=yes", f"--root={root}", f"--threshold={ALLOWED}", f"{unit}.service")
    said = re.search(r"exposure level for \S+: ([0-9.]+)", found.stdout)
    assert said, found.stderr
    assert float(said[1]) <= ALLOWED / 10
    assert found.returncode == 0


def test_the_tool_tells_a_service_that_is_not_confined(root: Path) -> None:
    bare = root / "etc" / "systemd" / "system" / "bare.service"
    bare.write_text("[Service]\nExecStart=/bin/sh\n")
    assert analyze(
        "security", "--offline=yes", f"--root={root}", f"--threshold={ALLOWED}", "bare.service"
    ).returncode


def settings(unit: str) -> list[tuple[str, str]]:
    text = (SYSTEMD / f"{unit}.service").read_text() + (SYSTEMD / "hardening.conf").read_text()
    return [
        (key, value) for key, eq, value in (line.partition("=") for line in text.splitlines())
        if eq and not key.startswith("#")
    ]  # fmt: skip


@pytest.mark.parametrize("unit", UNITS)
def test_what_the_watch_needs_is_still_allowed_and_it_is_started_for_ever(unit: str) -> None:
    said = settings(unit)
    allowed = {value for key, value in said if key == "DeviceAllow"}
    assert {"char-ttyUSB rw", "char-ttyACM rw", "char-ttyAMA rw", "char-gpiochip rw"} <= allowed
    assert ("SupplementaryGroups", "dialout gpio") in said
    assert ("RestrictAddressFamilies", "AF_UNIX AF_INET AF_INET6") in said
    assert not {"PrivateNetwork", "PrivateDevices", "IPAddressDeny"} & {key for key, _ in said}
    for one in (
        ("Type", "notify"), ("WatchdogSec", "60"), ("Restart", "always"), ("StartLimitIntervalSec", "0"),
        ("User", "brinewatch"), ("LoadCredential", "secrets:/etc/brinewatch/secrets"),
    ):  # fmt: skip
        assert one in said


def test_the_line_left_at_the_end_is_what_the_next_start_reads(tmp_path: Path) -> None:
    """ExecStopPost run as systemd would: $$ is a dollar sign, %% a per cent sign (systemd.service(5))."""
    (line,) = [value for key, value in settings("brinewatch") if key == "ExecStopPost"]
    shell = re.fullmatch(r"-/bin/sh -c '(.*)'", line)
    assert shell
    environ = {
        "STATE_DIRECTORY": str(tmp_path), "SERVICE_RESULT": "watchdog", "EXIT_CODE": "killed",
        "EXIT_STATUS": "ABRT", "PATH": os.defpath,
    }  # fmt: skip
    command = shell[1].replace("$$", "$").replace("%%", "%")
    subprocess.run(["/bin/sh", "-c", command], check=True, env=environ, timeout=20)
    said = (tmp_path / "stops").read_text().split()
    assert said[1:] == ["watchdog", "killed", "ABRT"]
    assert int(said[0]) > 1_700_000_000
