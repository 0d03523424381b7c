"""What was read, as it should be seen now: raw values are kept once, the others are views of them.

A calibration record that came later, or one that replaces a wrong one, puts past values right here and nowhere
else. What needs a memory (the air's state, its trend, the blower's hours) stands as it was judged when it was read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from math import isclose

from brinewatch.moment import Moment
from brinewatch.quantities import QUANTITIES
from brinewatch.readings import Reading
from brinewatch.signals.derived import Derivation, derive
from brinewatch.signals.flags import gross_range, worst
from brinewatch.signals.lines import Lines
from brinewatch.signals.records import CalibrationRecord
from brinewatch.signals.rounding import rounded

# two stamps are of one boot when their clocks agree that well on how far apart they are
_ONE_BOOT_S = 1.0
_KEPT = 6e-3


def seen(
    readings: Iterable[Reading],
    records: Iterable[CalibrationRecord],
    accuracies: Mapping[str, float | None],
    derivations: Sequence[Derivation],
) -> Iterator[Reading]:
    """Stored readings through the calibration records there are now, one for one.

    readings: of any points, in order of time, those a derived one stands on among them (see `inputs_of`); records:
    of all points; accuracies: by measured point, one standard uncertainty of its probe, None when unknown;
    derivations: each after those it stands on, as `plan` gives them. At one instant what is measured comes first.

    Measured: raw through the line in force at its instant, the worse of its flag and gross range. Derived: worked
    out again where an input is not what it was, from the latest of each input at or before it; as stored where an
    input was not stored, or nothing changed. What is kept between readings is the latest of each point.
    """
    view = _View(Lines(records), accuracies, derivations)
    for _, together in groupby(readings, key=lambda reading: reading.at.utc):
        for reading in sorted(together, key=view.rank):
            yield view.see(reading)


def inputs_of(point: str, derivations: Sequence[Derivation]) -> tuple[str, ...]:
    """All a point stands on, down to what was measured, each before what stands on it; () for a measured one."""
    by_point = {one.point: one for one in derivations}
    found: dict[str, None] = {}

    def gather(name: str) -> None:
        if name in by_point:
            for source in by_point[name].inputs.values():
                gather(source)
                found[source] = None

    gather(point)
    return tuple(found)


class _View:
    def __init__(
        self, lines: Lines, accuracies: Mapping[str, float | None], derivations: Sequence[Derivation]
    ) -> None:
        self._lines = lines
        self._accuracies = accuracies
        self._derivations = {one.point: one for one in derivations}
        self._rank = {one.point: place for place, one in enumerate(derivations, 1)}
        self._latest: dict[str, Reading] = {}
        self._corrected: set[str] = set()

    def rank(self, reading: Reading) -> int:
        return self._rank.get(reading.point, 0)

    def see(self, stored: Reading) -> Reading:
        derivation = self._derivations.get(stored.point)
        made = self._measured(stored) if derivation is None else self._derived(stored, derivation)
        self._latest[stored.point] = made
        if made is stored:
            self._corrected.discard(stored.point)
        else:
            self._corrected.add(stored.point)
        return made

    def _measured(self, stored: Reading) -> Reading:
        if stored.raw is None or stored.value is None:
            return stored
        line = self._lines.past(stored.point, stored.at, stored.calibration)
        value, accuracy = line.apply(stored.raw), self._accuracies.get(stored.point)
        uncertainty = line.standard_uncertainty(accuracy, line.age_days(stored.at.utc))
        if accuracy is None and line.id == stored.calibration:
            uncertainty = stored.uncertainty  # of a time when it was known
        if (line.id, value) == (stored.calibration, stored.value) and _same(uncertainty, stored.uncertainty):
            return stored
        verdict, problem = gross_range(value, QUANTITIES[stored.quantity])
        flag = worst((stored.flag, verdict))
        return replace(
            stored, value=value, uncertainty=uncertainty, calibration=line.id, flag=flag,
            reason=problem if flag is not stored.flag else stored.reason,
        )  # fmt: skip

    def _derived(self, stored: Reading, derivation: Derivation) -> Reading:
        inputs = tuple(derivation.inputs.values())
        if self._corrected.isdisjoint(inputs) or not all(point in self._latest for point in inputs):
            return stored
        at = stored.at
        then = {point: _aged(self._latest[point], at) for point in inputs}
        return rounded(derive(derivation, then, at))


def _same(one: float | None, other: float | None) -> bool:
    """Whether two uncertainties differ by no more than a measured one is rounded by, to three digits, when kept."""
    if one is None or other is None:
        return one is other
    return isclose(one, other, rel_tol=_KEPT)


def _aged(reading: Reading, now: Moment) -> Reading:
    """The reading with a monotonic stamp that tells its age at `now`, though the two may be of different boots."""
    by_mono, by_utc = now.mono - reading.at.mono, max(0.0, now.utc - reading.at.utc)
    one_boot = by_mono >= 0.0 and abs(by_mono - by_utc) <= _ONE_BOOT_S
    unknown = not (reading.at.trusted and now.trusted)
    age = by_mono if one_boot or (unknown and by_mono >= 0.0) else by_utc
    return replace(reading, at=replace(reading.at, mono=now.mono - age))
