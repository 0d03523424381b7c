"""Changes limits through the daemon's own parts, one after another, until it is killed.

usage: limits_child.py SHED

It writes a line to standard output before the first change and after each.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from brinewatch.clock import SystemClock
from brinewatch.config import read_shed
from brinewatch.config.plans import channels_of, stages_of, time_left
from brinewatch.overriding import Overrides
from brinewatch.store.journal import Journal
from brinewatch.watchkeeper import Watchkeeper

ALARM = "air-stopped@manifold.air_pressure"


async def main(path: Path, last: bool) -> None:
    shed, clock = read_shed(path), SystemClock()
    journal = Journal(shed.data / "journal.sqlite", clock)
    await journal.open()
    keeper = Watchkeeper(
        shed.shed.name, stages_of(shed), channels_of(shed), shed.derivations, shed.alarms, shed.shed.display,
        clock.now(),
    )  # fmt: skip
    made = Overrides(shed, keeper, journal, clock, time_left(shed), lambda: None)
    await made.recover(clock.now())
    if last:
        await journal.close()
        return
    sys.stdout.write("begun\n")
    sys.stdout.flush()
    while True:
        now = keeper.alarm(ALARM)
        assert now is not None
        if now.limit == 8.0:
            await made.answer({"do": "override set", "alarm": ALARM, "limit": 9.0, "why": "tighter", "by": "Wren"})
        else:
            await made.answer({"do": "override take back", "alarm": ALARM, "why": "enough", "by": "Wren"})
        sys.stdout.write("changed\n")
        sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), "last" in sys.argv))
