"""What stands in the journal, as values; and the way from our values to SQL statements and back.

A Write is executed whole and may be executed again: every statement in it gives the same file when run twice, so a
commit whose outcome is not known is simply tried once more.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from pathlib import Path
from typing import Any, NamedTuple

from brinewatch.alarms.events import AlarmEvent, Happening, Priority, State
from brinewatch.messages import Delivery, Message
from brinewatch.moment import Moment
from brinewatch.signals.records import CalibrationRecord
from brinewatch.store.journal_tables import SEALED


class Statement(NamedTuple):
    """One thing to be done to the file. record: the table whose record it makes, to be chained; "" for others.

    The first value of a statement that makes a record is the record's key.
    """

    sql: str
    values: tuple[Any, ...]
    record: str = ""


@dataclass(slots=True, eq=False)
class Write:
    """Statements that belong together. written: they are on disk; refused: why they can never be."""

    statements: list[Statement] = field(default_factory=list)
    events: tuple[int, ...] = ()
    written: bool = False
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Logged:
    """One alarm event with the instants it passed: began and at are the event's own (occurred, detected).

    committed: safe on disk; sent: its first message was taken by a network; None when that has not been.
    Monotonic stamps compare only within one boot.
    """

    id: int
    event: AlarmEvent
    boot: str
    committed: Moment | None
    sent: Moment | None


@dataclass(frozen=True, slots=True)
class Posted:
    """One message and where it stands. tries: how often a way was asked; changed_utc: when that last changed."""

    message: Message
    state: Delivery
    detail: str
    tries: int
    changed_utc: float


@dataclass(frozen=True, slots=True)
class Called:
    """One message an event caused. event: its row; sent_utc: when the network first took it, None: it has not."""

    event: int
    posted: Posted
    sent_utc: float | None


@dataclass(frozen=True, slots=True)
class Fate:
    """The newest message by one way to one address of those in one state. changed_utc: since when it is in it;
    sent_utc: when the network took it, None where that is not known."""

    way: str
    to: str
    state: Delivery
    detail: str
    changed_utc: float
    sent_utc: float | None


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry to be kept: value in the quantity's unit. measured_utc: when it was measured, None for now; typed:
    as the person typed it; photo: name of a file of the folder photos; form: the form it came with, "" for none;
    corrects: the id of the entry it replaces."""

    point: str
    value: float
    measured_utc: float | None = None
    typed: str = ""
    note: str = ""
    photo: str = ""
    form: str = ""
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A value a person entered, in the quantity's unit. at: when it was entered; corrected: a later entry says this
    one was wrong; withdrawn: why it does not count, "" when it does; the rest as in Draft."""

    id: int
    point: str
    value: float
    by: str
    at: Moment
    boot: str
    corrects: int | None = None
    corrected: bool = False
    measured_utc: float | None = None
    typed: str = ""
    note: str = ""
    photo: str = ""
    form: str = ""
    withdrawn: str = ""

    @property
    def measured(self) -> Moment:
        """When it was measured: its monotonic stamp is as far before that of `at` as the clocks say."""
        return self.at if self.measured_utc is None else self.at.later(self.measured_utc - self.at.utc)

    @property
    def stands(self) -> bool:
        """Whether it counts: neither corrected nor withdrawn."""
        return not self.corrected and not self.withdrawn


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark of the journal: a stranger's text, a refused command, trouble with the store."""

    id: int
    kind: str
    text: str
    at: Moment
    boot: str


@dataclass(frozen=True, slots=True)
class Resumed:
    """What the journal knew when it was opened.

    memories: alarm id to what the engine last had kept; saved: when anything was last written (None: nothing yet),
    its mono comparable only when same_boot; entries: the newest uncorrected manual entry of each point;
    waiting: messages that have not gone out; notes: what went wrong with the file, for people.
    """

    memories: Mapping[str, dict[str, Any]]
    saved: Moment | None
    saved_boot: str
    same_boot: bool
    next_number: int
    entries: tuple[Entry, ...]
    waiting: int
    notes: tuple[str, ...] = ()

    @classmethod
    def nothing(cls, note: str) -> Resumed:
        """For a watch that begins although its journal cannot be opened."""
        return cls({}, None, "", False, 1, (), 0, (note,))


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """The kernel's name for this boot (random(4)); without one, a name that equals no other boot's."""
    try:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        return f"unknown-{uuid.uuid4()}"


