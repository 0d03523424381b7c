"""Numbers of one instrument that must fit each other, and which of them is the likelier to be wrong.

A sonde gives salinity beside the conductance it comes from, and oxygen in mg/L beside percent of saturation. When
two of them part, physics says that one is wrong; which one, their own past says: a fault adds movement, so the
culprit moves more than the others say it should have (counterpart), in level or from sample to sample. A culprit
that froze does the opposite, and is told by standing still while its counterpart moved. The blame is laid in
hindsight, when the disagreement has ended or lasted some hours: SUSPECT at most.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from math import exp, log

from brinewatch.quantities import QUANTITIES
from brinewatch.seawater import oxygen, salinity
from brinewatch.seawater.pressure import HPA_PER_ATM

Values = Mapping[str, float]

HINDSIGHT_S = 86400.0
_LEVEL_S, _SHAKE_S, _TRUST_S = 86400.0, 7200.0, 7 * 86400.0
_FIRST_ROWS = 12
_FROZEN_ROWS = 6
_JOINED_ROWS = 4
_HOLDS = 0.4
_WITHIN_K = 1e-3


@dataclass(frozen=True, slots=True)
class Relation:
    """What must fit. needs: quantities it takes; members: those it may blame, each with its rounding.

    counterparts(values): what each member should be by the others; tolerance(values): how far the first member may
    stand off its counterpart.
    """

    needs: tuple[str, ...]
    members: Mapping[str, float]
    counterparts: Callable[[Values], Values]
    tolerance: Callable[[Values], float]


def _salinity_counterparts(v: Values) -> Values:
    worked_out = salinity.salinity_from_specific_conductance(v["specific_conductance"], v["temperature"])
    # salinity goes nearly as the 1.06th power of conductance there: good within 1 % for a factor of 1.2
    back = v["specific_conductance"] * (v["salinity"] / worked_out) ** (1 / 1.06)
    return {"salinity": worked_out, "specific_conductance": back}


def _oxygen_counterparts(v: Values) -> Values:
    # of two salinities the one that fits better: a wrong one must not make oxygen look wrong
    salts, warm = [v["salinity"]], v["temperature"]
    if "specific_conductance" in v:
        salts.append(salinity.salinity_from_specific_conductance(v["specific_conductance"], warm))
    pressure = v.get("barometric_pressure", HPA_PER_ATM)
    apart, full, salt = min((_apart(v, warm, salt, pressure) for salt in salts), key=lambda one: abs(one[0]))
    per_K = log(oxygen.benson_krause(warm + _WITHIN_K, salt, pressure) / full) / _WITHIN_K
    return {
        "oxygen": v["oxygen_saturation"] / 100.0 * full,
        "oxygen_saturation": 100.0 * v["oxygen"] / full,
        "temperature": warm + apart / per_K,
    }


def _apart(v: Values, warm: float, salt: float, pressure: float) -> tuple[float, float, float]:
    """Logarithm of oxygen over what percent says it is at this salinity, with air saturation and the salinity."""
    full = oxygen.benson_krause(warm, salt, pressure)
    return log(max(v["oxygen"], 0.05) / max(v["oxygen_saturation"] / 100.0 * full, 0.05)), full, salt


# tolerances: PSS-78 of a meter's linearly compensated value, and Benson & Krause, within rounding to one decimal
RELATIONS = (
    Relation(
        ("salinity", "specific_conductance", "temperature"),
        {"salinity": 0.06, "specific_conductance": 0.1},
        _salinity_counterparts,
        lambda v: 0.1 + 0.01 * v["salinity"],
    ),
    Relation(
        ("oxygen", "oxygen_saturation", "temperature", "salinity"),
        {"oxygen": 0.06, "oxygen_saturation": 1.0, "temperature": 0.5},
        _oxygen_counterparts,
        lambda v: 0.1 + 0.01 * v["oxygen"],
    ),
)


@dataclass(slots=True)
class _Trace:
    """How one series moves: its spread about a daily mean, and how much it shakes from sample to sample."""

    mean: float = 0.0
    spread: float = 0.0
    shake: float = 0.0
    newest: tuple[float, ...] = ()

    def take(self, value: float, elapsed: float) -> None:
        if not self.newest:
            self.mean = value
        share = 1.0 - exp(-elapsed / _LEVEL_S)
        away = value - self.mean
        self.mean += share * away
        self.spread = (1.0 - share) * (self.spread + share * away * away)
        if len(self.newest) == 2:
            bend = value - 2.0 * self.newest[1] + self.newest[0]
            self.shake += (1.0 - exp(-elapsed / _SHAKE_S)) * (bend * bend - self.shake)
        self.newest = (*self.newest[-1:], value)


@dataclass(slots=True)
class _Member:
    """One quantity beside its counterpart: how both move while they fit, and since they last parted.

    rounding: of its values; same: rows of the very same value up to now; lowest, highest, bends: of the counterpart
    meanwhile; rows, frozen: since they parted, and how many of them it stood still while its counterpart went on.
    """

    rounding: float
    usual: tuple[_Trace, _Trace] = field(default_factory=lambda: (_Trace(), _Trace()))
    seen: _Trace = field(default_factory=_Trace)
    told: _Trace = field(default_factory=_Trace)
    newest: float | None = None
    same: int = 0
    lowest: float = 0.0
    highest: float = 0.0
    bends: float = 0.0
    rows: int = 0
    frozen: int = 0

    def fit(self, value: float, counterpart: float, elapsed: float) -> None:
        """A row in which all fits."""
        self._stands(value, counterpart, self.usual[1].newest)
        self.usual[0].take(value, elapsed)
        self.usual[1].take(counterpart, elapsed)

    def part(self) -> None:
        """The first row that does not fit is about to be taken in: from here on, what moves is evidence."""
        self.seen, self.told = (replace(one) for one in self.usual)
        self.rows = self.frozen = 0

    def join(self) -> None:
        """All fits again."""
        for one in self.usual:
            one.newest = ()

    def apart(self, value: float, counterpart: float, elapsed: float) -> None:
        """A row since they parted."""
        self._stands(value, counterpart, self.told.newest)
        self.seen.take(value, elapsed)
        self.told.take(counterpart, elapsed)
        self.rows += 1
        went = self.highest - self.lowest
        if self.same >= _FROZEN_ROWS and went > 3.0 * self.rounding and self.bends < 0.5 * went * self.same:
            self.frozen = max(self.frozen, min(self.same, self.rows))

    def _stands(self, value: float, counterpart: float, before: tuple[float, ...]) -> None:
        if value != self.newest:
            self.newest, self.same = value, 1
            self.lowest = self.highest = counterpart
            self.bends = 0.0
            return
        self.same += 1
        self.lowest, self.highest = min(self.lowest, counterpart), max(self.highest, counterpart)
        if len(before) == 2:
            self.bends += abs(counterpart - 2.0 * before[1] + before[0])

    @property
    def stood_still(self) -> bool:
        """Whether it was frozen for most of the time since they parted."""
        return 2 * self.frozen >= self.rows > 0

    @property
    def guilt(self) -> float:
        """How much more it moves than its counterpart, as a sum of logarithms of variances."""
        floor = self.rounding * self.rounding
        level = log((self.seen.spread + floor) / (self.told.spread + floor))
        # a second difference has six times the variance of what it is made of
        return level + log((self.seen.shake + 6.0 * floor) / (self.told.shake + 6.0 * floor))


class Consistency:
    """Watches one relation, row by row."""

    def __init__(self, relation: Relation) -> None:
        self._relation = relation
        self._members = {key: _Member(rounding) for key, rounding in relation.members.items()}
        self._rows = 0
        self._fits = 0.0
        self._last: float | None = None
        self._parted = False
        self._fitting = 0
        self._owed: list[tuple[float, str]] = []

    @property
    def members(self) -> Collection[str]:
        """The quantities it may blame."""
        return self._members

    def take(self, values: Values, mono: float) -> list[tuple[float, str, str]]:
        """The verdicts that can be given now: (monotonic second of a row, quantity to blame, why).

        values: what is usable of this row, by quantity.
        """
        try:
            told = self._told(values)
        except (ValueError, ZeroDivisionError, KeyError):
            return self._decided(mono - HINDSIGHT_S)
        elapsed = 0.0 if self._last is None else mono - self._last
        self._last = mono
        first = next(iter(self._relation.members))
        fits = abs(values[first] - told[first]) <= self._relation.tolerance(values)
        share = 1.0 - exp(-elapsed / _TRUST_S) if self._rows >= _FIRST_ROWS else 1.0 / (self._rows + 1)
        self._fits += share * (float(fits) - self._fits)
        self._rows += 1
        # a relation that hardly ever holds is not this instrument's (another pressure, another compensation)
        holds = self._rows > _FIRST_ROWS and self._fits > _HOLDS
        if not fits and holds:
            if not self._parted:
                for member in self._members.values():
                    member.part()
            self._parted = True
            self._owed.append((mono, self._words(first, values[first], told[first])))
        for key, member in self._members.items():
            (member.apart if self._parted else member.fit)(values[key], told[key], elapsed)
        self._fitting = self._fitting + 1 if fits else 0
        if self._parted and self._fitting >= _JOINED_ROWS:
            decided = self._decided(float("inf"))
            self._parted = False
            for member in self._members.values():
                member.join()
            return decided
        return self._decided(mono - HINDSIGHT_S)

    def _words(self, first: str, value: float, told: float) -> str:
        others = ", ".join(QUANTITIES[key].name for key in self._relation.needs if key != first)
        return (
            f"Does not fit: {QUANTITIES[first].name} {value:.3g} {QUANTITIES[first].unit}, by {others} {told:.3g}; "
            "by its own past this one is the likelier to be wrong."
        )

    def close(self) -> list[tuple[float, str, str]]:
        """The verdicts still owed."""
        return self._decided(float("inf"))

    def _told(self, values: Values) -> Values:
        if any(key not in values for key in self._relation.needs):
            raise KeyError
        return self._relation.counterparts(values)

    def _decided(self, until: float) -> list[tuple[float, str, str]]:
        due = [one for one in self._owed if one[0] <= until]
        if not due:
            return []
        self._owed = self._owed[len(due) :]
        blamed = self._blamed()
        return [(mono, blamed, reason) for mono, reason in due]

    def _blamed(self) -> str:
        # a thermometer stands still often enough by itself
        still = [key for key, one in self._members.items() if key != "temperature" and one.stood_still]
        return still[0] if len(still) == 1 else max(self._members, key=lambda key: self._members[key].guilt)
