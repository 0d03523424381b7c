"""A checked shed as the watchkeeper wants it."""

from __future__ import annotations

from brinewatch.config.sections import ShedFile
from brinewatch.signals.status import Wire
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
