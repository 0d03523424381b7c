"""What was typed into the form of one alarm's limits, as numbers; and those in force as they are typed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from brinewatch.alarms.altered import KEYS, in_own_unit, is_difference, numbers_of, unit_of
from brinewatch.alarms.rules import Alarm
from brinewatch.errors import BrinewatchError
from brinewatch.husbandry.typed import numbers_of as read_numbers
from brinewatch.moment import seconds_of
from brinewatch.page.limit_views import NumberField, Refused
from brinewatch.quantities import QUANTITIES
from brinewatch.signals.display import DisplayUnits

_NAMES = {
    "limit": "Limit", "deadband": "Deadband: how far back inside counts as over",
    "on_delay_s": "Delay before it calls", "off_delay_s": "Delay before it is over",
}  # fmt: skip
_SPAN_HINT = "as 45s, 10m, 2h; 0 for none"
_NONE = ("0", "none", "0s")
_DIGITS = 10  # of a number turned into another unit


def units_for(alarm: Alarm, display: DisplayUnits) -> list[str]:
    """The units its limit may be typed in, the one people are shown first."""
    if "limit" not in numbers_of(alarm) or alarm.quantity not in QUANTITIES:
        return []
    quantity = QUANTITIES[alarm.quantity]
    first = {"degC": display.temperature, "kPa": display.pressure}.get(quantity.unit, quantity.unit)
    known = [quantity.unit, *quantity.units]
    return sorted(known, key=lambda one: one != first)


def number_text(alarm: Alarm, key: str, value: float, unit: str) -> str:
    """A number of an alarm, in its own unit, as it is typed in another."""
    if key.endswith("_s"):
        return "0" if not value else f"{value / 60:g}m" if value >= 60 and value % 60 == 0 else f"{value:g}s"
    quantity = QUANTITIES[alarm.quantity]
    if key == "deadband" or is_difference(alarm):
        return f"{value / in_own_unit(alarm.quantity, 1.0, unit, difference=True):.6g}"
    return f"{quantity.from_canonical(value, unit):.6g}"


def fields_of(base: Alarm, now: Alarm, units: Sequence[str]) -> list[NumberField]:
    """Every number that may be typed, as it is in force."""
    unit, found = units[0] if units else "", []
    own, there = numbers_of(base), numbers_of(now)
    for key in [key for key in KEYS if key in there]:
        text, its = (number_text(alarm, key, numbers[key], unit) for alarm, numbers in ((now, there), (base, own)))
        said = "" if key.endswith("_s") else unit_of(now, unit) if key == "limit" else unit
        hint = _SPAN_HINT if key.endswith("_s") else ""
        found.append(NumberField(key, _NAMES[key], hint, text, said, its if its != text else ""))
    return found


def wanted(base: Alarm, now: Alarm, typed: Mapping[str, str], units: Sequence[str]) -> dict[str, float | str]:
    """What is to differ from the shed's own rules, in the quantity's own unit. Refused names every field that is
    wrong."""
    unit = typed.get("unit") or (units[0] if units else "")
    faults, found = {}, dict[str, float | str]()
    if units and unit not in units:
        raise Refused({"unit": f"{unit[:20]!r} is no unit of it: one of {', '.join(units)}."})
    shown = units[0] if units else ""
    there, own = numbers_of(now), numbers_of(base)
    for key in [key for key in KEYS if key in there]:
        text = typed.get(key, "").strip()[:60]
        if text == number_text(now, key, there[key], shown) and (key.endswith("_s") or unit == shown):
            value = there[key]  # not touched: no rounding of what was shown
        else:
            try:
                value = _value(base, key, text, unit)
            except BrinewatchError as error:
                faults[key] = str(error)
                continue
        if value != own[key]:
            found[key] = value
    if faults:
        raise Refused(faults)
    if not found and own == there:
        raise Refused({"": "These are the values in force: type others to try them."})
    if units and ("limit" in found or "deadband" in found):
        found["unit"] = QUANTITIES[base.quantity].unit
    return found


def _value(alarm: Alarm, key: str, text: str, unit: str) -> float:
    if key.endswith("_s"):
        if text.lower() in _NONE:
            return 0.0
        try:
            return seconds_of(text)
        except ValueError:
            raise BrinewatchError(f"{text[:30]!r} is no length of time.", f"Write it {_SPAN_HINT}.") from None
    numbers = read_numbers(text.removesuffix(unit).strip())
    if len(numbers) != 1 or not math.isfinite(numbers[0]):
        raise BrinewatchError(f"{text[:30]!r} is not one number.", "Write one, as 65 or 0.4.")
    difference = key == "deadband" or is_difference(alarm)
    value = in_own_unit(alarm.quantity, numbers[0], unit, difference=difference)
    return float(f"{value:.{_DIGITS}g}")
