"""Only what is asked of a name this page is known by is answered: another site's name may be made to lead here."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from typing import Any

from brinewatch.page.server import PageSettings

_Scope = MutableMapping[str, Any]
_App = Callable[[_Scope, Any, Any], Awaitable[None]]
_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9.-]+))(?::[0-9]{1,5})?")
_SAID = (
    b"This page is not known by that name. Open it by its address, "
    b"or add the name to page.names of the shed file.\n"
)


def names_of(settings: PageSettings, certified: Collection[str] = ()) -> frozenset[str]:
    """The names a page is known by: this machine's own, those in its settings, those its certificate is for."""
    own = socket.gethostname().lower()
    beyond = () if settings.here_only else (own, f"{own.split('.')[0]}.local", settings.host.lower())
    return frozenset({"localhost", *settings.names, *beyond, *certified})


class KnownHosts:
    """Refuses with 421 what is asked of any other name (RFC 9110, 15.5.20).

    Every numeric address is as good as a name when the page is for other machines too: nobody can make a number of
    theirs lead here. here_only: then only this machine's own numbers.
    """

    def __init__(self, app: _App, names: Collection[str], here_only: bool) -> None:
        self._app = app
        self._names = names
        self._here_only = here_only

    async def __call__(self, scope: _Scope, receive: Any, send: Any) -> None:
        if scope["type"] != "http" or self.knows(scope):
            await self._app(scope, receive, send)
            return
        headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(_SAID)).encode())]
        await send({"type": "http.response.start", "status": 421, "headers": headers})
        await send({"type": "http.response.body", "body": _SAID})

    def knows(self, scope: _Scope) -> bool:
        given = [value for name, value in scope["headers"] if name == b"host"]
        if len(given) != 1:
            return False
        found = _HOST.fullmatch(given[0].decode("latin-1").lower())
        if found is None:
            return False
        host = found[1] or found[2].rstrip(".")
        if host in self._names or host.endswith(".localhost"):
            return True
        try:
            address = ipaddress.ip_address(host)
        except ValueError:
            return False
        return address.is_loopback or not self._here_only
