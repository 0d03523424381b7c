"""What a forecast says: how long until a limit, as a middle and a range, and what that stands on."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True)
class Forecast:
    """Time until one limit of one quantity is crossed, seconds from the instant of the forecast.

    limit: in the quantity's own unit (brinewatch.quantities); middle_s: as likely sooner as later; earliest_s,
    latest_s: the range that should hold the truth nine times in ten or better; infinity means never, 0 means
    crossed already. corrected: whether measurements since the stop have corrected it; False is a figure from the
    budget alone, to be told as "at least". basis: one line on what it stands on; notes: short doubts, most
    important first.
    """

    quantity: str
    limit: float
    middle_s: float
    earliest_s: float
    latest_s: float
    corrected: bool
    basis: str
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 <= self.earliest_s <= self.middle_s <= self.latest_s:
            raise ValueError(
                f"forecast {self.quantity} {self.limit:g}: {self.earliest_s}, {self.middle_s}, {self.latest_s}: "
                "expected 0 <= earliest <= middle <= latest"
            )

    @property
    def crossed(self) -> bool:
        """The limit is behind already, as far as is known."""
        return self.middle_s == 0.0

    @property
    def never(self) -> bool:
        """Nothing in the range reaches the limit."""
        return self.earliest_s == inf
