"""The parts of the shed file that belong to no single edge, and the whole when everything has been checked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, field_validator

from brinewatch.alarms.calling import CallingSettings
from brinewatch.alarms.relays import RelaySettings
from brinewatch.alarms.roster import Contact
from brinewatch.alarms.rules import Alarm
from brinewatch.alarms.ruleset import RuleSet
from brinewatch.alarms.texts import Texts
from brinewatch.config.altered import RulesInForce
from brinewatch.forecast.oxygen_budget import Animals
from brinewatch.husbandry.settings import BatchSettings, RoundSettings
from brinewatch.notify.mail_settings import MailSettings, WebhookSettings
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.notify.sms import SmsModemSettings
from brinewatch.page.server import PageSettings
from brinewatch.probes.build import BusSettings
from brinewatch.probes.common import ChannelSettings, ProbeSettings
from brinewatch.sentry.settings import LookoutSettings
from brinewatch.settings import Settings
from brinewatch.signals.air_supply import AirSupply
from brinewatch.signals.crosscheck import CrossPlan
from brinewatch.signals.derived import Derivation
from brinewatch.signals.display import DisplayUnits
from brinewatch.signals.following import FollowPlan
from brinewatch.signals.upkeep import upkeep_of
from brinewatch.store.series.settings import SeriesSettings

KEY = r"^[a-z][a-z0-9_-]*$"
Key = Annotated[str, Field(pattern=KEY, max_length=32)]


def _known_zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError("an IANA time zone, as timedatectl prints it") from error
    return value


Zone = Annotated[str, AfterValidator(_known_zone)]

# the parts of the watch itself that can fail and still leave it running; each is a stage of its own
WATCH_PARTS: Mapping[str, str] = {
    "journal": "Journal",
    "history": "History",
    "chain": "Journal's chain",
    "calibration": "Calibration",
    "alarms": "Alarms",
    "parts": "Parts of the watch",
    "extras": "What runs beside the watch",
    "starts": "Restarts",
    "drill": "Drills",
    "round": "Round",
    "backup": "Backup",
    "series": "Time-series server",
    "modem": "Modem",
    "sim": "SIM",
    "relays": "Relays",
    "broker": "Broker",
    "mail": "Mail",
    "webhook": "Webhook",
    "lookout": "Lookout",
    "page": "Page",
}


class ShedSettings(Settings):
    """Who and where the shed is."""

    key: Key = Field(description="short name for topics and files")
    name: str = Field(min_length=1, max_length=60, description="the shed's name, as people say it")
    short_name: str = Field(
        min_length=1, max_length=16, pattern=r"^[A-Za-z0-9 ._-]+$", description="how a text message opens"
    )
    time_zone: Zone = Field(description="IANA name of the shed's time zone, as timedatectl prints it")
    altitude_m: float = Field(ge=-430, le=5000, description="height above the sea, m")
    latitude: float | None = Field(None, ge=-90, le=90, description="degrees north")
    longitude: float | None = Field(None, ge=-180, le=180, description="degrees east")
    display: DisplayUnits = Field(DisplayUnits(), description="units shown to people")


class StageSettings(Settings):
    """One stop of the water, the air or the room. `watch` lists what is measured or derived there."""

    key: Key = Field(description="name used in points: key.quantity")
    name: str = Field(min_length=1, max_length=40, description="the stage's name, as people say it")
    kind: str = Field(min_length=1, max_length=40, description="what sort of stage it is, in your own words")
    volume_l: float | None = Field(None, gt=0, description="water it holds, L")
    biomass_kg: float | None = Field(None, ge=0, description="live wet mass of animals in it, kg")
    biomass_on: date | None = Field(None, strict=False, description="the day the biomass was weighed or estimated")
    animals: Animals | None = Field(None, description="the group whose oxygen demand is assumed in an air stop")
    surface_m2: float | None = Field(
        None, gt=0, le=1e4, description="open water surface, m2; 1.5 for 1000 L when left out"
    )
    oxygen_probe: Literal["optical", "membrane"] = Field(
        "optical", description="a membrane probe reads low in still water and does not correct the forecast"
    )
    oxygen_lag_s: float = Field(30, gt=0, le=600, description="time constant of the oxygen probe, s")
    feeding: Literal["fasted", "fed", "handled"] = Field(
        "fed", description="the animals' state: no feed for two days, fed, or handled within six hours"
    )
    uptake_mg_kg_h: float | None = Field(
        None, gt=0, le=1000, description="their measured oxygen uptake at 12 degC, mg/kg/h, in place of the group's"
    )
    kl_m_d: float | None = Field(
        None, ge=0, le=10, description="measured gas transfer of the still surface at 20 degC, m/d"
    )
    diffuser_depth_m: float | None = Field(None, gt=0, le=10, description="deepest diffuser below the surface, m")
    heat_kw: float | None = Field(None, gt=0, description="largest heating or cooling power on its water, kW")
    supply: AirSupply | None = Field(None, description="what is known of the air supply beforehand")
    watch: list[str] = Field(default_factory=list, description="quantities watched here")


class RulesSettings(Settings):
    """One rule set used by this shed."""

    file: str = Field(description="rule set file: beside the shed file, or one that comes with the program")
    stages: list[str] | None = Field(None, description="only in these stages; everywhere when left out")


class StoreSettings(Settings):
    """Where everything is kept."""

    folder: str = Field("data", description="folder, seen from the shed file")
    batch_s: float = Field(60, gt=0, le=3600, description="samples written together, s")
    raw_years: float | None = Field(
        None,
        gt=0,
        le=100,
        description="years every reading is kept; then only its hours are; for ever when left out",
    )
    backup_to: str | None = Field(
        None,
        description="folder on another disk for a copy every night, seen from the shed file; none when left out",
    )
    backups_kept: int = Field(7, ge=1, le=1000, description="nights whose copies are left there")


class ReportSettings(Settings):
    """The night report. Its coming is a sign of life; its absence is a sign too."""

    enabled: bool = Field(True, description="whether it is sent")
    at: str = Field("07:05", description="when it is sent, by the shed's clock")
    to: list[str] = Field(
        default_factory=list, description="names of the contacts who get it; the first of the roster when left out"
    )
    points: list[str] = Field(
        default_factory=list,
        description="what is told, stage.quantity; oxygen, temperature, pH and air pressure when left out",
    )

    @field_validator("at")
    @classmethod
    def _a_time(cls, value: str) -> str:
        if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
            raise ValueError('a time of the day, as "07:05"')
        return value


class ReplaySettings(Settings):
    """Play a record through the whole daemon as fast as it goes, then stop with a summary."""

    bus: Key = Field(description="the bus of kind recorded whose time is lived through")
    compare: list[Annotated[list[str], Field(min_length=2, max_length=2)]] = Field(
        default_factory=list, description="pairs of points the summary holds against each other"
    )


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage with the path it belongs to: water, air, room or watch."""

    path: str
    settings: StageSettings


