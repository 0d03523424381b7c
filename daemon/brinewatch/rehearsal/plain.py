"""The plain way: every alarm stepped at every reading. The quick way must agree with it, and is measured by it."""

from __future__ import annotations

from collections.abc import Sequence

from brinewatch.alarms.features import Features, wanted
from brinewatch.rehearsal.scans import Scans, Stretch, inputs_of, newest


def step_all(scans: Scans, since: float, until: float) -> None:
    """Step every alarm at every reading from since to before until, and whenever time alone may bring news."""
    points = points_of(scans)
    features = Features(wanted(scans.alarms))
    for point, reach_s in features.reach.items():
        features.replay(scans.record.readings([point], since - reach_s, since))
    readings = newest(scans.record, points, since)
    readings.update(features.readings)
    stretch = Stretch(scans, scans.alarms, readings, [features], every=True)
    stretch.play(scans.record.readings(points, since, until), since, until, afresh=True)


def points_of(scans: Scans) -> Sequence[str]:
    """All that any of the alarms looks up."""
    return list(dict.fromkeys(point for alarm in scans.alarms for point in inputs_of(alarm)))
