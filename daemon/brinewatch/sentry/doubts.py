"""What is not believed is noted, but not more often than is of use: nobody can fill a disk by lying."""

from __future__ import annotations

from brinewatch.moment import Moment

EVERY_S = 600.0


class Doubts:
    """Lets one note a source and kind through in ten minutes, and counts the rest."""

    def __init__(self) -> None:
        self._noted: dict[tuple[str, str], tuple[float, int]] = {}

    def note(self, source: str, kind: str, text: str, now: Moment) -> str | None:
        """The line to be written down, None when one of its kind was a short while ago. source, kind: few."""
        since, passed = self._noted.get((source, kind), (float("-inf"), 0))
        if now.mono - since < EVERY_S:
            self._noted[source, kind] = (since, passed + 1)
            return None
        self._noted[source, kind] = (now.mono, 0)
        return f"{text} ({passed} more before it)" if passed else text
