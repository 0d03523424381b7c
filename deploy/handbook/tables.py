"""Every table of settings with its keys, made from the classes that read them."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from enum import Enum
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from cells import cell, rows
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from brinewatch.alarms.rulefile import RuleSettings, SourceSettings
from brinewatch.config import lookout, reader
from brinewatch.probes.build import BusSettings
from brinewatch.probes.common import ChannelSettings, ProbeSettings

_PLAIN: Mapping[Any, str] = {str: "text", float: "number", int: "whole number", bool: "true or false", date: "day"}
_BOUNDS = {Ge: ("from", "ge"), Gt: ("more than", "gt"), Le: ("to", "le"), Lt: ("less than", "lt")}


class Tables:
    """Writes tables; what lies within one is written once, at the end."""

    def __init__(self) -> None:
        self._within: dict[type[BaseModel], str] = {}
        self._written: set[type[BaseModel]] = set()

    def table(self, heading: str, shape: type[BaseModel], without: Sequence[type[BaseModel]] = ()) -> Iterator[str]:
        """One table of a file. without: keys of these classes have been told already."""
        told = {key for one in without for key in one.model_fields}
        yield f"### {heading}"
        if shape.__doc__:
            yield cell(shape.__doc__.strip().split("\n\n")[0])
        fields = {key: one for key, one in shape.model_fields.items() if key not in told}
        found = [self._row(one.alias or key, one) for key, one in fields.items()]
        if found:
            yield rows(("key", "what it takes", "when left out", "what it says"), found)

    def within(self) -> Iterator[str]:
        """The tables within tables met so far, and those within them."""
        while todo := [one for one in self._within if one not in self._written]:
            for shape in todo:
                self._written.add(shape)
                yield from self.table(f"`{self._within[shape]} = {{ ... }}`", shape)

    def _row(self, key: str, one: FieldInfo) -> tuple[str, str, str, str]:
        kind, bounds = self._kind(key, one.annotation), _bounds(one.metadata)
        return f"`{key}`", f"{kind}{bounds}", _default(one), one.description or ""

    def _kind(self, key: str, hint: Any) -> str:
        origin, inner = typing.get_origin(hint), typing.get_args(hint)
        if hint in _PLAIN:
            return _PLAIN[hint]
        if origin is typing.Annotated:
            return f"{self._kind(key, inner[0])}{_bounds(inner[1:])}"
        if origin in (types.UnionType, typing.Union):
            kinds = [self._kind(key, one) for one in inner if one is not type(None)]
            return " or ".join(dict.fromkeys(kinds))
        if origin is typing.Literal:
            return "one of " + ", ".join(f"`{json.dumps(one)}`" for one in inner)
        if origin in (list, tuple, Sequence, typing.get_origin(Sequence[int])):
            return f"list of {self._kind(key, inner[0]) if inner else 'values'}"
        if origin in (dict, Mapping, typing.get_origin(Mapping[str, int])):
            return "table"
        if isinstance(hint, type) and issubclass(hint, BaseModel):
            if key in ("probe", "channel"):
                return "tables, below"
            self._within.setdefault(hint, key)
            return f"table `{self._within[hint]}`"
        if isinstance(hint, type) and issubclass(hint, Enum):
            return "one of " + ", ".join(f"`{json.dumps(one.value)}`" for one in hint)
        return "value"


def _bounds(metadata: Sequence[Any]) -> str:
    said = []
    for one in metadata:
        for kind, (word, key) in _BOUNDS.items():
            if isinstance(one, kind):
                said.append(f"{word} {getattr(one, key):.10g}")
    return f", {' '.join(said)}" if said else ""


def _default(one: FieldInfo) -> str:
    if one.default_factory is not None:
        made = one.default_factory()  # type: ignore[call-arg]
        return "" if isinstance(made, BaseModel) else f"`{json.dumps(made)}`"
    if one.default is PydanticUndefined:
        return "needed"
    if one.default is None or isinstance(one.default, BaseModel):
        return ""
    value = one.default.value if isinstance(one.default, Enum) else one.default
    return f"`{json.dumps(value, default=str)}`"


def settings() -> Iterator[str]:
    tables = Tables()
    yield "## Settings of the shed file"
    yield (
        "Keys of `[name]` stand once, those of `[[name]]` as often as there are such things. What is not known is "
        "refused."
    )
    for heading, shape in _headings(reader.SECTIONS, reader.LISTS):
        yield from tables.table(heading, shape)
    yield "### Buses, probes, channels"
    yield (
        "A bus is `[bus.NAME]`, its probes `[[bus.NAME.probe]]`, their channels `[[bus.NAME.probe.channel]]`. "
        "Of any kind:"
    )
    yield from tables.table("`[[bus.NAME.probe]]` of any kind", ProbeSettings)
    yield from tables.table("`[[bus.NAME.probe.channel]]` of any kind", ChannelSettings)
    for bus in typing.get_args(typing.get_args(BusSettings)[0]):
        kind = typing.get_args(bus.model_fields["kind"].annotation)[0]
        yield from tables.table(f'`[bus.NAME]` with `kind = "{kind}"`', bus)
        probe = _item(bus.model_fields["probe"])
        yield from tables.table(f"`{kind}`, its probes", probe, (ProbeSettings,))
        yield from tables.table(f"`{kind}`, its channels", _item(probe.model_fields["channel"]), (ChannelSettings,))
    yield "## Settings of the lookout's file"
    known = {*reader.SECTIONS.values(), *reader.LISTS.values()}
    same = [
        f"`{_sign(key, key in lookout.LISTS)}`"
        for key, one in _all(lookout.SECTIONS, lookout.LISTS)
        if one in known
    ]
    yield f"As in the shed file: {', '.join(same)}."
    for heading, shape in _headings(lookout.SECTIONS, lookout.LISTS):
        if shape not in known:
            yield from tables.table(f"{heading} of the lookout", shape)
    yield "## Keys of a rule file"
    yield from tables.table("`[[rule]]`", RuleSettings)
    yield from tables.table("a source, in `sources.toml`", SourceSettings)
    yield "## Tables within tables"
    yield from tables.within()


def _all(sections: Mapping[str, Any], lists: Mapping[str, Any]) -> list[tuple[str, type[BaseModel]]]:
    return [*sections.items(), *lists.items()]


def _sign(key: str, many: bool) -> str:
    return f"[[{key}]]" if many else f"[{key}]"


def _headings(sections: Mapping[str, Any], lists: Mapping[str, Any]) -> Iterator[tuple[str, type[BaseModel]]]:
    """Each class once, under all the names it has."""
    names: dict[type[BaseModel], list[str]] = {}
    for key, shape in _all(sections, lists):
        names.setdefault(shape, []).append(f"`{_sign(key, key in lists)}`")
    for shape, called in names.items():
        yield ", ".join(called), shape


def _item(one: FieldInfo) -> type[BaseModel]:
    found: type[BaseModel] = typing.get_args(one.annotation)[0]
    return found
