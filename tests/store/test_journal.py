"""The journal on a sound disk: what is committed comes back, and messages are sent until they are settled."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from pathlib import Path

import pytest

from brinewatch.alarms.events import Happening, State
from brinewatch.clock import SteppingClock
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery, Message
from brinewatch.moment import Moment
from brinewatch.ports import Outbox
from brinewatch.store.journal import Journal, Resumed
from brinewatch.store.rows import boot_id
from store.made import BOOT, NOW, PHONE, event, message, report


def clock(now: Moment = NOW) -> SteppingClock:
    return SteppingClock(now.utc, mono=now.mono, trusted=now.trusted)


@asynccontextmanager
async def opened(folder: Path, now: Moment = NOW, boot: str = BOOT) -> AsyncIterator[tuple[Journal, Resumed]]:
    journal = Journal(folder / "journal.sqlite", clock(now), boot=boot)
    resumed = await journal.open()
    try:
        yield journal, resumed
    finally:
        await journal.close()


def ids(messages: Sequence[Message]) -> list[str]:
    return [one.id for one in messages]


async def states(journal: Journal) -> dict[str, Delivery]:
    return {one.message.id: one.state for one in await journal.outbox()}


async def test_events_come_back_word_for_word(tmp_path: Path) -> None:
    raised = event(value=0.1 + 0.2, limit=None, title="Luft fällt aus – 12 °C", began=NOW.later(-15.123456789))
    taken = event(
        happening=Happening.ACKNOWLEDGED, at=NOW.later(9), state=State.ACKNOWLEDGED, by="Runa", value=None
    )
    async with opened(tmp_path) as (journal, _):
        await journal.commit([raised], {}, [], NOW)
        await journal.commit([taken], {}, [], NOW.later(9))
        assert [one.event for one in await journal.recent()] == [taken, raised]
    async with opened(tmp_path) as (journal, _):
        assert [one.event for one in await journal.recent()] == [taken, raised]
        assert [one.event for one in await journal.events(NOW.utc, NOW.utc + 9)] == [raised]
        assert [one.event for one in await journal.recent(1)] == [taken]


async def test_four_instants_of_an_event_are_kept_with_their_trust(tmp_path: Path) -> None:
    """IEC 60601-1-8 has the delays from condition to detection to signal told apart; so each instant is kept."""
    doubtful = replace(NOW, trusted=False)
    async with opened(tmp_path, doubtful) as (journal, _):
        (sms,) = await journal.commit([event(at=doubtful)], {}, [message()], doubtful)
        (logged,) = await journal.recent()
        assert (logged.event.began, logged.event.at) == (doubtful.later(-15), doubtful)
        assert (logged.committed, logged.sent) == (doubtful, None)
        await journal.settle(sms, Delivery.SENT, NOW.later(4), references=[11])
        await journal.settle(sms, Delivery.SENT, NOW.later(90), references=[12])
        (logged,) = await journal.recent()
        assert logged.sent == NOW.later(4)
        assert logged.boot == BOOT


async def test_commit_is_there_for_another_connection_when_it_returns(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {"a@b": {"n": 1}}, [message()], NOW)
        with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as other:
            assert other.execute("SELECT number FROM event").fetchall() == [(7,)]
            assert other.execute("SELECT id, state, recorded FROM message").fetchall() == [
                (int(sms.id), "waiting", 1)
            ]
            assert other.execute("SELECT alarm FROM memory").fetchall() == [("a@b",)]


async def test_message_is_due_until_it_is_settled(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        outbox: Outbox = journal
        first, second, topic = await journal.commit(
            [event()], {}, [message(), message(to="+447700900102"), message(way="mqtt", to="shed/alarms/7")], NOW
        )
        assert first.recorded
        assert await outbox.due("sms", NOW) == [first, second]
        assert await outbox.due("mqtt", NOW) == [topic]
        await outbox.settle(first, Delivery.SENT, NOW, references=[1])
        assert await outbox.due("sms", NOW) == [second]
        await outbox.settle(second, Delivery.FAILED, NOW, detail="no such number")
        assert await outbox.due("sms", NOW) == []
        told = {one.message.id: (one.state, one.detail, one.tries) for one in await journal.outbox()}
        assert told[second.id] == (Delivery.FAILED, "no such number", 1)


async def test_message_not_settled_is_due_again_after_a_restart_under_the_same_number(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message(payload='{"n":7}')], NOW)
        await journal.due("sms", NOW)
    async with opened(tmp_path, boot="after the power cut", now=Moment(12.0, NOW.utc + 90, True)) as (
        journal,
        resumed,
    ):
        assert resumed.waiting == 1
        assert await journal.due("sms", Moment(13.0, NOW.utc + 91, True)) == [sms]
        await journal.settle(sms, Delivery.SENT, Moment(14.0, NOW.utc + 92, True), references=[4])
    async with opened(tmp_path) as (journal, resumed):
        assert resumed.waiting == 0
        assert await journal.due("sms", NOW) == []


async def test_retry_comes_on_monotonic_time_even_when_the_wall_clock_steps_back(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.WAITING, NOW, detail="no network", retry_at_utc=NOW.utc + 60)
        assert await journal.due("sms", NOW.later(59)) == []
        assert await journal.due("sms", Moment(NOW.mono + 60, NOW.utc - 3600, True)) == [sms]


async def test_waiting_without_a_time_is_due_at_once_not_never(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.WAITING, NOW)
        assert await journal.due("sms", NOW) == [sms]


async def test_unknown_outcome_is_tried_again_after_a_restart_only_if_it_was_to_be(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        again, over = await journal.commit([event()], {}, [message(), message()], NOW)
        await journal.settle(again, Delivery.UNKNOWN, NOW, retry_at_utc=NOW.utc + 60)
        await journal.settle(over, Delivery.UNKNOWN, NOW)
    async with opened(tmp_path) as (journal, resumed):
        assert resumed.waiting == 1
        assert ids(await journal.due("sms", NOW)) == [again.id]


async def test_settling_twice_or_something_foreign_harms_nothing(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.FAILED, NOW, detail="first")
        await journal.settle(sms, Delivery.SENT, NOW, detail="second")
        await journal.settle(message(id="of another program"), Delivery.SENT, NOW)
        assert await states(journal) == {sms.id: Delivery.FAILED}


# -- expiry --


async def test_message_that_nobody_asked_for_in_time_has_failed(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message(expires_utc=NOW.utc + 60)], NOW)
        assert await journal.due("sms", NOW.later(61)) == []
        (posted,) = await journal.outbox()
        assert (posted.message.id, posted.state) == (sms.id, Delivery.FAILED)
        assert posted.detail == "expired unsent: worth sending until 2026-11-25T09:47:40.250Z"


async def test_message_once_handed_out_is_for_its_worker_to_give_up(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message(expires_utc=NOW.utc + 60)], NOW)
        await journal.due("sms", NOW)
        assert await journal.due("sms", NOW.later(61)) == [sms]


async def test_messages_that_expired_while_nothing_ran_are_said(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.commit([event()], {}, [message(expires_utc=NOW.utc + 60), message()], NOW)
    async with opened(tmp_path, NOW.later(3600)) as (journal, resumed):
        assert resumed.waiting == 1
        assert resumed.notes == (
            "1 messages could not go out while they were of use; the oldest is of 2026-11-25T09:46:40.250Z.",
        )
        assert len(await journal.due("sms", NOW.later(3600))) == 1
        assert sorted((await states(journal)).values()) == [Delivery.FAILED, Delivery.WAITING]


@pytest.mark.parametrize(("before", "after"), [(False, True), (True, False)])
async def test_no_message_expires_by_a_clock_that_was_not_set(tmp_path: Path, before: bool, after: bool) -> None:
    made = replace(NOW, trusted=before)
    async with opened(tmp_path, made) as (journal, _):
        await journal.commit([event()], {}, [message(expires_utc=NOW.utc + 60)], made)
    later = Moment(20.0, NOW.utc + 9e8, after)
    async with opened(tmp_path, later, boot="another boot") as (journal, resumed):
        assert resumed.waiting == 1
        assert len(await journal.due("sms", later)) == 1


# -- delivery reports --


async def test_report_finds_its_message_also_after_a_restart(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.SENT, NOW, references=[39])
        assert not await journal.report(report(40, Delivery.DELIVERED))
        assert not await journal.report(report(39, Delivery.DELIVERED, to="+447700900199"))
    async with opened(tmp_path) as (journal, _):
        assert await journal.report(report(39, Delivery.DELIVERED, NOW.later(600)))
        assert await states(journal) == {sms.id: Delivery.DELIVERED}


async def test_message_in_parts_is_delivered_when_every_part_is(tmp_path: Path) -> None:
    """3GPP TS 23.040, 9.2.3.6 and 9.2.3.24.1: each part is a short message of its own with its own reference."""
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.SENT, NOW, references=[254, 255, 0])
        for reference in (255, 0):
            assert await journal.report(report(reference, Delivery.DELIVERED))
            assert await states(journal) == {sms.id: Delivery.SENT}
        assert await journal.report(report(254, Delivery.DELIVERED))
        assert await states(journal) == {sms.id: Delivery.DELIVERED}


async def test_part_the_network_gave_up_fails_the_message(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.SENT, NOW, references=[1, 2])
        assert await journal.report(report(1, Delivery.SENT, detail="still trying"))
        assert await states(journal) == {sms.id: Delivery.SENT}
        assert await journal.report(report(2, Delivery.FAILED, detail="not obtainable"))
        (posted,) = await journal.outbox()
        assert (posted.state, posted.detail) == (Delivery.FAILED, "not obtainable")


async def test_reference_that_came_round_again_means_the_newest_send(tmp_path: Path) -> None:
    """3GPP TS 23.040, 9.2.3.6: TP-MR is one octet, 0 to 255, counted up by one for each send."""
    async with opened(tmp_path) as (journal, _):
        old, new = await journal.commit([event()], {}, [message(), message()], NOW)
        await journal.settle(old, Delivery.SENT, NOW, references=[9])
        await journal.settle(new, Delivery.SENT, NOW.later(3600), references=[9])
        assert await journal.report(report(9, Delivery.DELIVERED, NOW.later(3700)))
        assert await states(journal) == {old.id: Delivery.SENT, new.id: Delivery.DELIVERED}


async def test_report_after_three_days_fits_nothing(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.SENT, NOW, references=[9])
        assert not await journal.report(report(9, Delivery.DELIVERED, NOW.later(3 * 86400 + 1)))
        assert await states(journal) == {sms.id: Delivery.SENT}


async def test_report_that_overtakes_the_settling_is_not_lost(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        assert not await journal.report(report(9, Delivery.DELIVERED, NOW.later(2)))
        await journal.settle(sms, Delivery.SENT, NOW.later(3), references=[9])
        assert await states(journal) == {sms.id: Delivery.DELIVERED}


async def test_report_with_the_number_in_national_form_fits(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.SENT, NOW, references=[9])
        assert await journal.report(report(9, Delivery.DELIVERED, to="0" + PHONE.removeprefix("+44")))
        assert await states(journal) == {sms.id: Delivery.DELIVERED}


async def test_what_was_delivered_is_neither_sent_again_nor_called_anything_less(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        (sms,) = await journal.commit([event()], {}, [message()], NOW)
        await journal.settle(sms, Delivery.UNKNOWN, NOW, references=[3], retry_at_utc=NOW.utc + 60)
        assert await journal.report(report(3, Delivery.DELIVERED, NOW.later(20)))
        assert await journal.due("sms", NOW.later(60)) == []
        await journal.settle(sms, Delivery.UNKNOWN, NOW.later(61), retry_at_utc=NOW.utc + 120)
        assert await journal.due("sms", NOW.later(130)) == []
        assert await states(journal) == {sms.id: Delivery.DELIVERED}


# -- memories, entries, remarks --


async def test_memories_are_kept_changed_and_forgotten(tmp_path: Path) -> None:
    began = {"pending": {"mono": 4999.9, "utc": NOW.utc, "trusted": True}, "state": "normal", "number": None}
    async with opened(tmp_path) as (journal, resumed):
        assert (resumed.memories, resumed.saved, resumed.next_number) == ({}, None, 1)
        assert await journal.keep({"a@p": began, "b@p": {"number": 1}}, NOW)
        await journal.commit([event(41)], {"b@p": None, "c@p": {"number": 41}}, [], NOW.later(5))
    async with opened(tmp_path, NOW.later(100)) as (_, resumed):
        assert resumed.memories == {"a@p": began, "c@p": {"number": 41}}
        assert resumed.saved == NOW.later(5)
        assert resumed.same_boot
        assert resumed.next_number == 42


@pytest.mark.parametrize(("boot", "mono"), [("another boot", NOW.mono + 100), (BOOT, NOW.mono - 1)])
async def test_monotonic_time_of_another_boot_is_not_compared(tmp_path: Path, boot: str, mono: float) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.keep({}, NOW)
    async with opened(tmp_path, Moment(mono, NOW.utc + 100, True), boot) as (_, resumed):
        assert resumed.saved_boot == BOOT
        assert not resumed.same_boot


def test_boot_has_the_kernels_own_name_and_none_is_no_name(tmp_path: Path) -> None:
    """random(4): /proc/sys/kernel/random/boot_id is a UUID made once at boot."""
    assert boot_id() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert boot_id(tmp_path / "none") != boot_id(tmp_path / "none")


async def test_manual_entries_are_kept_and_corrections_leave_them_to_be_seen(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        wrong = await journal.enter("nursery.tan", 40.0, "Runa", NOW)
        right = await journal.enter("nursery.tan", 0.4, "Runa", NOW.later(60), corrects=wrong.id)
        await journal.enter("nursery.alkalinity", 2.31, "Idris", NOW.later(70))
        assert await journal.entries("nursery.tan") == [right, replace(wrong, corrected=True)]
        with pytest.raises(StoreError, match="Enter a number"):
            await journal.enter("nursery.tan", float("nan"), "Runa", NOW)
    async with opened(tmp_path) as (journal, resumed):
        assert [(one.point, one.value) for one in resumed.entries] == [
            ("nursery.tan", 0.4),
            ("nursery.alkalinity", 2.31),
        ]
        assert len(await journal.entries()) == 3


async def test_correction_of_the_newest_brings_back_the_one_before(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        await journal.enter("nursery.tan", 0.2, "Runa", NOW)
        slip = await journal.enter("nursery.tan", 9.0, "Runa", NOW.later(5))
        await journal.enter("nursery.salinity", 31.0, "Runa", NOW.later(9), corrects=slip.id)
    async with opened(tmp_path) as (_, resumed):
        assert {one.point: one.value for one in resumed.entries} == {"nursery.tan": 0.2, "nursery.salinity": 31.0}


async def test_remark_with_half_a_character_is_kept_all_the_same(tmp_path: Path) -> None:
    """Half of a UTF-16 surrogate pair, as a garbled UCS2 text leaves it, has no place in UTF-8 (RFC 3629, 3)."""
    async with opened(tmp_path) as (journal, _):
        assert await journal.note("stranger", "OK \ud83d now", NOW)
        (remark,) = await journal.remarks()
        assert (remark.kind, remark.text, remark.at) == ("stranger", "OK ? now", NOW)


async def test_values_no_file_can_take_are_refused_and_stand_in_nobodys_way(tmp_path: Path) -> None:
    """sqlite.org/datatype3.html: an INTEGER has at most 8 bytes."""
    async with opened(tmp_path) as (journal, _):
        with pytest.raises(StoreError, match="cannot record"):
            await journal.commit([event(2**70)], {}, [message()], NOW)
        await journal.commit([event(8)], {}, [], NOW)
        assert [one.event.number for one in await journal.recent()] == [8]


async def test_caller_that_is_cancelled_loses_nothing(tmp_path: Path) -> None:
    async with opened(tmp_path) as (journal, _):
        task = asyncio.create_task(journal.commit([event()], {}, [message()], NOW))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    async with opened(tmp_path) as (journal, resumed):
        assert len(await journal.recent()) == 1
        assert resumed.waiting == 1


async def test_journal_not_opened_says_so(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal.sqlite", clock())
    with pytest.raises(StoreError, match="Open the journal first"):
        await journal.commit([event()], {}, [], NOW)
