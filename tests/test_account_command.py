"""`brinewatch account`: who may use the page, said beside the daemon."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from brinewatch.accounts import Role
from brinewatch.cli import main
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.store.accounts_file import AccountsFile
from brinewatch.store.passwords import fits
from config.sheds import write

PASSWORD = "kelp tide lamp"


@pytest.fixture
def shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = write(tmp_path)
    monkeypatch.setenv("BRINEWATCH_SHED", str(path))
    monkeypatch.setenv("USER", "wren")
    return path


def says(monkeypatch: pytest.MonkeyPatch, *words: str, typed: str = "") -> int:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    return main(["account", *words])


def file(shed: Path) -> AccountsFile:
    return AccountsFile(read_shed(shed).data)


def test_a_person_s_way_through(
    shed: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says(monkeypatch, "list") == 0
    assert capsys.readouterr().out == "No accounts yet.\n"
    assert not (read_shed(shed).data / "accounts.sqlite").exists()
    assert says(monkeypatch, "add", "Rhona", "--role", "keep", typed=f"{PASSWORD}\n") == 0
    assert says(monkeypatch, "add", "Wren Tern", "--role", "look", typed="limpet on a rock\n") == 0
    assert says(monkeypatch, "role", "wren tern", "--role", "acknowledge") == 0
    assert says(monkeypatch, "password", "Rhona", typed="winkle barnacle\n") == 0
    capsys.readouterr()
    assert says(monkeypatch, "token", "chart robot", "--role", "look") == 0
    out, err = capsys.readouterr()
    # the token alone, so that it can be put into a file
    assert err == "Made the token chart robot (look).\n"
    made = file(shed)
    robot = made.token(out.strip(), SystemClock().now())
    assert robot is not None
    assert (robot.name, robot.role) == ("chart robot", Role.LOOK)
    assert says(monkeypatch, "list") == 0
    listed = capsys.readouterr().out.split("\n")
    assert [line.split()[:2] for line in listed if "keep" in line or "acknowledge" in line] == [
        ["Rhona", "keep"], ["Wren", "Tern"],
    ]  # fmt: skip
    found = made.account("Rhona")
    assert found is not None
    assert fits("winkle barnacle", found[1])
    assert says(monkeypatch, "code", "Wren Tern") == 0
    code = capsys.readouterr().out.splitlines()[1].split()[0]
    assert made.redeem(code.replace("-", ""), "Wren Tern", "h", SystemClock().now()).role is Role.ACKNOWLEDGE
    assert says(monkeypatch, "token", "chart robot", "--remove") == 0
    assert says(monkeypatch, "remove", "Wren Tern") == 0
    assert says(monkeypatch, "remove", "Rhona") == 0
    assert (made.accounts(), made.tokens()) == ([], [])
    # all of it waits for the daemon's journal, and no secret is in it
    told = [text for _, text in made.untold()]
    assert told[0] == "wren, on the command line, made the account Rhona (keep)"
    assert len(told) == 9
    assert not any(secret in " ".join(told) for secret in (PASSWORD, "winkle", "limpet", code, out.strip()))
    made.close()


@pytest.mark.parametrize(
    ("words", "typed", "said"),
    [(["add", "Rhona"], PASSWORD, "--role"), (["add"], "", "wants a name"),
     (["add", "Rhona", "--role", "look"], PASSWORD, "The first account must be one that keeps"),
     (["add", "Rhona", "--role", "keep"], "short\n", "This password has 5 characters"),
     (["add", "Rhona", "--role", "keep"], "", "This password has 0 characters"),
     (["add", "<b>", "--role", "keep"], PASSWORD, "is no name"),
     (["role", "Nobody", "--role", "keep"], "", "There is no account 'Nobody'"),
     (["password", "Nobody"], PASSWORD, "There is no account"), (["code", "Nobody"], "", "There is no account"),
     (["remove", "Nobody"], "", "There is no account"), (["token", "robot"], "", "--role"),
     (["token", "robot", "--remove"], "", "There is no token")],
)  # fmt: skip
def test_what_cannot_be_done_is_one_error(
    shed: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], typed: str,
    said: str,
) -> None:  # fmt: skip
    assert says(monkeypatch, *words, typed=typed) == 1
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told
    assert file(shed).accounts() == []


def test_a_password_is_asked_for_twice_without_being_shown(shed: Path) -> None:
    command = [sys.executable, "-m", "brinewatch", "account", "add", "Rhona", "--role", "keep"]
    for again, code in (("something else", 1), (PASSWORD, 0)):
        near, far = pty.openpty()
        process = subprocess.Popen(command, stdin=far, stdout=far, stderr=far, start_new_session=True)
        seen = b""
        for line, asked in ((PASSWORD, b"Password for Rhona: "), (again, b"The same again: ")):
            while asked not in seen:
                seen += os.read(near, 1000)
            os.write(near, f"{line}\n".encode())
        assert process.wait(30) == code
        seen += os.read(near, 10_000)
        os.close(near)
        os.close(far)
        assert PASSWORD.encode() not in seen
    assert [one.name for one in file(shed).accounts()] == ["Rhona"]


def test_no_password_can_stand_in_the_command_itself(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["add", "Rhona", PASSWORD], ["add", "Rhona", "--password", PASSWORD]):
        with pytest.raises(SystemExit):
            main(["account", *words])
        assert "unrecognized arguments" in capsys.readouterr().err
