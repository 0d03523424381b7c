"""A reading, and the sample it was made of."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from brinewatch.moment import Moment

# what `probe` begins with where a reading was brought in from a file of earlier records
IMPORTED = "import "


class Flag(IntEnum):
    """QARTOD primary flags (IOOS QARTOD manuals, table 3-1; also UNESCO IOC 54:V3)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9

    @property
    def usable(self) -> bool:
        """Whether an alarm may judge the value; nothing is ever cleared on 2, 4 or 9."""
        return self in (1, 3)  # PASS and SUSPECT; asked of every alarm at every scan


@dataclass(frozen=True, slots=True)
class Sample:
    """What a driver got for one measuring point, before calibration and quality tests.

    point: "stage.quantity"; value: in the quantity's own unit, None when there is none;
    raw: the number as it stood on the wire; reason: why there is no value, for people;
    flag: PASS when the driver has no doubt, FAIL when bytes came but no value may be made of them,
    MISSING when nothing came, SUSPECT when the device itself hints at doubt.
    """

    point: str
    value: float | None
    raw: float | None
    at: Moment
    probe: str
    flag: Flag = Flag.PASS
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Ingredient:
    """One thing a derived reading stands on, down to what was measured.

    name: the point that was measured, else what was taken as known ("station pressure by altitude", "diffuser
    depth") or the published formulation; value: in that point's own unit, None for a formulation; age_s: at the
    reading's stamp; share: what it adds to the reading's standard uncertainty, in the reading's unit with the sign
    of its effect, None when unknown. The uncertainty is the root of the sum of the squares of the shares.
    """

    name: str
    value: float | None
    age_s: float
    share: float | None


@dataclass(frozen=True, slots=True)
class Reading:
    """A trusted-or-not value of one measuring point at one instant. Everything downstream judges these.

    raw: what the probe said in the quantity's own unit, before calibration, never changed afterwards; None for a
    derived reading; value: raw through the calibration in force at the time, whose id is in `calibration`;
    uncertainty: one standard uncertainty in the quantity's unit, None when unknown;
    age_s: age of the oldest input at the stamp (0 for a direct reading; hours for a manual test);
    basis: what the number stands on when that matters, for people ("as N, pH on NBS scale; from TAN 3 h old, ...");
    ingredients: the same for programs, of a derived reading with a value; not kept in the history.
    """

    point: str
    quantity: str
    value: float | None
    raw: float | None
    flag: Flag
    reason: str
    at: Moment
    probe: str
    uncertainty: float | None = None
    calibration: str = ""
    age_s: float = 0.0
    basis: str = ""
    ingredients: tuple[Ingredient, ...] = ()

    @property
    def usable(self) -> bool:
        return self.value is not None and self.flag.usable


def stage_of(point: str) -> str:
    """The stage a point belongs to: everything before the last dot."""
    return point.rpartition(".")[0]


def quantity_of(point: str) -> str:
    """The quantity a point measures: everything after the last dot."""
    return point.rpartition(".")[2]
