"""Events, messages and readings of an invented nursery, for the tests of the store."""

from __future__ import annotations

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.messages import Delivery, DeliveryReport, Message
from brinewatch.moment import Moment
from brinewatch.readings import Flag, Reading

NOW = Moment(5000.0, 1_795_600_000.25, True)
BOOT = "11111111-2222-3333-4444-555555555555"
PHONE = "+447700900101"


def event(
    number: int = 7, happening: Happening = Happening.RAISED, at: Moment = NOW, **changes: object
) -> AlarmEvent:
    values: dict[str, object] = {
        "happening": happening, "alarm": "air-lost@air.pressure", "number": number, "priority": Priority.CRITICAL,
        "title": "Air is failing", "point": "air.pressure", "quantity": "pressure", "state": State.UNACKNOWLEDGED,
        "value": 0.1 + 0.2, "limit": 8.0, "began": at.later(-15.0), "at": at, "by": "", "detail": "",
    }  # fmt: skip
    return AlarmEvent(**(values | changes))  # type: ignore[arg-type]


def message(
    number: int | None = 7, to: str = PHONE, way: str = "sms", at: Moment = NOW, **changes: object
) -> Message:
    values: dict[str, object] = {
        "id": f"memory-{number}", "way": way, "to": to, "text": f"Gannet Quay: air is failing. Answer {number}",
        "number": number, "created_utc": at.utc,
    }  # fmt: skip
    return Message(**(values | changes))  # type: ignore[arg-type]


def report(reference: int, state: Delivery, at: Moment = NOW, to: str = PHONE, detail: str = "") -> DeliveryReport:
    return DeliveryReport("sms", to, reference, state, detail, at)


def reading(
    point: str = "nursery.temperature", at: Moment = NOW, value: float | None = 14.5, **changes: object
) -> Reading:
    values: dict[str, object] = {
        "point": point, "quantity": point.rpartition(".")[2], "value": value, "raw": value, "flag": Flag.PASS,
        "reason": "", "at": at, "probe": "tank probe",
    }  # fmt: skip
    return Reading(**(values | changes))  # type: ignore[arg-type]
