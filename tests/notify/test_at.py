"""The AT engine against a far end that says exactly the bytes a test wants, when it wants them."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from brinewatch.clock import SystemClock
from brinewatch.errors import OutcomeUnknown, PortLost
from brinewatch.notify.at import AtEngine, ModemRefused, ModemSilent
from brinewatch.notify.causes import Remedy
from brinewatch.notify.pdu import Part
from brinewatch.simulator.terminal import PtyEnd
from brinewatch.wire import LineSettings, SerialStream

PDU = "0791447700099099040C9144770009101000009920215075032105CFE5311B06"
PART = Part("0011000C914477000910100000AA0568656C6C6F", 19)
SOON = 5.0


class Far:
    """The modem's end: answers by the table, or as the test tells it. heard: everything written to it."""

    def __init__(self, link: Path) -> None:
        self.heard = b""
        self.answers: dict[bytes, bytes] = {b"AT+CMEE?\r": b"\r\n+CMEE: 1\r\n\r\nOK\r\n"}
        self.end = PtyEnd(link, self._on_bytes)
        self._stir = asyncio.Event()
        self._answered = 0

    def _on_bytes(self, data: bytes) -> None:
        self.heard += data
        for command, answer in self.answers.items():
            at = self.heard.find(command, self._answered)
            if at >= 0:
                self._answered = at + len(command)
                self.end.write(answer)
        self._stir.set()

    async def hears(self, what: bytes) -> None:
        async with asyncio.timeout(SOON):
            while what not in self.heard:
                self._stir.clear()
                await self._stir.wait()

    def forget(self) -> None:
        self.heard, self._answered = b"", 0


class Line:
    """Engine and far end on one line, in step. unasked: what the engine routed apart."""

    def __init__(self, far: Far, engine: AtEngine, unasked: list[tuple[str, str]]) -> None:
        self.far, self.engine, self.unasked = far, engine, unasked

    def says(self, text: str) -> None:
        self.far.end.write(text.encode("ascii"))

    async def until(self, reached: Callable[[], bool]) -> None:
        async with asyncio.timeout(SOON):
            while not reached():
                await asyncio.sleep(0.002)


@pytest.fixture
async def line(tmp_path: Path) -> AsyncIterator[Line]:
    far = Far(tmp_path / "modem")
    far.end.plug()
    stream = SerialStream(LineSettings(far.end.port))
    stream.open()
    unasked: list[tuple[str, str]] = []
    engine = AtEngine(stream, SystemClock(), lambda said, pdu: unasked.append((said, pdu)))
    pump = asyncio.create_task(engine.pump())
    await engine.resync()
    far.forget()
    yield Line(far, engine, unasked)
    pump.cancel()
    await asyncio.gather(pump, return_exceptions=True)
    stream.close()
    far.end.unplug()


# -- answers ------------------------------------------------------------------------------------------------------


async def test_an_answer_is_the_lines_of_its_name_up_to_ok(line: Line) -> None:
    line.far.answers[b"AT+CSQ\r"] = b"\r\n+CSQ: 21,99\r\n\r\nOK\r\n"
    assert await line.engine.command("AT+CSQ", SOON, answer="+CSQ:", must=True) == ["+CSQ: 21,99"]


async def test_the_echo_is_no_answer(line: Line) -> None:
    line.far.answers[b"AT+CMEE=1\r"] = b"AT+CMEE=1\r\r\nOK\r\n"
    assert await line.engine.command("AT+CMEE=1", SOON) == []
    assert line.unasked == []


async def test_what_is_said_unasked_is_told_apart_in_the_middle_of_an_answer(line: Line) -> None:
    line.far.answers[b"AT+CMGL=4\r"] = (
        f'\r\n+CMTI: "SM",3\r\n\r\n+CMGL: 1,0,,24\r\n{PDU}\r\n\r\nRING\r\n+CDS: 24\r\n{PDU}\r\nOK\r\n'.encode()
    )
    assert await line.engine.command("AT+CMGL=4", SOON, answer="+CMGL:") == ["+CMGL: 1,0,,24", PDU]
    assert line.unasked == [('+CMTI: "SM",3', ""), ("RING", ""), ("+CDS: 24", PDU)]


