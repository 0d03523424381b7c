"""Messages posted to an HTTP address.

| what comes back | what it means here |
|---|---|
| 2xx | taken |
| 408, 425, 429, 5xx, no connection | tried again |
| any other 4xx, a redirect, a certificate that does not fit | a person must act |
| silence after the body was handed over | nobody knows: it may arrive twice; `id` is the same |
"""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import ssl
from collections.abc import Callable
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

from brinewatch.errors import BrinewatchError, NeedsPerson, NotifyError, OutcomeUnknown, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.moment import utc_text
from brinewatch.notify.mail_settings import WebhookSettings
from brinewatch.ports import Clock
from brinewatch.secretfile import read_secret

if TYPE_CHECKING:
    import httpx

log = logging.getLogger(__name__)

_LATER = frozenset({408, 425, 429})
_AWAKE_S = 3600.0


class WebhookNotifier:
    """Posts each message to one address. BrinewatchError at once for a body or a secret that cannot be used."""

    way = "webhook"

    def __init__(
        self, settings: WebhookSettings, shed_key: str, clock: Clock, on_health: Callable[[bool, str], None], *,
        folder: Path = Path(),
    ) -> None:  # fmt: skip
        self._settings = settings
        self._shed = shed_key
        self._clock = clock
        self._on_health = on_health
        self._folder = folder
        self._secrets()
        self._body(Message("0", self.way, "", "", None, 0.0))

    async def run(self) -> None:
        """Nothing keeps this way open; it is well until a message is refused."""
        while True:
            await self._clock.sleep(_AWAKE_S)

    async def send(self, message: Message) -> Receipt:
        """Post one message. Raises RetryLater, NeedsPerson or OutcomeUnknown."""
        try:
            await self._post(message)
        except NotifyError as error:
            self._on_health(False, error.what)
            raise
        self._on_health(True, "")
        return Receipt((), self._clock.now())

    async def _post(self, message: Message) -> None:
        import httpx

        body = self._body(message)
        token, secret = self._secrets()
        headers = {"Content-Type": "application/json", "User-Agent": "brinewatch", **self._settings.headers}
        if token is not None:
            headers["Authorization"] = f"Bearer {token}"
        if secret is not None:
            headers["Body-Signature"] = hmac.new(secret.encode(), body, hashlib.sha256).hexdigest()
        try:
            with self._clock.hold():
                async with httpx.AsyncClient(timeout=self._settings.answer_s, follow_redirects=False) as client:
                    answer = await client.post(self._settings.url, content=body, headers=headers)
        except httpx.TransportError as error:
            raise _not_taken(error) from None
        if answer.is_success:
            return
        said = f"The webhook's server answered {answer.status_code}"
        if answer.status_code in _LATER or answer.is_server_error:
            raise RetryLater(f"{said}.")
        if answer.is_redirect:
            raise NeedsPerson(f"{said}: it sends elsewhere, which is not followed.", "Correct webhook.url.")
        raise NeedsPerson(f"{said}: it does not want the message.", "Look at the settings of [webhook].")

    def _body(self, message: Message) -> bytes:
        fields: dict[str, Any] = {
            "id": f"{self._shed}.{message.created_utc:.3f}.{message.id}", "shed": self._shed,
            "number": message.number, "to": message.to, "text": message.text,
            "created": utc_text(message.created_utc),
        }  # fmt: skip
        if self._settings.body is None:
            return json.dumps(fields).encode()
        # as JSON text without its quotes: nothing a probe or a person wrote can end the string it stands in
        put = {key: json.dumps("" if value is None else str(value))[1:-1] for key, value in fields.items()}
        try:
            made = Template(self._settings.body).substitute(put)
        except (KeyError, ValueError) as error:
            known = f"Known: {', '.join('$' + key for key in fields)}; $$ is $."
            raise BrinewatchError(f"webhook.body cannot be filled in ({error}).", known) from None
        return made.encode()

    def _secrets(self) -> tuple[str | None, str | None]:
        token, secret = self._settings.token_file, self._settings.secret_file
        return (
            None if token is None else read_secret(self._folder / token, "Token", "the webhook's token"),
            None if secret is None else read_secret(self._folder / secret, "Secret", "the webhook's secret"),
        )


def _not_taken(error: httpx.TransportError) -> NotifyError:
    import httpx

    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return NeedsPerson(
                f"The certificate of the webhook's server does not prove who it is ({cause.verify_message}).",
                "Correct webhook.url.",
            )
        cause = cause.__cause__ or cause.__context__
    if isinstance(error, (httpx.ConnectError, httpx.ConnectTimeout, httpx.PoolTimeout)):
        return RetryLater(f"The webhook's server is not reached ({error or type(error).__name__}).")
    return OutcomeUnknown(f"The webhook's server fell silent ({type(error).__name__}).")
