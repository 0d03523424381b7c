"""A rule file as text to rules, and the list of sources beside it. Every fault is found in one reading."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from brinewatch.alarms.events import Priority
from brinewatch.alarms.limits import limits_in_order
from brinewatch.alarms.memory import LONGEST_DELAY_S
from brinewatch.alarms.rules import REPEAT_S, Rule
from brinewatch.alarms.septets import septets
from brinewatch.alarms.urgency import Harm, HarmWithin, priority_of
from brinewatch.alarms.when import Reader, read_only
from brinewatch.alarms.written import OnlySettings, When
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.quantities import QUANTITIES
from brinewatch.settings import Settings, faults_of, key_path, table_of

Standing = Literal["published", "derived", "judgement"]
SHORT = 20
FIRST_ACTION = 40


class SourceSettings(Settings):
    """Where a number comes from."""

    citation: str = Field(min_length=1, description="Author, year and place, or whose judgement it is.")
    where: str = Field(default="", description="Table, page or abstract in it.")
    standing: Standing = Field(
        description="Whether the number is published, derived from published ones, or judgement."
    )
    seen: Literal["text", "abstract", "data", "secondary", "memory", "none"] = Field(
        description="How the source was seen by whoever wrote the rule: memory means nobody has checked it."
    )


@dataclass(frozen=True, slots=True)
class Source:
    """One source: what a rule's `source` key stands for."""

    key: str
    citation: str
    where: str
    standing: str
    seen: str


class RuleSettings(Settings):
    """One rule of a rule file."""

    key: str = Field(pattern=r"^[a-z][a-z0-9-]*$", description="Name of the rule: small letters, digits, hyphens.")
    title: str = Field(min_length=1, description="What is wrong, in a few words.")
    short: str = Field(description="The same in capitals for a text message, at most 20 characters.")
    quantity: str = Field(
        description="What is judged: a key of the table of quantities, or any (rules about data)."
    )
    when: When = Field(description="The condition.")
    unit: str = Field(default="", description="Unit of the limit and the deadband.")
    deadband: float = Field(default=0.0, description="How far back inside the limit counts as over, in the unit.")
    on_delay_s: float = Field(
        default=0.0, ge=0, le=LONGEST_DELAY_S, description="Seconds it must hold before it is an alarm."
    )
    off_delay_s: float = Field(
        default=0.0, ge=0, le=LONGEST_DELAY_S, description="Seconds it must be gone before it is over."
    )
    repeat_s: float | None = Field(
        default=None, ge=0, description="Call again this often until answered; 0 never. By priority when left out."
    )
    ack_expires_s: float | None = Field(
        default=None, ge=60, description="An answered alarm whose cause still holds calls again after this."
    )
    latching: bool = Field(default=False, description="Stays until a person resets it, though the cause is gone.")
    priority: Annotated[Priority, Field(strict=False)] = Field(description="critical, high, medium or low.")
    harm: Harm | None = Field(
        default=None, description="What is lost if nobody acts: stock, part or slow; the priority must fit it."
    )
    harm_within: HarmWithin | None = Field(
        default=None, description="How soon, in the worst case the rule is for: hour, hours, days or weeks."
    )
    why: str = Field(min_length=1, description="Why this limit.")
    consequence: str = Field(min_length=1, description="What happens if nobody acts.")
    todo: list[Annotated[str, Field(min_length=1)]] = Field(
        min_length=1, description="What to do, in order; the first in at most 40 characters, for a text message."
    )
    time_available: str = Field(min_length=1, description="How long until harm.")
    source: str = Field(description="Key in the list of sources.")
    standing: Standing = Field(description="published, derived or judgement.")
    caution: str = Field(default="", description="What can hurt the person who acts.")
    stages: list[str] = Field(default=[], description="Only for these stages; all when left out.")
    takes: str = Field(
        default="", pattern=r"^([a-z][a-z -]*)?$", description="What is lost while it holds, such as power or air."
    )
    needs: list[Annotated[str, Field(pattern=r"^[a-z][a-z -]*$")]] = Field(
        default=[], description="What this hangs on: where that is lost, this is its consequence and does not call."
    )
    emergency: bool = Field(default=False, description="Calls even when its cause has called.")
    attended: Literal["call", "hold"] = Field(
        default="call", description="hold: does not call while somebody is said to work in the shed."
    )
    only: OnlySettings | None = Field(default=None, description="When the rule counts; always when left out.")
    limit: list[dict[str, Any]] | None = Field(
        default=None,
        min_length=1,
        description="Several limits of the quantity: each with a name and the keys of the rule that differ for it.",
    )


