"""Probes that report by MQTT: their topics on a broker are listened to over a connection of its own.

A value counts from the instant it was measured where the payload says so, else from its coming. What the broker had
kept from before (a retained message) says nothing of its age: it is no value unless its payload carries the time.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pydantic import Field, field_validator, model_validator

from brinewatch.broker.settings import BrokerSettings
from brinewatch.errors import BadAnswer, BrinewatchError, NoAnswer, NotifyError, PortLost, ProbeError
from brinewatch.moment import Moment, span_text
from brinewatch.ports import Clock
from brinewatch.probes.common import ChannelSettings, ProbeSettings, no_sample, sample_of
from brinewatch.probes.mqtt_text import POINTER, document_of, found_at, number_of, text_of, utc_of_stamp
from brinewatch.readings import Sample
from brinewatch.secretfile import read_secret
from brinewatch.waiting import news_or

if TYPE_CHECKING:
    from brinewatch.broker.ear import Ear

_PACKET = 65536  # no longer one is let in, so that a stranger cannot fill the memory
_FIRST_S = 1.5  # after connecting, the first message is waited for so long
_AHEAD_S = 60.0  # a sender's clock may be so far ahead of ours
_TOPIC = re.compile(r"[^+#\x00$/][^+#\x00]*")


class MqttInChannel(ChannelSettings):
    """One number of a payload."""

    value: str | None = Field(
        None, pattern=POINTER,
        description='JSON pointer (RFC 6901) to the number, like "/temperature"; the payload is it when left out',
    )  # fmt: skip
    unit_at: str | None = Field(
        None, pattern=POINTER, description="JSON pointer to the unit, where the payload names it"
    )
    unit_is: str | None = Field(
        None, min_length=1, description="what must stand at unit_at, as the probe writes it"
    )
    words: dict[str, float] = Field(
        default_factory=dict, description="texts that stand for a number, like { ON = 1, OFF = 0 }"
    )

    @model_validator(mode="after")
    def _together(self) -> MqttInChannel:
        if (self.unit_at is None) is not (self.unit_is is None):
            raise ValueError("unit_at and unit_is together, or neither")
        if self.unit_at is not None and self.value is None:
            raise ValueError("value beside unit_at: where the number stands in the payload")
        return self


class MqttInProbe(ProbeSettings):
    """One topic. `every_s` is how often it is looked at, not how often it reports."""

    topic: str = Field(max_length=1024, description="the topic, without wildcards")
    time: str | None = Field(
        None, pattern=POINTER,
        description="JSON pointer to the time of the measurement: ISO 8601 with its zone, or POSIX seconds or "
        "milliseconds; left out: it was measured when it came",
    )  # fmt: skip
    max_age_s: float = Field(
        60.0, gt=0, le=86400, description="oldest value used, s: some reports may be missed, three at most"
    )
    longest: int = Field(4096, ge=1, le=32768, description="longest payload, bytes")
    channel: list[MqttInChannel] = Field(description="the numbers in the payload")

    @field_validator("topic")
    @classmethod
    def _one_topic(cls, value: str) -> str:
        if not _TOPIC.fullmatch(value):
            raise ValueError("one topic, without + and #, not beginning with $ or /")
        return value

    @model_validator(mode="after")
    def _in_json(self) -> MqttInProbe:
        if self.time is not None and any(one.value is None for one in self.channel):
            raise ValueError("value in every channel beside time: where the number stands in the payload")
        return self

    @property
    def oldest(self) -> float:
        return self.max_age_s


class MqttInSettings(BrokerSettings):
    """A broker on which probes report."""

    kind: Literal["mqtt_in"]
    client_id: str = Field(
        "",
        max_length=64,
        description="client id, where the broker's access list wants one; else the broker's choice",
    )
    answer_s: float = Field(3.0, gt=0, le=9, description="longest wait for the broker's answer, in seconds")
    probe: list[MqttInProbe] = Field(min_length=1, description="the topics listened to")


@dataclass(frozen=True, slots=True)
class _Heard:
    """The newest of a topic. at: when it was measured; found: one number a channel, or why there is none."""

    at: Moment
    found: tuple[float | ProbeError, ...]


class MqttInBus:
    """One broker and the topics listened to there."""

    def __init__(self, name: str, settings: MqttInSettings, clock: Clock) -> None:
        self.name = name
        self._settings = settings
        self._clock = clock
        self._broker = f"{settings.host}:{settings.port_in_use}"
        self._probes = {probe.name: probe for probe in settings.probe}
        self._by_topic: dict[str, list[MqttInProbe]] = {}
        for probe in settings.probe:
            self._by_topic.setdefault(probe.topic, []).append(probe)
        # kept over connections: each has its instant
        self._heard: dict[str, _Heard] = {}
        self._kept: dict[str, str] = {}  # why what the broker had kept of a topic is no value
        self._link: Ear | None = None
        self._attending: asyncio.Task[None] | None = None
        self._lost = ""
        self._opened = 0.0
        self._news = asyncio.Event()

    async def open(self) -> None:
        """Connect and subscribe. Raises PortLost, saying why not."""
        from brinewatch.broker.ear import Ear

        await self.close()
        settings = self._settings
        try:
            password = None if settings.password_file is None else read_secret(settings.password_file)
            link = await Ear.open(settings, settings.client_id, password, None, self._clock, longest=_PACKET)
        except BrinewatchError as error:
            raise PortLost(error.what, error.hint) from error
        self._link, self._lost = link, ""
        self._kept.clear()
        self._attending = asyncio.create_task(self._attend(link), name=f"attend {self.name}")
        self._opened = self._clock.now().mono
        try:
            await link.listen(tuple(self._by_topic), self._take)
        except NotifyError as error:
            raise PortLost(error.what, error.hint) from error

    async def close(self) -> None:
        task, self._attending = self._attending, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        link, self._link = self._link, None
        if link is not None:
            await link.close()

    async def _attend(self, link: Ear) -> None:
        self._lost = f"Lost the broker {self._broker}: {await link.attend()}."
        self._news.set()

    # -- in -------------------------------------------------------------------------------------------------------

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        now = self._clock.now()
        for probe in self._by_topic.get(topic, ()):
            heard = heard_of(probe, payload, now, retained=retained)
            before = self._heard.get(probe.name)
            if isinstance(heard, str):
                self._kept[probe.name] = heard
            elif before is None or heard.at.mono >= before.at.mono:  # a bridge may bring an older one later
                self._heard[probe.name] = heard
        self._news.set()

    async def read(self, probe: str) -> Sequence[Sample]:
        settings = self._probes[probe]
        while not self._lost and probe not in self._heard:
            if self._link is None or self._clock.now().mono >= self._opened + _FIRST_S:
                break
            self._news.clear()
            await news_or(self._news, self._clock, self._opened + _FIRST_S)
        if self._link is None or self._lost:
            raise PortLost(
                self._lost or f"Not connected to the broker {self._broker}.", "It is tried again by itself."
            )
        now = self._clock.now()
        heard = self._heard.get(probe)
        age = None if heard is None else now.mono - heard.at.mono
        if heard is None or age is None or age > settings.max_age_s:
            # told, not raised: no topic waits because another is silent
            error = NoAnswer(self._silence(settings, age, now))
            return [no_sample(channel, probe, now, error) for channel in settings.channel]
        return [
            no_sample(channel, probe, heard.at, one)
            if isinstance(one, ProbeError)
            else sample_of(channel, probe, one, heard.at)
            for channel, one in zip(settings.channel, heard.found, strict=True)
        ]

    def _silence(self, probe: MqttInProbe, age: float | None, now: Moment) -> str:
        if age is not None:
            return (
                f"The newest value on {probe.topic} is {span_text(age)} old; {span_text(probe.max_age_s)} at most."
            )
        since = span_text(now.mono - self._opened)
        said = f"Nothing new has come on {probe.topic} in the {since} of this connection."
        return f"{said} {self._kept[probe.name]}" if probe.name in self._kept else said


def heard_of(probe: MqttInProbe, payload: bytes, now: Moment, *, retained: bool) -> _Heard | str:
    """What a payload says at `now`; a text, when it is one the broker had kept and nobody can tell its age."""
    try:
        text = text_of(payload, probe.longest)
        wants_json = probe.time is not None or any(one.value or one.unit_at for one in probe.channel)
        document = document_of(text) if wants_json else None
        at = _measured_at(probe, document, now, retained=retained)
    except BadAnswer as error:
        if retained:
            return f"What the broker had kept of it is no use: {error.what}"
        return _Heard(now, (error,) * len(probe.channel))
    if at is None:
        return "The broker had kept a value from before, and how old that is nobody can tell."
    return _Heard(at, tuple(_found(channel, text, document) for channel in probe.channel))


def _measured_at(probe: MqttInProbe, document: object, now: Moment, *, retained: bool) -> Moment | None:
    """When a payload was measured; None when that cannot be told."""
    if probe.time is None:
        return None if retained else now
    utc = utc_of_stamp(found_at(document, probe.time), probe.time)
    if not now.trusted:  # a clock that may be days off tells no age
        return None if retained else now
    age = now.utc - utc
    if age < -_AHEAD_S:
        raise BadAnswer(f"Its time is {span_text(-age)} ahead of this computer's.", "Check the sender's clock.")
    return now.later(-max(0.0, age))


def _found(channel: MqttInChannel, text: str, document: object) -> float | ProbeError:
    try:
        if channel.unit_at is not None:
            unit = found_at(document, channel.unit_at)
            if unit != channel.unit_is:
                raise BadAnswer(
                    f"Its unit is {str(unit)[:20]!r} instead of {channel.unit_is!r}.",
                    "Correct the probe, or unit and unit_is in the shed file.",
                )
        value = text if channel.value is None else found_at(document, channel.value)
        states = channel.quantity.states is not None
        return number_of(value, channel.value or "The payload", channel.words, states=states)
    except BadAnswer as error:
        return error
