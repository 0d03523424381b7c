"""The ways out of a shed: which there are by its file, and what carries each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from brinewatch.alarms.events import Priority
from brinewatch.alarms.roster import ENGLISH, idle_hours
from brinewatch.config import ShedFile
from brinewatch.config.texts import file_of
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
    """The ways by which people of this shed can be told; see also `rings`."""
    there = {"sms": shed.modem, "mail": shed.mail, "webhook": shed.webhook}
    return tuple(way for way, settings in there.items() if settings is not None)


def rings(shed: ShedFile) -> bool:
    """Whether phones are rung as well."""
    return shed.modem is not None and shed.modem.ring_s is not None


def roster_warnings(shed: ShedFile) -> list[str]:
    """What a keeper should know of the roster, though it is no fault."""
    if not shed.contacts:
        return []
    found = [f"Nobody is on duty {stretch}: everybody is called then." for stretch in idle_hours(shed.contacts)]
    deaf = [one.value for one in Priority if not any(contact.hears(one) for contact in shed.contacts)]
    if deaf:
        found.append(
            f"Nobody is called for alarms of priority {', '.join(deaf)}: the page and the journal show them."
        )
    return [*found, *_untranslated(shed)]


def _untranslated(shed: ShedFile) -> list[str]:
    """What people who read another language would be told in English."""
    rules = {alarm.rule.key: alarm.rule for alarm in shed.alarms}.values()
    told = dict.fromkeys(word for rule in rules for word in (rule.short, rule.todo[0], rule.title))
    found = []
    for language, texts in shed.texts.items():
        left = [repr(word) for word in told if word not in texts.words] if language != ENGLISH else []
        if left:
            more = f" and {len(left) - 5} more" if len(left) > 5 else ""
            found.append(
                f"[words] of {file_of(language)} has no word for {', '.join(left[:5])}{more}: said in English."
            )
    return found


def notifiers(shed: ShedFile, clock: Clock, heard: Heard) -> Sequence[Notifier]:
    """What carries each way there is. Each is imported only where it is used: a shed has little memory."""
    made: list[Notifier] = []
    if shed.modem:
        from brinewatch.notify.sms import SmsNotifier

        modem = shed.modem.model_copy(update={"port": str(shed.folder / shed.modem.port)})
        texts = SmsNotifier(modem, clock, heard.inbound, heard.report, heard.health("modem"), heard.health("sim"),
                            pin_tried=shed.data / "pin-tried")  # fmt: skip
        made.append(texts)
        if modem.ring_s is not None:
            from brinewatch.notify.voice import VoiceNotifier

            made.append(VoiceNotifier(texts, clock, modem.ring_s))
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