async def test_what_is_said_between_commands_is_told_at_once(line: Line) -> None:
    line.says('\r\n+CDSI: "SR",1\r\n')
    await line.until(lambda: bool(line.unasked))
    line.says(f"\r\n+CDS: 24\r\n{PDU[:20]}")
    line.says(f"{PDU[20:]}\r\n\r\n+CREG: 2\r\n")
    await line.until(lambda: len(line.unasked) == 3)
    assert line.unasked == [('+CDSI: "SR",1', ""), ("+CDS: 24", PDU), ("+CREG: 2", "")]


async def test_an_announced_pdu_that_does_not_follow_swallows_nothing(line: Line) -> None:
    line.far.answers[b"AT\r"] = b"\r\n+CDS: 24\r\n\r\nOK\r\n"
    assert await line.engine.command("AT", SOON) == []


@pytest.mark.parametrize(
    ("said", "kind", "code", "remedy"),
    [
        ("+CMS ERROR: 38", "CMS", 38, Remedy.RETRY),
        ("+CMS ERROR: 310", "CMS", 310, Remedy.PERSON),
        ("+CMS ERROR: 332", "CMS", 332, Remedy.UNKNOWN),
        ("+CME ERROR: 10", "CME", 10, Remedy.PERSON),
        ("+CME ERROR: SIM not inserted", "CME", None, Remedy.RETRY),
        ("ERROR", "", None, Remedy.RETRY),
        ("COMMAND NOT SUPPORT", "", None, Remedy.RETRY),
    ],
)
async def test_a_refusal_says_its_code_and_what_helps(
    line: Line, said: str, kind: str, code: int | None, remedy: Remedy
) -> None:
    line.far.answers[b"AT+CPIN?\r"] = f"\r\n{said}\r\n".encode()
    with pytest.raises(ModemRefused, match=r"The modem refused AT\+CPIN\?") as caught:
        await line.engine.command("AT+CPIN?", SOON, answer="+CPIN:", must=True)
    assert (caught.value.kind, caught.value.code, caught.value.remedy) == (kind, code, remedy)
    # the line is in step after a refusal: the next command goes out at once, with no probe before it
    line.far.forget()
    line.far.answers[b"AT\r"] = b"\r\nOK\r\n"
    await line.engine.command("AT", SOON)
    assert line.far.heard == b"AT\r"


async def test_no_error_shows_a_pin(line: Line) -> None:
    line.far.answers[b'AT+CPIN="1234"\r'] = b"\r\n+CME ERROR: 16\r\n"
    with pytest.raises(ModemRefused) as caught:
        await line.engine.command('AT+CPIN="1234"', SOON)
    assert "1234" not in str(caught.value)
    del line.far.answers[b'AT+CPIN="1234"\r']
    with pytest.raises(ModemSilent) as silent:
        await line.engine.command('AT+CPIN="1234"', 0.05)
    assert "1234" not in str(silent.value)


# -- silence and lateness -----------------------------------------------------------------------------------------


async def test_a_silent_modem_is_waited_for_so_long_and_no_longer(line: Line) -> None:
    loop = asyncio.get_running_loop()
    began = loop.time()
    with pytest.raises(ModemSilent, match=r"did not answer AT\+CSQ within 0.2 s"):
        await line.engine.command("AT+CSQ", 0.2)
    assert 0.2 <= loop.time() - began < SOON