def load_sources(text: str, file: str) -> dict[str, Source]:
    """The list of sources: one table a key. Raises ConfigurationError with every fault."""
    tables = _toml(text, file)
    found: dict[str, Source] = {}
    faults: list[Fault] = []
    for key, table in tables.items():
        try:
            settings = SourceSettings.model_validate(table)
        except ValidationError as error:
            faults += faults_of(error, file, [key], SourceSettings)
        else:
            found[key] = Source(key, settings.citation, settings.where, settings.standing, settings.seen)
    if faults:
        raise ConfigurationError(faults)
    return found


@dataclass(frozen=True, slots=True)
class RuleSet:
    """The rules of one file; based_on: the file whose other rules hold too, "" once they are among these."""

    file: str
    title: str
    about: str
    rules: tuple[Rule, ...]
    based_on: str = ""


def load_ruleset(text: str, file: str, sources: Mapping[str, Source]) -> RuleSet:
    """A rule file. Limits come back in each quantity's own unit. Raises ConfigurationError with every fault."""
    tables = _toml(text, file)
    faults = [
        Fault(
            file,
            key,
            value if not isinstance(value, (dict, list)) else "(a table)",
            "no such key; known here: title, about, based_on, rule",
        )
        for key, value in tables.items()
        if key not in ("title", "about", "based_on", "rule")
    ]
    for key, default in (("title", None), ("about", ""), ("based_on", "")):
        value = tables.get(key, default)
        if not isinstance(value, str) or (key == "title" and not value):
            faults.append(Fault(file, key, value, "a text"))
    entries = tables.get("rule")
    if not isinstance(entries, list) or not entries:
        faults.append(Fault(file, "rule", None, "at least one [[rule]] table"))
        entries = []
    rules: list[tuple[str, Rule]] = []
    written = [one for index, entry in enumerate(entries) for one in _limits(index, entry)]
    for one in written:
        faults += (replace(fault, file=file) for fault in one.faults)
        found: list[Fault] = []
        try:
            settings = RuleSettings.model_validate(one.table)
        except ValidationError as error:
            found += faults_of(error, file, one.under, RuleSettings)
        else:
            reader = _Reader(file, one.place, settings)
            rule = reader.rule(sources)
            found += reader.faults
            if rule is not None:
                rules.append((one.place, rule))
        faults += (one.placed(fault) for fault in found)
    faults += _twice(file, written)
    faults += limits_in_order(file, rules)
    if faults:
        # what several limits share may be wrong in each of them
        raise ConfigurationError(list({str(fault): fault for fault in faults}.values()))
    about, based_on = tables.get("about", ""), tables.get("based_on", "")
    return RuleSet(file, tables["title"], about, tuple(rule for _, rule in rules), based_on)


@dataclass(frozen=True, slots=True)
class _Written:
    """One rule as it is written: a [[rule]] table, or one [[rule.limit]] of it with what it shares with the others.

    own: the keys that stand in the limit itself; everything else stands in the rule.
    """

    table: object
    under: tuple[object, ...]
    own: frozenset[str] | None = None
    faults: tuple[Fault, ...] = ()

    @property
    def place(self) -> str:
        return key_path(self.under)

    @property
    def key(self) -> object:
        return self.table.get("key") if isinstance(self.table, dict) else None

    def placed(self, fault: Fault) -> Fault:
        """The fault at the place where the key stands."""
        if self.own is None:
            return fault
        rest = fault.key.removeprefix(self.place).removeprefix(".")
        shared = re.split(r"[.\[]", rest, maxsplit=1)[0] not in self.own
        missing = fault.value is None and fault.expected.startswith("this key")
        return replace(fault, key=f"{key_path(self.under[:2])}.{rest}") if shared and not missing else fault


_NAME = re.compile(r"[a-z][a-z0-9-]*")
_SHARED = ("key", "quantity", "unit", "limit")


