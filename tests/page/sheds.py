"""Example states of an invented shed, the sea-cucumber nursery at Gannet Quay."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.moment import Moment
from brinewatch.overview import AlarmView, AsideView, Overview, PointView, StageView
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, quantity_of

ZONE = ZoneInfo("Europe/Dublin")
# 02:26:07 by the shed's clock, summer time
NOW = Moment(50_000.0, datetime(2026, 7, 14, 1, 26, 7, tzinfo=UTC).timestamp(), True, ZONE)


def point(
    key: str, value: float | None, shown: str, flag: Flag = Flag.PASS, reason: str = "", age: float = 3.0,
    basis: str = "", uncertainty: str = "", trend: str = "", limit: str = "",
) -> PointView:  # fmt: skip
    quantity = QUANTITIES[quantity_of(key)]
    reading = Reading(key, quantity.key, value, value, flag, reason, NOW.later(-age), "probe", basis=basis)
    return PointView(
        key, quantity.name, quantity.key, reading, shown, flag, age, age > 10, basis or reason, 5.0, uncertainty,
        trend, limit,
    )  # fmt: skip


def stage(key: str, name: str, path: str, *points: PointView, alarms: tuple[AlarmView, ...] = ()) -> StageView:
    return StageView(key, name, "tank", path, points, alarms)


def event(happening: Happening, ago: float, by: str = "") -> AlarmEvent:
    return AlarmEvent(
        happening, "air-lost@blower.air_pressure", 12, Priority.CRITICAL, "Air supply stopped",
        "blower.air_pressure", "air_pressure", State.UNACKNOWLEDGED, 0.3, 8.0, NOW.later(-ago - 15),
        NOW.later(-ago), by,
    )  # fmt: skip


ALL_WELL = Overview(
    "Gannet Quay", NOW, NOW.later(-3), NOW.later(-500_000),
    (
        stage("blower", "Blower", "air", point("blower.air_pressure", 11.9, "11.9 kPa", uncertainty="0.1 kPa",
                                              limit="3.9 kPa above the lower limit of 8.0 kPa"),
              point("blower.motor_current", 3.2, "3.20 A")),
        stage("manifold", "Manifold", "air", point("manifold.air_rise", 3.1, "3.1 kPa",
              basis="over a static head of 8.8 kPa")),
        stage("sump", "Sump", "water", point("sump.temperature", 12.1, "12.1 C"), point("sump.ph", 8.05, "pH 8.05"),
              point("sump.salinity", 33.4, "33.4 PSS-78")),
        stage("airlift", "Airlift", "water", point("airlift.water_flow", 42, "42 L/min")),
        stage("nursery-a", "Nursery tank A", "water",
              point("nursery-a.oxygen_saturation", 93.2, "93.2 %", uncertainty="1.9 %",
                    trend="falling 1.2 % in an hour", limit="23.2 % above the lower limit of 70.0 %"),
              point("nursery-a.temperature", 12.2, "12.2 C", uncertainty="0.2 C",
                    limit="5.8 C below the upper limit of 18.0 C")),
        stage("nursery-b", "Nursery tank B", "water", point("nursery-b.oxygen_saturation", 90.8, "90.8 %"),
              point("nursery-b.nh3_n", 0.004, "0.004 mg/L N", basis="as N, pH on NBS scale, TAN 3 h old")),
        stage("biofilter", "Biofilter", "water", point("biofilter.water_level", 61.0, "61.0 cm")),
        stage("modem", "Modem", "watch", point("modem.health", 1, "well")),
        stage("journal", "Journal", "watch", point("journal.health", 1, "well")),
    ),
    (), (event(Happening.CLEARED, 90_000), event(Happening.ACKNOWLEDGED, 90_300, "Aoife")),
    ("This is the demonstration shed: its delays are 3 s.",),
)  # fmt: skip

AIR_STOPPED = AlarmView(
    12, "air-lost@blower.air_pressure", "Air supply stopped", Priority.CRITICAL, State.UNACKNOWLEDGED, "blower",
    "blower.air_pressure", "0.3 kPa", "min 8.0 kPa", NOW.later(-723),
    ("Look at the blower: does it run? Listen before you touch.",
     "Blower dead: look at its breaker. Reset it once; if it trips again, leave it and start the spare blower.",
     "Start bottled oxygen at the nursery tanks.",
     "Wet floor and mains: switch off at the isolator before you reach for plugs or cables."),
    "Everything in this shed is moved by air. Without it the water stands still and the oxygen is used up.",
    told=("Aoife: delivered", "Bram: sent", "Ciara: failed"),
)  # fmt: skip
OXYGEN_LOW = AlarmView(
    13, "oxygen-low@nursery-b.oxygen_saturation", "Oxygen low", Priority.HIGH, State.ACKNOWLEDGED, "nursery-b",
    "nursery-b.oxygen_saturation", "64.0 %", "min 70.0 %", NOW.later(-190), ("Add oxygen to this tank.",),
    "Sea cucumbers go off their feed below this.", "Aoife", ("Aoife: delivered",),
)  # fmt: skip
LEVEL = AlarmView(
    9, "level@biofilter.water_level", "Biofilter level high", Priority.MEDIUM, State.UNACKNOWLEDGED, "biofilter",
    "biofilter.water_level", "68.0 cm", "max 65.0 cm", NOW.later(-4000), ("Clean the outlet screen.",), "",
)  # fmt: skip
MAINS_BACK = AlarmView(
    11, "mains-off@blower.mains", "Mains power off", Priority.CRITICAL, State.RETURNED, "blower", "blower.mains",
    "on", "", NOW.later(-90_000), ("Find out what tripped.",), "",
)  # fmt: skip


def with_alarms(*alarms: AlarmView) -> Overview:
    stages = tuple(
        replace(one, alarms=tuple(alarm for alarm in alarms if alarm.stage == one.key)) for one in ALL_WELL.stages
    )
    return replace(ALL_WELL, alarms=alarms, stages=stages)


def with_points(overview: Overview, *points: PointView) -> Overview:
    """The same shed with some of its points as given."""
    new = {one.point: one for one in points}
    stages = tuple(
        replace(one, points=tuple(new.get(p.point, p) for p in one.points)) for one in overview.stages
    )  # fmt: skip
    return replace(overview, stages=stages)


STOPPED = replace(
    with_points(
        with_alarms(AIR_STOPPED, OXYGEN_LOW, LEVEL),
        point("blower.air_pressure", 0.3, "0.3 kPa"), point("blower.motor_current", 0, "0.00 A"),
        point("manifold.air_rise", None, "static head unknown", Flag.MISSING, "static head unknown"),
        point("airlift.water_flow", 0, "0 L/min"), point("nursery-b.oxygen_saturation", 64.0, "64.0 %"),
        point("biofilter.water_level", 68.0, "68.0 cm"),
    ),
    recent=(event(Happening.RAISED, 708), *ALL_WELL.recent),
)  # fmt: skip
# the same, as the shed's own rules tell it: what hangs on the air follows from it, and does not call but for one
FOLLOWED = replace(
    with_points(
        with_alarms(replace(AIR_STOPPED, also=("Water flow low", "No water in the biofilter"), incident=5),
                    replace(OXYGEN_LOW, cause=AIR_STOPPED.alarm, incident=5)),
        point("blower.air_pressure", 0.3, "0.3 kPa", limit="7.7 kPa below the lower limit of 8.0 kPa"),
        point("airlift.water_flow", 0, "0 L/min"), point("nursery-b.oxygen_saturation", 64.0, "64.0 %"),
    ),
    aside=tuple(
        AsideView(number, f"{title}@{at}", title, State.SUPPRESSED, at, True, "follows from: Air supply stopped",
                  None, AIR_STOPPED.alarm, Priority.HIGH)
        for number, at, title in ((14, "airlift", "Water flow low"), (15, "biofilter", "No water in the biofilter"))
    ),
    left="Oxygen, Nursery tank B: about 1 h 10 min to 45 %, 40 min at the earliest.",
)  # fmt: skip
BLIND = with_points(
    ALL_WELL,
    point("sump.ph", None, "no answer within 0.5 s", Flag.MISSING, "no answer within 0.5 s"),
    point("nursery-a.oxygen_saturation", 93.2, "93.2 %", age=754.0),
    point("nursery-b.oxygen_saturation", 412.0, "412.0 %", Flag.FAIL, "outside what is physically possible"),
    point("biofilter.water_level", 61.0, "61.0 cm", Flag.SUSPECT, "has not moved for 40 min"),
)
SILENT = replace(ALL_WELL, checked=NOW.later(-754))
NOTHING_YET = replace(ALL_WELL, checked=None, stages=(), recent=(), notes=())

SET_ASIDE = replace(
    ALL_WELL,
    attended="Somebody works in the shed (the switch is on) until 04:10: alarms of that work do not call, loss of "
    "air does.",
    aside=(
        AsideView(12, "no-oxygen-data@nursery-a.oxygen_saturation", "No trustworthy oxygen saturation",
                  State.OUT_OF_SERVICE, "nursery-a", True, "membrane ordered", NOW.later(3 * 86400)),
        AsideView(0, "level-low@sump.level_switch", "Water level low", State.SUPPRESSED, "sump", True,
                  "somebody works in the shed", None),
        AsideView(14, "ph-low-warn@sump.ph", "pH rather low", State.SHELVED, "sump", False, "", NOW.later(1800)),
    ),
)  # fmt: skip

EVERY = {
    "all-well": ALL_WELL, "air-stopped": STOPPED, "blind": BLIND, "silent": SILENT, "nothing-yet": NOTHING_YET,
    "over-by-itself": with_alarms(MAINS_BACK), "latched": with_alarms(replace(MAINS_BACK, state=State.LATCHED)),
    "taken": with_alarms(OXYGEN_LOW), "warning": with_alarms(LEVEL),
    "set-aside": SET_ASIDE, "followed": FOLLOWED,
}  # fmt: skip