async def test_a_late_ok_is_not_taken_for_the_next_commands_answer(line: Line) -> None:
    with pytest.raises(ModemSilent):
        await line.engine.command("AT+CMGD=1", 0.05)
    del line.far.answers[b"AT+CMEE?\r"]
    late = asyncio.create_task(line.engine.command("AT+CREG?", SOON, answer="+CREG:"))
    await line.far.hears(b"AT+CMEE?\r")
    line.says("\r\nOK\r\n")
    line.says("\r\n+CMEE: 1\r\n\r\nOK\r\n")
    await line.far.hears(b"AT+CREG?\r")
    assert not late.done()
    line.says("\r\n+CREG: 0,5\r\n\r\nOK\r\n")
    assert await late == ["+CREG: 0,5"]


async def test_a_late_error_is_not_taken_for_the_next_commands_refusal(line: Line) -> None:
    with pytest.raises(ModemSilent):
        await line.engine.command("AT+CMGD=1", 0.05)
    line.far.answers[b"AT+CMEE?\r"] = b"\r\n+CMS ERROR: 321\r\n\r\n+CMEE: 1\r\n\r\nOK\r\n"
    line.far.answers[b"AT\r"] = b"\r\nOK\r\n"
    assert await line.engine.command("AT", SOON) == []


async def test_every_probe_that_was_sent_is_waited_for(line: Line) -> None:
    """A modem busy for longer than a probe answers them all afterwards; none is left over for the next command."""
    with pytest.raises(ModemSilent):
        await line.engine.command("AT+CMGD=1", 0.05)
    del line.far.answers[b"AT+CMEE?\r"]
    next_one = asyncio.create_task(line.engine.command("AT+CSQ", SOON, answer="+CSQ:"))
    await line.until(lambda: line.far.heard.count(b"AT+CMEE?\r") == 2)
    line.says("\r\nOK\r\n" + "\r\n+CMEE: 1\r\n\r\nOK\r\n")
    await asyncio.sleep(0.1)
    assert b"AT+CSQ" not in line.far.heard
    line.says("\r\n+CMEE: 1\r\n\r\nOK\r\n")
    await line.far.hears(b"AT+CSQ\r")
    line.says("\r\n+CSQ: 9,99\r\n\r\nOK\r\n")
    assert await next_one == ["+CSQ: 9,99"]


async def test_a_probe_the_modem_never_heard_holds_nothing_up_for_ever(line: Line) -> None:
    with pytest.raises(ModemSilent):
        await line.engine.command("AT+CMGD=1", 0.05)
    del line.far.answers[b"AT+CMEE?\r"]
    next_one = asyncio.create_task(line.engine.command("AT", SOON))
    await line.until(lambda: line.far.heard.count(b"AT+CMEE?\r") == 2)
    line.says("\r\n+CMEE: 1\r\n\r\nOK\r\n")
    await line.far.hears(b"AT\r")
    line.says("\r\nOK\r\n")
    assert await next_one == []


async def test_a_cancelled_command_leaves_the_line_to_be_brought_in_step(line: Line) -> None:
    task = asyncio.create_task(line.engine.command("AT+CMGD=1", SOON))
    await line.far.hears(b"AT+CMGD=1\r")
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    line.far.answers[b"AT\r"] = b"\r\nOK\r\n"
    await line.engine.command("AT", SOON)
    assert b"\x1b\rAT+CMEE?\rAT\r" in line.far.heard


# -- texts --------------------------------------------------------------------------------------------------------


async def test_the_text_follows_the_prompt_and_the_reference_comes_back(line: Line) -> None:
    task = asyncio.create_task(line.engine.submit(PART, SOON, SOON))
    await line.far.hears(b"AT+CMGS=19\r")
    await asyncio.sleep(0.02)
    assert PART.pdu.encode() not in line.far.heard
    line.says('\r\n+CMTI: "SM",1\r\n')
    line.says("AT+CMGS=19\r\r\n>")
    await line.far.hears(PART.pdu.encode() + b"\x1a")
    line.says(" " + PART.pdu + "\x1a\r\n+CMGS: 217\r\n\r\nOK\r\n")
    assert await task == 217
    assert line.engine.handed
    assert line.unasked == [('+CMTI: "SM",1', "")]


