"""Rounds of one shed: entries are kept in the journal first, then judged like any reading.

A correction leaves what it corrects to be seen: the entry in the journal, its reading in the history with the flag
"fail" and why. A value measured before the newest one goes to the history alone; what is worked out from several
tests, as the start of a filter, is worked out anew.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from brinewatch.alarms.events import Command
from brinewatch.config import ShedFile
from brinewatch.config.plans import channels_of
from brinewatch.errors import BrinewatchError, StoreError
from brinewatch.husbandry.due import Asked, overdue_words
from brinewatch.husbandry.forms import WHOLE, Correction, Outcome, RoundForm
from brinewatch.husbandry.settings import DAY_S
from brinewatch.moment import Moment
from brinewatch.ports import Bus, Clock
from brinewatch.probes.manual import ManualBus
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Flag, Reading, Sample, quantity_of, stage_of
from brinewatch.recalling import recall_tests
from brinewatch.rounds.checking import Checks, moment_of, sure_of, told_before
from brinewatch.signals.quality import judge
from brinewatch.store.history import History
from brinewatch.store.journal import Draft, Entry, Journal
from brinewatch.store.photos import Photos
from brinewatch.store.reader import StoreReader
from brinewatch.watchkeeper import Watchkeeper

log = logging.getLogger(__name__)

NOTED = "inspection"  # what a note or a photo of a stage is an entry of
_STEP_S = 0.001
_RECENT = 40
_NOTE = 2000


class Look(Protocol):
    """One step of the watch, now."""

    def __call__(self, samples: Sequence[Sample] = (), commands: Sequence[Command] = ()) -> object: ...


class Rounds:
    """look: one step of the watch."""

    def __init__(
        self, shed: ShedFile, keeper: Watchkeeper, journal: Journal, history: History, buses: Mapping[str, Bus],
        clock: Clock, look: Look,
    ) -> None:  # fmt: skip
        self.shed = shed
        self.keeper = keeper
        self.journal = journal
        self.clock = clock
        self.photos = Photos(shed.data)
        self.hands = [bus for bus in buses.values() if isinstance(bus, ManualBus)]
        self.checks = Checks(shed, self.hands, self._before, lambda: keeper.latest)
        self._history = history
        self._look = look
        self._channels = channels_of(shed)
        self._one_at_a_time = asyncio.Lock()
        owed = {f"{one.stage}.{quantity}": one.every_days * DAY_S for one in shed.rounds for quantity in one.ask}
        ages = {alarm.point: alarm.max_age_s for alarm in shed.alarms}
        rest = {point: ages.get(point, DAY_S) for bus in self.hands for point in bus.points if point not in owed}
        self._asked = {point: (every_s, point in owed) for point, every_s in {**owed, **rest}.items()}

    def restore(self, entries: Iterable[Entry]) -> None:
        """Take back what had been entered before a restart."""
        kept = list(entries)
        for bus in self.hands:
            bus.restore(kept)

    # -- what is asked ------------------------------------------------------------------------------------------

    def asked(self) -> list[Asked]:
        """Everything entered by hand: what the round asks, then the rest, which is asked as often as its alarms
        want it."""
        return [Asked(point, every_s, self._last(point), owed) for point, (every_s, owed) in self._asked.items()]

    def _last(self, point: str) -> float | None:
        sample = next((one for bus in self.hands if (one := bus.newest(point)) is not None), None)
        return None if sample is None else sample.at.utc

    def health(self, now: Moment) -> tuple[bool | None, str]:
        """Whether the round is in time; None when it seems not to be, by a clock nobody trusts."""
        asked = self.asked()
        words = overdue_words(asked, now.utc, self.keeper.stage_name)
        if words and not now.trusted:
            # what was never entered is known without a clock
            words = overdue_words([one for one in asked if one.last_utc is None], now.utc, self.keeper.stage_name)
            return (False, words) if words else (None, "The clock is not set: nobody knows what is due.")
        return not words, words

    # -- what is given ------------------------------------------------------------------------------------------

    async def save(self, form: RoundForm) -> Outcome:
        """Keep a whole form, or nothing of it. StoreError when the disk does not take it."""
        async with self._one_at_a_time:
            now = self.clock.now()
            if form.form and (before := await self.journal.entries_of(form.form)):
                return self._again(form, before)
            checked = await self.checks.check(form.fields, form.at, now)
            faults = dict(checked.faults)
            faults |= self._note_faults(form)
            if not faults and not checked.samples and not form.note and not form.photo:
                faults[WHOLE] = "Nothing is filled in: nothing was saved."
            if faults or not sure_of(form.sure, checked):
                return Outcome(faults=faults, doubts=checked.doubts, sure=checked.sure)
            drafts = [await self._draft(sample, typed, form, now) for sample, typed in checked.samples]
            if form.note or form.photo:
                drafts = await self._with_note(drafts, form, now)
            entries = await self.journal.enter_all(drafts, form.by, now)
            await self._deliver(entries)
            return Outcome([self.line(one) for one in entries])

    def _again(self, form: RoundForm, before: Sequence[Entry]) -> Outcome:
        lines = [self.line(one) for one in before]
        if told_before(before, form.fields):
            return Outcome(lines, again=True)
        fault = (
            f"This form was saved already, at {before[0].at.local:%H:%M}: {'; '.join(lines)}. What differs here is "
            "not saved. To put an entry right, correct it in the list of entries; what is new, save now."
        )
        return Outcome(faults={WHOLE: fault}, again=True)

    def _note_faults(self, form: RoundForm) -> dict[str, str]:
        if not form.note and not form.photo:
            return {}
        found = {}
        if form.about not in [one.settings.key for one in self.shed.stages if one.path != "watch"]:
            found["about"] = "Say which place the note or the photo is of."
        if len(form.note) > _NOTE:
            found["note"] = f"The note is longer than {_NOTE} characters; write less of it."
        if form.photo and self.photos.path(form.photo) is None:
            found["photo"] = "The photo is not there any more; take it again."
        return found

    async def _draft(self, sample: Sample, typed: str, form: RoundForm, now: Moment) -> Draft:
        assert sample.value is not None
        measured = None if sample.at.utc == now.utc else await self._free(sample.point, sample.at.utc)
        return Draft(sample.point, sample.value, measured, typed, form=form.form)

    async def _with_note(self, drafts: Sequence[Draft], form: RoundForm, now: Moment) -> list[Draft]:
        """Note and photo lie with the look at the animals of that stage, whether or not it was filled in."""
        point = f"{form.about}.{NOTED}"
        there = next((one for one in drafts if one.point == point), None)
        if there is not None:
            said = replace(there, note=form.note, photo=form.photo)
            return [said if one is there else one for one in drafts]
        utc = moment_of(form.at, now).utc
        measured = None if utc == now.utc else await self._free(point, utc)
        return [*drafts, Draft(point, 1.0, measured, "", form.note, form.photo, form.form)]

    async def _free(self, point: str, utc: float) -> float:
        """An instant of a point that no other entry has: two readings of one instant cannot both stand."""
        near = await self.journal.entered(utc - _STEP_S / 2, utc + 1.0, [point])
        taken = [one.measured.utc for one in near]
        while any(abs(utc - one) < _STEP_S / 2 for one in taken):
            utc += _STEP_S
        return utc

    async def enter(self, point: str, value: float, unit: str | None, by: str) -> str:
        """One number of now, without asking back: what the command line enters."""
        async with self._one_at_a_time:
            now = self.clock.now()
            sample = self.checks.home(point).sample(point, value, unit, now)
            assert sample.value is not None
            [entry] = await self.journal.enter_all([Draft(point, sample.value, typed=f"{value:g}")], by, now)
            await self._deliver([entry])
            return f"Kept: {point} {self.keeper.show(point, sample.value)}, {now.local:%Y-%m-%d %H:%M}."

    # -- corrections --------------------------------------------------------------------------------------------

    async def correct(self, correction: Correction) -> Outcome:
        """Keep what is right in place of an entry. BrinewatchError when there is no such entry, or it does not
        count any more."""
        async with self._one_at_a_time:
            now = self.clock.now()
            before = await self.journal.entries_of(correction.form) if correction.form else []
            if before and before[0].typed == correction.text.strip() and not correction.take_back:
                return Outcome([self.line(one) for one in before], again=True)
            old = await self.standing(correction.entry)
            if not correction.why or len(correction.why) > _NOTE:
                return Outcome(faults={"why": f"Say why, in 1 to {_NOTE} characters; it is kept with the entry."})
            if correction.take_back:
                return await self._take_back(old, f"{correction.by}: {correction.why}", now)
            at = correction.at if correction.at != local_text(old.measured) else ""
            when = at or old.measured.local.isoformat()
            checked = await self.checks.check({old.point: correction.text}, when, now, old.id)
            faults = {("text" if key == old.point else key): text for key, text in checked.faults.items()}
            unlike = checked.doubts.get(old.point)
            asked = {"text": unlike} if unlike else {}
            checked = replace(checked, doubts=asked)
            if faults or not sure_of(correction.sure, checked):
                return Outcome(faults=faults, doubts=asked, sure=checked.sure)
            [(sample, typed)] = checked.samples
            assert sample.value is not None
            measured = await self._free(old.point, moment_of(at, now).utc if at else old.measured.utc)
            draft = Draft(
                old.point, sample.value, measured, typed, correction.why, old.photo, correction.form, old.id
            )
            [entry] = await self.journal.enter_all([draft], correction.by, now)
            right = self.checks.show(old.point, sample.value)
            await self._deliver([entry])
            await self._replaced(old, f"Corrected by {correction.by} to {right}: {correction.why}")
            return Outcome([self.line(entry)])

    async def _take_back(self, old: Entry, words: str, now: Moment) -> Outcome:
        kept, one = True, old
        while True:
            # what it was in place of does not count again: that was wrong before
            kept = await self.journal.take_back(one.id, words, now) and kept
            earlier = None if one.corrects is None else await self.journal.entry(one.corrects)
            if earlier is None:
                break
            one = earlier
        await self._replaced(old, f"Taken back by {words}")
        later = "" if kept else "; the disk does not take it now: until the journal is well it is in memory only"
        return Outcome([f"{self.line(old)}: taken back{later}"])

    async def standing(self, key: int) -> Entry:
        """An entry that can be corrected."""
        old = await self.journal.entry(key)
        if old is None:
            raise BrinewatchError(f"There is no entry {key}.", "The list of entries has their numbers.")
        if old.withdrawn:
            raise BrinewatchError(f"Entry {key} was taken back already ({old.withdrawn}).", "Enter the value anew.")
        if old.corrected:
            raise BrinewatchError(f"Entry {key} was corrected already.", "Correct the one that stands for it now.")
        return old

    async def _replaced(self, old: Entry, reason: str) -> None:
        """An entry counts no more: its reading is not to be trusted, and the one before it is the newest again."""
        quantity = quantity_of(old.point)
        probe = self.checks.home(old.point).probe(old.point) if old.point in self._channels else "round"
        self._history.revise(
            Reading(old.point, quantity, old.value, old.value, Flag.FAIL, reason, old.measured, probe)
        )
        if old.point not in self._channels:
            return
        home, now = self.checks.home(old.point), self.clock.now()
        home.forget(old.point)
        try:
            found = await self.journal.entered(points=[old.point], limit=_RECENT)
        except StoreError as error:
            found = []  # what is right is kept; which value stands is not known until somebody enters one
            log.warning("%s", error)
        home.restore([one for one in found if one.stands and one.id != old.id][:1])
        newest = home.newest(old.point)
        if newest is None:
            newest = Sample(old.point, None, None, now, probe, Flag.MISSING, "Not entered yet.")
        self._look([newest])
        await self._tests_again(old.point)

    async def _tests_again(self, point: str) -> None:
        for words in await recall_tests(self.keeper, self.shed.follows, self.journal, point):
            log.warning("%s", words)

    # -- where it goes ------------------------------------------------------------------------------------------

    async def _deliver(self, entries: Sequence[Entry]) -> None:
        """Entries that are kept, to the watch: the newest of their points are judged, others are history."""
        news, late, now = [], [], self.clock.now()
        for one in entries:
            if one.point not in self._channels:
                # a note of a stage that is not asked about: nothing judges it, and it is charted all the same
                self._history.add([_done(one)])
                continue
            home = self.checks.home(one.point)
            age = max(0.0, now.utc - one.measured.utc)
            at = Moment(now.mono - age, one.measured.utc, one.measured.trusted, now.zone)
            sample = Sample(one.point, one.value, None, at, home.probe(one.point))
            newest = home.newest(one.point)
            if newest is None or newest.at.utc <= at.utc:
                home.take(sample)
                news.append(sample)
            else:
                late.append(one.point)
                channel = self._channels[one.point]
                self._history.add([judge(sample, channel.quality, None, now, accuracy=channel.accuracy)[0]])
        self._look(news)
        for point in late:
            await self._tests_again(point)

    async def _before(self, point: str, utc: float, but: int | None) -> list[float]:
        found = await self.journal.entered(until_utc=utc + _STEP_S / 2, points=[point], limit=_RECENT)
        return [one.value for one in reversed(found) if one.stands and one.id != but]

    async def tidy(self) -> None:
        """The night's care: photos of forms that were never saved go."""
        now = self.clock.now()

        def work() -> int:
            with StoreReader(self.shed.data, self.shed.zone) as store:
                return self.photos.let_go(store.photos(), now.utc - DAY_S)

        if not now.trusted:
            return
        try:
            with self.clock.hold():
                count = await asyncio.to_thread(work)
        except (BrinewatchError, OSError) as error:
            log.warning("Photos could not be looked over: %s", error)
            return
        if count:
            log.info("%d photos of forms that were never saved are gone", count)

    # -- for people ---------------------------------------------------------------------------------------------

    def what(self, point: str) -> str:
        """A point as people say it."""
        return f"{self.keeper.stage_name(stage_of(point))}, {QUANTITIES[quantity_of(point)].name}"

    def line(self, one: Entry) -> str:
        """An entry in a line."""
        value = self.checks.show(one.point, one.value)
        return f"{self.what(one.point)}: {value}, {one.measured.local:%Y-%m-%d %H:%M}"

    async def keep_photo(self, data: bytes) -> str:
        """Keep a photo and return its name. BrinewatchError for what is none."""
        with self.clock.hold():
            return await asyncio.to_thread(self.photos.keep, data)

    async def keep_photo_file(self, path: Path) -> str:
        """The same of a file on this computer."""

        def read() -> bytes:
            try:
                return path.read_bytes()
            except OSError as error:
                raise BrinewatchError(
                    f"The photo {path} cannot be read: {error.strerror}.", "The daemon's account must be able to."
                ) from error

        with self.clock.hold():
            return await self.keep_photo(await asyncio.to_thread(read))


def local_text(at: Moment) -> str:
    """An instant as a form's field has it, to the minute."""
    return f"{at.local:%Y-%m-%dT%H:%M}"


def _done(one: Entry) -> Reading:
    return Reading(one.point, quantity_of(one.point), one.value, one.value, Flag.PASS, "", one.measured, "round")
