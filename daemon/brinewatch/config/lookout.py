"""The lookout's file: TOML text to one checked whole, which the same daemon watches by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, model_validator

from brinewatch.alarms.calling import CallingSettings
from brinewatch.alarms.links import Place
from brinewatch.alarms.roster import Contact
from brinewatch.alarms.ruleset import Override
from brinewatch.config import bound_rules, read_shed
from brinewatch.config.altered import RulesInForce
from brinewatch.config.instead import NOTHING
from brinewatch.config.reader import Reader, check_file, check_names, check_roster, read_table
from brinewatch.config.sections import (
    ReportSettings,
    RulesSettings,
    ShedFile,
    ShedSettings,
    Stage,
    StageSettings,
    StoreSettings,
    Zone,
)
from brinewatch.config.texts import texts_of
from brinewatch.errors import ConfigurationError
from brinewatch.notify.mail_settings import MailSettings, WebhookSettings
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.notify.sms import SmsModemSettings
from brinewatch.page.server import PageSettings
from brinewatch.sentry.settings import E164, KEY
from brinewatch.sentry.watch import Terms
from brinewatch.settings import Settings, key_path
from brinewatch.signals.crosscheck import NO_CROSSCHECK
from brinewatch.signals.display import DisplayUnits

# a sign is looked at and kept anew at least so often while nothing changes
REFRESH_S = 60.0
_STALE_S = 3 * REFRESH_S

Key = Annotated[str, Field(pattern=KEY, max_length=32)]


class OwnSettings(Settings):
    """Who this lookout is."""

    key: Key = Field(description="short name for topics and files")
    name: str = Field(min_length=1, max_length=60, description="the lookout's name, as people say it")
    short_name: str = Field(
        min_length=1, max_length=16, pattern=r"^[A-Za-z0-9 ._-]+$", description="how a text message opens"
    )
    time_zone: Zone = Field(description="IANA name of the time zone, as timedatectl prints it")
    every_s: float = Field(10, ge=1, le=30, description="how often the signs of all sheds are looked at, s")
    beat_s: float = Field(60, ge=10, le=120, description="time between two signs of life to each shed, s")


class WatchedSettings(Settings):
    """One shed that is looked out for."""

    key: Key = Field(description="the shed's key, as in its own file")
    name: str = Field(min_length=1, max_length=40, description="the shed's name, as people say it")
    secret_file: str = Field(description="file whose first line is the secret shared with the shed; only its owner "
                             "and group may read it")  # fmt: skip
    silent_s: float = Field(90, ge=15, le=3600, description="it counts as silent after, s; three times its every_s")
    broker: bool = Field(True, description="whether its signs of life come over the broker")
    phone: str | None = Field(None, pattern=E164, description="number of its modem, for signs of life by SMS")
    sms_silent_min: float = Field(
        75, ge=10, le=180, description="its texts count as missing after, min; its sms_every_min and some slack"
    )

    @model_validator(mode="after")
    def _some_way(self) -> WatchedSettings:
        if not self.broker and self.phone is None:
            raise ValueError("phone, where broker = false: no sign of life would come")
        return self

    @property
    def terms(self) -> Terms:
        return Terms(self.silent_s, 60.0 * self.sms_silent_min if self.phone else None, self.broker)


class LineSettings(Settings):
    """Another host by which the lookout's own line is told from the broker's: a TCP connection, closed at once."""

    host: str = Field(
        min_length=1, description="name or address of a host you may ask, such as your provider's router"
    )
    port: int = Field(443, gt=0, lt=65536, description="a port it answers on")
    every_s: float = Field(30, ge=5, le=600, description="time between two tries, s")
    answer_s: float = Field(5, gt=0, le=30, description="longest wait for it, s")


class NightSettings(PageSettings):
    """Where the lookout's page is served, and whether alarms can be taken over on it."""

    port: int = Field(8490, ge=0, lt=65536, description="port to listen on; 0 takes any free one")
    code_file: str | None = Field(
        None, description="file whose first line is the code that takes alarms over; only its owner may read it. "
        "Without one nothing can be taken over here"
    )  # fmt: skip
    confirm_s: float = Field(
        20, gt=0, le=120, description="longest wait for the shed's own word that it was done, s"
    )


@dataclass(frozen=True)
class LookoutFile:
    """A whole, checked lookout. as_shed: what the daemon watches: each shed a stage with one point."""

    own: OwnSettings
    sheds: tuple[WatchedSettings, ...]
    broker: MqttSettings | None
    line: LineSettings | None
    page: NightSettings
    as_shed: ShedFile

    @property
    def folder(self) -> Path:
        return self.as_shed.folder


class ShedSign(Settings):
    """The one channel of a shed."""

    point: str


def point_of(shed: str) -> str:
    """Where the sign of a shed stands."""
    return f"{shed}.shed_sign"


SECTIONS: Mapping[str, Any] = {
    "lookout": OwnSettings, "store": StoreSettings, "page": NightSettings, "broker": MqttSettings,
    "modem": SmsModemSettings, "mail": MailSettings, "webhook": WebhookSettings, "calling": CallingSettings,
    "line": LineSettings,
}  # fmt: skip
LISTS: Mapping[str, Any] = {
    "watch": WatchedSettings, "contact": Contact, "rules": RulesSettings, "override": Override
}  # fmt: skip
# the parts of the lookout itself; "road": its connection to the broker; "sheds": all of them together
PARTS: Mapping[str, str] = {
    "journal": "Journal", "history": "History", "alarms": "Alarms", "modem": "Modem", "mail": "Mail",
    "webhook": "Webhook", "parts": "Parts of the watch", "extras": "What runs beside the watch",
    "starts": "Restarts", "road": "Broker", "line": "Own line", "sheds": "All sheds together", "page": "Page",
}  # fmt: skip


