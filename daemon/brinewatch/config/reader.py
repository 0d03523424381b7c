"""Reads each table of a shed file by itself, and checks the names, points and files that tie them together."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from brinewatch.alarms.calling import CallingSettings
from brinewatch.alarms.relays import RelaySettings
from brinewatch.alarms.roster import Contact
from brinewatch.alarms.ruleset import Override
from brinewatch.config.sections import (
    WATCH_PARTS,
    ReplaySettings,
    ReportSettings,
    RulesSettings,
    ShedSettings,
    StageSettings,
    StoreSettings,
)
from brinewatch.errors import BrinewatchError, ConfigurationError, Fault
from brinewatch.husbandry.settings import BatchSettings, RoundSettings
from brinewatch.notify.mail_settings import MailSettings, WebhookSettings
from brinewatch.notify.mqtt_settings import MqttSettings
from brinewatch.notify.sms import SmsModemSettings
from brinewatch.page.server import PageSettings
from brinewatch.probes.build import BusSettings
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.secretfile import secret_at
from brinewatch.sentry.settings import LookoutSettings
from brinewatch.settings import faults_of, key_path, table_of, toml_text
from brinewatch.signals.crosscheck import Compare, Neighbour, Physics
from brinewatch.store.series.settings import SeriesSettings

SECTIONS: Mapping[str, Any] = {
    "shed": ShedSettings,
    "store": StoreSettings,
    "page": PageSettings,
    "broker": MqttSettings,
    "modem": SmsModemSettings,
    "mail": MailSettings,
    "webhook": WebhookSettings,
    "calling": CallingSettings,
    "report": ReportSettings,
    "lookout": LookoutSettings,
    "replay": ReplaySettings,
    "series": SeriesSettings,
    "physics": Physics,
}
LISTS: Mapping[str, Any] = {
    "water": StageSettings,
    "air": StageSettings,
    "room": StageSettings,
    "rules": RulesSettings,
    "contact": Contact,
    "relay": RelaySettings,
    "override": Override,
    "compare": Compare,
    "neighbour": Neighbour,
    "round": RoundSettings,
    "batch": BatchSettings,
}


def read_table(path: Path, what: str, hint: str) -> dict[str, Any]:
    """The whole of a TOML file. BrinewatchError when it cannot be read, ConfigurationError when it is no TOML."""
    try:
        text = toml_text(path)
    except OSError as error:
        raise BrinewatchError(f"Cannot read the {what} {path}: {error.strerror}.", hint) from error
    except UnicodeDecodeError as error:
        raise BrinewatchError(f"{path} is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.") from error
    try:
        return table_of(text)
    except ValueError as error:
        raise ConfigurationError([Fault(path.name, "(the file)", None, f"TOML; {error}")]) from error


@cache
def _adapter(shape: Any) -> TypeAdapter[Any]:
    """Made once: it takes longer than all the reading."""
    return TypeAdapter(shape)


class Reader:
    """Collects what is right and what is wrong, so that one bad key hides no other."""

    def __init__(
        self, path: Path, table: Mapping[str, Any], sections: Mapping[str, Any] = SECTIONS,
        lists: Mapping[str, Any] = LISTS,
    ) -> None:  # fmt: skip
        self._sections, self._lists = sections, lists
        self.path = path
        self.table = table
        self.faults: list[Fault] = []
        self._from: list[str] = []

    def add_overrides(self, more: Sequence[tuple[str, Mapping[str, Any]]]) -> None:
        """Overrides of other files, after those of the shed file itself."""
        rows = self.table.get("override", [])
        if more and isinstance(rows, list):
            own = [key_path(("override", place)) for place in range(len(rows))]
            self._from = [*own, *(f"(of {file}) override[{place + 1}]" for place, (file, _) in enumerate(more))]
            self.table = {**self.table, "override": [*rows, *(dict(row) for _, row in more)]}

    def override_place(self, number: int) -> str:
        """Where an override stands, for people."""
        return self._from[number] if self._from else key_path(("override", number))

    def fault(self, key: str, value: object, expected: str) -> None:
        self.faults.append(Fault(self.path.name, key, value, expected))

    def section(self, key: str, default: Any = None) -> Any:
        if key not in self.table:
            return default
        return self._one(self._sections[key], self.table[key], (key,))

    def many(self, key: str) -> list[Any]:
        rows = self.table.get(key, [])
        if not isinstance(rows, list):
            self.fault(key, "(a table)", f"a list of tables: write [[{key}]] above each")
            return []
        made = [self._one(self._lists[key], row, (key, place)) for place, row in enumerate(rows)]
        return [one for one in made if one is not None]

    def buses(self) -> dict[str, BusSettings]:
        made = {}
        rows = self.table.get("bus", {})
        if not isinstance(rows, dict) or not rows:
            self.fault("bus", None, "at least one bus: write [bus.NAME] with its kind")
            return {}
        for name, row in rows.items():
            one = self._one(BusSettings, row, ("bus", name))
            if one is not None:
                made[name] = one
        return made

    def _one(self, shape: Any, row: Any, under: tuple[object, ...]) -> Any:
        try:
            return _adapter(shape).validate_python(row)
        except ValidationError as error:
            self.faults += faults_of(error, self.path.name, under, shape)
            return None

    def raw(self, key: str) -> list[dict[str, Any]]:
        """Rows as they stand, right or wrong: cross-checks must not blame what another fault hides."""
        rows = self.table.get(key, [])
        return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def check_names(reader: Reader, contacts: list[Contact]) -> None:
    seen: dict[str, str] = {}
    for way in ("water", "air", "room"):
        for place, row in enumerate(reader.raw(way)):
            here, key = key_path((way, place, "key")), row.get("key")
            if isinstance(key, str) and key in WATCH_PARTS:
                reader.fault(here, key, "another name: this one is kept for the watch itself")
            elif isinstance(key, str) and key in seen:
                reader.fault(here, key, f"a name of its own; {seen[key]} has it already")
            elif isinstance(key, str):
                seen[key] = here
    for what in ("name", "phone"):
        first: dict[str, str] = {}
        for place, contact in enumerate(reader.raw("contact")):
            here, value = key_path(("contact", place, what)), contact.get(what)
            if isinstance(value, str) and value in first:
                reader.fault(here, value, f"a {what} of its own; {first[value]} has it already")
            elif isinstance(value, str):
                first[value] = here


def check_roster(reader: Reader, contacts: Sequence[Contact], there: Mapping[str, object]) -> None:
    """Somebody can be called at all, and every way people name is there."""
    ways = [way for way, settings in there.items() if settings is not None]
    if ways and not contacts and not reader.raw("contact"):
        reader.fault("contact", None, f"at least one [[contact]]: there is nobody to call by {' or '.join(ways)}")
    if len(contacts) < len(reader.raw("contact")):
        return  # one with a fault of its own may be the one that can be reached
    for place, contact in enumerate(contacts):
        for way in contact.ways:
            if ways and way not in ways:
                there_are = f"a way there is ({', '.join(ways)}), or a table [{_TABLE[way]}]"
                reader.fault(key_path(("contact", place, "ways")), way, there_are)


def check_relays(reader: Reader, relays: Sequence[RelaySettings], points: Collection[str]) -> None:
    """Each has a name and a line of its own; what proves a pump is watched."""
    keys: dict[str, str] = {}
    lines: dict[tuple[str, str, int], str] = {}
    for place, one in enumerate(relays):
        here, line = key_path(("relay", place)), (one.chip, one.device, one.line)
        if one.key in keys:
            reader.fault(f"{here}.key", one.key, f"a name of its own; {keys[one.key]} has it already")
        if line in lines:
            reader.fault(f"{here}.line", one.line, f"a line of its own; {lines[line]} drives it already")
        keys.setdefault(one.key, here)
        lines.setdefault(line, here)
        if one.proven_by is not None and (
            one.proven_by not in points or quantity_of(one.proven_by) != "standby_air"
        ):
            reader.fault(f"{here}.proven_by", one.proven_by, "a point of quantity standby_air that a probe feeds")


def check_report(
    reader: Reader, report: ReportSettings, contacts: Sequence[Contact], points: Collection[str]
) -> None:
    """The report goes to people there are and tells what is watched."""
    names = [contact.name for contact in contacts]
    for name in report.to:
        if name not in names:
            reader.fault("report.to", name, f"the name of a contact ({', '.join(names) or 'there is none'})")
    for point in report.points:
        if point not in points:
            reader.fault("report.points", point, "a point of the shed: stage.quantity, both of its file")


_TABLE = {"sms": "modem", "mail": "mail", "webhook": "webhook"}


def check_points(reader: Reader) -> set[str]:
    """Every point fed by a probe, checked against the stages; probes and points are fed once."""
    watched = {
        (key, quantity): key_path((way, place, "watch"))
        for way in ("water", "air", "room")
        for place, row in enumerate(reader.raw(way))
        if isinstance(key := row.get("key"), str) and isinstance(row.get("watch", []), list)
        for quantity in row.get("watch", [])
        if isinstance(quantity, str)
    }
    for (_, quantity), here in watched.items():
        if quantity not in QUANTITIES:
            known = ", ".join(sorted(key for key in QUANTITIES if key != "health"))
            reader.fault(here, quantity, f"a quantity; known: {known}")
    probes: dict[str, str] = {}
    points: dict[str, str] = {}
    buses = reader.table.get("bus", {})
    for bus, row in buses.items() if isinstance(buses, dict) else ():
        rows = row.get("probe", []) if isinstance(row, dict) else []
        for place, probe in enumerate(rows if isinstance(rows, list) else []):
            if not isinstance(probe, dict):
                continue
            under = ("bus", bus, "probe", place)
            name = probe.get("name")
            if isinstance(name, str) and name in probes:
                reader.fault(key_path((*under, "name")), name, f"a name of its own; {probes[name]} has it already")
            elif isinstance(name, str):
                probes[name] = key_path((*under, "name"))
            channels = probe.get("channel", [])
            for number, channel in enumerate(channels if isinstance(channels, list) else []):
                if isinstance(channel, dict):
                    _check_channel(reader, channel, (*under, "channel", number), watched, points)
    return set(points)


def _check_channel(
    reader: Reader,
    channel: dict[str, Any],
    under: tuple[object, ...],
    watched: Mapping[tuple[str, str], str],
    points: dict[str, str],
) -> None:
    here, point = key_path((*under, "point")), channel.get("point")
    if not isinstance(point, str):
        return
    if point in points:
        reader.fault(here, point, f"a point fed once; {points[point]} feeds it already")
    points.setdefault(point, here)
    if quantity_of(point) in QUANTITIES and (stage_of(point), quantity_of(point)) not in watched:
        reader.fault(here, point, f'a stage with key "{stage_of(point)}" whose watch lists "{quantity_of(point)}"')


_FILE_KEYS = (
    "password_file", "secret_file", "token_file", "ca_file", "pin_file", "file", "certificate", "certificate_key",
)  # fmt: skip


def check_files(reader: Reader, folder: Path) -> None:
    """Every file named in the shed file is there; rule files are looked for in their own way."""
    buses = reader.table.get("bus", {})
    tables = [
        ((key,), reader.table.get(key))
        for key in ("broker", "modem", "mail", "webhook", "lookout", "page", "series")
    ]
    tables += [(("bus", name), row) for name, row in (buses.items() if isinstance(buses, dict) else ())]  # type: ignore[misc]
    for under, row in tables:
        for key in _FILE_KEYS:
            name = row.get(key) if isinstance(row, dict) else None
            if isinstance(name, str):
                check_file(reader, key_path((*under, key)), folder / name, name)


def check_file(reader: Reader, here: str, file: Path, name: str) -> None:
    """A file named in the settings is there, and this user may look."""
    try:
        there = secret_at(file).is_file()
    except PermissionError:
        reader.fault(here, name, f"a file this user may read; {file} is closed to it")
        return
    except OSError as error:
        reader.fault(here, name, f"a file; {error.strerror}")
        return
    if not there:
        reader.fault(here, name, f"a file; there is none at {file}")