async def test_a_late_result_before_the_prompt_is_not_this_texts(line: Line) -> None:
    task = asyncio.create_task(line.engine.submit(PART, SOON, SOON))
    await line.far.hears(b"AT+CMGS=19\r")
    line.says("\r\n+CMGS: 3\r\n\r\nOK\r\n")
    await asyncio.sleep(0.02)
    line.says("\r\n> ")
    await line.far.hears(b"\x1a")
    line.says("\r\n+CMGS: 4\r\n\r\nOK\r\n")
    assert await task == 4


async def test_a_refusal_before_the_prompt_hands_nothing_over(line: Line) -> None:
    line.far.answers[b"AT+CMGS=19\r"] = b"\r\n+CMS ERROR: 302\r\n"
    with pytest.raises(ModemRefused, match="302"):
        await line.engine.submit(PART, SOON, SOON)
    assert not line.engine.handed
    assert PART.pdu.encode() not in line.far.heard


async def test_without_a_prompt_nothing_is_handed_over_and_the_prompt_is_left(line: Line) -> None:
    with pytest.raises(ModemSilent, match=r"no prompt within 0\.1 s"):
        await line.engine.submit(PART, 0.1, SOON)
    assert not line.engine.handed
    line.says("\r\n> ")  # too late
    line.far.answers[b"AT\r"] = b"\r\nOK\r\n"
    await line.engine.command("AT", SOON)
    after = line.far.heard.partition(b"AT+CMGS=19\r")[2]
    assert after == b"\x1b\rAT+CMEE?\rAT\r"
    assert PART.pdu.encode() not in line.far.heard


async def test_silence_with_the_text_in_hand_leaves_the_outcome_open(line: Line) -> None:
    line.far.answers[b"AT+CMGS=19\r"] = b"\r\n> "
    with pytest.raises(OutcomeUnknown, match=r"did not say within 0\.1 s"):
        await line.engine.submit(PART, SOON, 0.1)
    assert line.engine.handed


async def test_a_port_that_goes_away_ends_the_wait_at_once(line: Line) -> None:
    waiting = asyncio.create_task(line.engine.command("AT", 60.0))
    await line.far.hears(b"AT\r")
    line.far.end.unplug()
    async with asyncio.timeout(SOON):
        with pytest.raises(PortLost, match="went away"):
            await waiting
        with pytest.raises(PortLost, match="went away"):
            await line.engine.command("AT", 60.0)


async def test_a_port_that_goes_away_with_the_text_in_hand_leaves_the_outcome_open(line: Line) -> None:
    line.far.answers[b"AT+CMGS=19\r"] = b"\r\n> "
    waiting = asyncio.create_task(line.engine.submit(PART, SOON, 60.0))
    await line.far.hears(b"\x1a")
    line.far.end.unplug()
    async with asyncio.timeout(SOON):
        with pytest.raises(OutcomeUnknown, match="went away with the message in hand"):
            await waiting


# -- noise --------------------------------------------------------------------------------------------------------


async def test_noise_of_any_kind_is_no_answer_and_does_no_harm(line: Line) -> None:
    noise = random.Random(7)
    for size in (1, 30, 500, 9000):
        line.far.end.write(noise.randbytes(size).replace(b">", b"<"))
    line.says("\r\n")
    with pytest.raises(ModemSilent):
        await line.engine.command("AT+CSQ", 0.3, answer="+CSQ:", must=True)
    line.far.answers[b"AT+CSQ\r"] = b"\r\n+CSQ: 21,99\r\n\r\nOK\r\n"
    line.far.forget()
    assert await line.engine.command("AT+CSQ", SOON, answer="+CSQ:", must=True) == ["+CSQ: 21,99"]
