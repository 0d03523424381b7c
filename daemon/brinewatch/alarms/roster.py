"""Who may be called, when, and by which ways."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from brinewatch.alarms.events import Priority
from brinewatch.alarms.septets import septets
from brinewatch.moment import Moment
from brinewatch.settings import Settings

# ITU-T E.164: a country code and at most fifteen digits in all; fewer than seven reaches nobody (common practice)
_E164 = re.compile(r"\+[1-9][0-9]{6,14}")
_DRESS = re.compile(r"[\s().\-/]")
_HOURS = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])-([01][0-9]|2[0-3]|24):([0-5][0-9])")
# one name before the @ and a host after it: what more is right only the mail server knows (RFC 5321 4.1.2)
_MAIL = re.compile(r"[^\s@<>,;:\"]{1,64}@[A-Za-z0-9.-]{1,253}")
_DAY_MIN = 24 * 60
ENGLISH = "en"

Day = Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]
Way = Literal["sms", "mail", "webhook"]
DAYS: tuple[Day, ...] = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def minutes_of(hours: str) -> tuple[int, int]:
    """ "22:00-07:00" as minutes of the day. ValueError when it is not written so, or is no time at all."""
    found = _HOURS.fullmatch(hours)
    if found is None:
        raise ValueError('two times of the day, as "22:00-07:00"')
    begin, end = 60 * int(found[1]) + int(found[2]), 60 * int(found[3]) + int(found[4])
    if begin == end or end > _DAY_MIN:
        raise ValueError('two different times of the day, as "22:00-07:00"')
    return begin, end


class Duty(Settings):
    """Hours in which a person is on duty."""

    days: list[Day] = Field(default=list(DAYS), min_length=1, description="Days on which these hours begin.")
    hours: str = Field(
        default="00:00-24:00", description='From and to by the shed\'s clock, over midnight too: "18:00-08:00".'
    )

    @field_validator("hours")
    @classmethod
    def _two_times(cls, value: str) -> str:
        minutes_of(value)
        return value

    def holds(self, now: Moment) -> bool:
        """Whether these hours hold now, by the shed's calendar."""
        begin, end = minutes_of(self.hours)
        minute = now.local.hour * 60 + now.local.minute
        today = DAYS[now.local.weekday()] in self.days
        if begin < end:
            return today and begin <= minute < end
        yesterday = DAYS[(now.local.date() - timedelta(days=1)).weekday()] in self.days
        return (today and minute >= begin) or (yesterday and minute < end)


class Contact(Settings):
    """A person who is called, and whose answers count."""

    name: str = Field(description="Short name, as others will read it in a message; at most 20 characters.")
    phone: str = Field(description="Number with country code: + and 7 to 15 digits.")
    from_priority: Annotated[Priority, Field(strict=False)] = Field(
        default=Priority.HIGH, description="Called for alarms of this priority and more urgent ones."
    )
    ways: list[Way] = Field(
        default=["sms"], min_length=1,
        description="How this person is reached, the best way first: the next is tried when one does not arrive.",
    )  # fmt: skip
    ring: bool = Field(
        default=True, description="Rung as well for critical alarms, where the modem rings (modem.ring_s)."
    )
    mail: str | None = Field(default=None, description="Address for the way mail.")
    language: str = Field(
        default=ENGLISH, pattern=r"^[a-z]{2,3}(_[A-Z]{2})?$",
        description="Language of the texts to this person (ISO 639); another than en needs its file texts_xx.toml.",
    )  # fmt: skip
    duty: list[Duty] = Field(
        default=[], description="When this person is on duty; always when left out. Others are called after them."
    )
    pin: str | None = Field(
        default=None, repr=False, pattern=r"^[0-9]{4,8}$",
        description="4 to 8 digits that must end every text of this person, if texts could be forged.",
    )  # fmt: skip

    @field_validator("name")
    @classmethod
    def _short_name(cls, value: str) -> str:
        length = septets(value)
        if length is None or not 1 <= length <= 20:
            raise ValueError("1 to 20 characters of the GSM 7-bit alphabet")
        return value

    @field_validator("phone")
    @classmethod
    def _international(cls, value: str) -> str:
        number = normalised(value)
        if not _E164.fullmatch(number):
            raise ValueError("a number with country code, such as +447700900123 (E.164)")
        return number

    @field_validator("mail")
    @classmethod
    def _one_address(cls, value: str | None) -> str | None:
        if value is not None and not _MAIL.fullmatch(value):
            raise ValueError("one mail address, such as wren@example.org")
        return value

    @model_validator(mode="after")
    def _has_what_its_ways_need(self) -> Contact:
        if "mail" in self.ways and self.mail is None:
            raise ValueError('a mail address, for the way "mail"')
        if len(set(self.ways)) < len(self.ways):
            raise ValueError("each way once")
        return self

    def on_duty(self, now: Moment) -> bool:
        """Whether this person is on duty. With a clock nobody can trust everybody is: a call too many, not none."""
        return not self.duty or not now.trusted or any(one.holds(now) for one in self.duty)

    def hears(self, priority: Priority) -> bool:
        return priority.rank <= self.from_priority.rank

    def address(self, way: str) -> str:
        """Where a message by this way goes."""
        return (self.mail or "") if way == "mail" else self.phone


def normalised(number: str) -> str:
    """A phone number without its dress, and with + for a leading 00. A national number stays as it is."""
    bare = _DRESS.sub("", number)
    return "+" + bare[2:] if bare.startswith("00") else bare


def contact_of(sender: str, contacts: Iterable[Contact]) -> Contact | None:
    """The contact this number belongs to, None for a stranger."""
    number = normalised(sender)
    return next((contact for contact in contacts if contact.phone == number), None)


def in_order(contacts: Sequence[Contact], priority: Priority, now: Moment) -> tuple[list[Contact], list[Contact]]:
    """Those called for this priority: who is on duty, then who is not, each in the order of the roster."""
    hear = [contact for contact in contacts if contact.hears(priority)]
    on = [contact for contact in hear if contact.on_duty(now)]
    return on, [contact for contact in hear if contact not in on]


def idle_hours(contacts: Sequence[Contact]) -> list[str]:
    """Stretches of the week in which nobody is on duty, as "Sat 08:00 to Sat 18:00"; to the minute."""
    if any(not contact.duty for contact in contacts):
        return []
    week = 7 * _DAY_MIN
    covered = bytearray(week)
    for contact in contacts:
        for duty in contact.duty:
            begin, end = minutes_of(duty.hours)
            for day in duty.days:
                first = DAYS.index(day) * _DAY_MIN + begin
                for minute in range(first, first + (end - begin if end > begin else end - begin + _DAY_MIN)):
                    covered[minute % week] = 1
    if not any(covered):
        return ["all week"]
    # begun at a minute somebody is on duty, so that a stretch over the end of the week is one
    start = covered.index(1)
    order = [(start + step) % week for step in range(week)]
    found: list[list[int]] = []
    for minute in order:
        if covered[minute]:
            continue
        if found and (found[-1][1] + 1) % week == minute:
            found[-1][1] = minute
        else:
            found.append([minute, minute])
    return [f"{_week_time(first)} to {_week_time((last + 1) % week)}" for first, last in found]


def _week_time(minute: int) -> str:
    day, left = divmod(minute, _DAY_MIN)
    return f"{DAYS[day]} {left // 60:02d}:{left % 60:02d}"
