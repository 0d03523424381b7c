"""What a shed told of itself, as the shed's own page would show it, and how old that is."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, tzinfo
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from brinewatch.moment import Moment, span_text
from brinewatch.overview import Overview

# a shed tells its state anew every minute while nothing changes
_YOUNG_S = 90.0


def overview_of(payload: bytes, trusted: bool, zone: tzinfo) -> Overview:
    """The overview a shed published. Times count on its wall clock. ValueError when it is none."""
    try:
        table = json.loads(payload)
        return _made(Overview, table, trusted, zone)  # type: ignore[no-any-return]
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"no state of a shed: {error!r}") from error


def as_seen(view: Overview, age_s: float | None, name: str) -> Overview:
    """The overview as it may be believed now. age_s: since it was heard, None for one the broker had kept."""
    note = "This is what the shed told before this lookout began; how old it is, nobody knows."
    if age_s is not None:
        note = f"This is what the shed told {span_text(age_s)} ago."
    at = view.at
    if age_s is None or age_s > _YOUNG_S:
        # old news must look old: nothing usable has been heard since
        at = at.later(age_s if age_s is not None else 10 * _YOUNG_S)
    return replace(view, shed=name, at=at, notes=(note, *view.notes))


def _made(kind: Any, value: Any, trusted: bool, zone: tzinfo) -> Any:
    """A plain JSON value as the type it was made of."""
    if kind is Any:
        return value
    if get_origin(kind) in (Union, UnionType):
        if value is None:
            return None
        return _made(next(one for one in get_args(kind) if one is not type(None)), value, trusted, zone)
    if get_origin(kind) is tuple:
        part, *rest = get_args(kind)
        if rest and rest[0] is not Ellipsis:
            return tuple(_made(one, item, trusted, zone) for one, item in zip((part, *rest), value, strict=True))
        return tuple(_made(part, item, trusted, zone) for item in value)
    if kind is Moment:
        utc = datetime.fromisoformat(value).timestamp()
        return Moment(utc, utc, trusted, zone)
    if is_dataclass(kind):
        return kind(**_fields(kind, value, trusted, zone))  # type: ignore[operator]
    if kind is float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypeError(f"{value!r} is no number")
        return float(value)
    return kind(value) if isinstance(kind, type) and not isinstance(value, kind) else value


def _fields(kind: Any, value: Mapping[str, Any], trusted: bool, zone: tzinfo) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {
        one.name: _made(hints[one.name], value[one.name], trusted, zone)
        for one in fields(kind)
        if one.init and one.name in value
    }
