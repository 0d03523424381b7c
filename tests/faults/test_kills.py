"""The process is killed at random moments: no raised alarm and no unsent message is lost, and after each life the
chain holds, with every head that was given out in it. `bash deploy/bench --only faults` kills 10,000 times.
"""

from __future__ import annotations

from pathlib import Path

from brinewatch.clock import SystemClock
from brinewatch.messages import Delivery
from brinewatch.store.journal import Journal
from faults.kills import Lives, lines

KILLS = 40
SEED = 20261125


async def test_kills_lose_no_alarm_and_no_message(tmp_path: Path) -> None:
    lives = Lives(tmp_path, SEED)
    try:
        for _ in range(KILLS):
            lives.live_and_die()
            assert lives.follow() == []
    finally:
        lives.stop()
    assert lives.busy > KILLS // 2, "too few of the lives did any work for this to prove anything"
    assert lives.followed > KILLS // 2
    assert lives.close() == []
    told = lines(tmp_path / "told")
    committed = {(words[1], int(words[2])) for words in told if words[0] == "committed"}
    assert len(committed) > KILLS

    # every memory that was said to be kept was there for the next life: as it was, or further on
    known = {words[1] for words in told if words[0] == "pending"}
    journal = Journal(tmp_path / "journal.sqlite", SystemClock())
    resumed = await journal.open()
    assert known <= set(resumed.memories)
    assert all(resumed.memories[alarm] == {"number": number} for alarm, number in committed)
    assert resumed.waiting == 0
    assert {one.state for one in await journal.outbox(10_000)} == {Delivery.SENT}
    await journal.close()
