"""Lives of a process that raises alarms and sends their messages, each ended by kill -9 at a moment of chance; and
what was promised by them held against what the journal, the outbox and the wire have.

kill -9 ends the process, not the machine. What a power cut adds, that the disk was told to keep each commit before
it counted, rests on SQLite's own promise for WAL with synchronous=FULL (sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from datetime import UTC
from pathlib import Path
from sqlite3 import connect

from brinewatch.errors import StoreError
from brinewatch.store.chain import Head
from brinewatch.store.reader import StoreReader

CHILD = Path(__file__).with_name("journal_child.py")
_BORN_WITHIN_S = 60.0


def lines(path: Path) -> list[list[str]]:
    """Every whole line; see journal_child.whole."""
    said = path.read_text().splitlines() if path.exists() else []
    return [line.split()[:-1] for line in said if line.endswith(" .")]


class Lives:
    """One life after another in one folder, each killed somewhere between its birth and a good while into its work;
    with `close`, all that was promised is checked."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._folder, self._told = folder, folder / "told"
        self._seed, self._chance = seed, random.Random(seed)
        self.lived = self.busy = self.followed = 0
        self._nursery = subprocess.Popen(
            [sys.executable, str(CHILD), "nursery"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def _ask(self, line: str) -> int:
        assert self._nursery.stdin is not None
        assert self._nursery.stdout is not None
        self._nursery.stdin.write(f"{line}\n")
        self._nursery.stdin.flush()
        return int(self._nursery.stdout.readline())

    def _size(self) -> int:
        return self._told.stat().st_size if self._told.exists() else 0

    def live_and_die(self) -> None:
        before = self._size()
        child = self._ask(f"{self._folder} {self._seed + self.lived}")
        self.lived += 1
        if self._chance.random() < 0.8:  # the others are killed while they open
            ends = time.monotonic() + _BORN_WITHIN_S
            while self._size() == before and time.monotonic() < ends:
                time.sleep(0.002)
        time.sleep(self._chance.uniform(0.0, 0.15 if self._chance.random() < 0.5 else 0.03))
        os.kill(child, signal.SIGKILL)
        ended = self._ask("end")
        assert ended == signal.SIGKILL, f"it ended by itself before it was killed: status {ended}"
        self.busy += self._size() > before

    def follow(self) -> list[str]:
        """Follow the chain as this life left it, with every head it gave out; what is wrong with it."""
        heads = [Head.of(words[1]) for words in lines(self._told) if words[0] == "head"]
        try:
            with StoreReader(self._folder, UTC) as store:
                found = store.check_chain(heads)
        except StoreError as error:
            if "There is no" not in error.what and "of an earlier version" not in error.what:
                raise
            return ["heads were given out, and there is no chain"] if heads else []
        self.followed += found.links > 0
        return found.faults

    def stop(self) -> None:
        for end in (self._nursery.stdin, self._nursery.stdout):
            if end is not None:
                end.close()
        self._nursery.wait(30)

    def close(self) -> list[str]:
        """A last life sends what waits, undisturbed; every promise that was not kept."""
        self.stop()
        subprocess.run([sys.executable, str(CHILD), str(self._folder), "1", "drain"], check=True, timeout=600)
        wrong = self.follow()
        told, wire = lines(self._told), lines(self._folder / "wire")
        if told[-1] != ["drained"]:
            wrong.append("the last life did not send all that waited")
        wrong += [f"the file was damaged: {' '.join(words)}" for words in told if words[0] == "note"]
        committed = {(words[1], int(words[2])) for words in told if words[0] == "committed"}
        promised = {(words[3], words[4], words[1]) for words in told if words[0] == "committed"}
        with closing(connect(self._folder / "journal.sqlite")) as db:
            kept = db.execute("SELECT alarm, number FROM event ORDER BY id").fetchall()
            (waiting,) = db.execute("SELECT count(*) FROM message WHERE state != 'sent'").fetchone()
            (sound,) = db.execute("PRAGMA integrity_check").fetchone()
        known = set(kept)
        if sound != "ok":
            wrong.append(f"the file: {sound}")
        wrong += [f"{alarm} was said to be committed and is not there" for alarm, _ in committed - known]
        if len(kept) != len(known):
            wrong.append("an alarm is there twice")
        # numbers stay: none is given to a second alarm, none of an alarm changes, each follows the one before
        if [number for _, number in kept] != list(range(1, len(kept) + 1)):
            wrong.append("the numbers of alarms do not follow one another")
        wrong += [
            f"{alarm} has number {number}" for alarm, number in kept if not alarm.startswith(f"rule-{number}-")
        ]
        # every message of every alarm that came to be was sent by some life, and says what it said at first
        if waiting:
            wrong.append(f"{waiting} messages were not sent")
        sent = Counter((words[0], words[1], words[2]) for words in wire)
        wrong += [f"message {one} was promised and not sent" for one in promised - set(sent)]
        wrong += [f"{one[2]} was sent and never was" for one in sent if one[2] not in {alarm for alarm, _ in kept}]
        wrong += [f"{words[2]} was sent as {words[4]}" for words in wire if (words[2], int(words[4])) not in known]
        if len(sent) != 2 * len(kept):
            wrong.append(f"{len(sent)} messages of {len(kept)} alarms that call two people each")
        # one is sent twice only when a kill fell between the hand-over and its being written down
        if sum(sent.values()) - len(sent) > self.lived:
            wrong.append(f"{sum(sent.values()) - len(sent)} messages were sent twice by {self.lived} kills")
        return wrong
