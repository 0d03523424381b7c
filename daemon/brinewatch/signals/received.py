"""A calibration record as it came from outside: taken apart and checked before anything counts on its numbers."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from math import isfinite
from typing import Any

from pydantic import TypeAdapter, ValidationError

from brinewatch.signals.records import CalibrationRecord


def record_of_body(body: object) -> CalibrationRecord:
    """The record of a JSON table. ValueError says in one line what is wrong with it first.

    Unknown and missing keys, other types than agreed, numbers that are not finite, a slope that is not above 0, a
    negative uncertainty and instants in an impossible order are refused.
    """
    if not isinstance(body, Mapping):
        raise ValueError("expected a table")
    for key, number in _numbers(body, ""):
        if not isfinite(number):
            raise ValueError(f"{key} = {number}: expected a finite number")
    try:
        CalibrationRecord.from_dict(body)  # refuses unknown keys, which the adapter would pass over
        record = TypeAdapter(CalibrationRecord).validate_json(json.dumps(body), strict=True)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"])
        raise ValueError(f"{where} = {first['input']!r}: {first['msg']}") from error
    except KeyError as error:
        raise ValueError(f"{error.args[0]} is missing") from error
    except (TypeError, AttributeError) as error:
        raise ValueError(str(error)) from error
    for wrong, key, expected in (
        (not record.id or not record.by, "id and by", "not empty"),
        (record.slope <= 0.0, f"slope = {record.slope}", "above 0"),
        (min([record.uncertainty, *(one.uncertainty for one in record.points)]) < 0.0, "uncertainty", "0 or more"),
        (record.effective_utc > record.made_utc, "effective_utc", "no later than made_utc"),
        (record.ramp and record.effective_utc == record.made_utc, "ramp", "effective_utc before made_utc"),
        (
            record.until_utc is not None and record.until_utc <= record.effective_utc,
            "until_utc",
            "after effective_utc",
        ),
        (record.due_utc is not None and record.due_utc <= record.made_utc, "due_utc", "after made_utc"),
        (record.replaces == record.id, f"replaces = {record.replaces!r}", "another record's id"),
    ):
        if wrong:
            raise ValueError(f"{key}: expected {expected}")
    return record


def _numbers(body: Any, under: str) -> Iterator[tuple[str, float]]:
    if isinstance(body, float):
        yield under, body
    elif isinstance(body, Mapping):
        for key, value in body.items():
            yield from _numbers(value, f"{under}.{key}" if under else str(key))
    elif isinstance(body, (list, tuple)):
        for place, value in enumerate(body):
            yield from _numbers(value, f"{under}[{place}]")
