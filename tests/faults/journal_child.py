"""Raises alarms and sends their messages through the real journal until it is killed; drains it when told to.

usage: journal_child.py nursery
       journal_child.py FOLDER SEED drain

A nursery reads lines "FOLDER SEED" and answers each with the number of a process born for it, that need not import
anything any more. After a line "end" it answers how that one ended. A child appends a line to FOLDER/told for every
promise it makes and one to FOLDER/wire for every message it hands over; the kernel keeps what a killed process has
written to a file.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
from pathlib import Path

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.clock import SystemClock
from brinewatch.messages import Delivery, Message
from brinewatch.store.journal import Journal

PHONES = ("+447700900101", "+447700900102")


def whole(line: str) -> bytes:
    """A line that shows when a kill cut it off: it ends with a point, and does not run on from one before."""
    return f"\n{line} .\n".encode()


class Child:
    def __init__(self, folder: Path, seed: int) -> None:
        self.clock = SystemClock()
        self.journal = Journal(folder / "journal.sqlite", self.clock)
        self.seed = seed  # another for each life, so that no life's alarm can be taken for another's
        self.random = random.Random(seed)
        self.told = os.open(folder / "told", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        self.wire = os.open(folder / "wire", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def say(self, *words: object) -> None:
        os.write(self.told, whole(" ".join(map(str, words))))

    async def run(self, drain: bool) -> None:
        resumed = await self.journal.open()
        for note in resumed.notes:
            self.say("note", note)
        for alarm, memory in resumed.memories.items():
            self.say("resumed", alarm, memory.get("number", "pending"))
        if drain:
            while await self.send():
                pass
        else:
            await asyncio.gather(self.raise_alarms(resumed.next_number), self.keep_sending())
        await self.journal.close()
        self.say("drained")

    async def raise_alarms(self, number: int) -> None:
        while True:
            now, alarm = self.clock.now(), f"rule-{number}-{self.seed}@air.pressure"
            if await self.journal.keep({alarm: {"since": now.utc}}, now):
                self.say("pending", alarm)
            event = AlarmEvent(
                Happening.RAISED, alarm, number, Priority.CRITICAL, "Air is failing", "air.pressure", "pressure",
                State.UNACKNOWLEDGED, 1.5, 8.0, now, now,
            )  # fmt: skip
            messages = [
                Message(f"memory-{number}", "sms", phone, f"{alarm} answer {number}", number, now.utc)
                for phone in PHONES
            ]
            self.say("trying", alarm, number)
            for message in await self.journal.commit([event], {alarm: {"number": number}}, messages, now):
                self.say("committed", alarm, number, message.id, message.to)
            self.say("head", self.journal.head)
            number += 1
            await asyncio.sleep(self.random.expovariate(400))

    async def keep_sending(self) -> None:
        while True:
            await self.send()
            await asyncio.sleep(self.random.expovariate(800))

    async def send(self) -> int:
        """Hand over what is due, one at a time as a modem does; one in five finds no network first."""
        due = await self.journal.due("sms", self.clock.now())
        for message in due:
            now = self.clock.now()
            if self.random.random() < 0.2:
                await self.journal.settle(message, Delivery.WAITING, now, detail="no network", retry_at_utc=now.utc)
                continue
            os.write(self.wire, whole(f"{message.id} {message.to} {message.text}"))
            await self.journal.settle(message, Delivery.SENT, now, references=[int(message.id) % 256])
        return len(due)


def nursery() -> None:
    """One child at a time, each a process of its own."""
    child = 0
    for line in sys.stdin:
        words = line.split()
        if words == ["end"]:
            print(os.waitpid(child, 0)[1], flush=True)
            continue
        child = os.fork()
        if child == 0:
            asyncio.run(Child(Path(words[0]), int(words[1])).run(drain=False))
            os._exit(0)
        print(child, flush=True)


if __name__ == "__main__":
    if sys.argv[1:] == ["nursery"]:
        nursery()
    else:
        asyncio.run(Child(Path(sys.argv[1]), int(sys.argv[2])).run(sys.argv[3:] == ["drain"]))
