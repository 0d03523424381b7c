"""Mail against a real SMTP server (aiosmtpd, RFC 5321) that fails in every way it can."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from brinewatch.clock import SystemClock
from brinewatch.errors import BrinewatchError, NeedsPerson, OutcomeUnknown, RetryLater
from brinewatch.messages import Message
from brinewatch.notify.mail import MailNotifier
from brinewatch.notify.mail_settings import MailSettings
from broker import free_port
from certificates import certify

TO = "wren@example.org"


@dataclass
class Postbox:
    """What the server got, and what it answers: by command."""

    answers: dict[str, str] = field(default_factory=dict)
    got: list[EmailMessage] = field(default_factory=list)
    hangs: str = ""
    tls_seen: list[bool] = field(default_factory=list)

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        envelope.mail_from = address
        return await self._answer("MAIL", "250 OK")

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        answer = await self._answer("RCPT", "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.tls_seen.append(session.ssl is not None)
        answer = await self._answer("DATA", "250 taken")
        if answer.startswith("250"):
            parsed = message_from_bytes(envelope.content, policy=policy.default)
            assert isinstance(parsed, EmailMessage)
            self.got.append(parsed)
        return answer

    async def _answer(self, command: str, usual: str) -> str:
        if self.hangs == command:
            await asyncio.sleep(3)
        return self.answers.get(command, usual)


@contextmanager
def server(box: Postbox, folder: Path, *, tls: bool = False, password: str | None = None) -> Iterator[int]:
    context = None
    if tls:
        certify(folder)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(folder / "host.pem", folder / "host.key")

    def login(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        return AuthResult(success=data.password.decode() == password, handled=False)

    port = free_port()
    one = Controller(
        box, hostname="127.0.0.1", port=port, tls_context=context, require_starttls=tls,
        authenticator=login if password else None, auth_required=password is not None,
    )  # fmt: skip
    one.start()
    try:
        yield port
    finally:
        one.stop()


def plain(port: int, **how: Any) -> MailSettings:
    return MailSettings(host="127.0.0.1", port=port, tls="none", sender="shed@example.org", answer_s=1.0, **how)


def letter(text: str = "GANNET QUAY 02:14 AIR STOPPED. Reply OK 12", **how: Any) -> Message:
    return Message("41", "mail", TO, text, 12, 1_790_200_800.0, **how)


def notifier(settings: MailSettings, folder: Path, said: list[tuple[bool, str]] | None = None) -> MailNotifier:
    heard = said if said is not None else []
    return MailNotifier(
        settings, "gannet-quay", SystemClock(), lambda well, why: heard.append((well, why)), folder=folder
    )


async def test_a_message_arrives_with_what_mail_needs(tmp_path: Path) -> None:
    box, said = Postbox(), list[tuple[bool, str]]()
    with server(box, tmp_path) as port:
        mail = notifier(plain(port), tmp_path, said)
        await mail.send(letter("Raceway 12.4 °C since 02:14"))
        await mail.send(letter("Raceway 12.4 °C since 02:14"))
        await mail.send(letter("short", payload="a long report\nof two lines"))
    first, second, report = box.got
    assert first["Subject"] == "Raceway 12.4 °C since 02:14"
    assert first["To"] == TO
    assert first["From"] == "brinewatch gannet-quay <shed@example.org>"
    assert first.get_content().strip() == "Raceway 12.4 °C since 02:14"
    assert first["Date"] == "Wed, 23 Sep 2026 22:00:00 +0000"  # RFC 5322, 3.3
    assert first["Auto-Submitted"] == "auto-generated"  # RFC 3834, 5
    assert first["Message-ID"] == second["Message-ID"]  # tried twice, it is one message to a mail reader
    assert report["Message-ID"] == first["Message-ID"]
    assert report.get_content().split("\n")[:2] == ["a long report", "of two lines"]
    assert set(said) == {(True, "")}


@pytest.mark.parametrize("command", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize(("code", "kind"), [("451 later", RetryLater), ("550 no such user", NeedsPerson)])
async def test_a_refusal_is_taken_for_what_it_is(
    tmp_path: Path, command: str, code: str, kind: type[Exception]
) -> None:
    box, said = Postbox(answers={command: code}), list[tuple[bool, str]]()
    with server(box, tmp_path) as port, pytest.raises(kind, match=code):
        await notifier(plain(port), tmp_path, said).send(letter())
    assert box.got == []
    assert said[-1][0] is False


async def test_silence_before_the_text_is_tried_again_and_silence_after_it_is_unknown(tmp_path: Path) -> None:
    for command, kind in (("RCPT", RetryLater), ("DATA", OutcomeUnknown)):
        with server(Postbox(hangs=command), tmp_path) as port, pytest.raises(kind):
            await notifier(plain(port), tmp_path).send(letter())


async def test_a_server_that_is_not_there_is_tried_again(tmp_path: Path) -> None:
    with pytest.raises(RetryLater, match="not reached"):
        await notifier(plain(free_port()), tmp_path).send(letter())


async def test_a_server_that_takes_the_call_and_says_nothing_is_left_in_time(tmp_path: Path) -> None:
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        with pytest.raises(RetryLater, match="not reached"):
            await notifier(plain(mute.getsockname()[1]), tmp_path).send(letter())


def starttls(port: int, **how: Any) -> MailSettings:
    login = {"username": "shed", "password_file": "secret", "ca_file": "ca.pem"}
    return MailSettings(host="127.0.0.1", port=port, sender="shed@example.org", answer_s=2.0, **{**login, **how})


def secret(folder: Path, text: str = "p4ss") -> None:
    (folder / "secret").write_text(f"{text}\n")
    (folder / "secret").chmod(0o600)


async def test_with_a_login_over_starttls(tmp_path: Path) -> None:
    secret(tmp_path)
    box = Postbox()
    with server(box, tmp_path, tls=True, password="p4ss") as port:
        await notifier(starttls(port), tmp_path).send(letter())
    assert len(box.got) == 1
    assert box.tls_seen == [True]


async def test_a_wrong_password_and_a_strange_certificate_need_a_person(tmp_path: Path) -> None:
    secret(tmp_path, "wrong")
    with server(Postbox(), tmp_path, tls=True, password="p4ss") as port:
        with pytest.raises(NeedsPerson, match="login of shed: 535"):
            await notifier(starttls(port), tmp_path).send(letter())
        (tmp_path / "second").mkdir()
        certify(tmp_path / "second")
        with pytest.raises(NeedsPerson, match="does not prove who it is"):
            await notifier(starttls(port, ca_file="second/ca.pem"), tmp_path).send(letter())


async def test_it_is_found_by_day_whether_the_server_would_take_mail(tmp_path: Path) -> None:
    said: list[tuple[bool, str]] = []
    port = free_port()
    run = asyncio.ensure_future(notifier(plain(port), tmp_path, said).run())
    while not said:
        await asyncio.sleep(0.01)
    run.cancel()
    assert not said[0][0]
    assert "not reached" in said[0][1]
    said.clear()
    box = Postbox()
    with server(box, tmp_path) as port:
        run = asyncio.ensure_future(notifier(plain(port), tmp_path, said).run())
        while not said:
            await asyncio.sleep(0.01)
        run.cancel()
        await asyncio.gather(run, return_exceptions=True)
    assert said == [(True, "")]
    assert box.got == []


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"tls": "none", "host": "mail.example.org"}, "would be read on the way"),
        ({"username": "shed"}, "username and password_file together"),
        ({"sender": "shed"}, "pattern"),
        ({"tls": "ssl"}, "starttls"),
    ],
)
def test_faults_of_the_settings(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        MailSettings.model_validate({"host": "mail.example.org", "sender": "shed@example.org", **changes})


def test_the_usual_ports() -> None:
    # IANA service names: smtp 25, submission 587, submissions 465
    given = {"host": "localhost", "sender": "shed@example.org"}
    ports = [
        MailSettings.model_validate({**given, "tls": tls}).port_in_use
        for tls in ("none", "starttls", "from the start")
    ]
    assert ports == [25, 587, 465]


def test_a_password_everybody_can_read_is_refused_at_once(tmp_path: Path) -> None:
    secret(tmp_path)
    (tmp_path / "secret").chmod(0o644)
    with pytest.raises(BrinewatchError, match="open to every user"):
        notifier(starttls(2525), tmp_path)
