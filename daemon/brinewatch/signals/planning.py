"""Which derived quantities a shed can have, and from which of its points each is worked out."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from brinewatch.quantities import QUANTITIES
from brinewatch.readings import quantity_of, stage_of
from brinewatch.seawater.pressure import station_pressure_hPa
from brinewatch.signals.derived import Derivation
from brinewatch.signals.recipes import HEAD_SALINITY, HEAD_TEMPERATURE_C, RECIPES, Input, Recipe


def plan(
    measured: Collection[str],
    wanted: Iterable[str],
    order: Sequence[str],
    *,
    altitude_m: float,
    depths_m: Mapping[str, float] | None = None,
) -> tuple[list[Derivation], dict[str, str]]:
    """How each wanted point is worked out from the measured ones, and why some cannot be.

    measured, wanted: points ("stage.quantity"); order: stage keys as the water runs, to tell which is nearest (a
    stage it leaves out is far from all); altitude_m: of the shed; depths_m: deepest diffuser of each stage that has
    one. Returns the derivations, each after those it stands on (a salinity worked out for another quantity's sake
    is among them), and for every point that cannot be worked out what was expected.
    """
    planner = _Planner(measured, order, altitude_m, depths_m or {})
    missing = {}
    for point in wanted:
        if point not in planner.measured and not planner.reach(point, frozenset()):
            missing[point] = planner.expected(point)
    return list(planner.made.values()), missing


class _Planner:
    """Finds, for each point, the first recipe whose inputs are all within reach."""

    def __init__(
        self, measured: Collection[str], order: Sequence[str], altitude_m: float, depths_m: Mapping[str, float]
    ) -> None:
        self.measured = frozenset(measured)
        self.made: dict[str, Derivation] = {}
        others = sorted({stage_of(point) for point in measured} - set(order))
        self._place = {stage: number for number, stage in enumerate([*order, *others])}
        self._depths = depths_m
        self._constants = {
            "altitude_m": altitude_m,
            "station_pressure_hPa": station_pressure_hPa(altitude_m),
            "head_salinity": HEAD_SALINITY,
            "head_temperature_C": HEAD_TEMPERATURE_C,
        }

    def reach(self, point: str, above: frozenset[str]) -> bool:
        """Whether the point is measured or can be worked out; then its derivation is among those made."""
        if point in self.measured or point in self.made:
            return True
        if point in above:
            return False
        for recipe in RECIPES:
            if recipe.output == quantity_of(point):
                before = dict(self.made)
                inputs, lacking = self._inputs(recipe, point, above | {point})
                if not lacking:
                    constants = self._needed(recipe, inputs, stage_of(point))
                    self.made[point] = Derivation(point, recipe.key, inputs, constants)
                    return True
                self.made = before
        return False

    def expected(self, point: str) -> str:
        """What would make the point known, in words that fit after "expected"."""
        ways = []
        for recipe in RECIPES:
            if recipe.output == quantity_of(point):
                before = dict(self.made)
                lacking = self._inputs(recipe, point, frozenset({point}))[1]
                self.made = before
                needs = " and ".join(QUANTITIES[one.quantity].name for one in recipe.inputs if not one.assumed)
                ways.append(f"or {needs}, to work it out from (missing: {', '.join(lacking)})")
        return ", ".join(["a probe channel that feeds it", *ways])

    def _inputs(self, recipe: Recipe, point: str, above: frozenset[str]) -> tuple[dict[str, str], list[str]]:
        """Where each input comes from, and what is lacking."""
        found, lacking = {}, []
        here = stage_of(point)
        deepest = self._deepest(here) if recipe.output == "air_rise" else here
        if deepest is None:
            lacking.append("diffuser_depth_m of a stage")
        for one in recipe.inputs:
            source = self._find(one, here if not one.nearest else deepest or here, above)
            if source is not None:
                found[one.quantity] = source
            elif not one.assumed:
                lacking.append(one.quantity if one.nearest else f"{one.quantity} in this stage")
        return found, lacking

    def _find(self, one: Input, stage: str, above: frozenset[str]) -> str | None:
        stages = [stage]
        if one.nearest:
            here = self._place.get(stage, 0)
            others = [other for other in self._place if other != stage]
            # of two as near, the one upstream: its water comes here
            stages += sorted(others, key=lambda other: (abs(self._place[other] - here), self._place[other]))
        points = (f"{place}.{one.quantity}" for place in stages)
        return next((point for point in points if self.reach(point, above)), None)

    def _deepest(self, stage: str) -> str | None:
        """The stage whose diffuser sets the pressure: this one's own, or the deepest of all on the manifold."""
        if stage in self._depths:
            return stage
        return max(self._depths, key=lambda other: self._depths[other], default=None)

    def _needed(self, recipe: Recipe, inputs: Mapping[str, str], stage: str) -> dict[str, float]:
        names = {one.assumed for one in recipe.inputs if one.assumed}
        if "barometric_pressure" in inputs:
            names.add("altitude_m")
        constants = {name: self._constants[name] for name in sorted(names)}
        if recipe.output == "air_rise":
            constants["depth_m"] = self._depths[self._deepest(stage) or stage]
        return constants
