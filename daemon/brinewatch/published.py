"""What is published over MQTT and as `/state.json`, as JSON Schema (2020-12), made from the classes themselves.

No second description can fall out of step: a field that is added is in the schema, and what the schema has not is
refused by whoever validates.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import is_dataclass
from enum import Enum, StrEnum
from typing import Any

from brinewatch.alarms.events import AlarmEvent
from brinewatch.moment import Moment
from brinewatch.overview import Overview
from brinewatch.readings import Flag
from brinewatch.sentry.beats import Beat

_TIME = {"type": "string", "format": "date-time"}
_PLAIN: Mapping[Any, Mapping[str, Any]] = {
    str: {"type": "string"}, float: {"type": "number"}, int: {"type": "integer"}, bool: {"type": "boolean"},
    type(None): {"type": "null"}, Moment: _TIME,
}  # fmt: skip
DRAFT = "https://json-schema.org/draft/2020-12/schema"

_LIFE = {
    "$schema": DRAFT, "title": "life", "type": "object", "additionalProperties": False,
    "required": ["life", "shed", "since", "started"],
    "properties": {
        "life": {"enum": ["up", "stopped", "gone"]}, "shed": {"type": "string"}, "since": _TIME, "started": _TIME,
    },
}  # fmt: skip


def _signed(title: str, **properties: Any) -> dict[str, Any]:
    """A signed table of these fields, all of them there."""
    fields = {**properties, "mac": {"type": "string", "pattern": "^[0-9a-f]{64}$"}}
    return {"$schema": DRAFT, "title": title, "type": "object", "additionalProperties": False,
            "required": list(fields), "properties": fields}  # fmt: skip


_TEXT, _WHOLE, _YES = _PLAIN[str], {"type": "integer", "minimum": 0}, _PLAIN[bool]
_NUMBER = {"type": "number"}
_BEAT_LINE = {"$schema": DRAFT, "title": "beat/line", "type": "object", "additionalProperties": False,
              "required": ["line"], "properties": {"line": {"enum": ["up", "gone"]}}}  # fmt: skip
_LOOKOUT = _signed(
    "lookout", lookout=_TEXT, start=_WHOLE, n=_WHOLE, utc=_NUMBER, trusted=_YES, version=_TEXT,
    heard={"type": ["array", "null"], "items": _WHOLE, "minItems": 2, "maxItems": 2},
    heard_age_s={"type": ["number", "null"]},
)  # fmt: skip
_ORDER = _signed(
    "order", id=_TEXT, do={"enum": ["acknowledge"]}, number={"type": "integer", "minimum": 1}, by=_TEXT,
    utc=_NUMBER, trusted=_YES, start=_WHOLE, n=_WHOLE,
)  # fmt: skip
_DONE = _signed("done", id=_TEXT, done=_YES, words=_TEXT)

# topic below <base>/<shed>/, retained, what it carries
TOPICS: tuple[tuple[str, bool, str], ...] = (
    ("life", True, 'whether the shed\'s daemon is "up", "stopped" on purpose, or "gone" (the broker\'s last will)'),
    ("state", True, "the whole shed as it is now; also /state.json of the page"),
    (
        "alarms/<number>",
        False,
        "one step of one alarm, as it happens; user property id: the same when it comes again",
    ),
    ("beat", True, "signed sign of life to the lookout: what the watch says of itself"),
    ("beat/line", True, 'whether the connection of the signs of life is "up" or "gone" (the last will)'),
    ("lookout/<key>", True, "heard here, not published: the lookout's signed sign of life to this shed"),
    ("order", False, "heard here, not published: a signed order of the lookout"),
    ("done", False, "the shed's signed word on an order"),
)


def schemas() -> dict[str, Mapping[str, Any]]:
    """By topic: the schema of its payload."""
    beat = schema_of(Beat)
    return {
        "life": _LIFE, "state": schema_of(Overview), "alarms/<number>": schema_of(AlarmEvent),
        "beat": {**_signed("beat", **beat["properties"]), "description": beat["description"]},
        "beat/line": _BEAT_LINE, "lookout/<key>": _LOOKOUT, "order": _ORDER, "done": _DONE,
    }  # fmt: skip


def schema_of(kind: type) -> dict[str, Any]:
    """The schema of what `overview.as_json` makes of a value of this class."""
    known: dict[str, Mapping[str, Any]] = {}
    whole = _object(kind, known)
    del known[kind.__name__]
    return {"$schema": DRAFT, "title": kind.__name__, **whole, **({"$defs": known} if known else {})}


def _object(kind: type, known: dict[str, Mapping[str, Any]]) -> Mapping[str, Any]:
    known[kind.__name__] = {}  # for what holds its own kind
    hints = typing.get_type_hints(kind)
    fields = {name: _schema(hints[name], known) for name in kind.__dataclass_fields__}  # type: ignore[attr-defined]
    if kind is Overview:
        fields = {"well": _PLAIN[bool], "sentence": _PLAIN[str], **fields}
    said = {"description": " ".join(kind.__doc__.split())} if kind.__doc__ else {}
    made = {"type": "object", **said, "properties": fields, "required": list(fields), "additionalProperties": False}
    known[kind.__name__] = made
    return made


def _schema(hint: Any, known: dict[str, Mapping[str, Any]]) -> Mapping[str, Any]:
    if hint in _PLAIN:
        return _PLAIN[hint]
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return {"anyOf": [_schema(one, known) for one in inner]}
    if origin is tuple and inner[1:] == (...,):
        return {"type": "array", "items": _schema(inner[0], known)}
    if isinstance(hint, type) and issubclass(hint, Flag):
        return {"enum": [int(one) for one in hint]}
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return {"enum": [one.value for one in hint]}
    if is_dataclass(hint) and isinstance(hint, type) and not issubclass(hint, Enum):
        if hint.__name__ not in known:
            _object(hint, known)
        return {"$ref": f"#/$defs/{hint.__name__}"}
    raise TypeError(f"{hint!r} has no place in what is published")
