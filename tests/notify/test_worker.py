"""The worker of one way, in stepped time, between the real journal and a way that does what the test says."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import pytest

from brinewatch.clock import SteppingClock
from brinewatch.errors import NeedsPerson, OutcomeUnknown, RetryLater, StoreError
from brinewatch.messages import Delivery, DeliveryReport, Message, Receipt
from brinewatch.moment import Moment
from brinewatch.notify.worker import WayWorker
from brinewatch.store.journal import Journal
from brinewatch.store.rows import Posted

UTC = 1_800_000_000.0


def sms(key: str, expires_in: float | None = None, recorded: bool = True) -> Message:
    """The journal counts its messages from 1: the first one added is "1"."""
    expires = None if expires_in is None else UTC + expires_in
    return Message(key, "sms", "+447700900101", f"text {key}", 12, UTC, expires, recorded)


class Outbox:
    """The journal behind a port that can be made to fail."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self.failing = False
        self.refusing = ""

    async def due(self, way: str, now: Moment) -> Sequence[Message]:
        if self.failing:
            raise StoreError("disk full")
        return await self.journal.due(way, now)

    async def settle(
        self,
        message: Message,
        state: Delivery,
        now: Moment,
        *,
        references: Sequence[int] = (),
        detail: str = "",
        retry_at_utc: float | None = None,
    ) -> None:
        if self.failing or message.id == self.refusing:
            raise StoreError("disk full")
        await self.journal.settle(
            message, state, now, references=references, detail=detail, retry_at_utc=retry_at_utc
        )

    async def report(self, report: DeliveryReport) -> bool:
        return await self.journal.report(report)


class Way:
    """Takes messages; `answers` are what it says to the next ones, None or none left for a receipt."""

    way = "sms"

    def __init__(self, clock: SteppingClock) -> None:
        self.clock = clock
        self.answers: list[Exception | None] = []
        self.always: Exception | None = None
        self.tried: list[tuple[str, float]] = []
        self.hang = False
        self.busy = 0

    async def run(self) -> None:
        raise NotImplementedError

    async def send(self, message: Message) -> Receipt:
        assert self.busy == 0, "two at a time"
        self.busy += 1
        try:
            self.tried.append((message.id, round(self.clock.now().mono - 1000.0, 1)))
            if self.hang:
                with self.clock.hold():
                    await asyncio.Event().wait()
            answer = self.answers.pop(0) if self.answers else self.always
            if answer is not None:
                raise answer
            return Receipt((len(self.tried),), self.clock.now())
        finally:
            self.busy -= 1

    @property
    def order(self) -> list[str]:
        return [key for key, _ in self.tried]

    def times(self, key: str) -> list[float]:
        return [at for one, at in self.tried if one == key]


class Bench:
    def __init__(self, journal: Journal, clock: SteppingClock, **more: float) -> None:
        self.clock = clock
        self.way, self.outbox = Way(clock), Outbox(journal)
        self.troubles: list[tuple[str, str]] = []
        self.worker = WayWorker(
            self.way, self.outbox, clock, lambda way, why: self.troubles.append((way, why)), seed=7, **more
        )

    async def add(self, *messages: Message) -> None:
        """As the daemon does it: first written down, then the worker is woken."""
        await self.outbox.journal.commit([], {}, messages, self.clock.now())
        self.worker.wake()

    async def until(self, seconds: float) -> None:
        """Let time pass until so many seconds after the beginning."""
        await self.clock.drive(1000.0 + seconds)

    async def posted(self, key: str) -> Posted:
        return next(one for one in await self.outbox.journal.outbox() if one.message.id == key)

    async def state(self, key: str) -> Delivery:
        return (await self.posted(key)).state


AtWork = Callable[..., AbstractAsyncContextManager[Bench]]


