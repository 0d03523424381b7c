"""The outbox as this process knows it: which messages are due, and how far each one got.

It lives in memory and is never asked of the disk, so a message is handed out whatever the disk does, and a late
commit can send nothing twice. Every change gives the statements that make it last; the journal writes them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from brinewatch.messages import Delivery, DeliveryReport, Message
from brinewatch.moment import Moment, utc_text
from brinewatch.store.rows import Statement, clean, insert, stamps

# A status report later than this is not believed: SMS references are one octet and come round again
# (3GPP TS 23.040, 9.2.3.6); three days is longer than the validity we ask of the network.
REPORT_AGE_S = 3 * 86400.0
# a report may overtake the writing down of the send it belongs to
_EARLY_S = 120.0
_EARLY_KEPT = 64


@dataclass(slots=True)
class Standing:
    """One message. due_mono None: no try is to be made by the outbox. handed: `due` has given it out before."""

    row: int
    message: Message
    event: int | None
    state: Delivery = Delivery.WAITING
    detail: str = ""
    tries: int = 0
    due_mono: float | None = None
    expires_mono: float | None = None
    handed: bool = False


@dataclass(slots=True)
class Part:
    """One reference the network gave: a message in several parts has one for each, at each try."""

    standing: Standing
    attempt: int
    part: int
    reference: int
    sent_mono: float | None  # None: of another boot
    sent_utc: float
    sent_trusted: bool
    state: Delivery = Delivery.SENT


@dataclass(slots=True)
class Tray:
    """boot: the name of this boot, kept beside every monotonic stamp."""

    boot: str
    _standing: dict[int, Standing] = field(default_factory=dict)
    _alias: dict[str, int] = field(default_factory=dict)
    _parts: deque[Part] = field(default_factory=deque)
    _early: deque[DeliveryReport] = field(default_factory=lambda: deque(maxlen=_EARLY_KEPT))

    @property
    def open(self) -> list[Standing]:
        """Messages that have not ended."""
        return [one for one in self._standing.values() if _is_open(one)]

    def load(self, standing: Standing, now: Moment) -> None:
        """Take in a message of an earlier run: due at once, however far its last try got."""
        self._standing[standing.row] = standing
        standing.due_mono = now.mono

    def load_part(self, part: Part) -> None:
        self._standing.setdefault(part.standing.row, part.standing)
        self._parts.append(part)

    def standing(self, row: int) -> Standing | None:
        return self._standing.get(row)

    def take(self, row: int, message: Message, event: int | None, now: Moment, *, recorded: bool) -> Message:
        """Take in a new message. Recorded: due now, under its row's number. Otherwise whoever made it sends it."""
        left = None if message.expires_utc is None else now.mono + message.expires_utc - now.utc
        if recorded:
            message = replace(message, id=str(row), recorded=True)
        else:
            message = replace(message, recorded=False)
            self._alias[message.id] = row
        self._standing[row] = Standing(
            row, message, event, due_mono=now.mono if recorded else None, expires_mono=left
        )
        return message

    def due(self, way: str, now: Moment) -> tuple[list[Message], list[Statement]]:
        """Messages to be tried now, oldest first. One that outlived its use before anybody saw it has failed."""
        due: list[Message] = []
        statements: list[Statement] = []
        for one in sorted(self._standing.values(), key=lambda standing: standing.row):
            if one.message.way != way or one.due_mono is None or one.due_mono > now.mono:
                continue
            if not one.handed and one.expires_mono is not None and one.expires_mono <= now.mono:
                statements += self.expire(one, now)
                continue
            one.handed = True  # from here on it is for the worker to say aloud that it expired
            due.append(one.message)
        return due, statements

    def expire(self, one: Standing, now: Moment) -> list[Statement]:
        until = (
            "" if one.message.expires_utc is None else f": worth sending until {utc_text(one.message.expires_utc)}"
        )
        statements = self._end(one, Delivery.FAILED, f"expired unsent{until}", now)
        self._tidy(one)
        return statements

    def row_of(self, message: Message) -> int | None:
        if message.id in self._alias:
            return self._alias[message.id]
        return int(message.id) if message.id.isdecimal() else None

    def settle(
        self,
        one: Standing,
        state: Delivery,
        now: Moment,
        references: Sequence[int],
        detail: str,
        retry_at_utc: float | None,
    ) -> list[Statement]:
        """How one try ended. A message already delivered stays delivered, whatever a second try brought."""
        one.tries += 1
        if one.state is Delivery.DELIVERED:
            state, retry_at_utc = Delivery.DELIVERED, None
        if state is Delivery.WAITING and retry_at_utc is None:
            retry_at_utc = now.utc  # waiting for nothing would be waiting for ever
        self._forget_old(now)
        one.due_mono = None if retry_at_utc is None else now.mono + max(0.0, retry_at_utc - now.utc)
        statements = self._end(one, state, detail, now, retry_at_utc)
        if references or state is Delivery.SENT:
            statements += self._sent(one, now, references)
        early = [report for report in self._early if now.mono - report.at.mono <= _EARLY_S]
        self._early.clear()
        for report in early:
            known = self.report(report)
            statements += known[1] if known else []
        self._tidy(one)
        return statements

    def _sent(self, one: Standing, now: Moment, references: Sequence[int]) -> list[Statement]:
        statements: list[Statement] = []
        for number, reference in enumerate(references):
            self._parts.append(Part(one, one.tries, number, reference, now.mono, now.utc, now.trusted))
            values = (one.row, one.tries, number, reference, *stamps(now), self.boot, Delivery.SENT.value)
            statements.append(insert("reference", values))
        if one.event is not None:
            stamp = "sent_mono = ?, sent_utc = ?, sent_trusted = ?"
            sql = f"UPDATE event SET {stamp} WHERE id = ? AND sent_utc IS NULL"  # noqa: S608 - our own names
            statements.append(Statement(sql, (*stamps(now), one.event)))
        return statements

    def report(self, report: DeliveryReport) -> tuple[Standing, list[Statement]] | None:
        """What the network said: it belongs to the newest send with that recipient and reference. None: to none."""
        self._forget_old(report.at)
        for part in reversed(self._parts):
            message = part.standing.message
            if (
                part.reference == report.reference
                and message.way == report.way
                and _same_address(message.to, report.to, report.way)
                and _age(part, report.at) <= REPORT_AGE_S
            ):
                return part.standing, self._reported(part, report)
        self._early.append(report)
        return None

    def _reported(self, part: Part, report: DeliveryReport) -> list[Statement]:
        one = part.standing
        part.state = report.state
        statements: list[Statement] = [
            Statement(
                "UPDATE reference SET state = ? WHERE message = ? AND try = ? AND part = ?",
                (report.state.value, one.row, part.attempt, part.part),
            )
        ]
        parts = [other for other in self._parts if other.standing is one and other.attempt == part.attempt]
        if all(other.state is Delivery.DELIVERED for other in parts):
            one.due_mono = None
            return statements + self._end(one, Delivery.DELIVERED, report.detail, report.at)
        if one.state is Delivery.DELIVERED:
            return statements
        if report.state is Delivery.FAILED and one.due_mono is None:
            return statements + self._end(one, Delivery.FAILED, report.detail or "the network gave up", report.at)
        due_utc = None if one.due_mono is None else report.at.utc + max(0.0, one.due_mono - report.at.mono)
        return statements + self._end(one, one.state, report.detail or one.detail, report.at, due_utc)

    def _end(
        self, one: Standing, state: Delivery, detail: str, now: Moment, due_utc: float | None = None
    ) -> list[Statement]:
        one.state, one.detail = state, clean(detail)
        if due_utc is None:
            one.due_mono = None
        return [
            Statement(
                "UPDATE message SET state = ?, detail = ?, tries = ?, due_utc = ?, changed_utc = ? WHERE id = ?",
                (one.state.value, one.detail, one.tries, due_utc, now.utc, one.row),
            )
        ]

    def _forget_old(self, now: Moment) -> None:
        while self._parts and _age(self._parts[0], now) > REPORT_AGE_S:
            self._tidy(self._parts.popleft().standing)

    def _tidy(self, one: Standing) -> None:
        """Let go of a message that has ended and of which no report can come any more."""
        if not _is_open(one) and not any(part.standing is one for part in self._parts):
            self._standing.pop(one.row, None)
            self._alias.pop(one.message.id, None)


def _is_open(one: Standing) -> bool:
    return one.due_mono is not None or one.state is Delivery.WAITING


def _age(part: Part, now: Moment) -> float:
    if part.sent_mono is not None:
        return now.mono - part.sent_mono
    # another boot: the wall clock is all there is, and one that was not set proves no age
    return now.utc - part.sent_utc if part.sent_trusted and now.trusted else 0.0


def _same_address(ours: str, theirs: str, way: str) -> bool:
    """Networks write a phone number with or without its country: its last eight digits tell (common practice)."""
    if way != "sms":
        return ours == theirs
    mine, other = ([c for c in text if c.isdigit()] for text in (ours, theirs))
    return bool(other) and mine[-8:] == other[-8:]
