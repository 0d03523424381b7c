"""What the service manager is told: ready, alive, stopping. Datagrams as in sd_notify(3), and nothing without one.

The manager names its socket in NOTIFY_SOCKET: a path, or with @ in front a name in Linux's abstract space.
WATCHDOG_USEC and WATCHDOG_PID say how soon it takes this process for dead (sd_watchdog_enabled(3)).
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

log = logging.getLogger(__name__)

# as often as people may want to see the state; a third of the watchdog's time where that is shorter
_EVERY_S = 10.0


class ServiceManager:
    """Whoever started this daemon and wants to hear of it. It never raises and never waits."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        if self._address and self._address[0] not in "/@":
            log.warning("NOTIFY_SOCKET=%s is no address of this kind of machine", self._address)
            self._address = ""
        self._deaf = False
        self.every_s = _every(environ) if self._address else _EVERY_S

    @property
    def listens(self) -> bool:
        """Whether there is one."""
        return bool(self._address)

    def ready(self, status: str) -> None:
        self._tell("READY=1", _status(status))

    def alive(self, status: str) -> None:
        """Feed its watchdog, with one line for people."""
        self._tell("WATCHDOG=1", _status(status))

    def say(self, status: str) -> None:
        """One line for people, without feeding."""
        self._tell(_status(status))

    def stopping(self) -> None:
        self._tell("STOPPING=1", _status("Stopping"))

    def _tell(self, *lines: str) -> None:
        if not self._address:
            return
        address = f"\0{self._address[1:]}" if self._address[0] == "@" else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
                link.setblocking(False)
                link.sendto("\n".join(lines).encode(), address)
        except OSError as error:
            if not self._deaf:
                log.warning("The service manager does not hear at %s: %s", self._address, error.strerror)
            self._deaf = True
        else:
            self._deaf = False


def _status(text: str) -> str:
    return f"STATUS={' '.join(text.split())}"


def _every(environ: Mapping[str, str]) -> float:
    """Seconds between two signs of life: three for each time the watchdog would bite."""
    try:
        limit_s = int(environ.get("WATCHDOG_USEC", "")) / 1e6
        mine = int(environ.get("WATCHDOG_PID", os.getpid())) == os.getpid()
    except ValueError:
        return _EVERY_S
    return min(_EVERY_S, limit_s / 3) if mine and limit_s > 0 else _EVERY_S