@pytest.fixture
def at_work(tmp_path: Path) -> AtWork:
    count = itertools.count()

    @contextlib.asynccontextmanager
    async def opened(**more: float) -> AsyncIterator[Bench]:
        clock = SteppingClock(UTC)
        journal = Journal(tmp_path / f"journal-{next(count)}.sqlite", clock)
        await journal.open()
        bench = Bench(journal, clock, **more)
        task = asyncio.create_task(bench.worker.run())
        try:
            yield bench
            assert not task.done(), task
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            await journal.close()

    return opened


async def test_what_is_due_goes_out_oldest_first_and_is_written_down(at_work: AtWork) -> None:
    async with at_work() as bench:
        await bench.add(sms("1"), sms("2"))
        await bench.until(0.1)
        assert bench.way.tried == [("1", 0.0), ("2", 0.0)]
        assert await bench.state("2") is Delivery.SENT
        # the reference is kept: a report of the network finds its message
        report = DeliveryReport("sms", "+447700900101", 2, Delivery.DELIVERED, "", bench.clock.now())
        assert await bench.outbox.report(report)
        assert await bench.state("2") is Delivery.DELIVERED
        await bench.until(60)
        assert len(bench.way.tried) == 2


async def test_unwoken_it_looks_every_few_seconds_and_leaves_other_ways_alone(at_work: AtWork) -> None:
    async with at_work() as bench:
        await bench.until(1)
        new = [sms("1"), Message("2", "mqtt", "alarms", "", None, UTC)]
        await bench.outbox.journal.commit([], {}, new, bench.clock.now())
        await bench.until(6)
        assert bench.way.order == ["1"]


