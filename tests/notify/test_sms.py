"""Text messages over a simulated modem: what goes out, what comes in, what is reported.

The modem reads what we send with a decoder that is not ours, and speaks as TS 27.005 and 27.007 word it.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import NeedsPerson, RetryLater
from brinewatch.messages import Delivery
from brinewatch.notify.sms import SmsModemSettings
from brinewatch.simulator.modem_pdu import deliver
from notify.desk import KEEPER, UTC, desk, pass_time, pass_time_until

AIR = "GANNET QUAY 02:14 AIR STOPPED 0.3 kPa (min 8.0). Blower? Breaker? Reply OK 12"
PUBLISHED_8_BIT = "0791447700099099040C91447700091010000499202150750321024F4B"


# -- out ----------------------------------------------------------------------------------------------------------


async def test_a_healthy_modem_is_said_to_be_so_once(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.02) as at:
        await at.up()
        await asyncio.sleep(0.2)
        assert at.health == [(True, "registered home, signal -71 dBm")]  # TS 27.007, 8.5: 21 is -71 dBm


@pytest.mark.parametrize("text", [AIR, "x" * 160, "€" * 80, "Ő" * 70, "Wasserstand für Zürich: {ÄÖÜ}", ""])
async def test_what_fits_goes_out_as_one_text(tmp_path: Path, text: str) -> None:
    async with desk(tmp_path, validity_min=60) as at:
        await at.up()
        receipt = await at.send(text)
        (sent,) = at.modem.sent
        assert (sent.to, sent.text, sent.concat) == (KEEPER, text, None)
        assert receipt.references == (sent.reference,)
        assert sent.report_wanted
        assert sent.validity_vp == 11  # TS 23.040, 9.2.3.12.1: (11 + 1) x 5 min


@pytest.mark.parametrize(("text", "parts"), [("y" * 161, 2), ("y" * 400, 3), ("z€" * 120, 3), ("🦔" * 60, 2)])
async def test_what_does_not_fit_goes_out_in_parts_that_belong_together(
    tmp_path: Path, text: str, parts: int
) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        receipt = await at.send(text)
        second = await at.send(text)
        first, after = at.modem.sent[:parts], at.modem.sent[parts:]
        assert "".join(one.text for one in first) == "".join(one.text for one in after) == text
        assert [one.concat and one.concat[1:] for one in first] == [(parts, at) for at in range(1, parts + 1)]
        assert {one.concat and one.concat[0] for one in first} != {one.concat and one.concat[0] for one in after}
        assert receipt.references + second.references == tuple(one.reference for one in at.modem.sent)


async def test_nothing_stands_between_a_call_and_the_prompt(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        await at.until(lambda: at.modem.heard[-1] == 'AT+CPMS="SM"')  # the end of the first look
        at.modem.heard.clear()
        await at.send(AIR)
        assert at.modem.heard[0] == "AT+CMGF=0"
        assert at.modem.heard[1].startswith("AT+CMGS=")


async def test_before_the_modem_is_up_a_message_waits(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        with pytest.raises(RetryLater, match="not ready yet"):
            await at.send(AIR)


async def test_a_number_that_is_none_needs_a_person(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        with pytest.raises(NeedsPerson, match="not a phone number"):
            await at.send(AIR, to="keeper")
        assert at.modem.sent == []


async def test_sending_and_taking_in_share_the_line(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.01) as at:
        await at.up()
        for number in range(30):
            at.modem.receive(KEEPER, f"OK {number}")
            await at.send(f"text {number}")
        await at.until(lambda: len(at.inbound) == 30)
        assert [one.text for one in at.modem.sent] == [f"text {number}" for number in range(30)]
        assert sorted(at.texts()) == sorted(f"OK {number}" for number in range(30))
        await at.until(lambda: not at.modem.brain.memories["SM"])


# -- reports ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("modes", [(0, 1, 2), (0, 1)], ids=["stored", "passed on at once"])
@pytest.mark.parametrize(
    ("status", "state"), [(0x00, Delivery.DELIVERED), (0x22, Delivery.SENT), (0x43, Delivery.FAILED)]
)
async def test_a_report_comes_back_with_the_reference_of_its_text(
    tmp_path: Path, modes: tuple[int, ...], status: int, state: Delivery
) -> None:
    clock = SteppingClock(UTC)
    async with desk(tmp_path, stepping=clock, start=False) as at:
        at.modem.brain.report_modes = modes
        at.modem.report_status = status
        at.start()
        await pass_time(clock, 1)
        first = await at.send(AIR)
        second = await at.send("x" * 200, to="+447700900102")
        sent_at = clock.now().mono
        await pass_time_until(clock, lambda: len(at.reports) == 3)
        told = [(report.way, report.to, report.reference, report.state) for report in at.reports]
        assert told == [("sms", KEEPER, first.references[0], state)] + [
            ("sms", "+447700900102", reference, state) for reference in second.references
        ]
        # a report told before the outbox knows its reference would fit no message
        assert all(report.at.mono >= sent_at + 2.0 for report in at.reports)
        await pass_time(clock, 60)
        assert len(at.reports) == 3
        assert at.modem.brain.memories["SR"] == {}


async def test_reports_that_came_while_nobody_listened_are_told(tmp_path: Path) -> None:
    async with desk(tmp_path, report_after_s=0.05, poll_s=60) as at:
        await at.up()
        receipt = await at.send(AIR)
        await at.stop()
        await at.until(lambda: at.modem.brain.memories["SR"])
        at.make_anew()
        at.start()
        await at.until(lambda: at.reports)
        assert at.reports[0].reference == receipt.references[0]


async def test_without_reports_none_are_asked_for(tmp_path: Path) -> None:
    async with desk(tmp_path, delivery_reports=False) as at:
        await at.up()
        await at.send(AIR)
        assert not at.modem.sent[0].report_wanted
        assert at.modem.brain.indications == [2, 1, 0, 0, 0]


async def test_a_modem_that_cannot_tell_of_reports_still_sends(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        at.modem.brain.report_modes = (0,)
        at.start()
        await at.up()
        await at.send(AIR)
        assert at.modem.brain.indications == [2, 1, 0, 0, 0]


# -- in -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sender", "text"),
    [
        (KEEPER, "OK 12"),
        ("+447700900999", "Who is this?"),
        ("07700900101", "ok"),
        ("Network", "Your balance is €3 [topup]"),
        (KEEPER, "好的 12"),
        (KEEPER, "a long story " * 40),
        (KEEPER, "€" * 300),
        (KEEPER, "🦔" * 100),
    ],
)
async def test_a_text_is_handed_on_whole_and_then_deleted(tmp_path: Path, sender: str, text: str) -> None:
    async with desk(tmp_path, poll_s=60) as at:
        await at.up()
        at.modem.receive(sender, text)
        await at.until(lambda: at.inbound)
        (got,) = at.inbound
        assert (got.way, got.sender, got.text) == ("sms", sender, text)
        await at.until(lambda: not at.modem.brain.memories["SM"])
        assert len(at.inbound) == 1


async def test_texts_that_came_while_nobody_listened_are_taken_in_at_start(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        at.modem.brain.capacity = 3
        for number in range(5):  # two of them wait in the network until there is room
            at.modem.receive(KEEPER, f"OK {number}")
        at.start()
        await at.until(lambda: len(at.inbound) == 5)
        assert sorted(at.texts()) == [f"OK {number}" for number in range(5)]


async def test_parts_in_any_order_and_twice_make_one_text(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        text = "".join(f"{number:03d} " for number in range(150))
        first, second, third, fourth = deliver(KEEPER, text, UTC, 9)
        for pdu in (third, first, first, fourth):
            at.modem.receive_pdu(pdu)
        at.modem.receive(KEEPER, "OK 12")
        await at.until(lambda: at.inbound)
        assert at.texts() == ["OK 12"]  # what is whole does not wait for what is not
        at.modem.receive_pdu(second)
        await at.until(lambda: len(at.inbound) == 2)
        assert at.texts() == ["OK 12", text]
        await at.until(lambda: not at.modem.brain.memories["SM"])


async def test_two_long_texts_under_one_reference_are_not_mixed(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        one, other = deliver(KEEPER, "a" * 300, UTC, 9), deliver(KEEPER, "b" * 300, UTC, 9)
        for pdu in (one[0], other[0], one[1], other[1]):
            at.modem.receive_pdu(pdu)
        at.start()
        await at.until(lambda: len(at.inbound) == 2)
        assert [len(text) for text in at.texts()] == [300, 300]


async def test_a_part_that_never_comes_is_waited_for_an_hour(tmp_path: Path) -> None:
    clock = SteppingClock(UTC)
    async with desk(tmp_path, stepping=clock, poll_s=300) as at:
        at.modem.receive_pdu(deliver(KEEPER, "c" * 300, UTC, 9)[0])
        await pass_time(clock, 3000)
        assert at.inbound == []
        await pass_time(clock, 1200)
        assert at.texts() == ["c" * 153 + "[...]"]
        assert at.modem.brain.memories["SM"] == {}


async def test_parts_do_not_keep_others_out_of_a_full_memory(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        at.modem.brain.capacity = 2
        await at.up()
        for reference in (8, 9):
            at.modem.receive_pdu(deliver(KEEPER, "c" * 300, UTC, reference)[0])
        at.modem.receive(KEEPER, "OK 12")
        await at.until(lambda: "OK 12" in at.texts())


async def test_a_text_that_could_not_be_taken_in_stays_until_it_can(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.05) as at:
        await at.up()
        at.refusing = 2
        at.modem.receive(KEEPER, "OK 12")
        await at.until(lambda: at.inbound)
        assert at.texts() == ["OK 12"]
        assert at.refusing == 0


async def test_a_text_that_will_not_be_deleted_is_handed_on_once(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.02) as at:
        await at.up()
        at.modem.brain.keeps_deleted = True
        at.modem.receive(KEEPER, "OK 12")
        at.modem.receive(KEEPER, "d" * 300)
        await at.until(lambda: len(at.inbound) == 2)
        await asyncio.sleep(0.2)
        assert at.texts() == ["OK 12", "d" * 300]
        at.modem.brain.keeps_deleted = False
        await at.until(lambda: not at.modem.brain.memories["SM"])
        assert len(at.inbound) == 2


async def test_what_cannot_be_read_is_written_to_the_log_and_makes_room(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.modem.receive_pdu(PUBLISHED_8_BIT)
        at.modem.receive(KEEPER, "OK 12")
        await at.until(lambda: not at.modem.brain.memories["SM"] and at.inbound)
        assert at.texts() == ["OK 12"]
    assert f"8-bit data, not text. PDU {PUBLISHED_8_BIT}" in caplog.text


# -- settings -----------------------------------------------------------------------------------------------------


async def test_a_service_centre_that_is_set_is_told_to_the_modem(tmp_path: Path) -> None:
    async with desk(tmp_path, smsc="+447700900999") as at:
        await at.up()
        assert 'AT+CSCA="+447700900999",145' in at.modem.heard


@pytest.mark.parametrize(
    "wrong",
    [{"pin": "12"}, {"pin": '1234";+CMGD=1'}, {"smsc": "0770"}, {"baud": 0}, {"total_s": 600.0}, {"tone": 1}],
)
def test_settings_no_modem_can_have_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        SmsModemSettings(port="/dev/ttyUSB0", **wrong)  # type: ignore[arg-type]
