"""The condition of a rule as it is written, `when = { ... }`, read into what is judged; and `only = { ... }`.

One condition has one head (below, falls, all ...) and the keys that belong to it. All faults are found at once.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from brinewatch.alarms.combined import All, Either, Not, Part
from brinewatch.alarms.condition import Condition, Where
from brinewatch.alarms.conditions import Above, Below, Differs, Failed, Is, Stale
from brinewatch.alarms.limits import limit_in_span
from brinewatch.alarms.only import Only
from brinewatch.alarms.stretches import PER_S, Flat, Foreseen, Often, Overdue, Rate
from brinewatch.alarms.written import OnlySettings, PartSettings, Plain, When
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import quantity_of


@dataclass(frozen=True, slots=True)
class _Head:
    """A head of a condition, and the keys that must and may go with it."""

    needs: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    about_data: bool = False
    measured: bool = False  # speaks of a number with a unit


_RATE = _Head(("over_s",), ("per",), measured=True)
_APART = _Head(("by",), measured=True)
_AHEAD = _Head(("within_s",), ("time",), measured=True)
HEADS: Mapping[str, _Head] = {
    "below": _Head(measured=True), "above": _Head(measured=True), "state": _Head(),
    "stale_s": _Head(about_data=True), "failed": _Head(about_data=True),
    "differs_from": _APART, "higher_than": _APART, "lower_than": _APART,
    "falls": _RATE, "rises": _RATE, "changes": _RATE,
    "flat_s": _Head(("within",), measured=True), "starts_more_than": _Head(("over_s",), ("state", "of")),
    "overdue_s": _Head((), ("since",)), "forecast_below": _AHEAD, "forecast_above": _AHEAD,
    "all": _Head(), "any": _Head(), "not": _Head(),
}  # fmt: skip
# the number a shed may change as `limit`: what the head itself says, or another key
LIMIT_OF: Mapping[str, str] = {
    **{key: key for key, head in HEADS.items() if head.measured and key != "flat_s"},
    **dict.fromkeys(("differs_from", "higher_than", "lower_than"), "by"),
    "flat_s": "within", "starts_more_than": "starts_more_than",
}  # fmt: skip

Say = Callable[[str, object, str], None]


def heads_of(when: Plain) -> list[str]:
    """The heads written in a condition."""
    said = _said(when)
    found = [key for key in HEADS if key in said]
    return [key for key in found if key != "state" or "starts_more_than" not in found]


def _said(when: Plain) -> dict[str, Any]:
    """What is written in the table, by its keys."""
    named = {(field.alias or key): getattr(when, key) for key, field in type(when).model_fields.items()}
    return {key: value for key, value in named.items() if value is not None}


def amount(quantity: Quantity, value: float, unit: str) -> float:
    """A difference in one of the quantity's units, in its own."""
    return quantity.to_canonical(value, unit) - quantity.to_canonical(0.0, unit)


@dataclass(frozen=True, slots=True)
class Reader:
    """Reads a condition for one quantity. say: told each fault, as (key path, value, what was expected).

    key: the path of the rule or part ("" or "when.all[1]."); band: deadband in `unit`.
    """

    quantity: str
    unit: str
    band: float
    say: Say
    key: str = ""
    path: str = ""  # of parts: "2." before those of the second

    def read(self, when: When, inner: str = "when.") -> tuple[Condition, float] | None:
        """The condition and its deadband in the quantity's own unit; None after a fault was said.

        inner: what stands before the keys of the condition in the place of a fault.
        """
        head = self._head(when, inner)
        if head is None:
            return None
        quantity = QUANTITIES.get(self.quantity)
        if quantity is None and not (self.quantity == "any" and HEADS[head].about_data):
            extra = ", or any for a rule about data" if HEADS[head].about_data else ""
            self.say(f"{self.key}quantity", self.quantity, f"one of {', '.join(sorted(QUANTITIES))}{extra}")
            return None
        if when.stale_s is not None:
            return self._unbanded(Stale(when.stale_s))
        if when.failed is not None:
            return self._unbanded(Failed())
        assert quantity is not None
        reader = _Valued(self, quantity, when, f"{self.key}{inner}")
        if head in ("all", "any", "not"):
            return self._unbanded(reader.combined(head))
        if HEADS[head].measured or when.of is not None:
            return reader.measured(head)
        if when.overdue_s is not None:
            return self._unbanded(Overdue(when.overdue_s, when.since or "entry"))
        return self._unbanded(reader.of_states() if head == "state" else reader.often())

    def _head(self, when: When, inner: str) -> str | None:
        found, said = heads_of(when), _said(when)
        if len(found) != 1:
            key = f"{self.key}{inner}".removesuffix(".")
            self.say(key, ", ".join(found) or None, f"exactly one of {', '.join(HEADS)}")
            return None
        [head] = found
        belongs = {head, *HEADS[head].needs, *HEADS[head].may, *_PART_KEYS}
        wrong = False
        for key in HEADS[head].needs:
            if key not in said:
                self.say(f"{self.key}{inner}{key}", None, f"this key, which {head} needs")
                wrong = True
        for key, value in said.items():
            if key not in belongs:
                with_it = ", ".join(other for other, one in HEADS.items() if key in (*one.needs, *one.may))
                shown = value if isinstance(value, (int, float, str)) else "(a table)"
                self.say(f"{self.key}{inner}{key}", shown, f"no such key beside {head}; it goes with {with_it}")
                wrong = True
        return None if wrong else head

    def _unbanded(self, condition: Condition | None) -> tuple[Condition, float] | None:
        if condition is None:
            return None
        if self.band:
            hint = ": each part has its own" if condition.head in ("all", "any", "not") else ""
            self.say(f"{self.key}deadband", self.band, f"none: only a limit has a deadband{hint}")
        return condition, 0.0


