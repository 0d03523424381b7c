"""What a person filled in, held against what is asked, what can be, and what was before: the one home of these
checks for the page, the command line and corrections.
"""

from __future__ import annotations

import hashlib
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass

from brinewatch.config import ShedFile
from brinewatch.errors import BrinewatchError
from brinewatch.husbandry.doubts import apart, doubts, old
from brinewatch.husbandry.forms import WHOLE
from brinewatch.husbandry.typed import value_of
from brinewatch.moment import Moment, utc_of
from brinewatch.probes.manual import ManualBus
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Reading, Sample, quantity_of, stage_of
from brinewatch.store.journal import Entry

AT = "at"
_AHEAD_S = 60.0
_CAPPED = ("deaths", "animals_taken")
_HAND_SALINITY, _SAME_S = "refractometer_salinity", 3600.0
_COMPARED = 12
_LONGEST = 500

Before = Callable[[str, float, int | None], Awaitable[Sequence[float]]]


@dataclass(frozen=True, slots=True)
class Checked:
    """samples: what may be kept, with what was typed; faults, doubts: by field; sure: stands for these doubts."""

    samples: Sequence[tuple[Sample, str]]
    faults: Mapping[str, str]
    doubts: Mapping[str, Sequence[str]]
    sure: str


class Checks:
    """before(point, utc, but): the values of a point that count and were measured before, the newest last, without
    that of one entry; latest: the newest reading of each point."""

    def __init__(
        self,
        shed: ShedFile,
        hands: Sequence[ManualBus],
        before: Before,
        latest: Callable[[], Mapping[str, Reading]],
    ) -> None:
        self._shed = shed
        self._latest = latest
        self._homes = {point: bus for bus in hands for point in bus.points}
        self._before = before

    def home(self, point: str) -> ManualBus:
        """The bus that takes a point. BrinewatchError, with those there are, when none does."""
        if not self._homes:
            raise BrinewatchError(
                "No value is entered by hand in this shed.", "Add a [[round]], or a bus of kind manual."
            )
        if point not in self._homes:
            known = ", ".join(sorted(self._homes))
            raise BrinewatchError(f"{point} takes no values entered by hand.", f"These do: {known}.")
        return self._homes[point]

    def unit(self, point: str) -> str:
        """The unit a point is entered in; "" for a thing done or not."""
        quantity, home = QUANTITIES[quantity_of(point)], self._homes.get(point)
        if quantity.states is not None:
            return ""
        return quantity.unit if home is None else home.unit(point)

    def show(self, point: str, value: float) -> str:
        """A value, in the unit people enter it in."""
        quantity = QUANTITIES[quantity_of(point)]
        if quantity.states is not None and value in range(len(quantity.states)):
            return quantity.states[int(value)]
        unit = self.unit(point)
        number = f"{quantity.from_canonical(value, unit):.{quantity.decimals}f}"
        return f"pH {number}" if unit == "pH" else f"{number} {unit}"

    async def check(
        self, fields: Mapping[str, str], at: str, now: Moment, instead_of: int | None = None
    ) -> Checked:
        """All that is wrong with a form, or may be. fields: by point, as typed; at: when, local, "" for now;
        instead_of: the entry it is to replace, which is no measure for it."""
        faults: dict[str, str] = {}
        asked: dict[str, list[str]] = {}
        when = now
        try:
            when = moment_of(at, now)
        except BrinewatchError as error:
            faults[AT] = str(error)
        samples = []
        for point, text in fields.items():
            try:
                home = self.home(point)
                if len(text) > _LONGEST:
                    raise BrinewatchError("That is longer than any value.", "Write the number alone.")
                value = value_of(point, text, home.unit(point))
                sample = home.sample(point, value, None, when)
            except BrinewatchError as error:
                faults[point] = str(error)
                continue
            samples.append((sample, text.strip()))
            assert sample.value is not None
            found = await self._doubts(point, sample.value, when.utc, instead_of)
            if now.utc - when.utc < _SAME_S and (words := self._beside(point, sample.value, now)):
                found.append(words)
            if found:
                asked[point] = found
        if samples and AT not in faults and (words := old(now.utc - when.utc)):
            asked[AT] = [words]
        return Checked(samples, faults, asked, _digest(fields, at, asked))

    async def _doubts(self, point: str, value: float, utc: float, but: int | None) -> list[str]:
        limits = [
            (alarm.rule.side, alarm.limit, alarm.rule.title)
            for alarm in self._shed.alarms
            if alarm.point == point and alarm.limit is not None and alarm.rule.side
        ]
        most = None
        if quantity_of(point) in _CAPPED:
            here = [one for one in self._shed.batches if one.stage == stage_of(point) and not one.ended]
            batch = here[0] if here else None
            most = None if batch is None else (float(batch.animals_in), f"ever came with {batch.name}")
        before = (await self._before(point, utc, but))[-_COMPARED:]
        return doubts(point, value, before, limits, self.show, most)

    def _beside(self, point: str, value: float, now: Moment) -> str:
        """What a probe nearest to it says otherwise of the same water; "" when none does."""
        if quantity_of(point) != _HAND_SALINITY:
            return ""
        order = [one.settings.key for one in self._shed.stages]
        here = order.index(stage_of(point))
        for key in sorted(order, key=lambda other: abs(order.index(other) - here)):
            one = self._latest().get(f"{key}.salinity")
            if one is not None and one.usable and one.value is not None and now.mono - one.at.mono < _SAME_S:
                return apart(point, value, f"{self._shed.stage(key).name}, salinity", one.value, self.show)
        return ""


def moment_of(text: str, now: Moment) -> Moment:
    """When something was measured, as people write it; "" for now. BrinewatchError for no time, or one to come."""
    if not text.strip():
        return now
    try:
        utc = utc_of(text, now.zone)
    except (ValueError, OverflowError, OSError):
        raise BrinewatchError(f"{text[:30]!r} is no time.", "Write it like 2026-09-01T14:00.") from None
    if utc > now.utc + _AHEAD_S:
        raise BrinewatchError("The time of the test lies in the future.", "Give the time it was taken.")
    if utc < 0:
        raise BrinewatchError("The time of the test lies before any shed.", "Give the time it was taken.")
    return now.later(min(0.0, utc - now.utc))


def sure_of(sure: str, checked: Checked) -> bool:
    """Whether a person stands by these very doubts, or there are none."""
    return not checked.doubts or sure == checked.sure


def refusal(checked: Checked) -> BrinewatchError | None:
    """The faults as one error, for who fills in no form."""
    if not checked.faults:
        return None
    return BrinewatchError(" ".join(f"{key}: {text}" if key else text for key, text in checked.faults.items()))


def _digest(fields: Mapping[str, str], at: str, asked: Mapping[str, Sequence[str]]) -> str:
    if not asked:
        return ""
    # what was doubted, not in which words: an age and a live reading go on meanwhile
    said = repr(sorted((key, fields.get(key, at), len(words)) for key, words in asked.items()))
    return hashlib.sha256(said.encode("utf-8", "replace")).hexdigest()[:16]


def told_before(entries: Sequence[Entry], fields: Mapping[str, str]) -> bool:
    """Whether what was kept of a form is what it says now."""
    kept = {one.point: one.typed for one in entries if one.typed}
    return all(kept.get(point) == text.strip() for point, text in fields.items() if point != WHOLE)
