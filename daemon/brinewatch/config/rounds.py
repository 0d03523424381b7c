"""What the shed file asks on the round, and of which batches, held against its stages and wires."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from brinewatch.config.reader import Reader
from brinewatch.config.sections import Stage
from brinewatch.husbandry.settings import DAY_S, GRACE, BatchSettings, RoundSettings
from brinewatch.probes.build import BusSettings
from brinewatch.probes.common import ChannelSettings
from brinewatch.probes.manual import ManualProbe, ManualSettings
from brinewatch.quantities import QUANTITIES
from brinewatch.settings import key_path

# the bus of what is asked on the round and fed by no manual bus of the shed file
ROUND_BUS = "rounds"
_READ_S = 60.0


def with_rounds(
    reader: Reader, rounds: Sequence[RoundSettings], buses: Mapping[str, BusSettings], stages: Sequence[Stage]
) -> tuple[dict[str, BusSettings], dict[str, float]]:
    """The buses with a manual one for what else is asked, and after how many s each asked point is too old."""
    made = dict(buses)
    if not rounds:
        return made, {}
    if ROUND_BUS in buses:
        reader.fault(key_path(("bus", ROUND_BUS)), "(a table)", "another name: this one is kept for the round")
    keys = [one.settings.key for one in stages]
    fed = {channel.point: name for name, bus in buses.items() for probe in bus.probe for channel in probe.channel}
    asked: dict[str, float] = {}
    first: dict[str, str] = {}
    channels: dict[str, list[ChannelSettings]] = {}
    for place, one in enumerate(rounds):
        here = key_path(("round", place))
        if one.stage not in keys:
            reader.fault(f"{here}.stage", one.stage, f"the key of a stage ({', '.join(keys)})")
            continue
        for quantity in one.ask:
            point = f"{one.stage}.{quantity}"
            expected = _expected(quantity, point, fed, buses, first)
            if expected:
                reader.fault(f"{here}.ask", quantity, expected)
                continue
            first[point] = here
            asked[point] = GRACE * one.every_days * DAY_S
            if point not in fed:
                channels.setdefault(one.stage, []).append(ChannelSettings(point=point))
    probes = [
        ManualProbe(name=_free(f"round-{stage}"[:32], reader), channel=its, every_s=_READ_S)
        for stage, its in channels.items()
    ]
    if probes and ROUND_BUS not in buses:
        made[ROUND_BUS] = ManualSettings(kind="manual", probe=probes)
    return made, asked


def _expected(
    quantity: str, point: str, fed: Mapping[str, str], buses: Mapping[str, BusSettings], first: Mapping[str, str]
) -> str:
    """What is wrong with asking for a quantity at a stage; "" for nothing."""
    known = QUANTITIES.get(quantity)
    if known is None or quantity == "health":
        by_hand = sorted(key for key, one in QUANTITIES.items() if not one.derived and key != "health")
        return f"a quantity; known: {', '.join(by_hand)}"
    if known.derived:
        return "a measured quantity; this one is worked out from others"
    if point in first:
        return f"something else: {first[point]} asks for {point} already"
    if point in fed and buses[fed[point]].kind != "manual":
        own = " (beside the probe, ask for refractometer_salinity)" if "salinity" in point else ""
        return f"something no probe reads: bus {fed[point]} feeds {point}{own}"
    return ""


def _free(name: str, reader: Reader) -> str:
    """A name no probe of the shed file has."""
    buses = reader.table.get("bus", {})
    taken = {
        probe.get("name")
        for row in (buses.values() if isinstance(buses, dict) else ())
        if isinstance(row, dict) and isinstance(row.get("probe"), list)
        for probe in row["probe"]
        if isinstance(probe, dict)
    }
    while name in taken:
        name = f"{name[:30]}-x"
    return name


def check_batches(reader: Reader, batches: Sequence[BatchSettings], stages: Sequence[Stage]) -> None:
    """Each batch has a name of its own and lives at a stage, where no other lives at the same time."""
    keys = [one.settings.key for one in stages]
    seen: dict[str, str] = {}
    for place, one in enumerate(batches):
        here = key_path(("batch", place))
        if one.key in seen:
            reader.fault(f"{here}.key", one.key, f"a name of its own; {seen[one.key]} has it already")
        seen.setdefault(one.key, here)
        if one.stage not in keys:
            reader.fault(f"{here}.stage", one.stage, f"the key of a stage ({', '.join(keys)})")
        for other in batches[:place]:
            apart = (one.ended is not None and one.ended < other.started) or (
                other.ended is not None and other.ended < one.started
            )
            if other.stage == one.stage and not apart:
                expected = f"days on which {other.key} does not live at {one.stage}: give that one `ended`"
                reader.fault(f"{here}.started", one.started.isoformat(), expected)
