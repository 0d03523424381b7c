"""The ways out of a shed: which there are by its file, and what carries each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from brinewatch.config import ShedFile
from brinewatch.messages import DeliveryReport, Inbound
from brinewatch.ports import Clock, Notifier

if TYPE_CHECKING:
    from brinewatch.notify.mqtt import MqttNotifier

# the part of the watch that tells how a way is, and the way it speaks for
WAY_OF: Mapping[str, str] = {"modem": "sms", "broker": "mqtt", "mail": "mail", "webhook": "webhook"}


@dataclass(frozen=True)
class Heard:
    """What the ways tell: texts, reports on messages, how each part of the watch is. state: the shed as JSON."""

    inbound: Callable[[Inbound], None]
    report: Callable[[DeliveryReport], None]
    health: Callable[[str], Callable[[bool, str], None]]
    state: Callable[[], Mapping[str, Any]]


def reaching(shed: ShedFile) -> tuple[str, ...]:
    """The ways by which people of this shed can be reached."""
    there = {"sms": shed.modem, "mail": shed.mail, "webhook": shed.webhook}
    return tuple(way for way, settings in there.items() if settings is not None)


def notifiers(shed: ShedFile, clock: Clock, heard: Heard) -> Sequence[Notifier]:
    """What carries each way there is. Each is imported only where it is used: a shed has little memory."""
    made: list[Notifier] = []
    if shed.modem:
        from brinewatch.notify.sms import SmsNotifier

        modem = shed.modem.model_copy(update={"port": str(shed.folder / shed.modem.port)})
        made.append(SmsNotifier(modem, clock, heard.inbound, heard.report, heard.health("modem")))
    if shed.broker:
        from brinewatch.notify.mqtt import MqttNotifier

        made.append(
            MqttNotifier(
                shed.broker, shed.shed.key, clock, heard.state, heard.health("broker"), folder=shed.folder
            )
        )  # fmt: skip
    if shed.mail:
        from brinewatch.notify.mail import MailNotifier

        made.append(MailNotifier(shed.mail, shed.shed.key, clock, heard.health("mail"), folder=shed.folder))
    if shed.webhook:
        from brinewatch.notify.webhook import WebhookNotifier

        made.append(
            WebhookNotifier(shed.webhook, shed.shed.key, clock, heard.health("webhook"), folder=shed.folder)
        )
    return made


def publisher(made: Sequence[Notifier]) -> MqttNotifier | None:
    """The one of them that publishes the state, if there is a broker."""
    return next((one for one in made if one.way == "mqtt"), None)  # type: ignore[return-value]