async def test_a_way_that_is_down_is_tried_again_with_growing_pauses(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = RetryLater("no network")
        await bench.add(sms("1"))
        await bench.until(3600)
        at = bench.way.times("1")
        pauses = [later - earlier for earlier, later in itertools.pairwise(at)]
        for n, pause in enumerate(pauses):
            least = min(300.0, 5.0 * 2**n)
            assert least - 0.2 <= pause <= min(300.0, least * 1.3) + 0.2
        assert max(pauses) == pytest.approx(300.0, abs=0.2)
        assert (await bench.state("1"), (await bench.posted("1")).detail) == (Delivery.WAITING, "no network")
        bench.way.always = None
        await bench.until(3600 + 300)
        assert await bench.state("1") is Delivery.SENT


async def test_when_the_way_works_again_nothing_waits_out_its_pause(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = RetryLater("no network")
        await bench.add(sms("1"), sms("2"))
        await bench.until(1000)
        bench.way.always = None
        await bench.add(sms("3"))
        await bench.until(1000.1)
        assert bench.way.order[-3:] == ["3", "1", "2"]
        assert {one.state for one in await bench.outbox.journal.outbox()} == {Delivery.SENT}
        await bench.until(2000)
        assert bench.way.order.count("1") == bench.way.order[:-3].count("1") + 1


async def test_told_that_the_way_is_back_it_tries_at_once(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [RetryLater("no network")] * 4
        await bench.add(sms("1"))
        await bench.until(80)
        assert len(bench.way.tried) == 4
        bench.worker.retry_now()
        await bench.until(80.1)
        assert await bench.state("1") is Delivery.SENT


async def test_what_needs_a_person_is_told_and_kept_waiting(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [NeedsPerson("The SIM wants a PIN.", "Enter it.")]
        await bench.add(sms("1"))
        await bench.until(290)
        assert bench.troubles == [("sms", "The SIM wants a PIN. Enter it.")]
        assert (await bench.state("1"), len(bench.way.tried)) == (Delivery.WAITING, 1)
        await bench.until(310)
        assert await bench.state("1") is Delivery.SENT


async def test_an_unknown_outcome_is_tried_once_more_and_said_so(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [OutcomeUnknown("No answer after the text.")]
        await bench.add(sms("1"))
        await bench.until(50)
        assert await bench.state("1") is Delivery.UNKNOWN
        assert "may then arrive twice" in (await bench.posted("1")).detail
        await bench.until(70)
        assert (bench.way.order, await bench.state("1")) == (["1", "1"], Delivery.SENT)
        assert bench.troubles == []


async def test_an_unknown_one_that_the_network_reports_as_arrived_is_not_sent_again(at_work: AtWork) -> None:
    async with at_work() as bench:
        await bench.add(sms("1"), sms("2"))
        bench.way.answers = [OutcomeUnknown("No answer after the text."), None]
        await bench.until(10)
        assert bench.way.order == ["1", "2"]
        # the answer that was lost had a reference; the journal learns of the arrival by another way
        moment = bench.clock.now()
        await bench.outbox.settle(sms("1"), Delivery.DELIVERED, moment)
        await bench.until(600)
        assert bench.way.order == ["1", "2"]


async def test_unknown_twice_is_kept_as_unknown_and_told(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = OutcomeUnknown("No answer.")
        await bench.add(sms("1"))
        await bench.until(3600)
        assert bench.way.order == ["1", "1"]
        assert await bench.state("1") is Delivery.UNKNOWN
        assert "nobody knows whether it went out" in bench.troubles[0][1]


async def test_unknown_stays_unknown_through_a_later_refusal(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [OutcomeUnknown("No answer."), RetryLater("no network")]
        await bench.add(sms("1"))
        await bench.until(62)
        assert await bench.state("1") is Delivery.UNKNOWN
        await bench.until(70)
        assert await bench.state("1") is Delivery.SENT


async def test_a_hand_over_without_end_is_cut_and_unknown(at_work: AtWork) -> None:
    async with at_work(deadline_s=0.05) as bench:
        bench.way.hang = True
        await bench.add(sms("1"), sms("2"))
        await bench.until(10)
        assert bench.way.order == ["1", "2"]
        assert {await bench.state("1"), await bench.state("2")} == {Delivery.UNKNOWN}
        assert "No end to the hand-over" in (await bench.posted("1")).detail


async def test_what_expires_unsent_fails_on_time_and_is_told(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = RetryLater("no network")
        await bench.add(sms("1", expires_in=200))
        await bench.until(190)
        assert await bench.state("1") is Delivery.WAITING
        await bench.until(201)
        assert await bench.state("1") is Delivery.FAILED
        assert "expired before it could be sent" in bench.troubles[0][1]
        assert all(at < 200 for at in bench.way.times("1"))


async def test_what_may_have_arrived_is_not_called_failed_when_it_expires(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [OutcomeUnknown("No answer.")]
        await bench.add(sms("1", expires_in=30))
        await bench.until(100)
        assert (bench.way.order, await bench.state("1")) == (["1"], Delivery.UNKNOWN)
        assert "may have arrived" in bench.troubles[0][1]


async def test_what_had_expired_before_is_not_sent(at_work: AtWork) -> None:
    async with at_work() as bench:
        await bench.add(sms("1", expires_in=-1), sms("2"))
        await bench.until(6)
        assert (bench.way.order, await bench.state("1")) == (["2"], Delivery.FAILED)


async def test_a_step_of_the_wall_clock_expires_nothing(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [RetryLater("no network")] * 2
        await bench.add(sms("1", expires_in=3600))
        await bench.until(1)
        bench.clock.step_wall(86400.0)
        await bench.until(60)
        assert await bench.state("1") is Delivery.SENT


async def test_a_step_while_another_one_hangs_expires_nothing(at_work: AtWork) -> None:
    async with at_work(deadline_s=0.05) as bench:
        bench.way.hang = True
        await bench.add(sms("1"))
        await bench.add(sms("2", expires_in=3600))
        bench.clock.step_wall(86400.0)
        await bench.until(1)
        bench.way.hang = False
        await bench.until(200)
        assert await bench.state("2") is Delivery.SENT


async def test_a_step_back_of_the_wall_clock_draws_out_no_pause(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [RetryLater("no network")]
        await bench.add(sms("1"))
        await bench.until(1)
        bench.clock.step_wall(-86400.0)
        await bench.until(10)
        assert await bench.state("1") is Delivery.SENT


async def test_an_unforeseen_error_of_the_notifier_is_told_and_tried_again(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.answers = [ZeroDivisionError("a fault of ours")]
        await bench.add(sms("1"))
        await bench.until(20)
        assert "a fault of ours" in bench.troubles[0][1]
        assert await bench.state("1") is Delivery.SENT


async def test_unrecorded_messages_go_first_and_are_retried_from_memory(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.outbox.failing = True
        bench.way.answers = [RetryLater("no network"), RetryLater("no network")]
        bench.worker.push(sms("memory-1", recorded=False))
        bench.worker.push(sms("memory-2", recorded=False))
        await bench.until(0.1)
        bench.outbox.failing = False
        await bench.add(sms("1"))
        await bench.until(10)
        assert bench.way.order[:2] == ["memory-1", "memory-2"]
        assert sorted(bench.way.order[2:]) == ["1", "memory-1", "memory-2"]
        assert [one.message.id for one in await bench.outbox.journal.outbox()] == ["1"]
        await bench.until(1000)
        assert len(bench.way.tried) == 5


async def test_an_unrecorded_message_expires_too(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = RetryLater("no network")
        bench.worker.push(sms("memory-1", expires_in=30, recorded=False))
        await bench.until(1000)
        assert max(bench.way.times("memory-1")) < 30
        assert "memory-1" in bench.troubles[0][1]


async def test_an_outbox_that_fails_between_sending_and_settling_sends_nothing_twice(at_work: AtWork) -> None:
    async with at_work() as bench:

        async def send(message: Message, inner: object = bench.way.send) -> Receipt:
            bench.outbox.failing = True
            return await inner(message)  # type: ignore[operator,no-any-return]

        bench.way.send = send  # type: ignore[method-assign]
        await bench.add(sms("1"))
        await bench.until(100)
        assert (bench.way.order, await bench.state("1")) == (["1"], Delivery.WAITING)
        bench.outbox.failing = False
        await bench.until(106)
        assert (bench.way.order, await bench.state("1")) == (["1"], Delivery.SENT)


async def test_an_outbox_that_cannot_note_a_retry_still_sees_the_pause_kept(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.always = RetryLater("no network")
        await bench.add(sms("1"))
        bench.outbox.refusing = "1"
        await bench.until(100)
        assert 3 <= len(bench.way.tried) <= 5
        bench.way.always = None
        bench.outbox.refusing = ""
        await bench.until(300)
        assert await bench.state("1") is Delivery.SENT


async def test_one_ending_the_outbox_refuses_does_not_stand_before_the_others(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.outbox.refusing = "1"
        await bench.add(sms("1"), sms("2"))
        await bench.until(60)
        assert bench.way.order == ["1", "2"]
        assert (await bench.state("1"), await bench.state("2")) == (Delivery.WAITING, Delivery.SENT)


async def test_a_failing_outbox_does_not_end_the_work_and_is_asked_again(at_work: AtWork) -> None:
    async with at_work() as bench:
        await bench.add(sms("1"))
        bench.outbox.failing = True
        await bench.until(60)
        assert bench.way.tried == []
        bench.outbox.failing = False
        await bench.until(66)
        assert await bench.state("1") is Delivery.SENT


async def test_the_jitter_is_fixed_by_the_seed(at_work: AtWork) -> None:
    runs = []
    for _ in range(2):
        async with at_work() as bench:
            bench.way.always = RetryLater("no network")
            await bench.add(sms("1"))
            await bench.until(1000)
            runs.append(bench.way.tried)
    assert runs[0] == runs[1]


async def test_stopping_in_the_middle_leaves_the_message_due(at_work: AtWork) -> None:
    async with at_work() as bench:
        bench.way.hang = True
        await bench.add(sms("1"))
        async with asyncio.timeout(5):
            while not bench.way.order:
                await asyncio.sleep(0.001)
        assert (await bench.posted("1")).tries == 0
        assert await bench.state("1") is Delivery.WAITING
