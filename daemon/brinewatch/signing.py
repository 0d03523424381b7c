"""What two machines that share a secret say to each other, signed: HMAC-SHA-256 (RFC 2104, FIPS 180-4).

A signature says who wrote it and for which topic. That it is new it does not say: whoever opens it holds its
numbers against those heard before. Nothing here is encrypted.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from collections.abc import Mapping
from typing import Any

from brinewatch.errors import BrinewatchError

MAC = "mac"
SHORTEST = 16  # characters of a secret: fewer can be guessed by trying
# RFC 2104 section 5: not fewer than 80 bits of a cut-off mac; 16 letters of base 32 are in every phone's alphabet
_TEXT_BYTES, _TEXT_LETTERS = 10, 16


class BadSignature(BrinewatchError):
    """What was heard is not what the holder of the secret wrote for this place."""


def checked_secret(secret: str, where: str) -> str:
    """The secret itself. BrinewatchError when it is too short to keep anybody out."""
    if len(secret.strip()) < SHORTEST:
        raise BrinewatchError(
            f"The secret in {where} is shorter than {SHORTEST} characters.",
            "Make one: python3 -c 'import secrets; print(secrets.token_urlsafe(32))'",
        )
    return secret


def _canonical(fields: Mapping[str, Any]) -> str:
    return json.dumps(fields, ensure_ascii=True, allow_nan=False, separators=(",", ":"), sort_keys=True)


def _mac(topic: str, body: str, secret: str) -> bytes:
    return hmac.digest(secret.strip().encode(), f"{topic}\n{body}".encode(), "sha256")


def sealed(topic: str, fields: Mapping[str, Any], secret: str) -> str:
    """The fields as JSON with `mac`: over the topic, a line feed and the fields with sorted keys and no spaces."""
    return _canonical({**fields, MAC: _mac(topic, _canonical(fields), secret).hex()})


def opened(topic: str, payload: bytes, secret: str) -> dict[str, Any]:
    """The fields of a payload sealed for this topic, without `mac`. BadSignature for everything else."""
    try:
        fields = json.loads(payload)
        said = fields.pop(MAC)
        right = _mac(topic, _canonical(fields), secret).hex()
    except (ValueError, KeyError, AttributeError, TypeError, RecursionError):
        raise BadSignature("not signed") from None
    if not isinstance(said, str) or not hmac.compare_digest(said.encode("utf-8", "replace"), right.encode()):
        raise BadSignature("the signature is wrong")
    return dict(fields)


def _short_mac(text: str, secret: str) -> str:
    digest = hmac.new(secret.strip().encode(), text.encode(), hashlib.sha256).digest()
    return base64.b32encode(digest[:_TEXT_BYTES]).decode().lower()


def sealed_text(text: str, secret: str) -> str:
    """A short text with 16 letters of signature at its end."""
    return f"{text} {_short_mac(text, secret)}"


def opened_text(text: str, secret: str) -> str:
    """A short text without its signature. BadSignature when that is not right."""
    said, _, mac = text.strip().rpartition(" ")
    if not said or not hmac.compare_digest(
        mac.lower().encode("utf-8", "replace"), _short_mac(said, secret).encode()
    ):
        raise BadSignature("the signature is wrong")
    return said
