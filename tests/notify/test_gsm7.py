"""The GSM 7-bit alphabet and its packing against published texts and an independent codec."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from smspdudecoder.codecs import GSM

from brinewatch.alarms import septets
from brinewatch.notify import gsm7
from wire.sms import vectors

LETTERS = [letter for letter in gsm7.DEFAULT if letter != "\x1b"] + list(gsm7.EXTENSION.values())
texts = st.text(st.sampled_from(LETTERS), max_size=160)


def packed(text: str) -> bytes:
    return gsm7.pack(b"".join(gsm7.codes(text)))


@pytest.mark.parametrize(("text", "octets"), vectors("gsm7_pack"))
def test_published_texts_are_packed_and_unpacked(text: str, octets: str) -> None:
    assert packed(text) == bytes.fromhex(octets)
    count = len(b"".join(gsm7.codes(text)))
    assert gsm7.text_of(gsm7.unpack(bytes.fromhex(octets), count)) == text


def test_the_tables_are_those_of_the_independent_codec() -> None:
    assert gsm7.DEFAULT == GSM.ALPHABET
    assert gsm7.EXTENSION == GSM.ALPHABET_EXT


def test_the_wording_counts_septets_by_the_same_alphabet() -> None:
    """The core and the wire must not disagree on what fits into one message."""
    for letter in LETTERS:
        assert septets.septets(letter) == len(gsm7.codes(letter)[0])
    for letter in map(chr, range(0x3000)):
        assert (septets.septets(letter) is not None) == gsm7.fits(letter), repr(letter)


@given(texts)
def test_packing_agrees_with_the_independent_codec(text: str) -> None:
    assert packed(text).hex().upper() == GSM.encode(text)


@given(texts, st.integers(0, 6))
def test_what_is_packed_after_fill_bits_comes_out_again(text: str, fill: int) -> None:
    septets_of = b"".join(gsm7.codes(text))
    octets = gsm7.pack(septets_of, fill)
    assert gsm7.unpack(octets, len(septets_of), fill) == septets_of
    assert gsm7.text_of(septets_of) == text


def test_too_few_octets_are_refused() -> None:
    with pytest.raises(ValueError, match="2 octets cannot hold 3 septets after 0 fill bits"):
        gsm7.unpack(b"\x01\x02", 3)


@pytest.mark.parametrize("letter", ["°", "µ", "–", "ő", "中", "😀", "\x1b"])
def test_a_letter_outside_does_not_fit(letter: str) -> None:
    assert not gsm7.fits(f"12 {letter}")


def test_escapes_without_a_letter_are_shown_as_the_standard_says() -> None:
    """TS 23.038, 6.2.1.1: an unknown escaped code by the default table, a doubled or last escape as a space."""
    assert gsm7.text_of(bytes([0x1B, 0x41])) == "A"
    assert gsm7.text_of(bytes([0x1B, 0x1B, 0x41])) == " A"
    assert gsm7.text_of(bytes([0x41, 0x1B])) == "A "
