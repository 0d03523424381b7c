"""The round as people and programs see it: what is asked, what was entered, the sheets of the batches."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.husbandry.batch import QUANTITIES_USED, BatchSheet, Noted, batch_sheet, span_of
from brinewatch.husbandry.due import Asked
from brinewatch.husbandry.forms import Correction, EntryView, Outcome, RoundField, RoundForm
from brinewatch.husbandry.settings import BatchSettings
from brinewatch.husbandry.typed import SAMPLED, numbers_of
from brinewatch.moment import Moment, span_text
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.rounds.keeping import Rounds, local_text
from brinewatch.store import photos
from brinewatch.store.journal import Entry
from brinewatch.store.reader import StoreReader

if TYPE_CHECKING:
    from fastapi import FastAPI
    from jinja2 import Environment

_MOST = 20_000  # entries of one batch
_EVER = 1e18  # seconds


def sheet(rounds: Rounds, now: Moment) -> list[RoundField]:
    """What is asked, what is due first."""
    asked = sorted(rounds.asked(), key=lambda one: one.rank(now.utc)[0])
    return [_field(rounds, one, now) for one in asked]


def _field(rounds: Rounds, one: Asked, now: Moment) -> RoundField:
    quantity, home = QUANTITIES[quantity_of(one.point)], rounds.checks.home(one.point)
    last, age = home.newest(one.point), one.age_s(now.utc)
    kind = "done" if quantity.states is not None else "sample" if quantity.key in SAMPLED else "number"
    urgency = "overdue" if one.overdue(now.utc) else "due" if one.due(now.utc) else "later"
    return RoundField(
        one.point, stage_of(one.point), rounds.keeper.stage_name(stage_of(one.point)), quantity.name,
        rounds.checks.unit(one.point), kind,
        "" if last is None or last.value is None else rounds.checks.show(one.point, last.value),
        "" if age is None else span_text(age), urgency, span_text(one.every_s),
    )  # fmt: skip


def places(rounds: Rounds) -> list[tuple[str, str]]:
    """Key and name of each stage a note can be of, those that are asked about first."""
    asked = [stage_of(one.point) for one in rounds.asked()]
    keys = [one.settings.key for one in rounds.shed.stages if one.path != "watch"]
    first = [key for key in asked if key in keys]
    return [(key, rounds.keeper.stage_name(key)) for key in dict.fromkeys([*first, *keys])]


async def listed(rounds: Rounds, limit: int, until_utc: float | None = None) -> list[EntryView]:
    """What was entered, the newest measured first; until_utc: only what was measured before."""
    found = await rounds.journal.entered(until_utc=_EVER if until_utc is None else until_utc, limit=limit)
    after = {one.corrects: one for one in found if one.corrects is not None}
    return [entry_view(rounds, one, after.get(one.id)) for one in found]


def entry_view(rounds: Rounds, one: Entry, instead: Entry | None = None) -> EntryView:
    state = ""
    if one.withdrawn:
        state = f"taken back by {one.withdrawn}"
    elif instead is not None:
        right = rounds.checks.show(one.point, instead.value)
        state = f"corrected to {right} by {instead.by} on {instead.at.local:%Y-%m-%d %H:%M}"
    elif one.corrected:
        state = "corrected"
    typed = one.typed if one.typed and not _says(one.typed) else ""
    return EntryView(
        one.id, one.point, rounds.what(one.point), rounds.checks.show(one.point, one.value),
        f"{one.measured.local:%Y-%m-%d %H:%M}", one.by, f"{one.at.local:%Y-%m-%d %H:%M}", one.note, typed,
        one.photo, state, one.corrects, local_text(one.measured), one.typed, rounds.checks.unit(one.point),
        one.form, one.measured.utc,
    )  # fmt: skip


def _says(typed: str) -> bool:
    """Whether the value says all that was typed: a single number, or a thing done."""
    try:
        return len(numbers_of(typed)) < 2
    except BrinewatchError:
        return True


# -- batches ----------------------------------------------------------------------------------------------------


def named_batches(shed: ShedFile, key: str | None) -> Sequence[BatchSettings]:
    """The batch of a key, or all. BrinewatchError when there is none."""
    found = [one for one in shed.batches if key in (None, one.key)]
    if key is not None and not found:
        known = ", ".join(one.key for one in shed.batches)
        raise BrinewatchError(f"There is no batch {key!r}.", f"Batches of the shed file: {known or 'none'}.")
    if not found:
        raise BrinewatchError("The shed file names no batch.", "Write [[batch]]; see deploy/guides/rounds.md.")
    return found


def stored_sheets(shed: ShedFile, batches: Sequence[BatchSettings], now: Moment) -> list[BatchSheet]:
    """The sheets of batches out of the store, with or without a daemon. StoreError when it cannot be read."""
    made = []
    with StoreReader(shed.data, shed.zone) as store:
        for batch in batches:
            begin, end = span_of(batch, shed.zone)
            points = [f"{batch.stage}.{quantity}" for quantity in QUANTITIES_USED]
            made.append(_sheet(batch, store.entries(points, begin, min(end, now.utc + 1.0)), now, shed))
    return made


async def sheets(rounds: Rounds, batches: Sequence[BatchSettings], now: Moment) -> list[BatchSheet]:
    """The same, by the daemon."""
    made = []
    for batch in batches:
        begin, end = span_of(batch, rounds.shed.zone)
        points = [f"{batch.stage}.{quantity}" for quantity in QUANTITIES_USED]
        found = await rounds.journal.entered(begin, min(end, now.utc + 1.0), points, _MOST)
        made.append(_sheet(batch, [one for one in reversed(found) if one.stands], now, rounds.shed))
    return made


def _sheet(batch: BatchSettings, entries: Sequence[Entry], now: Moment, shed: ShedFile) -> BatchSheet:
    noted: dict[str, list[Noted]] = {}
    for one in entries:
        noted.setdefault(quantity_of(one.point), []).append(Noted(one.measured.utc, one.value, one.typed))
    return batch_sheet(batch, noted, now.utc, shed.zone)


# -- the page ---------------------------------------------------------------------------------------------------


class RoundPages:
    """What the pages of the round ask of the daemon."""

    def __init__(self, rounds: Rounds) -> None:
        self._rounds = rounds
        self.shed = rounds.shed.shed.name
        self.takes_photos = photos.able()
        self.has_batches = bool(rounds.shed.batches)

    def asked(self) -> list[RoundField]:
        return sheet(self._rounds, self._rounds.clock.now())

    def places(self) -> list[tuple[str, str]]:
        return places(self._rounds)

    async def save(self, form: RoundForm) -> Outcome:
        return await self._rounds.save(form)

    async def listed(self, limit: int, until_utc: float | None) -> list[EntryView]:
        return await listed(self._rounds, limit, until_utc)

    async def one(self, number: int) -> EntryView:
        return entry_view(self._rounds, await self._rounds.standing(number))

    async def correct(self, correction: Correction) -> Outcome:
        return await self._rounds.correct(correction)

    async def keep_photo(self, data: bytes) -> str:
        return await self._rounds.keep_photo(data)

    def photo(self, name: str) -> Path | None:
        return self._rounds.photos.path(name)

    async def batches(self) -> list[BatchSheet]:
        shed, now = self._rounds.shed, self._rounds.clock.now()
        return await sheets(self._rounds, named_batches(shed, None), now) if shed.batches else []


def on_page(rounds: Rounds, app: FastAPI, templates: Environment) -> None:
    """Add the round, its entries and the batches to the page."""
    from brinewatch.page.rounds import add_rounds

    add_rounds(app, templates, RoundPages(rounds))
