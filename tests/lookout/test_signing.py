"""Signatures, held against the published vectors and against what forgers try."""

from __future__ import annotations

import hashlib
import hmac
import json
from pathlib import Path

import pytest

from brinewatch.errors import BrinewatchError
from brinewatch.signing import BadSignature, checked_secret, opened, opened_text, sealed, sealed_text

SECRET = "a secret of the two of them"


def test_it_is_hmac_sha256_of_the_topic_and_the_sorted_fields() -> None:
    # RFC 4231 test case 2 says what HMAC-SHA-256 is; the payload is then signed with it by hand
    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    )
    said = json.loads(sealed("a/b", {"n": 1, "a": "é"}, SECRET))
    by_hand = hmac.new(SECRET.encode(), b'a/b\n{"a":"\\u00e9","n":1}', hashlib.sha256).hexdigest()
    assert said == {"n": 1, "a": "é", "mac": by_hand}


def test_what_is_sealed_opens_and_nothing_else_does() -> None:
    fields = {"n": 1, "age": 0.1, "none": None, "list": [1, 2.5]}
    text = sealed("base/quay/beat", fields, SECRET)
    assert opened("base/quay/beat", text.encode(), SECRET) == fields
    said = json.loads(text)
    forged = [
        ("base/other/beat", text, SECRET),  # moved to another's topic
        ("base/quay/beat", text, SECRET + "x"),
        ("base/quay/beat", json.dumps({**said, "n": 2}), SECRET),
        ("base/quay/beat", json.dumps({key: one for key, one in said.items() if key != "mac"}), SECRET),
        ("base/quay/beat", json.dumps({**said, "mac": 5}), SECRET),
        ("base/quay/beat", json.dumps({**said, "mac": "é"}), SECRET),
        ("base/quay/beat", json.dumps([said]), SECRET),
        ("base/quay/beat", "", SECRET),
        ("base/quay/beat", "[" * 100_000, SECRET),
        ("base/quay/beat", '{"n": NaN, "mac": "00"}', SECRET),
    ]
    for topic, payload, secret in forged:
        with pytest.raises(BadSignature):
            opened(topic, payload.encode(), secret)
    with pytest.raises(BadSignature):
        opened("base/quay/beat", b"\xff\xfe", SECRET)


def test_a_text_opens_only_whole() -> None:
    text = sealed_text("BEAT quay 1.1 1 - 0 30", SECRET)
    assert opened_text(text, SECRET) == "BEAT quay 1.1 1 - 0 30"
    assert opened_text(text.upper().replace("BEAT QUAY", "BEAT quay"), SECRET) == "BEAT quay 1.1 1 - 0 30"
    for bad in (text[:-1], text.replace("1.1", "1.2"), "BEAT", "", "é"):
        with pytest.raises(BadSignature):
            opened_text(bad, SECRET)


def test_a_short_secret_is_refused_with_a_way_to_a_better_one(tmp_path: Path) -> None:
    assert checked_secret("0123456789abcdef", "x") == "0123456789abcdef"
    with pytest.raises(BrinewatchError, match="shorter than 16") as error:
        checked_secret("0123456789abcde", str(tmp_path))
    assert "token_urlsafe" in error.value.hint
