"""A checked shed as the watchkeeper wants it."""

from __future__ import annotations

from brinewatch.alarms.features import wanted_forecasts
from brinewatch.config.sections import ShedFile
from brinewatch.forecast.air_stop import AirOff
from brinewatch.forecast.oxygen_budget import Feeding, TankOxygen
from brinewatch.forecast.oxygen_watch import OxygenProbe
from brinewatch.seawater.pressure import station_pressure_hPa
from brinewatch.signals.status import Wire
from brinewatch.timeleft import TankPlan, TimeLeft
from brinewatch.watchkeeper import Channel, StagePlan


def stages_of(shed: ShedFile) -> list[StagePlan]:
    """Every stage with the points watched there, in the order of the shed file."""
    return [
        StagePlan(
            stage.path, stage.settings.key, stage.settings.name, stage.settings.kind,
            tuple(f"{stage.settings.key}.{quantity}" for quantity in stage.settings.watch),
        )
        for stage in shed.stages
    ]  # fmt: skip


def channels_of(shed: ShedFile) -> dict[str, Channel]:
    """Every measured point, as it is to be judged, and where it comes from."""
    return {
        point: Channel(
            probe.every, channel.quality, channel.accuracy,
            Wire(
                bus, probe.name, point, probe.every, by_hand=shed.buses[bus].kind == "manual",
                calibrate_every_days=channel.calibrate_every_days,
            ),
        )
        for point, (bus, probe, channel) in shed.channels().items()
    }  # fmt: skip


# of a tank whose open surface nobody measured: as the worked table of hours assumes (1.5 m2 for 1000 L)
_SURFACE_M2_L = 1.5e-3
_DIP_S = 10.0
_SOONER = 2 / 3


def tanks_of(shed: ShedFile) -> list[TankPlan]:
    """The stages with animals, water and a mass: those whose oxygen can be foretold when the air stops."""
    return [
        TankPlan(
            one.key,
            TankOxygen(
                volume_L=one.volume_l,
                surface_m2=one.surface_m2 or _SURFACE_M2_L * one.volume_l,
                animals=one.animals,
                biomass_kg=one.biomass_kg,
                biomass_on=one.biomass_on,
                uptake_mg_kg_h=one.uptake_mg_kg_h,
                kl_m_d=one.kl_m_d,
            ),
            OxygenProbe(one.oxygen_probe),
            one.name,
            Feeding(one.feeding),
            one.oxygen_lag_s,
        )
        for one in (stage.settings for stage in shed.stages)
        if one.animals is not None and one.volume_l is not None and one.biomass_kg is not None
    ]


def air_off_of(shed: ShedFile) -> list[AirOff]:
    """What tells that the air has stopped: the limits of the alarms that stand for its loss."""
    found: dict[str, AirOff] = {}
    for alarm in shed.alarms:
        rule, before = alarm.rule, found.get(alarm.point)
        if rule.takes != "air" or rule.side != "min" or rule.limit is None:
            continue
        if before is None or rule.limit > before.below:
            # a dip the alarm would not call for is no stop; when it calls, by itself or a moment sooner in the
            # call of its cause, how long is left is known
            found[alarm.point] = AirOff(alarm.point, rule.limit, min(_DIP_S, rule.on_delay_s * _SOONER))
    return list(found.values())


def time_left(shed: ShedFile) -> TimeLeft:
    """What foretells for this shed."""
    return TimeLeft(
        wanted_forecasts(shed.alarms), tanks_of(shed), air_off_of(shed), station_pressure_hPa(shed.shed.altitude_m)
    )
