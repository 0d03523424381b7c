"""What a shed says of itself in its signs of life, and the numbers that only rise."""

from __future__ import annotations

import json
from pathlib import Path

from brinewatch.moment import Moment
from brinewatch.sentry.beats import ills, strains
from brinewatch.sentry.doubts import Doubts
from brinewatch.vitals import Facts, Numbers
from scenarios.night import night

NOW = Moment(1000.0, 1_790_200_800.0, True)
UNSET = Moment(1000.0, 3600.0, False)


async def test_a_silent_critical_probe_makes_the_watch_ill_and_one_being_calibrated_does_not(
    tmp_path: Path,
) -> None:
    async with night(tmp_path) as it:
        daemon = it.daemon
        facts = Facts(daemon.shed, daemon.keeper, daemon.journal, daemon._health)
        numbers = Numbers(daemon.shed.data, it.clock.now())

        async def said() -> tuple[list[str], list[str]]:
            now = it.clock.now()
            beat = await facts.beat(numbers.next(now), 30.0, now)
            assert beat.watch == "gannet-quay"
            assert beat.mains is True or "mains off" in strains(beat)
            return ills(beat), strains(beat)

        await it.passes(30)
        assert await said() == ([], [])
        await it.shed.faults.on("mains-off")
        await it.shed.faults.on("probe-silent", "oxygen")
        for _ in range(5):
            await it.passes(30)
            ill, strained = await said()
        assert strained == ["mains off"]
        assert len(ill) == 1
        assert ill[0].startswith("no good raceway.oxygen_saturation for")
        daemon.keeper.holds.hold(["raceway.oxygen"], "Wren", it.clock.now().mono + 600)
        assert (await said())[0] == [], "somebody is at that probe"


def test_numbers_only_rise_over_restarts(tmp_path: Path) -> None:
    first = Numbers(tmp_path, NOW)
    heard = [first.next(NOW), first.next(NOW)]
    second = Numbers(tmp_path, UNSET)  # a boot whose clock nobody set yet
    heard += [second.next(UNSET), second.next(NOW)]
    third = Numbers(tmp_path, NOW.later(5))
    heard.append(third.next(NOW))
    assert heard == sorted(set(heard))


def test_numbers_outlive_a_lost_card_as_soon_as_the_clock_is_set(tmp_path: Path) -> None:
    before = Numbers(tmp_path / "old", NOW).next(NOW)
    fresh = Numbers(tmp_path / "new", UNSET)
    assert fresh.next(UNSET) < before
    assert fresh.next(NOW.later(3600)) > before


def test_the_newest_order_obeyed_is_kept_and_a_damaged_file_is_none(tmp_path: Path) -> None:
    numbers = Numbers(tmp_path, NOW)
    numbers.obey((7, 3))
    assert Numbers(tmp_path, NOW).obeyed == (7, 3)
    for text in ("", "[]", '{"start": "x"}', '{"start": 5}', '{"start": 5, "obeyed": [1]}', "\0"):
        (tmp_path / "heartbeat.json").write_text(text)
        assert Numbers(tmp_path, NOW).obeyed == (-1, -1)
    assert json.loads((tmp_path / "heartbeat.json").read_text())["start"] >= int(NOW.utc)


def test_doubts_are_noted_once_a_kind_and_counted() -> None:
    doubts = Doubts()
    assert doubts.note("quay", "forged", "lie", NOW) == "lie"
    assert doubts.note("quay", "old", "lie", NOW) == "lie"
    assert doubts.note("ledge", "forged", "lie", NOW) == "lie"
    assert [doubts.note("quay", "forged", "lie", NOW.later(n)) for n in (1, 2, 599)] == [None, None, None]
    assert doubts.note("quay", "forged", "lie", NOW.later(600)) == "lie (3 more before it)"
