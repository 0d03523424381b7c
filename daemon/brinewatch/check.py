"""Before the first night: is the shed file right, and does every probe answer?"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from brinewatch.clock import SystemClock
from brinewatch.config import ShedFile, read_shed
from brinewatch.control import ask
from brinewatch.errors import BrinewatchError, ConfigurationError
from brinewatch.paging import check_charts, check_page
from brinewatch.probes.build import ask_all
from brinewatch.probes.worker import Answer
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of
from brinewatch.signals.display import show
from brinewatch.store.lock import kept_by
from brinewatch.ways import roster_warnings


async def check_shed(path: Path, *, probes: bool, say: Callable[[str], None]) -> int:
    """Read the shed file (every fault is raised at once), then every probe once. 0 when all answered."""
    shed = read_shed(path)
    if shed.in_force.faults:
        # the watch would go on without what is wrong there; whoever checks is to mend it
        raise ConfigurationError(shed.in_force.faults)
    say(f"{path}: in order. {_inventory(shed)}")
    clock = SystemClock(shed.zone)
    page = (*check_page(shed, clock.now().utc), *check_charts(shed))
    for line in (*shed.in_force.told, *roster_warnings(shed), *page):
        say(line)
    if not probes:
        return 0
    keeper = kept_by(shed.data)
    if keeper:
        say(f"{shed.data} is already kept by {keeper}. It holds the wires; this is what it last read:")
        return _last_read(shed, say)
    answers = await ask_all(shed.buses, clock, shed.folder)
    silent = 0
    for name, probe_answers in answers.items():
        by_hand = shed.buses[name].kind == "manual"
        for answer in probe_answers:
            # nothing entered by hand yet is no fault of the shed
            silent += not (answer.well or by_hand)
            say(f"  {name}/{answer.probe}: {_told(shed, answer)}")
    if silent:
        say(
            f"{silent} of {sum(map(len, answers.values()))} probes gave no value to trust; the reasons stand above."
        )
        return 1
    say("Every probe answered.")
    return 0


def _inventory(shed: ShedFile) -> str:
    measured = len(shed.channels())
    return (
        f"{sum(s.path != 'watch' for s in shed.stages)} stages, {measured} points measured, "
        f"{len(shed.derivations)} derived, {len(shed.alarms)} alarms, {len(shed.contacts)} people to call."
    )


def _told(shed: ShedFile, answer: Answer) -> str:
    if answer.error:
        return f"NO ANSWER: {answer.error}"
    parts = []
    for sample in answer.samples:
        if sample.value is None:
            parts.append(f"{sample.point} NO VALUE ({sample.reason or 'no reason given'})")
            continue
        raw = "" if sample.raw is None or sample.raw == sample.value else f", raw {sample.raw:g}"
        shown = show(quantity_of(sample.point), sample.value, shed.shed.display)
        remark = f", {sample.reason}" if sample.reason else ""
        parts.append(f"{sample.point} {shown}{raw}{remark}")
    return "; ".join(parts)


def _last_read(shed: ShedFile, say: Callable[[str], None]) -> int:
    overview = ask(shed.data / "control.sock", {"do": "state"})["overview"]
    blind = 0
    for stage in overview["stages"]:
        for point in stage["points"]:
            if point["quantity"] in QUANTITIES and stage["path"] != "watch":
                blind += point["flag"] not in (1, 3) or point["old"]
                say(f"  {point['point']}: {point['shown']} (flag {point['flag']})")
    if blind:
        raise BrinewatchError(f"{blind} points have no value to trust.", "The reasons stand above.")
    return 0