def clean(text: str) -> str:
    """Text that UTF-8 can carry: half a surrogate pair from a garbled SMS becomes a question mark."""
    return text.encode("utf-8", "replace").decode("utf-8")


def real(value: float | None) -> float | None:
    """A number, or none: not-a-number is no number."""
    return None if value is None or math.isnan(value) else float(value)


def stamps(at: Moment) -> tuple[float, float, bool]:
    return at.mono, at.utc, at.trusted


def moment(row: Sequence[Any], zone: tzinfo) -> Moment | None:
    """mono, utc, trusted as they stand in three columns; None where they are empty."""
    return None if row[1] is None else Moment(row[0], row[1], bool(row[2]), zone)


def insert(table: str, values: Sequence[Any]) -> Statement:
    sql = f"INSERT OR IGNORE INTO {table} VALUES ({', '.join('?' * len(values))})"  # noqa: S608 - our own names
    return Statement(sql, tuple(values), table if table in SEALED else "")


def put_meta(key: str, value: Any) -> Statement:
    return Statement("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, json.dumps(value)))


def put_memory(alarm: str, memory: Mapping[str, Any] | None) -> Statement:
    if memory is None:
        return Statement("DELETE FROM memory WHERE alarm = ?", (alarm,))
    body = json.dumps(memory, separators=(",", ":"))
    return Statement("INSERT OR REPLACE INTO memory VALUES (?, ?)", (alarm, body))


def put_event(row: int, event: AlarmEvent, boot: str) -> Statement:
    return insert(
        "event",
        (
            row, event.happening.value, event.alarm, event.number, event.priority.value, clean(event.title),
            event.point, event.quantity, event.state.value, real(event.value), real(event.limit),
            *stamps(event.began), *stamps(event.at), clean(event.by), clean(event.detail), boot,
            *(None,) * 6, event.incident, json.dumps([clean(one) for one in event.also]),
            *((None,) * 3 if event.until is None else stamps(event.until)), event.version,
        ),
    )  # fmt: skip


def put_committed(events: Sequence[int], at: Moment) -> Statement:
    marks = ", ".join("?" * len(events))
    stamp = "committed_mono = ?, committed_utc = ?, committed_trusted = ?"
    sql = f"UPDATE event SET {stamp} WHERE id IN ({marks}) AND committed_utc IS NULL"  # noqa: S608 - only question marks
    return Statement(sql, (*stamps(at), *events))


def put_message(row: int, message: Message, event: int | None, now: Moment, boot: str) -> Statement:
    return insert(
        "message",
        (
            row, event, message.way, message.to, clean(message.text), message.number,
            None if message.payload is None else clean(message.payload), message.expires_utc, True,
            now.mono, message.created_utc, now.trusted, boot, Delivery.WAITING.value, "", 0, now.utc, now.utc,
        ),
    )  # fmt: skip


EVENT_COLUMNS = (
    "id, happening, alarm, number, priority, title, point, quantity, state, value, limit_value,"
    " began_mono, began_utc, began_trusted, at_mono, at_utc, at_trusted, by_whom, detail, boot,"
    " committed_mono, committed_utc, committed_trusted, sent_mono, sent_utc, sent_trusted,"
    " incident, also, until_mono, until_utc, until_trusted, rule_version"
)


def get_event(row: Sequence[Any], zone: tzinfo) -> Logged:
    """A row of EVENT_COLUMNS."""
    began, at = moment(row[11:14], zone), moment(row[14:17], zone)
    assert began is not None
    assert at is not None
    event = AlarmEvent(
        Happening(row[1]), row[2], row[3], Priority(row[4]), row[5], row[6], row[7], State(row[8]), row[9], row[10],
        began, at, row[17], row[18], row[26], tuple(json.loads(row[27])), moment(row[28:31], zone), row[31],
    )  # fmt: skip
    return Logged(row[0], event, row[19], moment(row[20:23], zone), moment(row[23:26], zone))


MESSAGE_COLUMNS = (
    "id, way, recipient, body, number, created_utc, expires_utc, recorded, payload, state, detail, tries,"
    " changed_utc, event, created_mono, created_trusted, boot"
)


def get_message(row: Sequence[Any]) -> Posted:
    """A row of MESSAGE_COLUMNS."""
    message = Message(str(row[0]), row[1], row[2], row[3], row[4], row[5], row[6], bool(row[7]), row[8])
    return Posted(message, Delivery(row[9]), row[10], row[11], row[12])


STANDS = "NOT EXISTS (SELECT 1 FROM withdrawn WHERE withdrawn.entry = {}.id)"
_CORRECTED = f"EXISTS (SELECT 1 FROM entry AS later WHERE later.corrects = entry.id AND {STANDS.format('later')})"  # noqa: S608 - our own words
_WHY_NOT = "(SELECT detail FROM withdrawn WHERE withdrawn.entry = entry.id)"
ENTRY_COLUMNS = (
    f"id, point, value, by_whom, at_mono, at_utc, at_trusted, boot, corrects, {_CORRECTED},"
    f" measured_utc, typed, note, photo, form, {_WHY_NOT}"
)
MEASURED = "coalesce(measured_utc, at_utc)"
# of an entry that was told to have failed; what people take back says so in other words
LATE = "not kept in time"


def get_entry(row: Sequence[Any], zone: tzinfo) -> Entry:
    """A row of ENTRY_COLUMNS."""
    at = moment(row[4:7], zone)
    assert at is not None
    texts = [one or "" for one in row[11:16]]
    return Entry(row[0], row[1], row[2], row[3], at, row[7], row[8], bool(row[9]), row[10], *texts)


def put_entry(entry: Entry) -> Statement:
    texts = [clean(one) or None for one in (entry.typed, entry.note, entry.photo, entry.form)]
    return insert(
        "entry",
        (
            entry.id, entry.point, entry.value, entry.by, *stamps(entry.at), entry.boot, entry.corrects,
            entry.measured_utc, *texts,
        ),
    )  # fmt: skip


def put_withdrawn(entry: int, now: Moment, boot: str, detail: str = LATE) -> Statement:
    """Says of an entry, should it be in the file, that it does not count."""
    sql = "INSERT OR IGNORE INTO withdrawn SELECT ?, ?, ?, ?, ?, ? WHERE EXISTS (SELECT 1 FROM entry WHERE id = ?)"
    return Statement(sql, (entry, clean(detail), *stamps(now), boot, entry), "withdrawn")


def put_rule(version: str, alarm: str, body: str, now: Moment, boot: str) -> Statement:
    return insert("rule", (version, alarm, body, *stamps(now), boot))


def put_remark(row: int, kind: str, text: str, now: Moment, boot: str) -> Statement:
    return insert("remark", (row, clean(kind), clean(text), *stamps(now), boot))


def put_calibration(record: CalibrationRecord, now: Moment, boot: str) -> Statement:
    return insert(
        "calibration",
        (
            clean(record.id), record.point, record.effective_utc, record.made_utc, json.dumps(record.to_dict()),
            *stamps(now), boot,
        ),
    )  # fmt: skip


CALIBRATIONS = "SELECT id, point, body FROM calibration ORDER BY made_utc, id"


def get_calibrations(found: Iterable[Sequence[Any]], notes: list[str]) -> list[CalibrationRecord]:
    """Rows of CALIBRATIONS; one that cannot be read is noted and left out, and its numbers do not count."""
    records = []
    for key, point, body in found:
        try:
            records.append(CalibrationRecord.from_dict(json.loads(body)))
        except (ValueError, TypeError, KeyError) as error:
            notes.append(f"The calibration record {key} of {point} cannot be read ({error!r}); it does not count.")
    return records
