"""What the guide to accounts says is what happens: its web server in front, its certificate, its requests."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import shlex
import shutil
import ssl
import subprocess
import tomllib
from collections.abc import AsyncIterator
from pathlib import Path

import httpx

from brinewatch.cli import _parser
from brinewatch.config import read_shed
from brinewatch.page.api import UNDER, create_api
from brinewatch.page.server import PageSettings
from brinewatch.page.tls import context_of, look
from broker import free_port
from certificates import certify
from page.people import PASSWORD, proof_of, put
from page.test_paging import HTML, paging, shed_file

GUIDE = (Path(__file__).parents[2] / "deploy" / "guides" / "accounts.md").read_text(encoding="utf-8")
NGINX = shutil.which("nginx") or "/usr/sbin/nginx"
SERVER = """
{user}
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  server {{
    listen 127.0.0.1:{port} ssl;
    ssl_certificate {folder}/host.pem;
    ssl_certificate_key {folder}/host.key;
{location}
  }}
}}
"""


def location(behind: int) -> str:
    """The block of the guide, with the port the page has here."""
    block = re.search(r"^    location / \{\n.*?^    \}$", GUIDE, re.MULTILINE | re.DOTALL)
    assert block is not None
    assert "127.0.0.1:8480" in block[0]
    return block[0].replace("127.0.0.1:8480", f"127.0.0.1:{behind}")


@contextlib.asynccontextmanager
async def in_front(folder: Path, behind: int) -> AsyncIterator[int]:
    port = free_port()
    user = "user root;" if os.geteuid() == 0 else ""
    (folder / "nginx.conf").write_text(
        SERVER.format(folder=folder, port=port, user=user, location=location(behind))
    )
    process = subprocess.Popen(
        [NGINX, "-e", str(folder / "error.log"), "-p", str(folder), "-c", str(folder / "nginx.conf")]
    )
    try:
        async with asyncio.timeout(10):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                    writer.close()
                    await writer.wait_closed()
                    break
                await asyncio.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(10)


async def test_behind_the_guide_s_web_server_one_logs_in_over_tls(tmp_path: Path) -> None:
    certify(tmp_path)
    put(read_shed(shed_file(tmp_path, "")).data)
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    async with (
        paging(tmp_path, 'proxies = ["127.0.0.1"]') as at,
        in_front(tmp_path, at.port) as port,
        httpx.AsyncClient(verify=trusting, base_url=f"https://127.0.0.1:{port}", headers=HTML) as client,
    ):
        # what a stranger claims of himself is not passed on
        lie = {"x-forwarded-for": "6.6.6.6"}
        assert (await client.get("/", headers=lie)).headers["location"] == "/login?next=%2F"
        fields = {"proof": proof_of((await client.get("/login")).text), "name": "Rhona", "password": PASSWORD}
        answer = await client.post("/login", data=fields, headers={**lie, "origin": f"https://127.0.0.1:{port}"})
        assert answer.status_code == 303
        assert all("; Secure" in cookie for cookie in answer.headers.get_list("set-cookie"))
        assert answer.headers["strict-transport-security"]
        assert "All is well." in (await client.get("/")).text
        assert at.noted == ["Rhona (keep) logged in from 127.0.0.1"]
        # another site's name is passed on as such, and refused
        assert (await client.get("/", headers={"host": "evil.example"})).status_code == 421


def test_the_guide_s_certificate_is_one_for_its_names(tmp_path: Path) -> None:
    block = re.search(r"^    (openssl req .*?)\n    chmod", GUIDE, re.MULTILINE | re.DOTALL)
    assert block is not None
    subprocess.run(shlex.split(block[1].replace("\\\n", " ")), cwd=tmp_path, check=True, capture_output=True)
    found = look(str(tmp_path / "shed.pem"), context_of(str(tmp_path / "shed.pem"), str(tmp_path / "shed.key")))
    assert (found.names, found.fault) == (("shed.local", "192.168.1.5"), "")


def test_the_settings_and_the_requests_of_the_guide_are_there() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    assert len(blocks) == 2
    for block in blocks:
        assert PageSettings(**tomllib.loads(block)["page"]) is not None
    paths = create_api(None, None).openapi()["paths"]  # type: ignore[arg-type]
    told = set(re.findall(r"`(?:GET |POST )?/api/1(/[a-z.]+)(?:/[a-z_.]+)?[`]", GUIDE)) - {"/openapi.json"}
    assert told == {path.split("/{")[0] for path in paths}
    assert UNDER == "/api/1"
    for line in re.findall(r"^    (?:TOKEN=\$\()?brinewatch (account .*?)\)?(?:\s+#.*)?$", GUIDE, re.MULTILINE):
        words = shlex.split(line.replace("look|acknowledge|keep", "look").replace("ROLE", "look"))
        assert _parser().parse_args(words).command == "account"