@dataclass(frozen=True)
class ShedFile:
    """A whole, checked shed."""

    path: Path
    shed: ShedSettings
    stages: tuple[Stage, ...]
    buses: Mapping[str, BusSettings]
    rulesets: tuple[RuleSet, ...]
    in_force: RulesInForce
    derivations: tuple[Derivation, ...]
    follows: tuple[FollowPlan, ...]
    cross: CrossPlan
    contacts: tuple[Contact, ...]
    calling: CallingSettings
    report: ReportSettings
    relays: tuple[RelaySettings, ...]
    store: StoreSettings
    page: PageSettings
    broker: MqttSettings | None
    modem: SmsModemSettings | None
    mail: MailSettings | None
    webhook: WebhookSettings | None
    lookout: LookoutSettings | None
    replay: ReplaySettings | None
    series: SeriesSettings | None
    texts: Mapping[str, Texts]  # by language
    rounds: tuple[RoundSettings, ...] = ()
    batches: tuple[BatchSettings, ...] = ()

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """As they are in force now: what is changed here while the shed is watched shows at once."""
        return self.in_force.alarms

    @property
    def folder(self) -> Path:
        return self.path.parent

    @property
    def data(self) -> Path:
        return self.folder / self.store.folder

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.shed.time_zone)

    def stage(self, key: str) -> StageSettings:
        return next(stage.settings for stage in self.stages if stage.settings.key == key)

    def channels(self) -> Mapping[str, tuple[str, ProbeSettings, ChannelSettings]]:
        """Every measured point: the bus, the probe and the channel that feed it."""
        return {
            channel.point: (name, probe, channel)
            for name, bus in self.buses.items()
            for probe in bus.probe
            for channel in probe.channel
        }

    def calibratable(self) -> Mapping[str, tuple[ProbeSettings, ChannelSettings]]:
        """Every point whose probe can be held against the truth, with the probe and the channel."""
        return {
            channel.point: (probe, channel)
            for bus in self.buses.values()
            if takes_calibration(bus)
            for probe in bus.probe
            for channel in probe.channel
            if upkeep_of(channel.quantity.key) is not None
        }


def takes_calibration(bus: BusSettings) -> bool:
    """Whether there are probes on it at all: not what people enter by hand, nor a record of the past."""
    return bus.kind not in ("manual", "recorded")
