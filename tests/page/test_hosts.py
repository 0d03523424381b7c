"""Names this page is asked by: another site's name that was made to lead here opens nothing (DNS rebinding)."""

from __future__ import annotations

import socket
from typing import Any

import httpx
import pytest

from brinewatch.page.app import create_app
from brinewatch.page.hosts import KnownHosts, names_of
from brinewatch.page.server import PageSettings
from page.sheds import ALL_WELL


async def status(settings: PageSettings, *hosts: str, certified: tuple[str, ...] = ()) -> int:
    app: Any = KnownHosts(create_app(lambda: ALL_WELL), names_of(settings, certified), settings.here_only)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1") as client:
        request = client.build_request("GET", "/")
        headers = [(b"host", host.encode("latin-1")) for host in hosts]
        request.headers = httpx.Headers([*headers, (b"accept", b"*/*")])
        return (await client.send(request)).status_code


OWN = socket.gethostname()


@pytest.mark.parametrize(
    "host",
    ["localhost", "localhost:8480", "127.0.0.1", "127.0.0.1:8480", "127.9.9.9", "[::1]:8480", "LOCALHOST",
     "localhost.", "brinewatch.localhost"],
)  # fmt: skip
async def test_this_machine_s_own_names_are_known(host: str) -> None:
    assert await status(PageSettings(), host) == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8480", "localhost.evil.example", "127.0.0.1.evil.example", "192.168.1.5", OWN,
     "", "localhost:", "localhost:8480:1", "local host", "a@localhost", "[::1", "::1", "localhost/x", "ß.example"],
)  # fmt: skip
async def test_every_other_name_is_refused_where_only_this_machine_reaches_the_page(host: str) -> None:
    """421 Misdirected Request: RFC 9110, 15.5.20."""
    assert await status(PageSettings(), host) == 421


async def test_no_name_and_two_names_are_refused() -> None:
    """RFC 9112, 3.2: exactly one Host."""
    assert await status(PageSettings()) == 421
    assert await status(PageSettings(), "localhost", "localhost") == 421


async def test_from_the_network_the_machine_s_names_and_every_number_are_known() -> None:
    beyond = PageSettings(host="0.0.0.0", names=["Shed.Example.org"])
    for host in (f"{OWN}:8480", f"{OWN.split('.')[0]}.local", "192.168.1.5:8480", "[fe80::1]", "shed.example.org"):
        assert await status(beyond, host) == 200, host
    for host in ("evil.example", "shed.example.org.evil.example", "example.org"):
        assert await status(beyond, host) == 421, host
    assert await status(beyond, "sea.example.org", certified=("sea.example.org",)) == 200


def test_what_reaches_only_this_machine() -> None:
    # RFC 1122, 3.2.1.3: 127/8; RFC 4291, 2.5.3: ::1
    for host in ("127.0.0.1", "127.1.2.3", "::1", "localhost"):
        assert PageSettings(host=host).here_only, host
    for host in ("0.0.0.0", "::", "192.168.1.5", "shed.local", "localhost.example"):
        assert not PageSettings(host=host).here_only, host
    assert PageSettings().open_here
    # with a web server in front, or under a name, others are meant to reach it
    assert not PageSettings(proxies=["127.0.0.1"]).open_here
    assert not PageSettings(names=["shed.example.org"]).open_here
    assert not PageSettings(host="0.0.0.0").open_here


@pytest.mark.parametrize(
    ("wrong", "said"),
    [({"names": ["http://shed"]}, "names without port"), ({"names": [""]}, "names without port"),
     ({"names": ["*"]}, "names without port"), ({"proxies": ["proxy.example"]}, "addresses or networks"),
     ({"proxies": ["*"]}, "addresses or networks"), ({"certificate": "a.pem"}, "together, or neither"),
     ({"certificate_key": "a.key"}, "together, or neither"), ({"idle_days": 0}, "greater than 0")],
)  # fmt: skip
def test_settings_that_cannot_be_are_refused(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        PageSettings(**wrong)
