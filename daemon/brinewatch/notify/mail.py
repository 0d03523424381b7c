"""Messages by mail (SMTP, RFC 5321), encrypted and to a server that proves who it is.

| what the server says | what it means here |
|---|---|
| not reached, 4xx, connection lost before the text was handed over | tried again |
| 5xx, a wrong login, a certificate that does not fit | a person must act |
| silence or a lost connection while the text was taken | nobody knows: it may arrive twice, under one Message-ID |

Now and then the server is asked whether it would take mail, so that a wrong password is found by day.
"""

from __future__ import annotations

import asyncio
import logging
import smtplib
import ssl
from collections.abc import Callable
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime, formataddr
from pathlib import Path

from brinewatch.errors import NeedsPerson, NotifyError, OutcomeUnknown, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.notify.mail_settings import MailSettings
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret

log = logging.getLogger(__name__)

_AGAIN_S = 300.0
_SUBJECT_MOST = 90


class MailNotifier:
    """Hands messages to one mail server, one at a time.

    shed_key: names the sender to people; on_health(well, reason): whether the server takes mail; folder: where file
    names in the settings start from. BrinewatchError at once for a password file that cannot be used.
    """

    way = "mail"

    def __init__(
        self, settings: MailSettings, shed_key: str, clock: Clock, on_health: Callable[[bool, str], None], *,
        folder: Path = Path(),
    ) -> None:  # fmt: skip
        self._settings = settings
        self._shed = shed_key
        self._clock = clock
        self._on_health = on_health
        self._folder = folder
        if settings.password_file is not None:
            self._password()

    async def run(self) -> None:
        """Ask the server now and then whether it would take mail, until cancelled."""
        while True:
            try:
                await self._do(self._knock)
            except NotifyError as error:
                self._on_health(False, error.what)
                pause = _AGAIN_S
            else:
                self._on_health(True, "")
                pause = self._settings.check_every_s
            await self._clock.sleep(pause)

    async def send(self, message: Message) -> Receipt:
        """Hand one message over. Raises RetryLater, NeedsPerson or OutcomeUnknown."""
        letter = self._letter(message)
        try:
            await self._do(lambda: self._hand_over(message.to, letter))
        except NotifyError as error:
            self._on_health(False, error.what)
            raise
        self._on_health(True, "")
        return Receipt((), self._clock.now())

    async def _do(self, work: Callable[[], None]) -> None:
        # every wait inside is bounded by the socket's own timeout; nothing of the loop waits for the thread
        with self._clock.hold():
            await asyncio.to_thread(work)

    # -- in a thread --------------------------------------------------------------------------------------------

    def _knock(self) -> None:
        server = self._enter()
        _leave(server)

    def _hand_over(self, to: str, letter: EmailMessage) -> None:
        server = self._enter()
        try:
            try:
                _must(server.mail(self._settings.sender), "the sender's address")
                _must(server.rcpt(to), f"the address {to}")
            except (OSError, smtplib.SMTPException) as error:
                raise _lost(error) from None
            try:
                _must(server.data(letter.as_bytes()), "the message")
            except smtplib.SMTPDataError as error:
                _must((error.smtp_code, error.smtp_error), "the message")
            except (OSError, smtplib.SMTPException) as error:
                raise OutcomeUnknown(f"The mail server fell silent while it took the message ({error}).") from None
        finally:
            _leave(server)

    def _enter(self) -> smtplib.SMTP:
        settings = self._settings
        where = f"{settings.host}:{settings.port_in_use}"
        server: smtplib.SMTP | None = None
        try:
            context = ssl.create_default_context(
                cafile=None if settings.ca_file is None else str(self._folder / settings.ca_file)
            )
            if settings.tls == "from the start":
                server = smtplib.SMTP_SSL(
                    settings.host, settings.port_in_use, timeout=settings.answer_s, context=context
                )
            else:
                server = smtplib.SMTP(settings.host, settings.port_in_use, timeout=settings.answer_s)
                if settings.tls == "starttls":
                    server.starttls(context=context)
            server.ehlo_or_helo_if_needed()
            if settings.username is not None:
                server.login(settings.username, self._password())
        except ssl.SSLCertVerificationError as error:
            _leave(server)
            raise NeedsPerson(
                f"The certificate of the mail server {where} does not prove who it is ({error.verify_message}).",
                "Correct mail.host, or name the authority in mail.ca_file.",
            ) from None
        except smtplib.SMTPNotSupportedError as error:
            _leave(server)
            raise NeedsPerson(
                f"The mail server {where} cannot do what is asked: {error}", "Look at mail.tls."
            ) from None
        except smtplib.SMTPAuthenticationError as error:
            _leave(server)
            _must((error.smtp_code, error.smtp_error), f"the login of {settings.username}")
            raise AssertionError from error  # a refusal is never a 2xx
        except smtplib.SMTPResponseException as error:
            _leave(server)
            _must((error.smtp_code, error.smtp_error), "the connection")
            raise RetryLater(f"The mail server {where} broke off ({error}).") from None
        except (OSError, smtplib.SMTPException) as error:
            _leave(server)
            raise RetryLater(f"The mail server {where} is not reached ({error}).") from None
        return server

    def _password(self) -> str:
        assert self._settings.password_file is not None
        return read_secret(self._folder / self._settings.password_file, "Password", "the mail server's password")

    def _letter(self, message: Message) -> EmailMessage:
        """The message as mail. The same message has the same Message-ID however often it is tried."""
        letter = EmailMessage()
        line = message.text.partition("\n")[0]
        letter["Subject"] = line if len(line) <= _SUBJECT_MOST else f"{line[:_SUBJECT_MOST].rpartition(' ')[0]} ..."
        letter["From"] = formataddr((f"brinewatch {self._shed}", self._settings.sender))
        letter["To"] = message.to
        letter["Date"] = format_datetime(datetime.fromtimestamp(message.created_utc, UTC))
        host = self._settings.sender.rpartition("@")[2]
        letter["Message-ID"] = f"<{self._shed}.{message.created_utc:.3f}.{message.id}@{host}>"
        letter["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday notice should answer it
        letter.set_content(message.payload or message.text)
        return letter


def _must(answer: tuple[int, bytes | str], what: str) -> None:
    """Raise unless the server said yes (2xx)."""
    code, words = answer
    if 200 <= code < 300:
        return
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    said = f"The mail server refused {what}: {code} {text.strip()}"
    if 500 <= code < 600:
        raise NeedsPerson(said, "Correct the settings of [mail], or the contact's address.")
    raise RetryLater(said)


def _lost(error: Exception) -> NotifyError:
    return RetryLater(f"The mail server broke off before it took the message ({error}).")


def _leave(server: smtplib.SMTP | None) -> None:
    if server is None:
        return
    try:
        server.quit()
    except (OSError, smtplib.SMTPException):
        server.close()
