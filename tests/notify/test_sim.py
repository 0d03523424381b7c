"""The SIM's term and credit. AT+CUSD: 3GPP TS 27.007, 7.15; data coding scheme 72 for UCS2: TS 23.038, 5."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from pydantic import ValidationError

from brinewatch.clock import SteppingClock
from brinewatch.moment import Moment
from brinewatch.notify.modem import SmsModemSettings
from brinewatch.notify.sim import SimWatch
from brinewatch.notify.sms import SmsNotifier
from brinewatch.simulator.modem import ModemEmulator
from notify.desk import pass_time, pass_time_until

PATTERN = r"([0-9]+[.,][0-9]{2})"
DAY_S = 86400.0


def at(days: float, *, trusted: bool = True) -> Moment:
    utc = datetime(2026, 11, 1, 12, tzinfo=UTC).timestamp() + days * DAY_S
    return Moment(days * DAY_S, utc, trusted, UTC)


def watch(said: list[tuple[bool, str]], *, lapses: date | None = None, code: str | None = "*100#") -> SimWatch:
    return SimWatch(lapses, code, PATTERN, 5.0, at(0), lambda well, words: said.append((well, words)))


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('+CUSD: 0,"Your credit is 12.50 EUR.",15', (True, "credit 12.50")),
        ('+CUSD: 0,"Guthaben: 12,50 EUR",15', (True, "credit 12.50")),
        ('+CUSD: 0,"004300720065006400690074003A00200033002E00320030",72', (False, "credit is 3.20, less than 5")),
        ('+CUSD: 0,"004300720065006400690074003A00200033002E00320030",15', (False, "credit is 3.20, less than 5")),
        ('+CUSD: 2,"4.99"', (False, "credit is 4.99, less than 5")),
    ],
)
def test_the_amount_is_found_in_the_networks_words(line: str, told: tuple[bool, str]) -> None:
    said: list[tuple[bool, str]] = []
    sim = watch(said)
    assert sim.hear(line, at(0))
    sim.tell(at(0))
    assert said == [told]


def test_it_is_asked_once_a_day_and_sooner_without_an_answer() -> None:
    sim = watch([])
    assert sim.wants(at(0)) == 'AT+CUSD=1,"*100#",15'
    assert sim.wants(at(0.01)) is None
    assert sim.wants(at(0.05)) is not None  # an hour later: nothing came
    sim.hear('+CUSD: 0,"9.00",15', at(0.05))
    assert sim.wants(at(1.0)) is None
    assert sim.wants(at(1.06)) is not None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (None, "the network has not told the credit for 8 d"),
        ('+CUSD: 2,"Unknown code",15', "no amount found in the network's answer: Unknown code"),
        ("+CUSD: 4", "the network's answer is not understood: +CUSD: 4"),
    ],
)
def test_a_credit_nobody_can_tell_is_said_after_a_week(line: str | None, words: str) -> None:
    said: list[tuple[bool, str]] = []
    sim = watch(said)
    if line is not None:
        assert sim.hear(line, at(6.9))
    sim.tell(at(6.9))
    sim.tell(at(8))
    assert said == [(True, ""), (False, words)]


def test_other_lines_are_not_its_own() -> None:
    assert not watch([]).hear("+CREG: 1", at(0))


@pytest.mark.parametrize(
    ("day", "told"),
    [
        (0.0, (True, "lapses 2026-12-01")),
        (16.0, (False, "the SIM lapses in 14 days")), (29.0, (False, "the SIM lapses in 1 day")),
        (30.0, (False, "the SIM has lapsed by its date")), (200.0, (False, "the SIM has lapsed by its date")),
    ],
)  # fmt: skip
def test_the_day_it_lapses_is_told_two_weeks_before(day: float, told: tuple[bool, str]) -> None:
    said: list[tuple[bool, str]] = []
    watch(said, lapses=date(2026, 12, 1), code=None).tell(at(day))
    assert said == [told]


def test_a_clock_nobody_trusts_lapses_nothing() -> None:
    said: list[tuple[bool, str]] = []
    watch(said, lapses=date(2026, 12, 1), code=None).tell(at(400, trusted=False))
    assert said == [(True, "lapses 2026-12-01")]


def test_a_sim_of_which_nothing_is_asked_is_not_told_of() -> None:
    said: list[tuple[bool, str]] = []
    watch(said, code=None).tell(at(400))
    assert said == []


async def test_at_the_wire(tmp_path: Path) -> None:
    clock, said = SteppingClock(1_800_000_000.0), list[tuple[bool, str]]()
    modem = ModemEmulator(clock, tmp_path / "modem")
    modem.brain.ussd["*100#"] = '+CUSD: 0,"Credit: 4.20",15'
    await modem.start()
    settings = SmsModemSettings(port=modem.port, poll_s=60.0, credit_code="*100#")
    texts = SmsNotifier(
        settings, clock, lambda text: None, lambda report: None, lambda well, why: None,
        lambda well, why: said.append((well, why)),
    )  # fmt: skip
    running = asyncio.create_task(texts.run())
    await pass_time_until(clock, lambda: len(said) == 2)
    assert said == [(True, ""), (False, "credit is 4.20, less than 5")]
    assert modem.heard.count('AT+CUSD=1,"*100#",15') == 1
    modem.brain.ussd["*100#"] = '+CUSD: 0,"Credit: 14.20",15'
    await pass_time(clock, DAY_S + 130)
    await pass_time_until(clock, lambda: len(said) == 3)
    assert said[-1] == (True, "credit 14.20")
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    await modem.stop()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"credit_code": "credit?"}, "pattern"),
        ({"credit_pattern": "[0-9"}, "regular expression"),
        ({"credit_pattern": "[0-9]+"}, "one group"),
        ({"sim_lapses": "soon"}, "date"),
    ],
)
def test_faults_of_the_settings(changes: dict[str, str], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        SmsModemSettings.model_validate({"port": "/dev/x", **changes})
