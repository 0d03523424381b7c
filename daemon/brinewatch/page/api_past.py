"""Readings, stretches and marks of the past in the JSON interface."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any

from fastapi import FastAPI, HTTPException, Path, Query
from pydantic import AwareDatetime, BaseModel, BeforeValidator, Field

from brinewatch.alarms.events import Priority
from brinewatch.page.access import Ask
from brinewatch.page.api_models import Instant

_MOST_READINGS, _MOST_STRETCHES = 5000, 2000
# RFC 3339, 5.6: a date alone, or a bare number, names no instant
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")


def _instant(value: object) -> object:
    if isinstance(value, str) and not _RFC3339.fullmatch(value):
        raise ValueError("expected an instant with its zone, like 2026-09-01T14:00:00Z")
    return value


Asked = Annotated[AwareDatetime, BeforeValidator(_instant)]
Since = Annotated[
    Asked | None, Query(description="from when, ISO 8601 with its zone; a day before `until` if left out")
]
Until = Annotated[Asked | None, Query(description="until when, not included; now if left out")]
Point = Annotated[str, Path(max_length=80, description="stage.quantity")]
Next = Annotated[Instant | None, Field(description="ask on from then; null when this is all")]


class PastReading(BaseModel):
    """One reading as it is seen by the calibrations there are now."""

    at: Instant
    clock_trusted: bool = Field(description="whether the computer's clock was set when it was read")
    value: float | None
    raw: float | None = Field(
        description="what the probe said, in the quantity's unit; null where it was worked out"
    )
    uncertainty: float | None = Field(description="one standard uncertainty; null when unknown")
    flag: int = Field(description="QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing")
    reason: str
    probe: str
    calibration: str
    basis: str = Field(description="what the number stands on, for people")


class PastReadings(BaseModel):
    """Readings of a point in order of time."""

    point: str
    quantity: str
    unit: str
    readings: list[PastReading]
    next: Next


class Stretch(BaseModel):
    """What was read in a stretch of time. lowest, mean, highest: of readings with flag 1 or 3, null where there is
    none; the rest: how many readings have which flag."""

    begins: Instant
    ends: Instant
    lowest: float | None
    mean: float | None
    highest: float | None
    passed: int
    not_evaluated: int
    suspect: int
    failed: int
    missing: int


class Stretches(BaseModel):
    """Stretches in which there are readings, in order of time; all as long as each other but the first and last."""

    point: str
    quantity: str
    unit: str
    stretches: list[Stretch]


class PastAlarm(BaseModel):
    """One time an alarm's condition held. end: null while it does."""

    alarm: str
    number: int
    point: str
    title: str
    priority: Priority
    begin: Instant
    end: Instant | None
    value: float | None
    limit: float | None


class PastMark(BaseModel):
    """Something people did, or a remark. point: empty for the whole shed."""

    at: Instant
    kind: str
    text: str
    point: str


class PastLimit(BaseModel):
    """A limit as it was in force, in the quantity's own unit. side: min or max."""

    point: str
    alarm: str
    title: str
    side: str
    value: float
    priority: Priority
    begin: Instant
    end: Instant


class Marks(BaseModel):
    """What happened beside the readings."""

    alarms: list[PastAlarm]
    marks: list[PastMark]
    limits: list[PastLimit]
    next: Next


def add_past(api: FastAPI, caller: Any, ask: Ask, answers: Callable[..., dict[int | str, dict[str, Any]]]) -> None:
    """caller: the dependency that lets in who may ask; answers: the refusals of a route."""

    async def found(
        do: str, point: str | None, since: datetime | None, until: datetime | None, most: int = 0
    ) -> Any:
        answer = await ask({
            "do": f"past {do}", "point": point, "since": since.timestamp() if since else None,
            "until": until.timestamp() if until else None, "most": most,
        })  # fmt: skip
        if answer["found"] is None:
            raise HTTPException(404, (f"There is no reading of {str(point)[:80]!r}.", "See /points."))
        return answer["found"]

    @api.get("/points/{point}/readings", response_model=PastReadings, responses=answers(404, 409, 422),
             tags=["past"], dependencies=[caller])  # fmt: skip
    async def readings(
        point: Point, since: Since = None, until: Until = None,
        most: Annotated[int, Query(ge=1, le=_MOST_READINGS, description="rows of an answer")] = 1000,
    ) -> Any:  # fmt: skip
        """Every reading of a point in a span, page by page."""
        return await found("readings", point, since, until, most)

    @api.get("/points/{point}/stretches", response_model=Stretches, responses=answers(404, 409, 422),
             tags=["past"], dependencies=[caller])  # fmt: skip
    async def stretches(
        point: Point, since: Since = None, until: Until = None,
        most: Annotated[int, Query(ge=1, le=_MOST_STRETCHES, description="rows of an answer")] = 500,
    ) -> Any:  # fmt: skip
        """A span of any length in few rows: lowest, mean, highest and flags of each stretch of it."""
        return await found("stretches", point, since, until, most)

    @api.get("/marks", response_model=Marks, responses=answers(404, 409, 422), tags=["past"], dependencies=[caller])
    async def marks(
        since: Since = None, until: Until = None,
        point: Annotated[str | None, Query(max_length=80, description="of one point and of the whole shed")] = None,
    ) -> Any:  # fmt: skip
        """Alarms as spans, what people did, limits as they were in force."""
        return await found("marks", point, since, until)
