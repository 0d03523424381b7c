"""From a shed file to what `Past` has to know."""

from __future__ import annotations

from brinewatch.config import ShedFile
from brinewatch.querying.past import How

# a reading of a point without an alarm stands so long at most
USUAL_AGE_S = 300.0


def how(shed: ShedFile) -> How:
    """How past readings are to be seen in this shed."""
    accuracies = {name: channel.accuracy for name, (_, _, channel) in shed.channels().items()}
    return How(accuracies, shed.derivations, shed.zone)


def max_age_s(shed: ShedFile, point: str) -> float:
    """How long a reading of a point stands for it: as long as its alarms judge by it."""
    return max((one.max_age_s for one in shed.alarms if one.point == point), default=USUAL_AGE_S)
