"""What a person typed, as a number: digits alone, for the unit stands beside the field."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from brinewatch.errors import BrinewatchError
from brinewatch.quantities import QUANTITIES, Quantity
from brinewatch.readings import quantity_of

# of these several animals may be measured, and all their numbers typed
SAMPLED = ("mean_weight", "roe_yield", "meat_yield")
# of these every entry adds to the ones before
ADDED_UP = ("feed_given", "feed_left", "deaths", "animals_taken", "water_change")
_WHOLE = ("deaths", "animals_taken")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
_DONE = {"done": 1.0, "yes": 1.0, "on": 1.0, "1": 1.0, "not done": 0.0, "no": 0.0, "0": 0.0}
_MOST = 500


@dataclass(frozen=True, slots=True)
class Sample:
    """Several animals measured. spread: standard deviation, None of one alone."""

    count: int
    mean: float
    spread: float | None

    @property
    def error(self) -> float | None:
        """Standard error of the mean."""
        return None if self.spread is None else self.spread / math.sqrt(self.count)


def numbers_of(text: str) -> list[float]:
    """The numbers of a text, apart by spaces, semicolons or lines; a decimal comma is a point.

    BrinewatchError for anything else.
    """
    found = []
    for word in re.split(r"[;\s]+", text.strip()):
        bare = word.rstrip(",")
        if not bare:
            continue
        if not _NUMBER.fullmatch(bare):
            raise BrinewatchError(f"{word[:30]!r} is no number.", "Write digits, as 12 or 0.4; the unit is given.")
        found.append(float(bare.replace(",", ".")))
    return found


def sample_of(text: str) -> Sample | None:
    """The animals of one typed line; None when it holds no numbers."""
    try:
        numbers = numbers_of(text)
    except BrinewatchError:
        return None
    if not numbers:
        return None
    mean = math.fsum(numbers) / len(numbers)
    spread = None
    if len(numbers) > 1:
        spread = math.sqrt(math.fsum((one - mean) ** 2 for one in numbers) / (len(numbers) - 1))
    return Sample(len(numbers), mean, spread)


def value_of(point: str, text: str, unit: str | None = None) -> float:
    """The value a person typed for a point, in the unit it is asked in (None: the quantity's own).

    Of a sample the mean. BrinewatchError for what is none, with what was expected.
    """
    quantity = QUANTITIES[quantity_of(point)]
    if quantity.states is not None:
        return _state(quantity, text)
    bare = text.strip().removesuffix(unit or quantity.unit).strip()
    numbers = numbers_of(bare)
    if not numbers:
        raise BrinewatchError(f"There is no number for {quantity.name}.", "Write one, or leave the field empty.")
    if len(numbers) > 1 and quantity.key not in SAMPLED:
        raise BrinewatchError(
            f"{text.strip()[:40]!r} is more than one number for {quantity.name}.", "Write one: 0.4, not 0 4."
        )
    if len(numbers) > _MOST:
        raise BrinewatchError(f"{len(numbers)} numbers are more than one weighing.", f"At most {_MOST}.")
    for one in numbers if len(numbers) > 1 else ():  # of a single one the wire it is entered by sees to that
        if not quantity.low <= quantity.to_canonical(one, unit or quantity.unit) <= quantity.high:
            low, high = (
                quantity.from_canonical(end, unit or quantity.unit) for end in (quantity.low, quantity.high)
            )
            raise BrinewatchError(
                f"{one:g} {unit or quantity.unit} cannot be {quantity.name}.",
                f"Between {low:g} and {high:g} was expected; check the number and the unit.",
            )
    if quantity.key in _WHOLE and not numbers[0].is_integer():
        raise BrinewatchError(f"{numbers[0]:g} is no number of animals.", "Write a whole number.")
    return math.fsum(numbers) / len(numbers)


def _state(quantity: Quantity, text: str) -> float:
    words = text.strip().lower()
    states = [one.lower() for one in quantity.states or ()]
    if words in states:
        return float(states.index(words))
    if len(states) == 2 and words in _DONE:
        return _DONE[words]
    raise BrinewatchError(f"{text.strip()[:30]!r} is no state of {quantity.name}.", f"One of: {', '.join(states)}.")
