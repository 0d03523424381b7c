"""Messages on their way out and in: what the outbox keeps and the notifiers carry."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from brinewatch.moment import Moment


class Delivery(StrEnum):
    """Where a message stands. `unknown`: handed over, no answer came; it is tried again and may arrive twice."""

    WAITING = "waiting"
    SENT = "sent"
    DELIVERED = "delivered"
    FAILED = "failed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Message:
    """One text to one address by one way.

    id: stable over restarts (the outbox row, or "memory-N" for a message that could not be recorded);
    way: "sms" or "mqtt"; to: phone number or topic; number: the short alarm number a person answers with;
    expires_utc: after this it is not worth sending; recorded: False when it left before the journal had it.
    """

    id: str
    way: str
    to: str
    text: str
    number: int | None
    created_utc: float
    expires_utc: float | None = None
    recorded: bool = True
    payload: str | None = None


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the way answered on taking a message: reference is the way's own (SMS message references, MQTT mid)."""

    references: tuple[int, ...]
    at: Moment


@dataclass(frozen=True, slots=True)
class DeliveryReport:
    """What the network later said about a message: state is DELIVERED, FAILED or SENT (still trying)."""

    way: str
    to: str
    reference: int
    state: Delivery
    detail: str
    at: Moment


@dataclass(frozen=True, slots=True)
class Inbound:
    """A text that came in. Nothing is believed of it but its sender, and that only against the roster."""

    way: str
    sender: str
    text: str
    at: Moment
