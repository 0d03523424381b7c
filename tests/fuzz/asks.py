"""Requests on the control socket: bytes of a line, and tables that are JSON but not what was agreed."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Mapping
from datetime import UTC
from pathlib import Path
from typing import Any

from brinewatch.asked import ORDERS, entry_of, order_of
from brinewatch.clock import SteppingClock
from brinewatch.control import ControlServer
from brinewatch.errors import BrinewatchError
from brinewatch.probes.manual import ManualBus, ManualSettings
from brinewatch.signals.received import record_of_body

from .mutate import ODD, spoiled, spoiled_tree
from .target import Target, Wrong

_CLOCK = SteppingClock(1_790_200_800.0, UTC)
_ALARMS = ("air-stopped@manifold.air_pressure", "oxygen-low@raceway.oxygen", "oxygen-low@cone.oxygen")
_HAND = ManualBus(
    "hand",
    ManualSettings.model_validate(
        {"kind": "manual", "probe": [{"name": "kit", "channel": [{"point": "raceway.tan"}]}]}
    ),
    _CLOCK,
)
_POINT = {"reference": 12.0, "raw": 12.1, "reference_u": 0.1, "raw_u": 0.05, "how": "by hand"}
_REQUESTS: tuple[dict[str, Any], ...] = (
    {"do": "acknowledge", "what": 12, "by": "Wren"}, {"do": "reset", "what": "all"}, {"do": "acknowledge"},
    {"do": "shelve", "what": "oxygen-low@raceway.oxygen", "for_s": 1800, "once": True, "why": "dirt", "by": "Wren"},
    {"do": "attend", "for_s": 3600.0, "by": "Wren"}, {"do": "leave"}, {"do": "restore", "what": "air"},
    {"do": "enter", "point": "raceway.tan", "value": 0.4, "unit": "mg/L", "by": "Wren"},
    {"do": "calibration save", "record": {"id": "a", "point": "raceway.ph", "points": [_POINT], "slope": 1.0}},
)  # fmt: skip


async def _answer(request: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the daemon makes of a request before its alarms see it."""
    match request["do"]:
        case order if order in ORDERS:
            command = order_of(request, _ALARMS, _CLOCK.now())
            if command.for_s is not None and not math.isfinite(command.for_s):
                raise Wrong(f"{command.for_s} s was taken for a length of time")
            if command.alarm and command.alarm not in _ALARMS:
                raise Wrong(f"{command.alarm} is no alarm of the shed")
            return {"lines": [f"{command.order} {command.number} {command.alarm} {command.by} {command.reason}"]}
        case "enter":
            point, value, unit = entry_of(request)
            sample = _HAND.enter(point, value, unit, _CLOCK.now())
            if sample.value is None or not 0.0 <= sample.value <= 1000.0:
                raise Wrong(f"{value!r} was kept as {sample.value}")
            return {"line": f"{sample.point} {sample.value}"}
        case "calibration save":
            try:
                return {"line": record_of_body(request.get("record")).id}
            except ValueError as error:
                raise BrinewatchError(str(error)) from error
    raise BrinewatchError(f"The daemon does not know how to do {request['do']!r}.")


_SERVER = ControlServer(Path("none"), _answer, _CLOCK)


def _request(chance: random.Random) -> bytes:
    table = chance.choice(_REQUESTS)
    if chance.random() < 0.6:
        table = spoiled_tree(chance, table)
        if chance.random() < 0.3:
            table[chance.choice(list(table) or ["do"])] = chance.choice(ODD)
        return json.dumps(table).encode() + b"\n"
    return spoiled(chance, json.dumps(table).encode()) + b"\n"


def _check_request(given: bytes) -> bool:
    reply = _finished(_SERVER._reply(given))
    said = json.loads(json.dumps(reply))
    if said["ok"] is not True and not said["error"]:
        raise Wrong("a refusal without a reason")
    said.get("error", "").encode("utf-8")
    return bool(said["ok"])


def _finished(work: Any) -> Any:
    """The result of a coroutine that waits for nothing."""
    try:
        work.send(None)
    except StopIteration as done:
        return done.value
    raise Wrong("an answer that waits")


TARGETS = (Target("requests of the command line", _request, _check_request, 8),)
