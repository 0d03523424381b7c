"""What the JSON interface takes and gives.

The shapes of what is watched are made of its own classes: a field that is added there is here too.
"""

from __future__ import annotations

import types
import typing
from dataclasses import is_dataclass
from functools import cache
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, create_model, field_validator

from brinewatch.alarms.events import AlarmEvent, Order
from brinewatch.messages import Delivery
from brinewatch.moment import Moment
from brinewatch.overview import AlarmView, AsideView, Overview, PointView, StageView
from brinewatch.signals.status import ProbeView

Instant = Annotated[str, Field(json_schema_extra={"format": "date-time"}, description="ISO 8601, UTC")]
_PLAIN = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029]*$"


@cache
def model_of(kind: type, **more: Any) -> type[BaseModel]:
    """The model of what `overview.as_json` makes of a value of this class, with further fields."""
    hints = typing.get_type_hints(kind)
    names: list[str] = list(kind.__dataclass_fields__)  # type: ignore[attr-defined]
    fields: dict[str, Any] = {name: (_told(hints[name]), ...) for name in names}
    if kind is Overview:
        fields = {"well": (bool, ...), "sentence": (str, ...), **fields}
    doc = " ".join(kind.__doc__.split()) if kind.__doc__ else None
    return create_model(kind.__name__, __doc__=doc, **fields, **more)


def _told(hint: Any) -> Any:
    if hint is Moment:
        return Instant
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return typing.Union[tuple(_told(one) for one in inner)]  # noqa: UP007 - made of a tuple
    if origin is tuple:
        return list[_told(inner[0])]  # type: ignore[misc]
    if is_dataclass(hint) and isinstance(hint, type):
        return model_of(hint)
    return hint


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class Problem(BaseModel):
    """Why something was not done, and what to do."""

    error: str = Field(description="what happened, in a sentence")
    hint: str = Field(description="what to do; may be empty")


class OrderIn(Strict):
    """What an alarm, or the whole watch, is told."""

    order: Annotated[Order, Field(strict=False)] = Field(
        description="acknowledge, reset, shelve, unshelve, take out of service or put back into service: an alarm; "
        "attend or leave: somebody works in the shed"
    )
    alarm: Annotated[int, Field(ge=1, le=999)] | Annotated[str, Field(max_length=120, pattern=_PLAIN)] | None = (
        Field(
            None, description='the alarm\'s number, its name (rule@point), or "all" where every alarm may be meant'
        )
    )
    for_s: float | None = Field(
        None, gt=0, le=400 * 86400, description="for how long, s: shelve, out of service, attend"
    )
    once: bool = Field(False, description="shelve only until its condition has gone")
    why: str = Field("", max_length=200, pattern=_PLAIN, description="why, for those who read it later")

    @field_validator("alarm", mode="before")
    @classmethod
    def _whole(cls, value: object) -> object:
        """12.0 is a whole number in JSON (JSON Schema 2020-12, 6.1.1)."""
        return int(value) if isinstance(value, float) and value.is_integer() else value


class OrderOut(BaseModel):
    """What the order did."""

    lines: list[str]


class EntryIn(Strict):
    """A value somebody measured."""

    point: str = Field(max_length=80, pattern=r"^[a-z][a-z0-9_-]*\.[a-z][a-z0-9_]*$", description="stage.quantity")
    value: float = Field(ge=-1e9, le=1e9)
    unit: str | None = Field(None, max_length=20, pattern=_PLAIN, description="when it is not the quantity's own")


class EntryOut(BaseModel):
    """What was kept."""

    line: str


class MessageOut(BaseModel):
    """One message to a person or a broker, and how far it got."""

    created: Instant
    number: int | None = Field(description="of the alarm it is about")
    way: str
    to: str
    state: Delivery
    tries: int
    detail: str
    text: str
    payload: str | None


State = model_of(Overview)
Point = model_of(PointView)
Stage = model_of(StageView)
Alarm = model_of(AlarmView)
Aside = model_of(AsideView)
Probe = model_of(ProbeView)
_PASSED: Any = (Instant | None, Field(description="null: not known to have passed"))
Event = create_model(
    "Event", __base__=model_of(AlarmEvent), __doc__="One step of one alarm, and the four instants of it.",
    occurred=_PASSED, detected=_PASSED, committed=_PASSED, sent=_PASSED,
)  # fmt: skip
Alarms = create_model(
    "Alarms", __doc__="What stands, and what is set aside.",
    standing=(list[Alarm], ...), aside=(list[Aside], ...),  # type: ignore[valid-type]
)  # fmt: skip
