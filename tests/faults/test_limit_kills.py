"""Killed at a random moment while limits are changed: what the journal says of each change is what is in force."""

from __future__ import annotations

import random
import re
import subprocess
import sys
import time
from pathlib import Path

from brinewatch.alarms.altered import read_altered
from brinewatch.alarms.version import body_of, version_of
from brinewatch.config import read_shed
from brinewatch.store.reader import StoreReader
from config.sheds import write
from faults.limits_child import ALARM

CHILD = Path(__file__).parent / "limits_child.py"
LIVES = 3


def life(shed: Path, chance: random.Random) -> None:
    """One life of the child: killed somewhere in its work."""
    with subprocess.Popen([sys.executable, str(CHILD), str(shed)], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        for _ in range(chance.randint(1, 3)):
            assert child.stdout.readline()
        # somewhere in the change that follows
        time.sleep(chance.uniform(0.0, 0.06))
        child.kill()


def test_no_kill_leaves_a_change_half_made(tmp_path: Path) -> None:
    shed, chance = write(tmp_path), random.Random(11)
    for _ in range(LIVES):
        life(shed, chance)
        # whatever was cut short: the file is whole, and what it says is in force
        text = tmp_path / "data" / "overrides.toml"
        if text.exists():
            assert read_altered(text.read_text(encoding="utf-8"))[1] == []
        assert read_shed(shed).in_force.left_out == ()
    assert subprocess.run([sys.executable, str(CHILD), str(shed), "last"], check=True).returncode == 0

    now = read_shed(shed)
    with StoreReader(now.data, now.zone) as store:
        remarks = [
            str(one.fields["body"]) for one in store.records(("remark",)) if one.fields["kind"] == "override"
        ]
    asked = [int(found[1]) for one in remarks if (found := re.match(r"Change (\d+) asked by Wren", one))]
    counts = {int(found[1]): one for one in remarks if (found := re.match(r"Change (\d+) counts", one))}
    not_made = [int(found[1]) for one in remarks if (found := re.match(r"Change (\d+) was not made", one))]
    assert len(asked) >= LIVES
    # each change was asked for once, and has one end
    assert sorted(asked) == sorted({*counts, *not_made})
    assert len(asked) == len(set(asked)) == len(counts) + len(not_made)
    # the newest that counts is what is in force
    alarm = now.in_force.now(ALARM)
    assert alarm is not None
    last = counts[max(counts)]
    version = re.search(r"rule version (\w+)\.", last)
    if version is not None:
        assert version[1] == version_of(body_of(alarm))
    assert now.in_force.content.newest == max(counts)
    assert (alarm.limit == 9.0) == bool(now.in_force.content.rows)
