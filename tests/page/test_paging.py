"""The page as the daemon serves it: the first way in, TLS by a real certificate, a proxy in front."""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from brinewatch.cli import main
from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.messages import Message
from brinewatch.page.tls import context_of, look
from brinewatch.paging import Paging, check_page, shed_page
from broker import free_port
from certificates import certify
from config.sheds import SMALL, write
from page.people import PASSWORD, proof_of, put
from page.sheds import ALL_WELL

DAY_S = 86400.0
ENDS = (129 * 365 + 32) * DAY_S
WREN = "+447700900101"
PEOPLE = f"""
[modem]
port = "ports/modem"

[[contact]]
name = "Wren"
phone = "{WREN}"
"""
HTML = {"accept": "text/html"}


def shed_file(folder: Path, page: str) -> Path:
    return write(folder, SMALL.replace("[page]\nenabled = false\n", f"[page]\n{page}\n{PEOPLE}"))


class At:
    """A page that is served."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.noted: list[str] = []
        self.sent: list[Message] = []
        self.health: list[tuple[bool, str]] = []
        self.port = 0


@contextlib.asynccontextmanager
async def paging(folder: Path, page: str) -> AsyncIterator[At]:
    at = At()
    at.port = free_port()
    shed = read_shed(shed_file(folder, f"port = {at.port}\n{page}"))

    async def ask(request: Mapping[str, Any]) -> Mapping[str, Any]:
        return {}

    def heard(well: bool, why: str) -> None:
        at.health.append((well, why))

    one = Paging(shed, SystemClock(), ask, at.said.append, at.noted.append, at.sent.extend, heard)
    task = asyncio.create_task(one.run(partial(shed_page, lambda: ALL_WELL, [])))
    try:
        scheme = "https" if "certificate" in page else "http"
        async with asyncio.timeout(10), httpx.AsyncClient(verify=False) as client:
            while True:
                with contextlib.suppress(httpx.ConnectError):
                    await client.get(f"{scheme}://127.0.0.1:{at.port}/favicon.ico")
                    break
                assert not task.done(), task
                await asyncio.sleep(0.02)
        yield at
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_beyond_this_machine_the_owner_is_sent_a_code_and_nobody_else_gets_in(tmp_path: Path) -> None:
    async with paging(tmp_path, 'host = "0.0.0.0"') as at:
        code = re.search(r"with this code: ([A-Z0-9]{4}-[A-Z0-9]{4})", at.said[0])
        assert code is not None
        assert "brinewatch account add NAME --role keep" in at.said[0]
        [sms] = at.sent
        assert (sms.way, sms.to) == ("sms", WREN)
        assert f"code {code[1]} " in sms.text
        assert len(sms.text) <= 160
        # the code itself is not for the journal's readers
        assert at.noted == ["a code for the first account was shown where the daemon was started and sent to Wren"]
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{at.port}", headers=HTML) as client:
            assert (await client.get("/")).headers["location"] == "/login?next=%2F"
            form = (await client.get("/first")).text
            assert "There is no account yet." in form
            fields = {"proof": proof_of(form), "name": "Rhona", "code": code[1], "password": PASSWORD}
            assert (await client.post("/first", data=fields)).status_code == 303
            assert "All is well." in (await client.get("/")).text
    # now there is one: no more codes
    async with paging(tmp_path, 'host = "0.0.0.0"') as at:
        assert (at.said, at.sent) == ([], [])


async def test_a_daemon_started_over_and_over_sends_no_more_than_three_codes_a_day(tmp_path: Path) -> None:
    sent = []
    for _ in range(5):
        async with paging(tmp_path, 'host = "0.0.0.0"') as at:
            assert "with this code" in at.said[0]
            sent += at.sent
    assert len(sent) == 3


async def test_on_this_machine_nobody_is_asked_until_there_are_accounts(tmp_path: Path) -> None:
    async with paging(tmp_path, "") as at, httpx.AsyncClient(headers=HTML) as client:
        url = f"http://127.0.0.1:{at.port}/"
        assert "All is well." in (await client.get(url)).text
        assert (await client.get(url, headers={"host": "evil.example"})).status_code == 421
        assert (at.said, at.sent, at.noted) == ([], [], [])
        put(read_shed(tmp_path / "shed.toml").data)
        await asyncio.sleep(3.2)
        assert (await client.get(url)).status_code == 303


async def test_over_tls_by_a_certificate_of_one_s_own(tmp_path: Path) -> None:
    certify(tmp_path)
    put(read_shed(shed_file(tmp_path, "")).data)
    trusting = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    async with paging(tmp_path, 'certificate = "host.pem"\ncertificate_key = "host.key"') as at:
        async with httpx.AsyncClient(
            verify=trusting, base_url=f"https://127.0.0.1:{at.port}", headers=HTML
        ) as client:
            answer = await client.get("/login")
            assert answer.headers["strict-transport-security"] == "max-age=31536000"
            fields = {"proof": proof_of((await client.get("/login")).text), "name": "Rhona", "password": PASSWORD}
            answer = await client.post("/login", data=fields)
            assert all("Secure" in one for one in answer.headers.get_list("set-cookie"))
            assert "All is well." in (await client.get("/")).text
        # TLS 1.1 and before are refused (RFC 8996)
        old = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
        old.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.warns(DeprecationWarning, match="TLSv1_1"):
            old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
        async with httpx.AsyncClient(verify=old) as client:
            with pytest.raises(httpx.ConnectError):
                await client.get(f"https://127.0.0.1:{at.port}/")
        assert at.health == [(True, "")]


async def test_a_renewed_certificate_is_taken_into_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brinewatch.paging._LOOK_EVERY_S", 0.05)
    certify(tmp_path)
    async with paging(tmp_path, 'certificate = "host.pem"\ncertificate_key = "host.key"') as at:
        other = tmp_path / "other"
        other.mkdir()
        certify(other)
        trusting = ssl.create_default_context(cafile=str(other / "ca.pem"))
        async with httpx.AsyncClient(verify=trusting) as client:
            with pytest.raises(httpx.ConnectError):
                await client.get(f"https://127.0.0.1:{at.port}/")
        for name in ("host.pem", "host.key"):
            shutil.copy(other / name, tmp_path / name)
        async with asyncio.timeout(10):
            while "the page's certificate was renewed" not in at.noted:
                await asyncio.sleep(0.02)
        async with httpx.AsyncClient(verify=trusting) as client:
            assert (await client.get(f"https://127.0.0.1:{at.port}/")).status_code == 200
        # spoiled on the disk, the one in use goes on, and that is said
        (tmp_path / "host.key").write_text("nothing")
        async with asyncio.timeout(10):
            while at.health[-1][0]:
                await asyncio.sleep(0.02)
        assert "host.key is no PEM file" in at.health[-1][1]
        async with httpx.AsyncClient(verify=trusting) as client:
            assert (await client.get(f"https://127.0.0.1:{at.port}/")).status_code == 200


async def test_a_proxy_is_believed_only_when_it_is_named(tmp_path: Path) -> None:
    put(read_shed(shed_file(tmp_path, "")).data)
    forwarded = {"x-forwarded-for": "6.6.6.6, 203.0.113.7", "x-forwarded-proto": "https"}
    for page, address, secure in (("", "127.0.0.1", False), ('proxies = ["127.0.0.1"]', "203.0.113.7", True)):
        async with paging(tmp_path, page) as at:
            async with httpx.AsyncClient(
                base_url=f"http://127.0.0.1:{at.port}", headers={**HTML, **forwarded}
            ) as client:
                answer = await client.get("/login")
                cookies = {"cookie": answer.headers["set-cookie"].split(";")[0]}
                fields = {"proof": proof_of(answer.text), "name": "Rhona", "password": PASSWORD}
                answer = await client.post("/login", data=fields, headers=cookies)
                assert answer.status_code == 303
                assert ("Secure" in answer.headers["set-cookie"]) is secure
                assert ("strict-transport-security" in answer.headers) is secure
            assert at.noted == [f"Rhona (keep) logged in from {address}"]


# -- certificates -------------------------------------------------------------------------------------------------


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True, timeout=30)


def signed_by_itself(folder: Path, begin: str, end: str) -> None:
    openssl(folder, "ecparam", "-name", "prime256v1", "-genkey", "-noout", "-out", "own.key")
    openssl(folder, "req", "-new", "-key", "own.key", "-subj", "/CN=shed", "-out", "own.csr")
    (folder / "own.ext").write_text("subjectAltName=DNS:shed.example.org,IP:192.0.2.1\nbasicConstraints=CA:FALSE\n")
    (folder / "index.txt").write_text("")
    (folder / "serial").write_text("01\n")
    (folder / "ca.conf").write_text(
        "[ca]\ndefault_ca=x\n[x]\ndatabase=index.txt\nserial=serial\nnew_certs_dir=.\ndefault_md=sha256\npolicy=p\n"
        "email_in_dn=no\n[p]\ncommonName=supplied\n"
    )
    openssl(folder, "ca", "-config", "ca.conf", "-batch", "-selfsign", "-keyfile", "own.key", "-in", "own.csr",
            "-extfile", "own.ext", "-startdate", begin, "-enddate", end, "-notext", "-out", "own.pem")  # fmt: skip


@pytest.mark.parametrize(
    ("begin", "end", "said"),
    [("20200101000000Z", "20990101000000Z", ""), ("20200101000000Z", "20210101000000Z", "has ended"),
     ("20980101000000Z", "20990101000000Z", "does not count yet")],
)  # fmt: skip
def test_until_when_a_certificate_counts_and_for_whom(tmp_path: Path, begin: str, end: str, said: str) -> None:
    signed_by_itself(tmp_path, begin, end)
    own = str(tmp_path / "own.pem")
    found = look(own, context_of(own, str(tmp_path / "own.key")))
    now = SystemClock().now().utc
    assert found.words(now) == (f"the page's certificate {said}" if said else "")
    if not said:
        # 2099-01-01T00:00:00Z, from the calendar: 129 years with 32 leap days after 1970-01-01
        assert found.ends_utc == ENDS
        assert found.names == ("shed.example.org", "192.0.2.1")
        assert found.words(ENDS - 10 * DAY_S) == "the page's certificate ends in 10 days"
        assert found.words(ENDS - 22 * DAY_S) == ""


def test_what_is_no_certificate_is_said_with_what_to_do(tmp_path: Path) -> None:
    certify(tmp_path)
    openssl(tmp_path, "pkey", "-in", "host.key", "-aes256", "-passout", "pass:secret", "-out", "locked.key")
    (tmp_path / "rubbish.pem").write_text("-----BEGIN CERTIFICATE-----\nrubbish\n-----END CERTIFICATE-----\n")
    (tmp_path / "plain.pem").write_text("nothing")
    for certificate, key, said in (
        ("host.pem", "ca.key", "does not belong to the certificate"),
        ("host.pem", "locked.key", "locked by a password"),
        ("rubbish.pem", "host.key", "cannot be used"), ("plain.pem", "host.key", "is no PEM file"),
        ("none.pem", "host.key", "No such file"), ("host.pem", "host.pem", "cannot be used"),
    ):  # fmt: skip
        with pytest.raises(BrinewatchError, match=said) as caught:
            context_of(str(tmp_path / certificate), str(tmp_path / key))
        assert caught.value.hint


# -- what `check` says --------------------------------------------------------------------------------------------


def test_check_says_what_a_page_for_the_network_needs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    now = SystemClock().now().utc
    assert check_page(read_shed(shed_file(tmp_path, "")), now) == []
    path = shed_file(tmp_path, 'host = "0.0.0.0"')
    assert main(["check", "--no-probes", str(path)]) == 0
    told = capsys.readouterr().out
    assert "without encryption: passwords can be read there" in told
    assert "has no accounts yet" in told
    assert not (read_shed(path).data / "accounts.sqlite").exists()
    certify(tmp_path)
    path = shed_file(tmp_path, 'host = "0.0.0.0"\ncertificate = "host.pem"\ncertificate_key = "ca.key"')
    assert main(["check", "--no-probes", str(path)]) == 1
    assert "does not belong to the certificate" in capsys.readouterr().err
    path = shed_file(tmp_path, 'host = "0.0.0.0"\ncertificate = "host.pem"\ncertificate_key = "host.key"')
    put(read_shed(path).data)
    assert check_page(read_shed(path), now) == []
    assert check_page(read_shed(path), now + 15 * DAY_S) == ["The page's certificate ends in 15 days."]
    assert any(alarm.id == "page-failing@page.health" for alarm in read_shed(path).alarms)
    path = shed_file(tmp_path, 'certificate = "none.pem"\ncertificate_key = "host.key"')
    with pytest.raises(ConfigurationError, match=r"page\.certificate = 'none.pem': expected a file"):
        read_shed(path)


def test_check_names_an_accounts_file_it_cannot_read(tmp_path: Path) -> None:
    shed = read_shed(shed_file(tmp_path, 'host = "0.0.0.0"'))
    shed.data.mkdir()
    (shed.data / "accounts.sqlite").write_bytes(b"something else" * 100)
    with pytest.raises(BrinewatchError, match=r"accounts\.sqlite failed \(file is not a database\)"):
        check_page(shed, 0.0)
