"""Everything that goes wrong between the daemon and the network, at the modem's wire."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import NeedsPerson, NotifyError, OutcomeUnknown, RetryLater
from notify.desk import KEEPER, UTC, Desk, desk, pass_time

# the waits under test; long enough that a busy machine does not make a fault of a healthy answer
SHORT = {"answer_s": 1.0, "prompt_s": 1.0, "network_s": 1.0, "total_s": 4.0, "poll_s": 0.5}


async def still_sends(at: Desk) -> None:
    """Once the fault is over, the next message goes out, and its reference is its own."""
    await at.up()
    receipt = await at.send("all well again")
    assert at.modem.sent[-1].text == "all well again"
    assert receipt.references == (at.modem.sent[-1].reference,)


# -- refusals -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (38, RetryLater), (41, RetryLater), (42, RetryLater), (47, RetryLater), (21, RetryLater), (320, RetryLater),
        (322, RetryLater), (331, RetryLater), (500, RetryLater), (512, RetryLater),
        (50, NeedsPerson), (304, NeedsPerson), (310, NeedsPerson), (311, NeedsPerson), (330, NeedsPerson),
        (332, OutcomeUnknown),
    ],
)  # fmt: skip
async def test_a_refusal_is_classed_by_its_code(tmp_path: Path, code: int, kind: type[NotifyError]) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.modem.faults.cms_error(code)
        with pytest.raises(kind, match=rf"\+CMS ERROR {code}: \w"):
            await at.send("x")
        assert at.modem.sent == []
        await still_sends(at)


async def test_a_text_refused_in_its_middle_says_how_much_had_gone(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        sending = asyncio.create_task(at.send("x" * 400))
        await at.modem.wait_for(lambda one: True, 10)
        at.modem.faults.cms_error(42)
        with pytest.raises(RetryLater, match=r"1 of 3 parts had gone out|2 of 3 parts had gone out"):
            await sending


# -- silence ------------------------------------------------------------------------------------------------------


async def test_a_silent_modem_is_said_to_be_so_and_taken_up_again(tmp_path: Path) -> None:
    async with desk(tmp_path, **SHORT) as at:
        await at.up()
        at.modem.faults.silent = True
        with pytest.raises(RetryLater, match=r"did not answer|does not answer|did not finish"):
            await at.send("x")
        await at.down()
        assert "not answer" in at.health[-1][1]
        with pytest.raises(RetryLater):
            await at.send("x")
        at.modem.faults.silent = False
        await still_sends(at)
        assert [one.text for one in at.modem.sent] == ["all well again"]


async def test_a_modem_silent_from_the_start_is_found_when_it_speaks(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False, **SHORT) as at:
        at.modem.faults.silent = True
        at.start()
        await at.down()
        at.modem.faults.silent = False
        await still_sends(at)


async def test_a_slow_modem_is_waited_for(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        at.modem.faults.slow_s = 0.1
        await still_sends(at)
        at.modem.receive(KEEPER, "OK 12")
        await at.until(lambda: at.inbound)


async def test_a_modem_slower_than_allowed_does_not_get_the_text(tmp_path: Path) -> None:
    async with desk(tmp_path, **SHORT) as at:
        await at.up()
        at.modem.faults.slow_s = 1.6
        with pytest.raises(RetryLater):
            await at.send("x")
        at.modem.faults.slow_s = 0.0
        await still_sends(at)
        assert [one.text for one in at.modem.sent] == ["all well again"]


async def test_garbage_is_no_answer(tmp_path: Path) -> None:
    async with desk(tmp_path, **SHORT) as at:
        await at.up()
        at.modem.faults.garbage = True
        with pytest.raises(RetryLater):
            await at.send("x")
        await at.down()
        at.modem.faults.garbage = False
        await still_sends(at)


async def test_a_modem_that_hangs_with_the_text_in_hand_leaves_the_outcome_open(tmp_path: Path) -> None:
    async with desk(tmp_path, **SHORT) as at:
        await at.up()
        at.modem.faults.hang_after_prompt = True
        with pytest.raises(OutcomeUnknown, match="did not say within 1 s"):
            await at.send("x")
        at.modem.faults.hang_after_prompt = False
        await still_sends(at)


async def test_the_whole_of_a_long_text_has_one_deadline(tmp_path: Path) -> None:
    async with desk(tmp_path, answer_s=5.0, network_s=5.0, total_s=0.5) as at:
        await at.up()
        at.modem.faults.late_result_s = 0.2
        loop = asyncio.get_running_loop()
        began = loop.time()
        with pytest.raises(OutcomeUnknown, match=r"did not finish within 0\.5 s\. \d of 9 parts had gone out"):
            await at.send("x" * 9 * 153)
        assert loop.time() - began < 5.0
        at.modem.faults.late_result_s = 0.0
        await still_sends(at)


async def test_a_late_result_is_not_the_next_texts(tmp_path: Path) -> None:
    async with desk(tmp_path, answer_s=5.0, network_s=0.3, poll_s=60) as at:
        await at.up()
        at.modem.faults.late_result_s = 1.5
        with pytest.raises(OutcomeUnknown):
            await at.send("the late one")
        at.modem.faults.late_result_s = 0.0
        receipt = await at.send("the next one")
        assert [one.text for one in at.modem.sent] == ["the late one", "the next one"]
        assert receipt.references == (at.modem.sent[1].reference,)


async def test_a_hand_over_that_is_cut_off_leaves_the_line_usable(tmp_path: Path) -> None:
    async with desk(tmp_path, answer_s=5.0) as at:
        await at.up()
        at.modem.faults.late_result_s = 1.0
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2):
                await at.send("cut off")
        at.modem.faults.late_result_s = 0.0
        await still_sends(at)


# -- unplugged, restarted -----------------------------------------------------------------------------------------


async def test_unplugged_while_idle_is_noticed_at_once_and_mends_itself(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=60) as at:
        await at.up()
        at.modem.unplug()
        await at.down()
        assert "went away" in at.health[1][1]
        with pytest.raises(RetryLater):
            await at.send("x")
        at.modem.replug()
        await still_sends(at)


async def test_a_modem_that_is_not_there_yet_is_named(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        at.modem.unplug()
        at.start()
        await at.down()
        assert f"Cannot open {at.modem.port}: " in at.health[0][1]
        assert "No such file or directory" in at.health[0][1]
        at.modem.replug()
        await still_sends(at)


async def test_unplugged_before_the_text_was_handed_over(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.modem.faults.slow_s = 0.5
        sending = asyncio.create_task(at.send("x"))
        await asyncio.sleep(0.1)
        at.modem.unplug()
        with pytest.raises(RetryLater, match="went away"):
            await sending
        await at.down()
        at.modem.faults.slow_s = 0.0
        at.modem.replug()
        await still_sends(at)


async def test_unplugged_with_the_text_in_hand(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.modem.faults.late_result_s = 30.0
        sending = asyncio.create_task(at.send("x"))
        await at.until(lambda: at.modem.heard[-1].startswith("AT+CMGS"))
        await asyncio.sleep(0.1)
        at.modem.unplug()
        with pytest.raises(OutcomeUnknown, match="went away with the message in hand"):
            await sending
        await at.down()
        at.modem.faults.late_result_s = 0.0
        at.modem.replug()
        await still_sends(at)


async def test_unplugged_while_a_text_is_being_deleted_does_not_hand_it_on_again(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.on_text = at.modem.unplug
        at.modem.receive(KEEPER, "e" * 400)
        await at.down()
        at.on_text = lambda: None
        assert len(at.modem.brain.memories["SM"]) == 3
        at.modem.replug()
        await at.until(lambda: not at.modem.brain.memories["SM"])
        assert at.texts() == ["e" * 400]


async def test_stopping_ends_a_hand_over_under_way(tmp_path: Path) -> None:
    async with desk(tmp_path) as at:
        await at.up()
        at.modem.faults.late_result_s = 30.0
        sending = asyncio.create_task(at.send("x"))
        await at.until(lambda: at.modem.heard[-1].startswith("AT+CMGS"))
        await asyncio.sleep(0.1)
        await at.stop()
        with pytest.raises(OutcomeUnknown, match="was closed"):
            await sending


async def test_a_call_right_after_a_restart_of_the_modem_goes_to_the_right_phone(tmp_path: Path) -> None:
    """In text mode the length would be dialled; a modem that started anew may be in it."""
    async with desk(tmp_path, poll_s=60) as at:
        await at.up()
        at.modem.reboot()
        await still_sends(at)
        assert at.modem.sent[-1].to == KEEPER


async def test_a_modem_that_started_anew_is_set_up_again_and_told_texts_come_in(tmp_path: Path) -> None:
    async with desk(tmp_path, **SHORT) as at:
        await at.up()
        at.modem.reboot(dark_s=0.2)
        at.modem.receive(KEEPER, "OK 12")  # waits in the network while the modem is dark
        await at.until(lambda: at.texts() == ["OK 12"] and at.modem.brain.indications[1] == 1)
        await still_sends(at)


# -- network and memory -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "ok", "words"),
    [
        (1, True, "registered home"), (5, True, "registered roaming"),
        (6, True, "registered home, texts only"), (7, True, "registered roaming, texts only"),
        (0, False, "not registered, and not searching"), (2, False, "searching"), (3, False, "denies"),
        (4, False, "does not know"), (8, False, "emergency calls only"),
    ],
)  # fmt: skip
async def test_the_network_state_is_said_and_only_no_network_is_a_fault(
    tmp_path: Path, code: int, ok: bool, words: str
) -> None:
    async with desk(tmp_path, start=False, poll_s=0.2) as at:
        at.modem.no_network(code)
        at.start()
        await at.until(lambda: at.health)
        assert at.health[0][0] is ok
        assert words in at.health[0][1]
        if ok:
            await still_sends(at)
        else:
            with pytest.raises(RetryLater, match="no network service"):
                await at.send("x")
            at.modem.no_network(1)
            await still_sends(at)


async def test_registered_with_lte_alone_is_registered(tmp_path: Path) -> None:
    async with desk(tmp_path, start=False) as at:
        at.modem.brain.registration, at.modem.brain.lte = 0, 5
        at.start()
        await still_sends(at)
        assert at.health[0][1].startswith("registered roaming")


async def test_losing_and_finding_the_network_is_news_and_so_is_a_failing_signal(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.02) as at:
        await at.up()
        at.modem.no_network(2)
        await at.down()
        at.modem.no_network(1)
        await at.up()
        at.modem.brain.rssi = 2
        await at.until(lambda: at.health[-1][1].endswith("signal -109 dBm"))
        at.modem.brain.rssi = 99
        await at.until(lambda: at.health[-1][1].endswith("signal unknown"))
        assert [ok for ok, _ in at.health] == [True, False, True, False, True]


async def test_a_memory_full_of_other_things_is_a_fault_until_it_is_emptied(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.05) as at:
        await at.up()
        at.modem.storage_full()
        at.modem.receive(KEEPER, "OK 12")
        await at.down()
        assert "storage is full" in at.health[-1][1]
        await at.send("it can still send")
        at.modem.storage_full(False)
        await at.until(lambda: at.texts() == ["OK 12"])
        await at.up()


# -- PIN ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tells_tries", [True, False])
async def test_a_wrong_pin_is_entered_once_and_never_again(tmp_path: Path, tells_tries: bool) -> None:
    clock = SteppingClock(UTC)
    async with desk(tmp_path, stepping=clock, pin="1234", start=False) as at:
        at.modem.brain.tells_tries = tells_tries
        at.settings = at.settings.model_copy(update={"pin": "4321"})
        at.make_anew()
        at.start()
        await pass_time(clock, 1800)
        assert at.modem.pin_attempts == 1
        at.modem.reboot()
        at.modem.unplug()
        at.modem.replug()
        await pass_time(clock, 1800)
        assert at.modem.pin_attempts == 1
        assert "refused its PIN" in at.health[0][1]
        assert "4321" not in str(at.health)
        with pytest.raises(NeedsPerson, match="not tried again"):
            await at.send("x")


async def test_a_wrong_pin_is_not_entered_again_by_the_next_process_either(tmp_path: Path) -> None:
    async with desk(tmp_path, pin="1234", start=False) as at:
        at.settings = at.settings.model_copy(update={"pin": "4321"})
        for _ in range(3):
            at.make_anew()
            at.health.clear()
            at.start()
            await at.down()
            await at.stop()
        assert at.modem.pin_attempts == 1
        assert "only 2 tries left" in at.health[0][1]


async def test_the_right_pin_opens_the_sim_again_after_each_restart_of_the_modem(tmp_path: Path) -> None:
    async with desk(tmp_path, pin="1234", start=False, poll_s=0.1) as at:
        at.settings = at.settings.model_copy(update={"pin": "1234"})
        at.make_anew()
        at.start()
        await still_sends(at)
        assert at.modem.pin_attempts == 1
        at.modem.reboot()
        await at.until(lambda: at.modem.pin_attempts == 2)
        await at.until(lambda: at.modem.brain.indications[1] == 1)
        await still_sends(at)
        assert at.modem.brain.pin_attempts == ["1234", "1234"]


async def test_a_locked_sim_without_a_pin_set_needs_a_person(tmp_path: Path) -> None:
    async with desk(tmp_path, pin="1234") as at:
        await at.down()
        assert "wants its PIN, and none is set" in at.health[0][1]
        with pytest.raises(NeedsPerson, match="wants its PIN"):
            await at.send("x")
        assert at.modem.pin_attempts == 0


async def test_a_blocked_sim_needs_a_person(tmp_path: Path) -> None:
    async with desk(tmp_path, pin="1234", start=False) as at:
        at.modem.brain.tries = 0
        at.settings = at.settings.model_copy(update={"pin": "1234"})
        at.make_anew()
        at.start()
        await at.down()
        assert "SIM PUK" in at.health[0][1]
        assert at.modem.pin_attempts == 0


async def test_a_wrong_pin_is_remembered_by_the_next_process_when_the_modem_does_not_tell_its_tries(
    tmp_path: Path,
) -> None:
    tried = tmp_path / "pin-tried"
    async with desk(tmp_path, pin="1234", start=False) as at:
        at.modem.brain.tells_tries = False
        at.settings = at.settings.model_copy(update={"pin": "4321"})
        for _ in range(3):
            at.make_anew(tried)
            at.health.clear()
            at.start()
            await at.down()
            await at.stop()
        assert at.modem.brain.pin_attempts == ["4321"]
        assert "4321" not in tried.read_text()
        # a person mends the setting: another PIN has not been tried
        at.settings = at.settings.model_copy(update={"pin": "1234"})
        at.make_anew(tried)
        at.health.clear()
        at.start()
        await at.up()
        assert at.modem.brain.pin_attempts == ["4321", "1234"]
        assert not tried.exists()


async def test_a_pin_that_cannot_be_remembered_is_not_tried(tmp_path: Path) -> None:
    async with desk(tmp_path, pin="1234", start=False) as at:
        at.settings = at.settings.model_copy(update={"pin": "1234"})
        at.make_anew(tmp_path / "nowhere" / "pin-tried")
        at.start()
        await at.down()
        assert at.modem.pin_attempts == 0
        assert "must not be tried twice" in at.health[-1][1]


async def test_a_weak_signal_is_told_of(tmp_path: Path) -> None:
    async with desk(tmp_path, poll_s=0.05) as at:
        await at.up()
        at.modem.brain.rssi = 2  # TS 27.007, 8.5: -109 dBm
        await at.down()
        assert at.health[-1][1] == "the signal is too weak to rely on: move the antenna, signal -109 dBm"
        at.modem.brain.rssi = 99  # not known: nothing to complain of
        await at.up()
