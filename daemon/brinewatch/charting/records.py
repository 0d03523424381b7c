"""The past for programs: readings, stretches of them, and what happened, never more at a time than an answer may
hold."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import islice, pairwise
from typing import Any

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import utc_text
from brinewatch.overview import as_json
from brinewatch.quantities import QUANTITIES
from brinewatch.querying.asking import how
from brinewatch.querying.buckets import buckets, edges_for
from brinewatch.querying.marks import limits_in_force, marks_of, spans_of
from brinewatch.querying.past import Past
from brinewatch.store.reader import StoreReader

# no shed was watched earlier, and no calendar goes much further
EARLIEST, LATEST = 0.0, 7_258_118_400.0  # 1970, 2200
_LONGEST_S = 20 * 366 * 86400.0
_USUAL_S = 86400.0
_MARKS = 1000


def answer(shed: ShedFile, request: Mapping[str, Any], now_utc: float) -> Mapping[str, Any]:
    """What `past readings`, `past stretches` and `past marks` ask, in this thread.

    since, until: UTC seconds, None for the last day; point: "found" is None when there is none of that name; most:
    how many rows; "next" of an answer: from when to ask on, None when it is whole. BrinewatchError; StoreError.
    """
    since, until = _span(request, now_utc)
    with StoreReader(shed.data, shed.zone) as store:
        past = Past(store, how(shed))
        point = request.get("point")
        if point is not None and point not in past.points:
            return {"found": None}
        match request["do"]:
            case "past readings":
                return {"found": _readings(past, str(point), since, until, int(request["most"]))}
            case "past stretches":
                return {"found": _stretches(past, str(point), since, until, int(request["most"]))}
            case "past marks":
                return {"found": _marks(shed, past, point, since, until)}
    raise BrinewatchError(f"The daemon does not know {request['do']!r}.", "See: brinewatch --help")


def _span(request: Mapping[str, Any], now_utc: float) -> tuple[float, float]:
    until = now_utc if request.get("until") is None else float(request["until"])
    since = until - _USUAL_S if request.get("since") is None else float(request["since"])
    if not EARLIEST <= since < until <= min(since + _LONGEST_S, LATEST):
        raise BrinewatchError(
            "The time ends before it begins, or is longer than 20 years.", "Give since and until, in that order."
        )
    return since, until


def _about(past: Past, point: str) -> dict[str, Any]:
    quantity = QUANTITIES[past.quantity(point)]
    return {"point": point, "quantity": quantity.key, "unit": quantity.unit}


def _readings(past: Past, point: str, since: float, until: float, most: int) -> dict[str, Any]:
    found = list(islice(past.readings([point], since, until), most + 1))
    rows = [
        {
            "at": utc_text(one.at.utc), "clock_trusted": one.at.trusted, "value": one.value, "raw": one.raw,
            "uncertainty": one.uncertainty, "flag": int(one.flag), "reason": one.reason, "probe": one.probe,
            "calibration": one.calibration, "basis": one.basis,
        }
        for one in found[:most]
    ]  # fmt: skip
    return {
        **_about(past, point),
        "readings": rows,
        "next": _floor(found[most].at.utc) if len(found) > most else None,
    }


def _stretches(past: Past, point: str, since: float, until: float, most: int) -> dict[str, Any]:
    edges = edges_for(since, until, most)
    found = buckets(past, point, edges)
    rows = [
        {
            "begins": utc_text(begin), "ends": utc_text(end), "lowest": found.low[n], "mean": found.mean[n],
            "highest": found.high[n], "passed": found.passed[n], "not_evaluated": found.untested[n],
            "suspect": found.suspect[n], "failed": found.failed[n], "missing": found.missing[n],
        }
        for (n, (begin, end)), count in zip(enumerate(pairwise(edges)), found.readings, strict=True) if count
    ]  # fmt: skip
    return {**_about(past, point), "stretches": rows}


def _marks(shed: ShedFile, past: Past, point: str | None, since: float, until: float) -> dict[str, Any]:
    """Cut where the first of the three has too many; all of them are whole up to there."""
    alarms = [one for one in spans_of(past, since, until) if point in (None, one.point)]
    marks = [
        one for one in marks_of(past, since, until, shed.shed.display) if point is None or one.point in (point, "")
    ]
    ends = [until]
    ends += [one.begin for one in alarms[_MARKS : _MARKS + 1]] + [one.utc for one in marks[_MARKS : _MARKS + 1]]
    cut = min(ends)
    limits = limits_in_force(past, shed.alarms, past.points if point is None else [point], since, cut)
    return {
        "alarms": [
            {**as_json(one), "begin": utc_text(one.begin), "end": None if one.end is None else utc_text(one.end)}
            for one in alarms if one.begin < cut
        ],
        "marks": [
            {"at": utc_text(one.utc), "kind": one.kind, "text": one.text, "point": one.point}
            for one in marks if one.utc < cut
        ],
        "limits": [
            {**as_json(one), "begin": utc_text(one.begin), "end": utc_text(one.end)} for one in limits
        ],
        "next": None if cut >= until else _floor(cut),
    }  # fmt: skip


def _floor(utc: float) -> str:
    """To the millisecond, and never later than it is."""
    return utc_text(math.floor(utc * 1000) / 1000)
