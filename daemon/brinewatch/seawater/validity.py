"""The refusal every equation shares: what was given, and what it may be used for."""

from __future__ import annotations

import math


def within(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """The value itself, when it is a finite number in low..high; ValueError naming it and the range otherwise."""
    tail = f" {unit}" if unit else ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{name} = {value!r} is not a number: expected {low:g} to {high:g}{tail}")
    if not math.isfinite(value):
        raise ValueError(f"{name} = {value} is not a finite number: expected {low:g} to {high:g}{tail}")
    if not low <= value <= high:
        raise ValueError(f"{name} = {value:g}{tail} is outside the valid range {low:g} to {high:g}{tail}")
    return value


def not_negative(name: str, value: float, high: float, unit: str = "") -> float:
    """A concentration or a length: finite, 0 or more, and below what could be meant."""
    return within(name, value, 0.0, high, unit)
