"""The straight line between what a probe said and what is true."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite


@dataclass(frozen=True, slots=True)
class Calibration:
    """true = offset + slope * said, in the quantity's own unit. The default changes nothing.

    id: of the calibration record, kept with every reading; uncertainty: one standard uncertainty the calibration
    itself adds, in the quantity's unit.
    """

    offset: float = 0.0
    slope: float = 1.0
    id: str = ""
    uncertainty: float = 0.0

    def __post_init__(self) -> None:
        numbers = (self.offset, self.slope, self.uncertainty)
        if not all(map(isfinite, numbers)) or self.slope == 0.0 or self.uncertainty < 0.0:
            raise ValueError(
                f"calibration {self.id or '(none)'}: offset {self.offset}, slope {self.slope}, uncertainty "
                f"{self.uncertainty}: expected finite numbers, a slope other than 0 and no negative uncertainty"
            )

    def apply(self, said: float) -> float:
        """The calibrated value of what the probe said."""
        return self.offset + self.slope * said

    def standard_uncertainty(self, accuracy: float | None) -> float | None:
        """Of a calibrated reading: the probe's accuracy and the calibration's own, combined in quadrature.

        accuracy: one standard uncertainty of the probe, in the quantity's unit; None when unknown, and then so is
        the result (GUM, JCGM 100:2008, 5.1.2).
        """
        return None if accuracy is None else hypot(self.slope * accuracy, self.uncertainty)