def _limits(index: int, entry: object) -> Iterator[_Written]:
    """The rules of one [[rule]] table: itself, or one for each of its limits."""
    under = ("rule", index)
    limits = entry.get("limit") if isinstance(entry, dict) else None
    if not isinstance(entry, dict) or not isinstance(limits, list) or not limits:
        yield _Written(entry, under)
        return
    shared = {key: value for key, value in entry.items() if key != "limit"}
    names: list[object] = []
    for place, limit in enumerate(limits):
        here = (*under, "limit", place)
        if not isinstance(limit, dict):
            yield _Written(entry, under)  # told as what it is: no table
            return
        name, faults = limit.get("name"), []
        if not isinstance(name, str) or not _NAME.fullmatch(name):
            faults.append(Fault("", f"{key_path(here)}.name", name, "a name: small letters, digits, hyphens"))
        elif name in names:
            faults.append(Fault("", f"{key_path(here)}.name", name, "another name: a limit before has this one"))
        names.append(name)
        for key in _SHARED:
            if key in limit:
                faults.append(Fault("", f"{key_path(here)}.{key}", "(here)", f"{key} in the rule, for all limits"))
        own = {key: value for key, value in limit.items() if key not in (*_SHARED, "name")}
        table = {**shared, **own}
        if isinstance(shared.get("key"), str) and not faults:
            table["key"] = f"{shared['key']}-{name}"
        yield _Written(table, here, frozenset(own), tuple(faults))


def _toml(text: str, file: str) -> dict[str, Any]:
    try:
        return table_of(text)
    except ValueError as error:
        raise ConfigurationError([Fault(file, "(the whole file)", str(error), "TOML")]) from error


def _twice(file: str, written: Sequence[_Written]) -> Iterator[Fault]:
    first: dict[str, _Written] = {}
    for one in written:
        if not isinstance(one.key, str) or one.faults:
            continue
        other = first.setdefault(one.key, one)
        if other is not one:
            yield Fault(file, f"{one.place}.key", one.key, f"another key: {other.place} has this one")


class _Reader:
    """One well-formed rule table, judged for its meaning."""

    def __init__(self, file: str, place: str, settings: RuleSettings) -> None:
        self.file, self.place, self.settings = file, place, settings
        self.faults: list[Fault] = []

    def _fault(self, key: str, value: object, expected: str) -> None:
        self.faults.append(Fault(self.file, f"{self.place}.{key}", value, expected))

    def rule(self, sources: Mapping[str, Source]) -> Rule | None:
        one = self.settings
        self._text("short", one.short, SHORT)
        self._text("todo[1]", one.todo[0], FIRST_ACTION)
        source = sources.get(one.source)
        if source is None:
            self._fault("source", one.source, "a key of the list of sources")
        elif one.standing == "published" and source.standing != "published":
            self._fault("standing", one.standing, f"{source.standing}, as its source says")
        if one.takes in one.needs:
            self._fault("needs", one.takes, "not what the rule itself takes")
        if one.attended == "hold" and (one.emergency or one.takes or one.priority is Priority.CRITICAL):
            self._fault("attended", one.attended, "call: a critical rule, an emergency, a cause is never held")
        if (one.harm is None) != (one.harm_within is None):
            missing = "harm" if one.harm is None else "harm_within"
            self._fault(missing, None, "this key: harm and harm_within go together")
        elif one.harm is not None and one.harm_within is not None:
            fitting = priority_of(one.harm, one.harm_within)
            if one.priority is not fitting:
                expected = f"{fitting.value}: {one.harm} harmed within {one.harm_within}"
                self._fault("priority", one.priority.value, expected)
        made = Reader(one.quantity, one.unit, one.deadband, self._fault).read(one.when)
        only = read_only(one.only, self._fault) if one.only is not None else None
        if made is None or self.faults:
            return None
        condition, band = made
        quantity = QUANTITIES.get(one.quantity)
        repeat = REPEAT_S[one.priority] if one.repeat_s is None else one.repeat_s or None
        return Rule(
            key=one.key, title=one.title, short=one.short, quantity=one.quantity, condition=condition,
            priority=one.priority, why=one.why, consequence=one.consequence, todo=tuple(one.todo),
            time_available=one.time_available, source=one.source, standing=one.standing,
            unit=quantity.unit if quantity else "", deadband=band, on_delay_s=one.on_delay_s,
            off_delay_s=one.off_delay_s, repeat_s=repeat, ack_expires_s=one.ack_expires_s, latching=one.latching,
            caution=one.caution, stages=tuple(one.stages), takes=one.takes, needs=tuple(one.needs),
            emergency=one.emergency, attended=one.attended, only=only,
        )  # fmt: skip

    def _text(self, key: str, text: str, longest: int) -> None:
        length = septets(text)
        if length is None:
            self._fault(key, text, "only characters of the GSM 7-bit alphabet")
        elif not 0 < length <= longest:
            self._fault(key, text, f"1 to {longest} characters, since a text message must hold it")
