"""Frames and registers by the Modbus standards, with no line at all."""

from __future__ import annotations

import contextlib
import math
import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient
from pymodbus.framer import FramerRTU

from brinewatch.errors import BadAnswer, ProbeError, ProbeFault
from brinewatch.probes.registers import EXCEPTIONS, MOST_WORDS, Span, crc16, frame_gap_s, judge, number, spans
from probes.conftest import vectors


def frame(body: str) -> bytes:
    data = bytes.fromhex(body)
    return data + FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(("body", "expected", "source"), vectors("modbus_rtu_crc_wire_order"))
def test_crc_in_wire_order(body: str, expected: str, source: str) -> None:
    assert crc16(bytes.fromhex(body)).to_bytes(2, "little") == bytes.fromhex(expected), source


def test_crc_of_the_catalogue() -> None:
    """CRC-16/MODBUS check value of the catalogue of parametrised CRC algorithms."""
    expected = next(value for name, value, _ in vectors("crc_check") if "MODBUS" in name)
    assert crc16(b"123456789") == int(expected, 16)


@given(st.binary(max_size=300))
def test_crc_agrees_with_pymodbus(data: bytes) -> None:
    assert crc16(data) == int.from_bytes(FramerRTU.compute_CRC(data).to_bytes(2, "big"), "little")


@pytest.mark.parametrize(("text", "expected", "source"), vectors("modbus_pdu"))
def test_example_replies_of_the_standard_pass(text: str, expected: str, source: str) -> None:
    ask, reply = (bytes.fromhex(part) for part in expected.split(" -> reply "))
    function, first, count = struct.unpack(">BHH", ask)
    named = [int(digits) for digits in re.findall(r"\d+", text)][1:]
    # registers are named from 1 and addressed from 0 (V1.1b3 4.4)
    assert first == named[0] - 1, source
    answer = frame("11" + reply.hex())
    assert judge(answer, 0x11, function, count) == answer


@pytest.mark.parametrize(("code", "meaning", "source"), vectors("modbus_exception"))
def test_exceptions_carry_the_meaning_of_the_standard(code: str, meaning: str, source: str) -> None:
    with pytest.raises(ProbeFault, match=str(int(code, 16))) as caught:
        judge(frame(f"0183{int(code, 16):02x}"), 1, 3, 1)
    first_words = " ".join(meaning.split()[:2])
    assert first_words in EXCEPTIONS[int(code, 16)], source
    assert first_words in caught.value.what


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
def test_float_orders(order: str) -> None:
    value, table, source = vectors("modbus_float32")[0]
    wire = bytes.fromhex(dict(part.split("=") for part in table.split())[order])
    assert number(struct.unpack(">2H", wire), "float32", order) == float(value), source  # type: ignore[arg-type]


@given(
    st.sampled_from(["int16", "uint16", "int32", "uint32", "float32", "float64"]),
    st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4),
    st.sampled_from(["ABCD", "CDAB"]),
)
def test_numbers_agree_with_pymodbus(kind: str, words: list[int], order: str) -> None:
    """pymodbus knows the two orders of words; those of bytes stand on the vectors above."""
    datatype = getattr(ModbusTcpClient.DATATYPE, kind.upper())
    words = words[: datatype.value[1]]
    theirs = ModbusTcpClient.convert_from_registers(words, datatype, "big" if order == "ABCD" else "little")
    ours = number(words, kind, order)  # type: ignore[arg-type]
    assert ours == theirs or (math.isnan(ours) and math.isnan(theirs))  # type: ignore[arg-type]


def test_swapping_bytes_is_swapping_them_in_each_word() -> None:
    assert number([0x3412], "uint16", "BADC") == 0x1234
    assert number([0x7856, 0x3412], "uint32", "DCBA") == 0x12345678
    with pytest.raises(BadAnswer, match="2 registers and 1 came"):
        number([1], "float32", "ABCD")


@pytest.mark.parametrize(("line", "expected", "source"), vectors("modbus_rtu_timing"))
def test_silence_between_frames(line: str, expected: str, source: str) -> None:
    milliseconds = float(expected.rpartition("t3.5=")[2].removesuffix(" ms"))
    assert frame_gap_s(int(line.split()[0])) * 1000 == pytest.approx(milliseconds, abs=5e-4), source


GOOD = frame("01030442F6E979")


def test_a_reply_that_is_not_whole_waits() -> None:
    for length in range(len(GOOD)):
        assert judge(GOOD[:length], 1, 3, 2) is None
    assert judge(GOOD, 1, 3, 2) == GOOD


def test_bytes_of_a_turning_transceiver_are_no_address() -> None:
    assert judge(b"\x00\xff\x00" + GOOD, 1, 3, 2) == GOOD


@pytest.mark.parametrize(
    ("received", "says"),
    [
        (frame("02030442F6E979"), "address 2 instead of 1"),
        (frame("01040442F6E979"), "function 4 instead of 3"),
        (frame("01030242F6"), "2 data bytes instead of 4"),
        (frame("01030642F6E9790000"), "6 data bytes instead of 4"),
        (GOOD[:-1] + b"\x00", "checksum"),
        (GOOD + b"\x01", "1 bytes too many"),
        (GOOD + GOOD, "9 bytes too many"),
        (b"noise", "address 110"),
        (frame("018402"), "function 132"),
    ],
)
def test_what_is_not_the_answer_is_refused(received: bytes, says: str) -> None:
    with pytest.raises(BadAnswer, match=says):
        judge(received, 1, 3, 2)


@pytest.mark.parametrize("bit", range(8 * len(GOOD)))
def test_no_single_wrong_bit_passes(bit: int) -> None:
    wrong = bytearray(GOOD)
    wrong[bit // 8] ^= 1 << bit % 8
    with contextlib.suppress(ProbeError):
        assert judge(bytes(wrong), 1, 3, 2) is None


@given(st.binary(max_size=64))
def test_random_bytes_never_pass(data: bytes) -> None:
    try:
        taken = judge(data, 1, 3, 2)
    except ProbeError:
        return
    assert taken is None or FramerRTU.check_CRC(taken[:-2], int.from_bytes(taken[-2:], "big"))


def test_only_neighbours_share_a_request() -> None:
    wanted = [Span("holding", 4, 2), Span("holding", 0, 2), Span("holding", 2, 2), Span("holding", 7, 1)]
    assert spans([*wanted, Span("input", 6, 1)]) == [
        Span("holding", 0, 6), Span("holding", 7, 1), Span("input", 6, 1),
    ]  # fmt: skip


def test_a_request_stays_within_what_the_standard_allows() -> None:
    """V1.1b3 6.3: at most 125 registers."""
    joined = spans([Span("holding", first, 2) for first in range(0, 400, 2)])
    assert all(span.count <= MOST_WORDS for span in joined)
    assert sum(span.count for span in joined) == 400


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 4)), min_size=1, max_size=40))
def test_every_wanted_run_lies_whole_in_one_request(wanted: list[tuple[int, int]]) -> None:
    joined = spans([Span("input", first, count) for first, count in wanted])
    asked = {register for span in joined for register in range(span.first, span.first + span.count)}
    assert asked == {register for first, count in wanted for register in range(first, first + count)}
    for first, count in wanted:
        assert any(s.first <= first and first + count <= s.first + s.count for s in joined)
