"""Ringing a phone over a simulated modem, in stepped time.

Commands and states: 3GPP TS 27.007, 6.2, 6.5 and 7.18; results of dialling: ITU-T V.250, 5.7.1.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import NeedsPerson, RetryLater
from brinewatch.messages import Message, Receipt
from brinewatch.notify.voice import VoiceNotifier
from notify.desk import KEEPER, UTC, Desk, desk, pass_time, pass_time_until

RING_S = 20.0


@asynccontextmanager
async def phone_desk(folder: Path) -> AsyncIterator[tuple[Desk, VoiceNotifier, SteppingClock]]:
    clock = SteppingClock(UTC)
    async with desk(folder, stepping=clock, poll_s=600) as at:
        voice = VoiceNotifier(at.notifier, clock, RING_S)
        await pass_time_until(clock, lambda: at.health and at.health[-1][0])
        yield at, voice, clock


async def ring(voice: VoiceNotifier, clock: SteppingClock, within: float = 60.0) -> tuple[Receipt, float]:
    began = clock.now().mono
    task = asyncio.ensure_future(voice.send(Message("7", "voice", KEEPER, "Air supply stopped", 12, UTC)))
    for _ in range(int(within / 0.25)):
        await pass_time(clock, 0.25)
        await asyncio.sleep(0.002)
        if task.done():
            break
    return await task, clock.now().mono - began


async def test_a_phone_is_rung_so_long_and_then_let_be(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        _, took = await ring(voice, clock)
        assert [number for number, _ in at.modem.rung] == [KEEPER]
        assert f"ATD{KEEPER};" in at.modem.heard
        assert RING_S <= took <= RING_S + 2
        assert at.modem.heard[-1] == "AT+CHUP"
        assert at.modem.brain.call is None


async def test_one_that_is_picked_up_is_hung_up_soon(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        at.modem.phone = "picked up"
        _, took = await ring(voice, clock)
        assert took < 12
        assert at.modem.brain.call is None


async def test_a_busy_phone_is_one_that_was_reached(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        at.modem.phone = "busy"
        _, took = await ring(voice, clock)
        assert took < 5


async def test_a_phone_that_is_off_is_tried_again(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        at.modem.phone = "off"
        with pytest.raises(RetryLater, match=r"did not ring .no carrier"):
            await ring(voice, clock)
        at.modem.no_network()
        with pytest.raises(RetryLater, match=r"did not ring .no carrier"):
            await ring(voice, clock)


async def test_a_modem_that_cannot_call_needs_a_person_and_still_sends_texts(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        at.modem.brain.calls = False
        with pytest.raises(NeedsPerson, match="will not ring"):
            await ring(voice, clock)
        task = asyncio.ensure_future(at.notifier.send(Message("8", "sms", KEEPER, "AIR STOPPED", 12, UTC)))
        await pass_time(clock, 1)
        await task
        assert [one.text for one in at.modem.sent] == ["AIR STOPPED"]


async def test_a_text_does_not_wait_for_a_phone_that_rings(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        ringing = asyncio.ensure_future(voice.send(Message("7", "voice", KEEPER, "Air", 12, UTC)))
        await pass_time_until(clock, lambda: at.modem.brain.call is not None and at.modem.brain.call[1] == 3)
        began = clock.now().mono
        text = asyncio.ensure_future(at.notifier.send(Message("8", "sms", KEEPER, "OXYGEN LOW", 13, UTC)))
        await pass_time_until(clock, text.done)
        assert clock.now().mono - began < 1.0
        assert at.modem.brain.call is not None  # and it rings on
        await pass_time_until(clock, ringing.done)
        assert [one.text for one in at.modem.sent] == ["OXYGEN LOW"]


async def test_a_modem_that_goes_away_while_it_rings_is_tried_again(tmp_path: Path) -> None:
    async with phone_desk(tmp_path) as (at, voice, clock):
        ringing = asyncio.ensure_future(voice.send(Message("7", "voice", KEEPER, "Air", 12, UTC)))
        await pass_time_until(clock, lambda: at.modem.brain.call is not None)
        at.modem.unplug()
        await pass_time_until(clock, ringing.done)
        with pytest.raises(RetryLater, match="was lost"):
            ringing.result()
        with pytest.raises(RetryLater):
            await voice.send(Message("7", "voice", KEEPER, "Air", 12, UTC))
