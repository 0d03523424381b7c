"""SMS PDUs against published ones, against an independent decoder, and against everything that is no PDU."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from smspdudecoder.easy import read_incoming_sms

from brinewatch.messages import Delivery
from brinewatch.notify import causes
from brinewatch.notify.pdu import Concat, Deliver, PduError, StatusReport, decode, relative_validity, submit
from brinewatch.simulator.modem_pdu import deliver, read_submit, status_report
from wire.sms import vectors

CENTRE, SENDER, PID = "0791447700099099", "0C91447700091010", "00"
HEAD = CENTRE + "04" + SENDER + PID
HEAD_WITH_HEADER = CENTRE + "44" + SENDER + PID
SCTS = "99202150750321"


def units(text: str) -> str:
    """The vectors' way of saying how a text is sent."""
    parts = submit("+447700900101", text, concat_reference=1, validity_min=None, report=False)
    read = [read_submit(part.pdu) for part in parts]
    assert "".join(one.text for one in read) == text
    if parts[0].pdu[24:26] == "08":
        return f"ucs2 units={len(text.encode('utf-16-be')) // 2} parts={len(parts)}"
    return f"gsm7 units={len(text) + sum(letter in '^{}[~]|€' + chr(92) for letter in text)} parts={len(parts)}"


def spelled_out(formula: str) -> str:
    """'€'*79+'x' as the text it stands for."""
    found = re.fullmatch(r"'(.)'\*(\d+)(?:\+'(.)')?", formula)
    assert found, formula
    return found[1] * int(found[2]) + (found[3] or "")


# -- out ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("formula", "expected"), vectors("sms_parts"))
def test_a_text_takes_as_many_parts_as_published(formula: str, expected: str) -> None:
    assert units(spelled_out(formula)) == expected


@pytest.mark.parametrize(("text", "expected"), vectors("sms_encoding_choice"))
def test_ucs2_only_when_a_letter_forces_it(text: str, expected: str) -> None:
    assert units(text) == expected


@pytest.mark.parametrize(("asked", "expected"), vectors("sms_submit_pdu"))
def test_published_submit_pdus_are_made(asked: str, expected: str) -> None:
    to, text, vp = re.fullmatch(r"to=(\S+) text=(.*) vp=(\S+)", asked).groups()  # type: ignore[union-attr]
    octets, _, length = expected.partition(" ; AT+CMGS=")
    minutes = {"none": None, "0xAA": 4 * 24 * 60}[vp]
    (part,) = submit(to, text, concat_reference=0, validity_min=minutes, report=False)
    assert (part.pdu, part.length) == (octets, int(length))


def test_a_published_text_of_three_parts_is_cut_and_packed_the_same() -> None:
    """The text is read from the published PDUs by the independent decoder, then made into PDUs again by ours."""
    published = [expected.partition(" ; AT+CMGS=") for _, expected in vectors("sms_concat_pdu")]
    read = [read_submit(octets) for octets, _, _ in published]
    assert [one.concat for one in read] == [(0x88, 3, number) for number in (1, 2, 3)]
    text = "".join(one.text for one in read)
    assert len(text) == 319
    made = submit(read[0].to, text, concat_reference=0x88, validity_min=4 * 24 * 60, report=False)
    assert [(part.pdu, str(part.length)) for part in made] == [(octets, length) for octets, _, length in published]


@pytest.mark.parametrize(("asked", "expected"), vectors("sms_tp_vp_relative"))
def test_published_validity_periods(asked: str, expected: str) -> None:
    assert relative_validity(int(asked.removesuffix(" min"))) == int(expected.split()[0])


@given(st.integers(1, 700_000))
def test_a_validity_period_is_never_shorter_than_asked_but_as_short_as_can_be_said(minutes: int) -> None:
    def means(vp: int) -> int:
        """TS 23.040, 9.2.3.12.1, the table read the other way."""
        if vp <= 143:
            return (vp + 1) * 5
        if vp <= 167:
            return 12 * 60 + (vp - 143) * 30
        return (vp - 166) * 24 * 60 if vp <= 196 else (vp - 192) * 7 * 24 * 60

    vp = relative_validity(minutes)
    assert 0 <= vp <= 255
    assert means(vp) >= minutes or vp == 255
    assert vp == 0 or means(vp - 1) < minutes


ANY_TEXT = st.one_of(
    st.text(st.characters(codec="utf-16", exclude_categories=["Cs"]), max_size=500),
    st.text(st.sampled_from("ab€[~]ü@\n 0"), max_size=700),
)


