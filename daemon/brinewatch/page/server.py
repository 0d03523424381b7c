"""Serves the page inside the daemon's own event loop, and stops within a bounded time."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from pydantic import Field

from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock
from brinewatch.settings import Settings

if TYPE_CHECKING:
    from uvicorn import Server

log = logging.getLogger(__name__)

_GRACE_S = 2
_STOP_S = 4.0
_MOST_AT_ONCE = 64


class PageSettings(Settings):
    """Where the page is served."""

    enabled: bool = Field(True, description="whether the page is served")
    host: str = Field("127.0.0.1", min_length=1, description="address to listen on; 0.0.0.0 lets every phone "
                      "on the network read the page, without a login")  # fmt: skip
    port: int = Field(8480, ge=0, lt=65536, description="port to listen on; 0 takes any free one")


class PageServer:
    """One server for one app: `run` serves until cancelled or stopped; `bind` may come first, to fail early."""

    def __init__(self, app: Any, settings: PageSettings, clock: Clock) -> None:
        self._app = app
        self._settings = settings
        self._clock = clock
        self._socket: socket.socket | None = None
        self._server: Server | None = None
        self._serving: asyncio.Task[None] | None = None
        self._port = settings.port

    @property
    def url(self) -> str:
        """Where the page is; the true port once bound."""
        host = self._settings.host
        return f"http://{f'[{host}]' if ':' in host else host}:{self._port}/"

    def bind(self) -> None:
        """Take the port. BrinewatchError, naming it and what to do, when that cannot be."""
        if self._socket is not None:
            return
        host, port = self._settings.host, self._settings.port
        taken = None
        try:
            family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
            taken = socket.socket(family, kind)
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            taken.bind(address)
            taken.listen(_MOST_AT_ONCE)
        except OSError as error:
            if taken is not None:
                taken.close()
            raise _refusal(error, host, port) from None
        taken.setblocking(False)
        self._socket, self._port = taken, taken.getsockname()[1]

    async def run(self) -> None:
        """Serve the page. Cancelling it stops the server as `stop` does."""
        self.bind()
        assert self._socket is not None
        self._server = _server(self._app)
        self._serving = asyncio.create_task(self._server.serve(sockets=[self._socket]), name="page")
        log.info("page served at %s", self.url)
        try:
            await asyncio.shield(self._serving)
        finally:
            await self.stop()

    async def stop(self) -> None:
        """End within a few seconds, whoever is still connected. Does nothing when not running."""
        server, serving, self._server, self._serving = self._server, self._serving, None, None
        if server is not None and serving is not None:
            server.should_exit = True
            try:
                with self._clock.hold():
                    async with self._clock.deadline(_STOP_S):
                        await asyncio.shield(serving)
            except TimeoutError:
                log.warning("page: connections did not end in %.0f s, cut off", _STOP_S)
                serving.cancel()
                await asyncio.gather(serving, return_exceptions=True)
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _server(app: Any) -> Server:
    from uvicorn import Config, Server

    class Quiet(Server):
        """Leaves the signals to the daemon: uvicorn would take SIGTERM for itself and raise it again."""

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            yield

    return Quiet(
        Config(
            app, http="h11", ws="none", lifespan="off", log_config=None, access_log=False, proxy_headers=False,
            server_header=False, timeout_graceful_shutdown=_GRACE_S, limit_concurrency=_MOST_AT_ONCE,
        )
    )  # fmt: skip


def _refusal(error: OSError, host: str, port: int) -> BrinewatchError:
    where = f"Port {port} on {host}"
    if isinstance(error, socket.gaierror):
        return BrinewatchError(f"The page cannot be served: {host!r} is not a known host.", "Correct page.host.")
    match error.errno:
        case errno.EADDRINUSE:
            return BrinewatchError(
                f"{where}, where the page is to be served, is taken by another program.",
                f"Stop that program (`ss -ltnp 'sport = :{port}'` names it) or give page.port another number.",
            )
        case errno.EADDRNOTAVAIL:
            return BrinewatchError(
                f"The page cannot be served: {host} is not an address of this computer.", "Correct page.host."
            )
        case errno.EACCES:
            return BrinewatchError(
                f"{where} needs privileges this daemon must not have.", "Set page.port above 1023."
            )
    return BrinewatchError(
        f"{where} cannot be opened for the page: {error.strerror}.", "Correct page.host and page.port."
    )
