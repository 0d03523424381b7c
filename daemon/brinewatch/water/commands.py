"""The commands, in the order they are listed."""

from __future__ import annotations

from collections.abc import Mapping

from brinewatch.water.acids import CO2, DOSE, PH
from brinewatch.water.ammonias import AMMONIA
from brinewatch.water.gases import OXYGEN
from brinewatch.water.loads import LOAD
from brinewatch.water.salt import DENSITY, SALINITY
from brinewatch.water.work import Command

COMMANDS: Mapping[str, Command] = {
    one.name: one for one in (OXYGEN, AMMONIA, SALINITY, DENSITY, PH, CO2, DOSE, LOAD)
}