_PART_KEYS = ("quantity", "point", "unit", "deadband", "for_s")


@dataclass(frozen=True, slots=True)
class _Valued:
    """A condition of a known quantity."""

    reader: Reader
    quantity: Quantity
    when: When
    here: str

    def _say(self, key: str, value: object, expected: str) -> None:
        self.reader.say(f"{self.here}{key}", value, expected)

    def of_states(self) -> Condition | None:
        assert self.when.state is not None
        state = self._state(self.when.state)
        return None if state is None else Is(state)

    def _state(self, name: str) -> int | None:
        states = self.quantity.states
        if states is None or name not in states:
            known = " or ".join(states) if states else "below or above: it has no named states"
            self._say("state", name, known)
            return None
        return states.index(name)

    def measured(self, head: str) -> tuple[Condition, float] | None:
        """A condition that speaks of a number in a unit, with its deadband."""
        quantity, unit, states = self.quantity, self.reader.unit, self.quantity.states
        value = _said(self.when)[head]
        if states is not None:
            known = " or ".join(f'"{state}"' for state in states)
            self._say(head, value if not isinstance(value, Plain) else "(a table)", f"state = {known}")
            return None
        if not quantity.accepts(unit):
            self.reader.say(
                f"{self.reader.key}unit", unit or None, f"one of {', '.join([quantity.unit, *quantity.units])}"
            )
            return None
        band = amount(quantity, self.reader.band, unit)
        if head in ("below", "above"):
            return self._limit(head, self.when, band, self.here)
        if head in Differs.HEADS:
            return self._differs(head, unit, band)
        if head in ("falls", "rises", "changes"):
            over = self.when.over_s
            assert over is not None
            per = self.when.per or "h"
            speed = amount(quantity, value, unit)
            span = quantity.high - quantity.low
            if not speed / PER_S[per] * over < span:
                self._say(head, value, f"less than the {span:g} {quantity.unit} the quantity spans, in its window")
            return Rate(speed, head, per, over), self._band(band, speed)
        if head == "starts_more_than":
            return self._often_of(band)
        if head == "flat_s":
            assert self.when.flat_s is not None
            assert self.when.within is not None
            within = self._amount("within", self.when.within, unit)
            return self.reader._unbanded(Flat(self.when.flat_s, within))
        assert self.when.within_s is not None
        made = self._limit(head, self.when, 0.0, self.here)
        side = head.removeprefix("forecast_")
        limit = quantity.to_canonical(value, unit)
        foreseen = Foreseen(side, limit, self.when.within_s, self.when.time or "earliest")
        return None if made is None else self.reader._unbanded(foreseen)

    def _limit(self, head: str, when: Plain, band: float, here: str) -> tuple[Condition, float]:
        limit = self.quantity.to_canonical(_said(when)[head], self.reader.unit)
        for key, value, expected in limit_in_span(self.quantity, limit, band):
            self.reader.say(f"{self.reader.key}deadband" if key == "deadband" else f"{here}{head}", value, expected)
        return (Above(limit) if head.endswith("above") else Below(limit)), band

    def _amount(self, key: str, value: float, unit: str) -> float:
        made, span = amount(self.quantity, value, unit), self.quantity.high - self.quantity.low
        if not made < span:
            self._say(key, value, f"smaller than the {span:g} {self.quantity.unit} the quantity spans")
        return made

    def _band(self, band: float, limit: float) -> float:
        if not 0 <= band < limit:
            self.reader.say(f"{self.reader.key}deadband", self.reader.band, "0 or more, and smaller than the limit")
        return band

    def _differs(self, head: str, unit: str, band: float) -> tuple[Condition, float]:
        assert self.when.by is not None
        other = _said(self.when)[head]
        key = quantity_of(other)
        if key not in QUANTITIES:
            self._say(head, other, "a point (stage.quantity) or a quantity")
        elif QUANTITIES[key].unit != self.quantity.unit or QUANTITIES[key].states is not None:
            self._say(head, other, f"a point or quantity in {self.quantity.unit}, as the rule's")
        by = self._amount("by", self.when.by, unit)
        return Differs(Where(other), by, Differs.HEADS[head]), self._band(band, by)

    def often(self) -> Condition | None:
        states, when = self.quantity.states, self.when
        assert when.starts_more_than is not None
        assert when.over_s is not None
        if states is None:
            self._say("of", None, "this key: what is counted, as { above = 2.0 }")
            return None
        state = self._state(when.state) if when.state is not None else 1
        return None if state is None else Often(Is(state), when.starts_more_than, when.over_s)

    def _often_of(self, band: float) -> tuple[Condition, float] | None:
        when = self.when
        assert when.of is not None
        assert when.starts_more_than is not None
        assert when.over_s is not None
        heads = heads_of(when.of)
        if when.state is not None or len(heads) != 1 or heads[0] == "state":
            self._say("of", ", ".join(heads) or None, "exactly one of below, above")
            return None
        what, band = self._limit(heads[0], when.of, band, f"{self.here}of.")
        assert isinstance(what, (Below, Above))
        # the deadband belongs to what is counted
        return Often(what, when.starts_more_than, when.over_s, band), band

    def combined(self, head: str) -> Condition | None:
        written = _said(self.when)[head]
        if head == "not":
            parts = [self._part(written, f"{self.here}not", "1")]
        else:
            parts = [
                self._part(one, f"{self.here}{head}[{place}]", str(place)) for place, one in enumerate(written, 1)
            ]
        found = tuple(part for part in parts if part is not None)
        if len(found) < len(parts):
            return None
        return {"all": All, "any": Either, "not": Not}[head](found)

    def _part(self, one: PartSettings, here: str, place: str) -> Part | None:
        own, path = self.quantity.key, f"{self.reader.path}{place}"
        if one.point is not None and one.quantity is not None:
            self.reader.say(f"{here}.quantity", one.quantity, "either a point or a quantity")
            return None
        asked = one.point or one.quantity or ""
        quantity = quantity_of(asked) if asked else own
        if asked and (quantity not in QUANTITIES or (one.point is not None and "." not in one.point)):
            key = "point" if one.point is not None else "quantity"
            known = "a point, as stage.quantity" if one.point is not None else f"one of {', '.join(QUANTITIES)}"
            self.reader.say(f"{here}.{key}", asked, known)
            return None
        unit = one.unit if one.unit is not None else self.reader.unit if quantity == own else ""
        reader = Reader(quantity, unit, one.deadband, self.reader.say, f"{here}.", f"{path}.")
        made = reader.read(one, "")
        if made is None:
            return None
        condition, band = made
        where = Where(asked) if asked else None
        return Part(condition, path, where, quantity if asked else "", band, one.for_s)


_HOURS = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])-([01][0-9]|2[0-3]):([0-5][0-9])")


def read_only(only: OnlySettings, say: Say) -> Only | None:
    """When the rule counts; None after a fault was said."""
    wrong = False
    hours: tuple[int, int] | None = None
    if only.hours is not None:
        match = _HOURS.fullmatch(only.hours)
        times = [int(one) for one in match.groups()] if match else [0] * 4
        hours = (60 * times[0] + times[1], 60 * times[2] + times[3])
        if hours[0] == hours[1]:
            say("only.hours", only.hours, 'two different times, as "22:00-06:00"')
            wrong = True
    if only.months is not None and len(set(only.months)) != len(only.months):
        say("only.months", only.months, "each month once")
        wrong = True
    states = QUANTITIES["start_up"].states or ()
    for stage in only.start_up or ():
        if stage not in states:
            say("only.start_up", stage, f"one of {', '.join(states)}")
            wrong = True
    if not (only.hours or only.months or only.start_up):
        say("only", "(a table)", "at least one of hours, months, start_up")
        wrong = True
    if wrong:
        return None
    return Only(hours, tuple(only.months or ()), tuple(states.index(stage) for stage in only.start_up or ()))
