"""SDI-12 answers taken apart; check values from the standard (tests/wire/probe_vectors.csv names the places)."""

from __future__ import annotations

import pytest

from brinewatch.errors import BadAnswer
from brinewatch.probes.registers import crc16
from brinewatch.probes.sdi12_text import body, command_of, crc_signs, identity, started, values
from probes.conftest import vectors


@pytest.mark.parametrize(("data", "line", "source"), vectors("sdi12_crc"))
def test_crc_examples_of_the_standard(data: str, line: str, source: str) -> None:
    whole = line.replace("<CR><LF>", "\r\n").encode("ascii")
    assert data.encode("ascii") + crc_signs(data.encode("ascii")) + b"\r\n" == whole, source
    assert body(whole, data[0], crc=True) == data[1:]


def test_crc_of_the_catalogue() -> None:
    given = [expected for what, expected, _ in vectors("crc_check") if "CRC-16/ARC" in what]
    assert given == [f"0x{crc16(b'123456789', 0):04X}"]


def test_every_change_of_one_character_is_found_by_the_crc() -> None:
    whole = b"0+3.14OqZ\r\n"
    for place in range(len(whole) - 2):
        for sign in range(0x20, 0x80):
            if sign == whole[place]:
                continue
            with pytest.raises(BadAnswer):
                body(whole[:place] + bytes([sign]) + whole[place + 1 :], "0", crc=True)


def test_a_crc_may_hold_the_sign_7f() -> None:
    found = next(data for number in range(100_000) if b"\x7f" in crc_signs(data := f"0+{number}".encode("ascii")))
    assert body(found + crc_signs(found) + b"\r\n", "0", crc=True) == found[1:].decode("ascii")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"0+3.14OqZ\r", "without its end"),
        (b"", "without its end"),
        (b"\r\n", "garbled"),
        (b"\x00\x00\r\n", "garbled"),
        (b"1+3.14OqZ\r\n", "Address '1' answered instead of '0'"),
        (b"0+3.15OqZ\r\n", "CRC of the answer of address 0 is wrong"),
        (b"0\r\n", "has no CRC"),
        (b"0+3\xb714OqZ\r\n", "garbled"),
        (b"0" + b"+1" * 40 + b"OqZ\r\n", "84 bytes came; 79 are allowed"),
    ],
)
def test_no_bad_answer_passes(line: bytes, says: str) -> None:
    with pytest.raises(BadAnswer, match=says):
        body(line, "0", crc=True)


def test_a_line_driver_turning_round_harms_nothing() -> None:
    assert body(b"\x00\xff0+3.14OqZ\r\n", "0", crc=True) == "+3.14"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("+3.14", [3.14]),
        ("-0.5+101.3", [-0.5, 101.3]),
        ("+1.11+2.22+3.33", [1.11, 2.22, 3.33]),
        ("+1234567-1.234567", [1234567.0, -1.234567]),
        ("+5.-.5+0", [5.0, -0.5, 0.0]),
        ("", []),
    ],
)
def test_values_with_their_signs(text: str, expected: list[float]) -> None:
    assert values(text) == expected


@pytest.mark.parametrize(
    "text", ["3.14", "+", "+-1", "+1.2.3", "+1 2", "+nan", "+1e5", "+.", "+1,2", "+12345678", "++1", "1+2", "+1-"]
)
def test_what_is_no_row_of_signed_numbers_is_refused(text: str) -> None:
    with pytest.raises(BadAnswer):
        values(text)


def test_times_and_numbers_of_values() -> None:
    assert started("0013", "M") == (1, 3)
    assert started("00512", "C") == (5, 12)
    for text, kind in (("00512", "M"), ("0013", "C"), ("", "M"), ("+001", "M"), ("٠٠١٣", "M")):
        with pytest.raises(BadAnswer, match="instead of a time"):
            started(text, kind)


def test_commands_with_and_without_crc() -> None:
    assert [command_of(one, crc=True) for one in ("M", "M1", "C", "C9", "R0")] == ["MC", "MC1", "CC", "CC9", "RC0"]
    assert [command_of(one, crc=False) for one in ("M", "M1", "C", "C9", "R0")] == ["M", "M1", "C", "C9", "R0"]


def test_identification() -> None:
    said = identity("14GANNETQYSEABUD100SN0001")
    assert (said.protocol, said.maker, said.model, said.version, said.more) == (
        "14", "GANNETQY", "SEABUD", "100", "SN0001",
    )  # fmt: skip
    assert str(said) == "GANNETQY SEABUD 100 SN0001"
    for text in ("14SHORT", "1XGANNETQYSEABUD100", "14GANNETQYSEABUD100" + "x" * 14):
        with pytest.raises(BadAnswer, match="which is none"):
            identity(text)
