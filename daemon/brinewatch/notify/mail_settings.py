"""Where mail and webhooks go, and how to be let in."""

from __future__ import annotations

from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from brinewatch.settings import Settings


class MailSettings(Settings):
    """A mail server that takes messages for people (the way mail)."""

    host: str = Field(min_length=1, description="name of the server that takes mail")
    tls: Literal["starttls", "from the start", "none"] = Field(
        "starttls", description="how the connection is encrypted; none only on this computer itself"
    )
    port: int | None = Field(
        None, gt=0, lt=65536, description="port; 587 with starttls, 465 with TLS from the start, 25 with none"
    )
    ca_file: str | None = Field(None, description="PEM file of the authority that signed the server's certificate; "
                                "the system's authorities when not given")  # fmt: skip
    username: str | None = Field(None, min_length=1, description="user name for the server")
    password_file: str | None = Field(None, description="file whose first line is the password; only its owner and "
                                      "group may read it")  # fmt: skip
    sender: str = Field(pattern=r"^[^\s@<>,;:\"]+@[A-Za-z0-9.-]+$", description="address the mail comes from")
    answer_s: float = Field(15.0, gt=0, le=60, description="longest wait for each answer of the server, s")
    check_every_s: float = Field(
        3600.0, ge=60, le=86400, description="how often it is tried whether the server would take mail, s"
    )

    @model_validator(mode="after")
    def _together(self) -> MailSettings:
        if (self.password_file is None) != (self.username is None):
            raise ValueError("username and password_file together, or neither")
        if self.tls == "none" and self.host not in ("localhost", "127.0.0.1", "::1"):
            raise ValueError('tls = "starttls" or "from the start" for a server elsewhere: mail and password '
                             "would be read on the way")  # fmt: skip
        return self

    @property
    def port_in_use(self) -> int:
        return self.port or {"starttls": 587, "from the start": 465}.get(self.tls, 25)


class WebhookSettings(Settings):
    """An HTTP address that takes messages for people (the way webhook)."""

    url: str = Field(description="https:// address each message is posted to; http:// only on this computer")
    headers: dict[str, str] = Field(
        default_factory=dict, description="headers sent along; none that is secret: see token_file"
    )
    body: str | None = Field(
        None, description="the body, with $id $text $number $to $shed $created put in as JSON text; "
        "a JSON object of these when left out",
    )  # fmt: skip
    token_file: str | None = Field(None, description="file whose first line is sent as Authorization: Bearer")
    secret_file: str | None = Field(
        None, description="file whose first line signs each body: HMAC-SHA256 in hex in the header Body-Signature"
    )
    answer_s: float = Field(10.0, gt=0, le=60, description="longest wait for the answer, s")

    @field_validator("url")
    @classmethod
    def _encrypted(cls, value: str) -> str:
        parts = urlsplit(value)
        here = parts.hostname in ("localhost", "127.0.0.1", "::1")
        if not parts.hostname or parts.scheme not in (("https", "http") if here else ("https",)):
            raise ValueError("an address that begins with https:// (http:// on this computer only)")
        if parts.username or parts.password:
            raise ValueError("an address without a password in it; use token_file")
        return value
