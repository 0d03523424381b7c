"""The page's certificate: whether it can be used, until when, and for which names."""

from __future__ import annotations

import contextlib
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brinewatch.errors import BrinewatchError

SOON_S = 21 * 86400.0
_EXPIRED, _NOT_YET = 10, 9  # X509_V_ERR_CERT_HAS_EXPIRED, X509_V_ERR_CERT_NOT_YET_VALID of OpenSSL


@dataclass(frozen=True, slots=True)
class Certificate:
    """What is known of a certificate. ends_utc: None when browsers would refuse it already, for the reason in
    `fault`; names: the hosts it is for."""

    ends_utc: float | None
    names: tuple[str, ...] = ()
    fault: str = ""

    def words(self, now_utc: float) -> str:
        """What is wrong with it now, or soon; "" for nothing."""
        if self.ends_utc is None:
            return f"the page's certificate {self.fault}"
        days = (self.ends_utc - now_utc) / 86400
        if days <= 0:
            return "the page's certificate has ended"
        return f"the page's certificate ends in {days:.0f} days" if days * 86400 <= SOON_S else ""


def context_of(certificate: str, key: str) -> ssl.SSLContext:
    """For a server with this certificate. BrinewatchError when a file cannot be used, or the two do not belong."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load(context, certificate, key)
    return context


def load(context: ssl.SSLContext, certificate: str, key: str) -> None:
    """Take a certificate into use; connections that stand keep the one they began with. As `context_of`."""
    for what, name in (("certificate", certificate), ("key", key)):
        try:
            text = Path(name).read_bytes()
        except OSError as error:
            raise BrinewatchError(
                f"The page's {what} {name} cannot be read ({error.strerror}).",
                "Let the daemon's user read it, or correct page.certificate and page.certificate_key.",
            ) from error
        if b"-----BEGIN" not in text:
            raise BrinewatchError(
                f"The page's {what} {name} is no PEM file.", "Convert it: openssl x509, openssl pkey."
            )
        if what == "key" and b"ENCRYPTED" in text:
            raise BrinewatchError(
                f"The page's key {name} is locked by a password, which nobody can give at a start.",
                "Take it off: openssl pkey -in OLD -out NEW, and chmod 600.",
            )
    try:
        context.load_cert_chain(certificate, key, password=lambda: b"")
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise BrinewatchError(
                f"The key {key} does not belong to the certificate {certificate}.",
                "Name the two that were made together.",
            ) from error
        raise BrinewatchError(
            f"The page's certificate {certificate} or its key {key} cannot be used ({error.reason or error}).",
            "Make both again, or name the right files.",
        ) from error


def look(certificate: str, context: ssl.SSLContext) -> Certificate:
    """Shake hands with oneself, as a browser would that trusts just this certificate."""
    try:
        client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        client.check_hostname = False
        client.load_verify_locations(certificate)
        client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        told = _shake(client, context)
    except ssl.SSLCertVerificationError as error:
        words = {_EXPIRED: "has ended", _NOT_YET: "does not count yet"}
        return Certificate(
            None, (), words.get(error.verify_code, f"is refused by browsers: {error.verify_message}")
        )
    except ssl.SSLError as error:
        return Certificate(None, (), f"is refused by browsers: {error.reason or error}")
    names = tuple(
        str(name).lower() for kind, name in told.get("subjectAltName", ()) if kind in ("DNS", "IP Address")
    )
    return Certificate(float(ssl.cert_time_to_seconds(told["notAfter"])), names)


def _shake(client: ssl.SSLContext, server: ssl.SSLContext) -> dict[str, Any]:
    up, down = ssl.MemoryBIO(), ssl.MemoryBIO()
    near = client.wrap_bio(down, up)
    far = server.wrap_bio(up, down, server_side=True)
    for _ in range(6):
        with contextlib.suppress(ssl.SSLWantReadError):
            near.do_handshake()
            return near.getpeercert() or {}
        with contextlib.suppress(ssl.SSLWantReadError):
            far.do_handshake()
    raise ssl.SSLError("the handshake has no end")
