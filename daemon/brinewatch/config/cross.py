"""Which of a shed's points are held against each other, and what physics allows there."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from brinewatch.config.reader import Reader
from brinewatch.config.sections import Stage
from brinewatch.settings import key_path
from brinewatch.signals.crosscheck import Compare, CrossPlan, Neighbour, Physics, fastest_K_per_s


def cross_plan(reader: Reader, stages: Iterable[Stage], known: Collection[str]) -> CrossPlan:
    """The plan of the cross-checks; a point nobody measures or works out is a fault.

    known: every point with a value, measured or derived.
    """
    compare: list[Compare] = reader.many("compare")
    neighbour: list[Neighbour] = reader.many("neighbour")
    physics: Physics = reader.section("physics", Physics()) or Physics()
    for place, row in enumerate(reader.raw("compare")):
        points = row.get("points")
        for number, point in enumerate(points if isinstance(points, list) else []):
            _check(reader, ("compare", place, "points", number), point, known)
    for place, row in enumerate(reader.raw("neighbour")):
        for key in ("point", "partner"):
            _check(reader, ("neighbour", place, key), row.get(key), known)
    return CrossPlan(
        compare=tuple(compare),
        neighbour=tuple(neighbour),
        oxygen_above_percent=None if physics.pure_oxygen else physics.oxygen_above_percent,
        heat=_heat(stages, known),
    )


def _heat(stages: Iterable[Stage], known: Collection[str]) -> dict[str, float]:
    """The fastest change of temperature, K/s, of each stage whose volume is known."""
    fastest = {}
    for stage in stages:
        point = f"{stage.settings.key}.temperature"
        if stage.settings.volume_l is not None and point in known:
            fastest[point] = fastest_K_per_s(stage.settings.volume_l, stage.settings.heat_kw)
    return fastest


def _check(reader: Reader, under: tuple[object, ...], point: object, known: Collection[str]) -> None:
    if isinstance(point, str) and point not in known:
        reader.fault(key_path(under), point, f"a point with a value; there are: {', '.join(sorted(known))}")
