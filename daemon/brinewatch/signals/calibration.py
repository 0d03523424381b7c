"""The straight line between what a probe said and what is true."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, isfinite

DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Calibration:
    """true = offset + slope * said, in the quantity's own unit. The default changes nothing.

    id: of the calibration record, kept with every reading; uncertainty: one standard uncertainty the calibration
    itself adds on the day it was made, in the quantity's unit; drift_per_day: what each day since adds to it;
    made_utc: when it was held against the truth, UTC seconds, None when it never was.
    """

    offset: float = 0.0
    slope: float = 1.0
    id: str = ""
    uncertainty: float = 0.0
    drift_per_day: float = 0.0
    made_utc: float | None = None

    def __post_init__(self) -> None:
        numbers = (self.offset, self.slope, self.uncertainty, self.drift_per_day)
        if not all(map(isfinite, numbers)) or self.slope == 0.0 or min(self.uncertainty, self.drift_per_day) < 0.0:
            raise ValueError(
                f"calibration {self.id or '(none)'}: offset {self.offset}, slope {self.slope}, uncertainty "
                f"{self.uncertainty}, drift {self.drift_per_day}: expected finite numbers, a slope other than 0 "
                "and no negative uncertainty or drift"
            )

    def apply(self, said: float) -> float:
        """The calibrated value of what the probe said."""
        return self.offset + self.slope * said

    def age_days(self, utc: float) -> float:
        """Days between an instant and the calibration, before or after it; 0 when there never was one."""
        return 0.0 if self.made_utc is None else abs(utc - self.made_utc) / DAY_S

    def standard_uncertainty(self, accuracy: float | None, age_days: float = 0.0) -> float | None:
        """Of a calibrated reading: the probe's accuracy, the calibration's own and its age, in quadrature.

        accuracy: one standard uncertainty of the probe, in the quantity's unit; None when unknown, and then so is
        the result (GUM, JCGM 100:2008, 5.1.2). age_days: see the method of that name.
        """
        if accuracy is None:
            return None
        return hypot(self.slope * accuracy, self.uncertainty, self.drift_per_day * age_days)