def read_lookout(path: Path) -> LookoutFile:
    """Read and check a lookout's file with everything it names. Raises ConfigurationError with every fault."""
    table = read_table(
        path, "lookout file", "Copy deploy/examples/lookout.toml and change it, or give the right name."
    )
    reader = Reader(path, table, SECTIONS, LISTS)
    for key in table:
        if key not in {*SECTIONS, *LISTS}:
            reader.fault(key, "(a table)", f"no such part; known: {', '.join(sorted({*SECTIONS, *LISTS}))}")
    own = reader.section("lookout")
    if "lookout" not in table:
        reader.fault("lookout", None, "a [lookout] table with key, name, short_name and time_zone")
    there = {key: reader.section(key) for key in ("broker", "modem", "mail", "webhook", "line")}
    store, page = reader.section("store", StoreSettings()), reader.section("page", NightSettings())
    calling = reader.section("calling", CallingSettings())
    there["page"] = page and page.enabled and page.certificate
    sheds, contacts, rules = reader.many("watch"), reader.many("contact"), reader.many("rules")
    overrides = reader.many("override")
    _check(reader, sheds, there, contacts)
    parts = [key for key in PARTS if there.get(key, True)]
    parts = [key for key in parts if (key != "road" or there["broker"]) and (key != "sheds" or len(sheds) > 1)]
    stages = [
        Stage("room", StageSettings(key=one.key, name=one.name, kind="shed", watch=["shed_sign"])) for one in sheds
    ] + [
        Stage("watch", StageSettings(key=key, name=PARTS[key], kind="part of the watch", watch=["health"]))
        for key in parts
    ]  # fmt: skip
    points = {f"{stage.settings.key}.{quantity}": quantity for stage in stages for quantity in stage.settings.watch}
    places = {stage.settings.key: Place(stage.path, number) for number, stage in enumerate(stages)}
    rulesets, in_force = bound_rules(
        reader, path.parent, rules or [RulesSettings(file="other_sheds.toml")], overrides, points,
        {point_of(one.key): _STALE_S for one in sheds}, places, NOTHING,
    )  # fmt: skip
    texts = texts_of(reader, path.parent, contacts)
    if reader.faults:
        raise ConfigurationError(reader.faults)
    shed = ShedSettings(
        key=own.key, name=own.name, short_name=own.short_name, time_zone=own.time_zone, altitude_m=0.0,
        display=DisplayUnits(),
    )  # fmt: skip
    as_shed = ShedFile(
        path=path, shed=shed, stages=tuple(stages), buses={}, rulesets=tuple(rulesets),
        in_force=RulesInForce(in_force.alarms),
        derivations=(), follows=(), cross=NO_CROSSCHECK, contacts=tuple(contacts), calling=calling, store=store,
        page=page, broker=None, modem=there["modem"], mail=there["mail"], webhook=there["webhook"],
        report=ReportSettings(enabled=False), relays=(), lookout=None, replay=None, series=None, texts=texts,
    )  # fmt: skip
    return LookoutFile(own, tuple(sheds), there["broker"], there["line"], page, as_shed)


def read_any(path: Path) -> ShedFile:
    """A shed's file, or a lookout's as what its daemon keeps: for what is asked of either."""
    table = read_table(path, "shed file", "Copy deploy/examples/shed.toml and change it, or give the right name.")
    return read_lookout(path).as_shed if "watch" in table else read_shed(path)


def _check(reader: Reader, sheds: list[WatchedSettings], there: Mapping[str, Any], contacts: list[Contact]) -> None:
    """What ties the parts of the file together."""
    if not sheds and not reader.raw("watch"):
        reader.fault("watch", None, "at least one [[watch]]: a shed to look out for")
    check_names(reader, contacts)
    check_roster(reader, contacts, {"sms": there["modem"], "mail": there["mail"], "webhook": there["webhook"]})
    if not contacts and not reader.raw("contact"):
        reader.fault("contact", None, "at least one [[contact]]: a lookout that calls nobody is no lookout")
    if not any(there[way] for way in ("modem", "mail", "webhook")) and not any(
        way in reader.table for way in ("modem", "mail", "webhook")
    ):
        reader.fault("modem", None, "a [modem], [mail] or [webhook] of the lookout's own: it has no way to call")
    seen: dict[str, str] = {}
    for place, row in enumerate(reader.raw("watch")):
        here, key = key_path(("watch", place, "key")), row.get("key")
        if isinstance(key, str) and key in PARTS:
            reader.fault(here, key, "another key: this one is kept for the watch itself")
        elif isinstance(key, str) and key in seen:
            reader.fault(here, key, f"a key of its own; {seen[key]} has it already")
        elif isinstance(key, str):
            seen[key] = here
        if row.get("broker", True) is True and "broker" not in reader.table:
            reader.fault(
                key_path(("watch", place, "broker")), True, "a [broker] its signs of life come over, or false"
            )
        if "phone" in row and "modem" not in reader.table:
            reader.fault(key_path(("watch", place, "phone")), row["phone"], "a [modem] that receives its texts")
        _check_file(reader, key_path(("watch", place, "secret_file")), row.get("secret_file"))
    for part, keys in (
        ("page", ["code_file", "certificate", "certificate_key"]),
        ("broker", ["password_file", "ca_file"]),
        ("modem", ["pin_file"]),
    ):
        table = reader.table.get(part)
        for key in keys:
            _check_file(reader, key_path((part, key)), table.get(key) if isinstance(table, dict) else None)


def _check_file(reader: Reader, here: str, name: object) -> None:
    if isinstance(name, str):
        check_file(reader, here, reader.path.parent / name, name)