@given(ANY_TEXT, st.integers(0, 255), st.booleans())
def test_the_independent_decoder_reads_every_text_back(text: str, reference: int, report: bool) -> None:
    parts = submit("+447700900101", text, concat_reference=reference, validity_min=60, report=report)
    read = [read_submit(part.pdu) for part in parts]
    assert "".join(one.text for one in read) == text
    assert {(one.to, one.report_wanted, one.validity_vp) for one in read} == {("+447700900101", report, 11)}
    for number, (part, one) in enumerate(zip(parts, read, strict=True), 1):
        assert one.concat == ((reference, len(parts), number) if len(parts) > 1 else None)
        assert part.length == len(part.pdu) // 2 - 1 <= 140 + 6 + 12
        # neither an escape pair nor a surrogate pair is ever cut: each part is whole text by itself
        one.text.encode("utf-16-be")


@pytest.mark.parametrize("number", ["", "+", "0044 7700", "+44770090010x", "brine", "+4477009001010101010101"])
def test_a_number_that_cannot_be_called_is_refused(number: str) -> None:
    with pytest.raises(PduError, match="is not a phone number"):
        submit(number, "x", concat_reference=0, validity_min=None, report=False)


def test_a_text_that_cannot_be_sent_is_refused() -> None:
    with pytest.raises(PduError, match="256 messages"):
        submit("+447700900101", "x" * (153 * 255 + 1), concat_reference=0, validity_min=None, report=False)
    with pytest.raises(PduError, match="half a character at place 1"):
        submit("+447700900101", "\ud83d", concat_reference=0, validity_min=None, report=False)


# -- in -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("octets", "expected"), vectors("sms_deliver_pdu"))
def test_published_texts_are_read(octets: str, expected: str) -> None:
    got = decode(octets)
    assert isinstance(got, Deliver)
    assert f"from={got.sender} " in expected
    assert expected.endswith(f"text={got.text}")
    independent = read_incoming_sms(octets)
    assert (got.sender, got.text) == (independent["sender"], independent["content"])


@pytest.mark.parametrize(("octets", "expected"), vectors("sms_scts"))
def test_published_time_stamps_and_the_sign_of_their_zone(octets: str, expected: str) -> None:
    got = decode(HEAD + "00" + octets + "00")
    assert isinstance(got, Deliver)
    assert got.sent == datetime.fromisoformat(expected.split()[0].replace("-00:00", "+00:00"))


@pytest.mark.parametrize("octets", ["00000000000000", "FF202150750321", "99132150750321", "99202199990321"])
def test_an_impossible_time_stamp_does_not_lose_the_text(octets: str) -> None:
    got = decode(HEAD + "00" + octets + "02" + "6F37")
    assert isinstance(got, Deliver)
    assert got.sent is None
    assert got.text == "on"


def test_the_published_status_report_is_read() -> None:
    ((octets, expected),) = vectors("sms_status_report_pdu")
    got = decode(octets)
    assert isinstance(got, StatusReport)
    assert expected.startswith(f"TP-MR=0x{got.reference:02X}({got.reference}) recipient={got.recipient} ST=0x43")
    assert got.state is Delivery.FAILED
    assert got.detail == "not obtainable; given up (status 0x43)"


@pytest.mark.parametrize(("status", "meaning"), vectors("sms_tp_status"))
def test_published_status_codes_fall_into_the_right_class(status: str, meaning: str) -> None:
    code = int(status.removeprefix("ST="), 16)
    if meaning == "delivered to SME":
        assert causes.status_state(code) is Delivery.DELIVERED
    elif "NOT proof" in meaning or "still trying" in meaning or "replaced" in meaning:
        assert causes.status_state(code) is Delivery.SENT
    else:
        assert "permanent" in meaning or "gave up" in meaning
        assert causes.status_state(code) is Delivery.FAILED
        assert "given up" in causes.status_text(code)


def test_nothing_but_status_0_counts_as_delivered() -> None:
    states = [causes.status_state(code) for code in range(256)]
    assert states.count(Delivery.DELIVERED) == 1
    assert set(states[0x20:0x40]) == {Delivery.SENT}
    assert set(states[0x40:]) == {Delivery.FAILED}
    assert all(causes.status_text(code) for code in range(256))


@given(ANY_TEXT.filter(bool), st.integers(0, 255), st.integers(0, 4_000_000_000))
def test_texts_made_by_the_independent_codec_are_read_whole(text: str, reference: int, utc: int) -> None:
    pdus = deliver("+447700900101", text, utc, reference)
    got = [decode(one) for one in pdus]
    assert all(isinstance(one, Deliver) and one.sender == "+447700900101" for one in got)
    sent = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc)
    if sent.year < 2070:  # two digits say no century
        assert {one.sent for one in got} == {sent}  # type: ignore[union-attr]
    if len(pdus) > 1:
        assert [one.concat for one in got] == [  # type: ignore[union-attr]
            Concat(reference, len(pdus), number) for number in range(1, len(pdus) + 1)
        ]
    assert "".join(one.text for one in got) == text  # type: ignore[union-attr]


@pytest.mark.parametrize("name", ["MMoney", "Design@Home", "A", "INFO SERVIC"])
def test_a_sender_with_a_name(name: str) -> None:
    got = decode(deliver(name, "hello", 1_700_000_000)[0])
    assert isinstance(got, Deliver)
    assert got.sender == name


