"""What the service manager is told, by sd_notify(3) and sd_watchdog_enabled(3)."""

from __future__ import annotations

import logging
import os
from pathlib import Path

import pytest

from brinewatch.systemd import ServiceManager
from keeping.manager import listening


@pytest.mark.parametrize("abstract", [False, True])
def test_ready_alive_and_stopping_arrive_as_one_datagram_each(tmp_path: Path, abstract: bool) -> None:
    address = f"@brinewatch-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with listening(address) as heard:
        manager = ServiceManager({"NOTIFY_SOCKET": address})
        assert manager.listens
        manager.ready("All is well.")
        manager.alive("Air\nsupply  stopped")
        manager.say("Hangs: bus a")
        manager.stopping()
        assert heard.take() == [
            ["READY=1", "STATUS=All is well."],
            ["WATCHDOG=1", "STATUS=Air supply stopped"],
            ["STATUS=Hangs: bus a"],
            ["STOPPING=1", "STATUS=Stopping"],
        ]


def test_without_a_manager_nothing_is_said() -> None:
    manager = ServiceManager({})
    manager.ready("x")
    assert not manager.listens
    assert manager.every_s == 10.0


def test_an_address_of_another_family_is_refused_with_a_word(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        manager = ServiceManager({"NOTIFY_SOCKET": "vsock:2:1234"})
    assert not manager.listens
    assert "vsock:2:1234" in caplog.text


def test_a_manager_that_is_gone_is_told_of_once_and_heard_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    address = str(tmp_path / "notify")
    manager = ServiceManager({"NOTIFY_SOCKET": address})
    with caplog.at_level(logging.WARNING):
        manager.alive("x")
        manager.alive("x")
    assert caplog.text.count("does not hear") == 1
    with listening(address) as heard:
        manager.alive("y")
        assert heard.take() == [["WATCHDOG=1", "STATUS=y"]]


def test_a_full_socket_holds_nobody_up(tmp_path: Path) -> None:
    with listening(str(tmp_path / "notify")) as heard:
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        for _ in range(5000):
            manager.alive("x" * 500)
        assert 0 < heard.said("WATCHDOG=1") < 5000


@pytest.mark.parametrize(
    ("environ", "every_s"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 10.0),
        ({"WATCHDOG_USEC": "3000000"}, 1.0),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}, 1.0),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, 10.0),
        ({"WATCHDOG_USEC": "soon"}, 10.0),
        ({"WATCHDOG_USEC": "0"}, 10.0),
    ],
)
def test_the_watchdog_is_fed_three_times_in_its_time(environ: dict[str, str], every_s: float) -> None:
    assert ServiceManager({"NOTIFY_SOCKET": "/nowhere", **environ}).every_s == every_s
