"""A service manager's end of the line: the socket sd_notify(3) describes."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager


class Heard:
    """What came in since the last look."""

    def __init__(self, link: socket.socket) -> None:
        self._link = link
        self.all: list[list[str]] = []

    def take(self) -> list[list[str]]:
        """The datagrams that have come in, each as its lines."""
        fresh = []
        while True:
            try:
                fresh.append(self._link.recv(4096).decode().split("\n"))
            except BlockingIOError:
                self.all += fresh
                return fresh

    def said(self, word: str) -> int:
        """How often a line was heard so far."""
        self.take()
        return sum(word in one for one in self.all)

    async def until(self, seen: Callable[[], bool], seconds: float = 8.0) -> None:
        for _ in range(int(seconds / 0.02)):
            if seen():
                return
            await asyncio.sleep(0.02)
        raise AssertionError(f"not within {seconds} s; heard: {self.all}")


@contextmanager
def listening(address: str) -> Iterator[Heard]:
    """address: a path, or @NAME for the abstract space."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.setblocking(False)
        link.bind(f"\0{address[1:]}" if address[0] == "@" else address)
        yield Heard(link)
