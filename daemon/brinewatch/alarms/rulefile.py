"""A rule file as text to rules, and the list of sources beside it. Every fault is found in one reading."""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from brinewatch.alarms.events import Priority
from brinewatch.alarms.limits import limit_in_span, limits_in_order, name_of
from brinewatch.alarms.rules import ANY, REPEAT_S, Above, Below, Condition, Failed, Is, Rule, Stale
from brinewatch.alarms.septets import septets
from brinewatch.errors import ConfigurationError, Fault
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.settings import Settings, faults_of

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


class When(Settings):
    """The condition: exactly one of these."""

    below: float | None = Field(default=None, description="Under this value, in the rule's unit.")
    above: float | None = Field(default=None, description="Over this value, in the rule's unit.")
    state: str | None = Field(default=None, description="A quantity stands in this one of its states, by name.")
    stale_s: float | None = Field(default=None, gt=0, description="No trustworthy value, or one older than this.")
    failed: Literal[True] | None = Field(default=None, description="The reading itself says that it is wrong.")


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
        default=0.0, ge=0, le=604800, description="Seconds it must hold before it is an alarm."
    )
    off_delay_s: float = Field(
        default=0.0, ge=0, le=604800, description="Seconds it must be gone before it is over."
    )
    repeat_s: float | None = Field(
        default=None, ge=0, description="Call again this often until answered; 0 never. By priority when left out."
    )
    ack_expires_s: float | None = Field(
        default=None, ge=60, description="An answered alarm whose cause still holds calls again after this."
    )
    latching: bool = Field(default=False, description="Stays until a person resets it, though the cause is gone.")
    priority: Annotated[Priority, Field(strict=False)] = Field(description="critical, high, medium or low.")
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
    """The rules of one file."""

    file: str
    title: str
    about: str
    rules: tuple[Rule, ...]


def load_ruleset(text: str, file: str, sources: Mapping[str, Source]) -> RuleSet:
    """A rule file. Limits come back in each quantity's own unit. Raises ConfigurationError with every fault."""
    tables = _toml(text, file)
    faults = [
        Fault(
            file,
            key,
            value if not isinstance(value, (dict, list)) else "(a table)",
            "no such key; known here: title, about, rule",
        )
        for key, value in tables.items()
        if key not in ("title", "about", "rule")
    ]
    for key, default in (("title", None), ("about", "")):
        value = tables.get(key, default)
        if not isinstance(value, str) or (key == "title" and not value):
            faults.append(Fault(file, key, value, "a text"))
    entries = tables.get("rule")
    if not isinstance(entries, list) or not entries:
        faults.append(Fault(file, "rule", None, "at least one [[rule]] table"))
        entries = []
    rules: list[tuple[str, Rule]] = []
    for index, entry in enumerate(entries):
        place = f"rule[{index + 1}]"
        try:
            settings = RuleSettings.model_validate(entry)
        except ValidationError as error:
            faults += faults_of(error, file, ["rule", index], RuleSettings)
            continue
        reader = _Reader(file, place, settings)
        rule = reader.rule(sources)
        faults += reader.faults
        if rule is not None:
            rules.append((place, rule))
    faults += _twice(file, entries)
    faults += limits_in_order(file, rules)
    if faults:
        raise ConfigurationError(faults)
    return RuleSet(file, tables["title"], tables.get("about", ""), tuple(rule for _, rule in rules))


def _toml(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError([Fault(file, "(the whole file)", str(error), "TOML")]) from error


def _twice(file: str, entries: Sequence[object]) -> Iterator[Fault]:
    keys = [entry.get("key") for entry in entries if isinstance(entry, dict)]
    counted = Counter(key for key in keys if isinstance(key, str))
    for index, key in enumerate(keys):
        if isinstance(key, str) and counted[key] > 1 and keys.index(key) != index:
            yield Fault(
                file, f"rule[{index + 1}].key", key, f"another key: rule[{keys.index(key) + 1}] has this one"
            )


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
        condition = self._condition()
        band = 0.0
        quantity = QUANTITIES.get(one.quantity)
        if quantity is not None and isinstance(condition, (Below, Above)):
            band = quantity.to_canonical(one.deadband, one.unit) - quantity.to_canonical(0.0, one.unit)
            faults = limit_in_span(quantity, condition.limit, band)
            for key, value, expected in faults:
                self._fault("deadband" if key == "deadband" else f"when.{name_of(condition)}", value, expected)
        elif one.deadband and condition is not None:
            self._fault("deadband", one.deadband, "none: only a limit has a deadband")
        if condition is None or self.faults:
            return None
        repeat = REPEAT_S[one.priority] if one.repeat_s is None else one.repeat_s or None
        return Rule(
            key=one.key, title=one.title, short=one.short, quantity=one.quantity, condition=condition,
            priority=one.priority, why=one.why, consequence=one.consequence, todo=tuple(one.todo),
            time_available=one.time_available, source=one.source, standing=one.standing,
            unit=quantity.unit if quantity else "", deadband=band, on_delay_s=one.on_delay_s,
            off_delay_s=one.off_delay_s, repeat_s=repeat, ack_expires_s=one.ack_expires_s, latching=one.latching,
            caution=one.caution, stages=tuple(one.stages),
        )  # fmt: skip

    def _text(self, key: str, text: str, longest: int) -> None:
        length = septets(text)
        if length is None:
            self._fault(key, text, "only characters of the GSM 7-bit alphabet")
        elif not 0 < length <= longest:
            self._fault(key, text, f"1 to {longest} characters, since a text message must hold it")

    def _condition(self) -> Condition | None:
        one, when = self.settings, self.settings.when
        named = [key for key in When.model_fields if getattr(when, key) is not None]
        if len(named) != 1:
            known = ", ".join(When.model_fields)
            self._fault("when", ", ".join(named) or None, f"exactly one of {known}")
            return None
        about_data = named[0] in ("stale_s", "failed")
        quantity = QUANTITIES.get(one.quantity)
        if quantity is None and not (one.quantity == ANY and about_data):
            extra = f", or {ANY} for a rule about data" if about_data else ""
            self._fault("quantity", one.quantity, f"one of {', '.join(sorted(QUANTITIES))}{extra}")
            return None
        if when.stale_s is not None:
            return Stale(when.stale_s)
        if when.failed is not None:
            return Failed()
        assert quantity is not None
        return self._of_value(quantity, named[0])

    def _of_value(self, quantity: Quantity, name: str) -> Condition | None:
        one, when = self.settings, self.settings.when
        if when.state is not None:
            if quantity.states is None or when.state not in quantity.states:
                known = (
                    " or ".join(quantity.states) if quantity.states else "below or above: it has no named states"
                )
                self._fault("when.state", when.state, known)
                return None
            return Is(quantity.states.index(when.state))
        value = when.below if when.below is not None else when.above
        assert value is not None
        if quantity.states is not None:
            known = " or ".join(f'"{state}"' for state in quantity.states)
            self._fault(f"when.{name}", value, f"state = {known}")
            return None
        if not quantity.accepts(one.unit):
            self._fault("unit", one.unit or None, f"one of {', '.join([quantity.unit, *quantity.units])}")
            return None
        limit = quantity.to_canonical(value, one.unit)
        return Below(limit) if when.below is not None else Above(limit)