def test_a_sender_with_a_national_number_keeps_it() -> None:
    got = decode(deliver("07700900101", "OK 12", 1_700_000_000)[0])
    assert isinstance(got, Deliver)
    assert got.sender == "07700900101"


def test_a_pdu_of_the_announced_length_has_no_service_centre() -> None:
    whole = deliver("+447700900101", "OK 12", 1_700_000_000)[0]
    bare = whole[2 + 2 * int(whole[:2], 16) :]
    assert decode(bare, len(bare) // 2) == decode(whole, len(bare) // 2) == decode(whole)


def test_a_status_report_of_the_simulated_network_is_read() -> None:
    got = decode(status_report(200, "+447700900101", 0x22, 1_700_000_000, 1_700_000_060))
    assert got == StatusReport("+447700900101", 200, 0x22, datetime.fromtimestamp(1_700_000_060, UTC))
    assert got.state is Delivery.SENT


REFUSED = {
    "": "ends after 0 octets, within the length of the service centre",
    "zz": "not hexadecimal",
    "0791447779": "within the service centre",
    HEAD[:-10]: "within the sender",
    HEAD + "00" + SCTS: "within the length of the text",
    HEAD + "00" + SCTS + "05" + "C8F7": "within the text",
    HEAD + "00" + SCTS + "A1" + "00" * 141: "140 is the most",
    HEAD + "04" + SCTS + "02" + "4F4B": "8-bit data, not text",
    HEAD + "F4" + SCTS + "02" + "4F4B": "8-bit data, not text",
    HEAD + "20" + SCTS + "02" + "4F4B": "compressed",
    HEAD_WITH_HEADER + "08" + SCTS + "03" + "090003": "within the user data header",
    HEAD_WITH_HEADER + "00" + SCTS + "04" + "03250101": "national language table",
    HEAD_WITH_HEADER + "00" + SCTS + "02" + "0101": "within the length of a header element",
    "0001" + "00" * 12: "neither a text nor a status report",
    "000400910000" + SCTS: "within the length of the text",
    "0006010C91447700091010" + SCTS: "within the discharge time",
    "00040C914477000910F000" + SCTS + "00": "A digit of the sender is missing",
}


@pytest.mark.parametrize("octets", REFUSED)
def test_what_is_no_text_is_refused_with_the_place(octets: str) -> None:
    with pytest.raises(PduError, match=REFUSED[octets]):
        decode(octets)


def test_a_concatenation_that_makes_no_sense_is_passed_over() -> None:
    """TS 23.040, 9.2.3.24.1: part 0, no parts, or a part beyond the last."""
    for total, number in ((0, 1), (2, 0), (2, 3)):
        data = f"0500037F{total:02X}{number:02X}" + "0041"
        got = decode(HEAD_WITH_HEADER + "08" + SCTS + "08" + data)
        assert isinstance(got, Deliver)
        assert got.concat is None
        assert got.text == "A"


def test_a_reference_of_16_bits_is_read() -> None:
    data = "060804ABCD0201" + "0041"
    got = decode(HEAD_WITH_HEADER + "08" + SCTS + "09" + data)
    assert isinstance(got, Deliver)
    assert got.concat == Concat(0xABCD, 2, 1)


@given(st.binary(max_size=200), st.one_of(st.none(), st.integers(0, 200)))
def test_any_bytes_are_read_or_refused_never_worse(octets: bytes, length: int | None) -> None:
    try:
        got = decode(octets.hex(), length)
    except PduError:
        return
    assert isinstance(got, Deliver | StatusReport)


@given(st.sampled_from([octets for octets, _ in vectors("sms_deliver_pdu")]), st.data())
def test_a_published_pdu_with_a_bit_turned_or_its_end_lost(octets: str, data: st.DataObject) -> None:
    raw = bytearray.fromhex(octets)
    at = data.draw(st.integers(0, len(raw) - 1))
    raw[at] ^= 1 << data.draw(st.integers(0, 7))
    for damaged in (raw, raw[:at]):
        with contextlib.suppress(PduError):
            assert isinstance(decode(damaged.hex()), Deliver | StatusReport)


# -- causes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("code", "expected"), vectors("cms_error"))
def test_published_error_codes_have_a_meaning_and_the_suggested_remedy(code: str, expected: str) -> None:
    suggested = expected.partition("suggested class: ")[2]
    meaning, remedy = causes.CMS[int(code)]
    assert meaning
    if "outcome UNKNOWN" in suggested:
        assert remedy is causes.Remedy.UNKNOWN
    elif suggested.startswith("no retry"):
        assert remedy is causes.Remedy.PERSON
    else:
        assert remedy is causes.Remedy.RETRY


def test_a_code_without_an_entry_is_tried_again() -> None:
    assert causes.cause("CMS", 612)[1] is causes.Remedy.RETRY
    assert causes.cause("", None)[1] is causes.Remedy.RETRY
