"""Serves the page inside the daemon's own event loop, and stops within a bounded time."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import logging
import socket
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import Field, field_validator, model_validator

from brinewatch.errors import BrinewatchError
from brinewatch.ports import Clock
from brinewatch.settings import Settings

if TYPE_CHECKING:
    from ssl import SSLContext

    from uvicorn import Server

log = logging.getLogger(__name__)

_GRACE_S = 2
_STOP_S = 4.0
_MOST_AT_ONCE = 64
SERVING = "brinewatch.serving"  # where an application finds what serves it, in the scope of a request


@dataclass(frozen=True)
class Serving:
    """What an answer that goes on for long has to know. ends: each is set when the server stops."""

    clock: Clock
    ends: set[asyncio.Event] = field(default_factory=set)


class PageSettings(Settings):
    """Where the page is served, and how."""

    enabled: bool = Field(True, description="whether the page is served")
    host: str = Field(
        "127.0.0.1", min_length=1, description="address to listen on; any but this machine's own 127.0.0.1 asks "
        "everybody to log in; 0.0.0.0 is reached by every phone on the network"
    )  # fmt: skip
    port: int = Field(8480, ge=0, lt=65536, description="port to listen on; 0 takes any free one")
    names: list[str] = Field([], description="further names under which the page is opened, as people type them: "
                             "what is asked of another name is refused")  # fmt: skip
    certificate: str | None = Field(
        None, description="file of the certificate and those that vouch for it (PEM); with it the page is encrypted"
    )
    certificate_key: str | None = Field(None, description="file of the certificate's private key (PEM)")
    proxies: list[str] = Field([], description="addresses of web servers in front of this page that are believed "
                               "when they say whom they ask for; none when left out")  # fmt: skip
    idle_days: float = Field(30, gt=0, le=400, description="a login that is not used ends after so many days")
    login_days: float = Field(180, gt=0, le=400, description="every login ends after so many days")

    @field_validator("names")
    @classmethod
    def _plain_names(cls, value: list[str]) -> list[str]:
        for one in value:
            if not one or any(letter in one for letter in "/:@ ,*"):
                raise ValueError("names without port or path, as shed.example.org")
        return [one.lower().rstrip(".") for one in value]

    @field_validator("proxies")
    @classmethod
    def _addresses(cls, value: list[str]) -> list[str]:
        for one in value:
            try:
                ipaddress.ip_network(one)
            except ValueError:
                raise ValueError("addresses or networks, as 192.168.1.2 or 10.0.0.0/8") from None
        return value

    @model_validator(mode="after")
    def _certificate_has_a_key(self) -> PageSettings:
        if (self.certificate is None) != (self.certificate_key is None):
            raise ValueError("certificate and certificate_key together, or neither")
        return self

    @property
    def here_only(self) -> bool:
        """Whether only this machine can reach the page."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def open_here(self) -> bool:
        """Whether, without accounts, whoever reaches it may keep it: nothing stands in front of it."""
        return self.here_only and not self.proxies and not self.names

    @property
    def url(self) -> str:
        """Where the page is, as a person would type it: on all addresses, by the machine's name."""
        host = socket.gethostname() if self.host in ("0.0.0.0", "::") else self.host  # noqa: S104 - compared, not bound
        host = f"[{host}]" if ":" in host else host
        return f"{'https' if self.certificate else 'http'}://{host}:{self.port}/"

    def from_folder(self, folder: Path) -> PageSettings:
        """The same settings with file names taken from the folder of the shed file."""
        files = {"certificate": self.certificate, "certificate_key": self.certificate_key}
        return self.model_copy(update={key: str(folder / name) for key, name in files.items() if name is not None})


class PageServer:
    """One server for one app: `run` serves until cancelled or stopped; `bind` may come first, to fail early.

    tls: with it the page is encrypted.
    """

    def __init__(self, app: Any, settings: PageSettings, clock: Clock, tls: SSLContext | None = None) -> None:
        self._serving_it = Serving(clock)
        self._app = self._served(app)
        self._tls = tls
        self._settings = settings
        self._clock = clock
        self._socket: socket.socket | None = None
        self._server: Server | None = None
        self._serving: asyncio.Task[None] | None = None
        self._port = settings.port

    @property
    def url(self) -> str:
        """Where the page is; the true port once bound."""
        return self._settings.model_copy(update={"port": self._port}).url

    def _served(self, app: Any) -> Any:
        async def served(scope: Any, receive: Any, send: Any) -> None:
            await app({**scope, SERVING: self._serving_it}, receive, send)

        return served

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
        self._server = _server(self._app, self._tls, self._settings.proxies)
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
            for over in self._serving_it.ends:
                over.set()
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


def _server(app: Any, tls: SSLContext | None, proxies: list[str]) -> Server:
    from uvicorn import Config, Server

    class Quiet(Server):
        """Leaves the signals to the daemon: uvicorn would take SIGTERM for itself and raise it again."""

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            yield

    return Quiet(
        Config(
            app, http="h11", ws="none", lifespan="off", log_config=None, access_log=False,
            server_header=False, timeout_graceful_shutdown=_GRACE_S, limit_concurrency=_MOST_AT_ONCE,
            proxy_headers=bool(proxies), forwarded_allow_ips=proxies,
            ssl_context_factory=None if tls is None else lambda config, default: tls,
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
