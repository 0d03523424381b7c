"""The journal on the page: what is asked of it, found in a thread, and told in sentences."""

from __future__ import annotations

import asyncio
import csv
import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, TypeVar
from urllib.parse import urlencode

from brinewatch.alarms.events import Happening
from brinewatch.chronicle.incident import Teller
from brinewatch.chronicle.listing import COLUMNS, LISTED, Wanted, row_of
from brinewatch.chronicle.sentences import sentence_of, words_of
from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment
from brinewatch.phrases import instant_of, masked
from brinewatch.ports import Clock
from brinewatch.store.chain import Record
from brinewatch.store.reader import StoreReader

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

    from brinewatch.page.journal import Asked, IncidentView, JournalRow, JournalView

T = TypeVar("T")

_EVER = 1e18
_ROWS, _LINES = 60, 5000
# links of the chain looked through for one page, and for one file: what is rare may lie years back
_SEARCHED, _SEARCHED_LINES = 20_000, 200_000
_KINDS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "": ("everything", LISTED),
    "calls": ("calls to people", ("event",)),
    "orders": ("what people told the alarms", ("event",)),
    "alarms": ("every step of the alarms", ("event",)),
    "entered": ("values entered", ("entry", "withdrawn")),
    "calibrations": ("calibrations", ("calibration",)),
    "remarks": ("remarks", ("remark", "beginning")),
}
# who came from where to the page is for those who keep it
_FOR_KEEPERS = ("account",)
# a spreadsheet takes a cell that begins so for something to work out
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Inquiry:
    """What the journal's pages ask. stage_name: how people call a stage."""

    def __init__(self, shed: ShedFile, clock: Clock) -> None:
        self._shed = shed
        self._clock = clock
        self._words = words_of(shed)

    def on_page(self, app: FastAPI, templates: Environment) -> None:
        """Add the journal to the page."""
        from brinewatch.page.journal import add_journal

        add_journal(app, templates, self)

    async def listed(self, asked: Asked, *, whole: bool) -> JournalView:
        """The rows that are wanted, a page of them. BrinewatchError for what cannot be asked; StoreError."""
        now = self._clock.now()
        return await self._beside(lambda: self._view(asked, whole, now))

    async def lines(self, asked: Asked, *, whole: bool) -> str:
        """The same as comma-separated values, more of them at once."""
        now = self._clock.now()
        return await self._beside(lambda: self._csv(asked, whole, now))

    async def incident(self, number: int, *, whole: bool) -> IncidentView | None:
        """One incident; None when there is none of this number."""
        now = self._clock.now()
        return await self._beside(lambda: Teller(self._shed, self._words, now).tell(number, whole=whole))

    async def _beside(self, work: Callable[[], T]) -> T:
        with self._clock.hold():
            return await asyncio.to_thread(work)

    # -- in a thread ------------------------------------------------------------------------------------------

    def _wanted(self, asked: Asked, now: Moment) -> Wanted:
        if asked.kind not in _KINDS:
            raise BrinewatchError(f"{asked.kind!r} is nothing the journal holds.", "Choose one of the list.")
        since = instant_of("From:", asked.since, now) if asked.since else -_EVER
        until = instant_of("To:", asked.until, now) if asked.until else _EVER
        if since >= until:
            raise BrinewatchError("The time ends before it begins.", "Choose another beginning or end.")
        return Wanted(since, until, asked.alarm or None, asked.stage or None, asked.person or None)

    def _view(self, asked: Asked, whole: bool, now: Moment) -> JournalView:
        from brinewatch.page.journal import JournalRow, JournalView

        found = self._search(asked, whole, now, _ROWS, _SEARCHED)
        days: dict[str, list[JournalRow]] = {}
        met = {0}
        for one, sentence in found.rows:
            day, time = self._when(one.at_utc)
            called = one.fields.get("happening") in (Happening.RAISED.value, Happening.REPEATED.value)
            incident = one.fields.get("incident")
            number = incident if isinstance(incident, int) and incident > 0 else 0
            # every row of an incident with a way to it would be a page of ways
            link = number if called or number not in met else 0
            met.add(number)
            days.setdefault(day, []).append(JournalRow(time, sentence, called, link))
        searched = ""
        if found.more and len(found.rows) < _ROWS:
            back = f", back to {' '.join(self._when(found.back))}" if found.back is not None else ""
            searched = f"Looked through {_SEARCHED} records{back}."
        older = f"/journal?{_query(replace(asked, before=found.before))}" if found.more else ""
        return JournalView(
            shed=self._shed.shed.name, asked=asked, days=list(days.items()), older=older, searched=searched,
            kinds=[(key, name) for key, (name, _) in _KINDS.items()],
            stages=[(one.settings.key, one.settings.name) for one in self._shed.stages],
            people=[one.name for one in self._shed.contacts], csv=f"/journal.csv?{_query(asked)}",
        )  # fmt: skip

    def _csv(self, asked: Asked, whole: bool, now: Moment) -> str:
        text = io.StringIO()
        rows = csv.writer(text, lineterminator="\r\n")
        rows.writerow([*COLUMNS, "sentence"])
        for one, sentence in self._search(asked, whole, now, _LINES, _SEARCHED_LINES).rows:
            row = row_of(one, self._words.units, self._shed.zone)
            cells = [*(row[key] if whole else masked(row[key]) for key in COLUMNS), sentence]
            rows.writerow([f"'{cell}" if cell.startswith(_FORMULA) else cell for cell in cells])
        return text.getvalue()

    def _search(self, asked: Asked, whole: bool, now: Moment, most: int, searched: int) -> _Found:
        wanted, tables = self._wanted(asked, now), _KINDS[asked.kind][1]
        rows: list[tuple[Record, str]] = []
        back: float | None = None
        first = before = asked.before
        with StoreReader(self._shed.data, self._shed.zone) as store:
            for begin, piece in store.pieces(tables, wanted.since, wanted.until, asked.before or None):
                for one, sentence in self._fitting(piece, wanted, asked, whole):
                    rows.append((one, sentence))
                    if len(rows) == most:
                        return _Found(rows, one.link, True, one.at_utc)
                back = piece[-1].at_utc if piece else back
                first, before = first or begin, begin
                if first - begin >= searched:
                    return _Found(rows, before, True, back)
        return _Found(rows, 0, False, None)

    def _fitting(
        self, piece: list[Record], wanted: Wanted, asked: Asked, whole: bool
    ) -> Iterator[tuple[Record, str]]:
        text = asked.text.casefold()
        for one in piece:
            if not _of_kind(one, asked.kind) or not wanted.fits(one):
                continue
            if not whole and one.record == "remark" and one.fields["kind"] in _FOR_KEEPERS:
                continue
            sentence = sentence_of(one, self._words, self._shed.zone)
            sentence = sentence if whole else masked(sentence)
            if not text or text in sentence.casefold():
                yield one, sentence

    def _when(self, utc: float) -> tuple[str, str]:
        """The day and the time of the day; whatever stands in the file."""
        try:
            at = datetime.fromtimestamp(utc, self._shed.zone)
        except (ValueError, OverflowError, OSError):
            return "At no time there is", str(utc)
        return f"{at:%A} {at.day} {at:%B %Y}", f"{at:%H:%M:%S}"


class _Found:
    """rows: each with its sentence; before: a link, what comes after it was looked through; more: whether there may
    be more before it; back: when the last record looked at was."""

    def __init__(self, rows: list[tuple[Record, str]], before: int, more: bool, back: float | None) -> None:
        self.rows, self.before, self.more, self.back = rows, before, more, back


def _of_kind(one: Record, kind: str) -> bool:
    if kind == "calls":
        return one.fields["happening"] in (Happening.RAISED.value, Happening.REPEATED.value)
    return kind != "orders" or bool(one.fields["by_whom"])


def _query(asked: Asked) -> str:
    pairs = {name: getattr(asked, name) for name in asked.__dataclass_fields__}
    return urlencode({name: value for name, value in pairs.items() if value})
