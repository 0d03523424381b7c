"""A hundred times the process is killed at a random moment: no raised alarm and no unsent message is lost, and
after each life the journal's chain holds, with every head that was given out in it.

kill -9 ends the process, not the machine. What a power cut adds, that the disk was told to keep each commit before
it counted, rests on SQLite's own promise for WAL with synchronous=FULL (sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from datetime import UTC
from pathlib import Path
from sqlite3 import connect

from brinewatch.clock import SystemClock
from brinewatch.errors import StoreError
from brinewatch.messages import Delivery
from brinewatch.store.chain import Head
from brinewatch.store.journal import Journal
from brinewatch.store.reader import StoreReader

KILLS = 100
SEED = 20261125
CHILD = Path(__file__).with_name("journal_child.py")


def lines(path: Path) -> list[list[str]]:
    """Every whole line; see journal_child.whole."""
    said = path.read_text().splitlines() if path.exists() else []
    return [line.split()[:-1] for line in said if line.endswith(" .")]


def live_and_die(folder: Path, seed: int, chance: random.Random) -> int:
    """One life of the child: killed somewhere between its birth and a good while into its work."""
    before = (folder / "told").stat().st_size if (folder / "told").exists() else 0
    with subprocess.Popen([sys.executable, str(CHILD), str(folder), str(seed)], stderr=subprocess.PIPE) as child:
        if chance.random() < 0.8:  # the others are killed while they start, import or open
            ends = time.monotonic() + 30
            while (not (folder / "told").exists() or (folder / "told").stat().st_size == before) and (
                time.monotonic() < ends
            ):
                time.sleep(0.002)
        time.sleep(chance.uniform(0.0, 0.15))
        assert child.poll() is None, child.stderr.read().decode() if child.stderr else ""
        child.kill()
        child.wait()
    return (folder / "told").stat().st_size - before if (folder / "told").exists() else 0


def chain_holds(folder: Path) -> bool:
    """Follow the chain as this life left it, with every head it gave out. False: it died before there was one."""
    heads = [Head.of(words[1]) for words in lines(folder / "told") if words[0] == "head"]
    try:
        with StoreReader(folder, UTC) as store:
            found = store.check_chain(heads)
    except StoreError as error:
        if "There is no" not in error.what and "of an earlier version" not in error.what:
            raise
        assert not heads
        return False
    assert found.faults == []
    return found.links > 0


async def test_a_hundred_kills_lose_no_alarm_and_no_message(tmp_path: Path) -> None:
    chance = random.Random(SEED)
    busy = followed = 0
    for life in range(KILLS):
        busy += live_and_die(tmp_path, SEED + life, chance) > 0
        followed += chain_holds(tmp_path)
    assert busy > KILLS // 2, "too few of the lives did any work for this to prove anything"
    assert followed > KILLS // 2
    subprocess.run([sys.executable, str(CHILD), str(tmp_path), "1", "drain"], check=True, timeout=60)

    told, wire = lines(tmp_path / "told"), lines(tmp_path / "wire")
    assert told[-1] == ["drained"]
    assert not [words for words in told if words[0] == "note"], "no kill may damage the file"
    committed = {(words[1], int(words[2])) for words in told if words[0] == "committed"}
    promised = {(words[3], words[4], words[1]) for words in told if words[0] == "committed"}
    assert len(committed) > KILLS
    assert chain_holds(tmp_path)

    # every alarm that was said to be committed is in the journal, once, under its number
    with closing(connect(tmp_path / "journal.sqlite")) as db:
        kept = db.execute("SELECT alarm, number FROM event ORDER BY id").fetchall()
        waiting = db.execute("SELECT count(*) FROM message WHERE state != 'sent'").fetchone()
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    known_alarms = set(kept)
    assert len(kept) == len(known_alarms)
    assert committed <= known_alarms

    # numbers stay: none is given to a second alarm, none of an alarm changes, each follows the one before
    assert [number for _, number in kept] == list(range(1, len(kept) + 1))
    assert all(alarm.startswith(f"rule-{number}-") for alarm, number in kept)

    # every message of every alarm that came to be was sent by some life, and says what it said at first
    assert waiting == (0,)
    sent = Counter((words[0], words[1], words[2]) for words in wire)
    assert promised <= set(sent)
    assert {words[2] for words in wire} == {alarm for alarm, _ in kept}
    assert all((words[2], int(words[4])) in known_alarms for words in wire)
    assert len({(words[1], words[4]) for words in wire}) == len(sent) == 2 * len(kept)

    # one is sent twice only when a kill fell between the hand-over and its being written down
    assert sum(sent.values()) - len(sent) <= KILLS

    # every memory that was said to be kept was there for the next life: as it was, or further on
    known = {words[1] for words in told if words[0] == "pending"}
    journal = Journal(tmp_path / "journal.sqlite", SystemClock())
    resumed = await journal.open()
    assert known <= set(resumed.memories)
    assert all(resumed.memories[alarm] == {"number": number} for alarm, number in kept)
    assert resumed.waiting == 0
    assert {one.state for one in await journal.outbox(10_000)} == {Delivery.SENT}
    await journal.close()
