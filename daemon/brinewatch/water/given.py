"""The one table of what can be given: name, words, unit, and how exact it is taken to be.

The accuracies are standard uncertainties (GUM, JCGM 100:2008): absolute + relative times the value. Where nothing
else stands beside them they are judgement: what a looked-after instrument of a small shed holds between
calibrations. `--uncertainty NAME=NUMBER`, or a column NAME_uncertainty in a file, says better.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from brinewatch.seawater.load import TAN_PER_PROTEIN
from brinewatch.seawater.pressure import ALTITUDE_UNCERTAINTY_HPA, HPA_PER_ATM
from brinewatch.seawater.salinity import COMPENSATION_UNCERTAINTY, LINEAR_COMPENSATION

EXACT = "exact: as set or printed"


@dataclass(frozen=True, slots=True)
class Input:
    """One thing that can be given. The key is the column's name and, with dashes, the option's.

    example: a usual value, for the help and the tests; absolute, relative: its standard uncertainty when given;
    ground: what that stands on; default, default_uncertainty: what is taken when it is not given, if anything can;
    said: whether taking the default is worth a line to people.
    """

    key: str
    words: str
    unit: str
    example: float
    absolute: float
    relative: float = 0.0
    ground: str = "judgement"
    default: float | None = None
    default_uncertainty: float = 0.0
    said: bool = False

    @property
    def option(self) -> str:
        """As written on the command line."""
        return "--" + self.key.replace("_", "-")

    def accuracy(self, value: float) -> float:
        """Standard uncertainty of a given value."""
        return self.absolute + self.relative * abs(value)

    def accuracy_text(self) -> str:
        """The same in words."""
        parts = [f"{self.absolute:.2g} {self.unit}".strip()] if self.absolute else []
        parts += [f"{100 * self.relative:g} % of it"] if self.relative else []
        return f"{' + '.join(parts)}, {self.ground}" if parts else self.ground


_INPUTS = (
    Input("temperature_C", "water temperature", "degC", 12.0, 0.2, ground="judgement: checked at the ice point"),
    Input("salinity", "practical salinity (PSS-78)", "", 33.0, 0.5, ground="judgement: field meter, refractometer"),
    Input("station_pressure_hPa", "station pressure, not reduced to sea level", "hPa", 1013.0, 1.0,
          default=HPA_PER_ATM, default_uncertainty=ALTITUDE_UNCERTAINTY_HPA, said=True),
    Input("altitude_m", "altitude, for the mean station pressure there", "m", 20.0, 5.0),
    Input("oxygen_mg_per_L", "dissolved oxygen", "mg/L", 8.1, 0.05, 0.01),
    Input("oxygen_percent", "dissolved oxygen, percent of air saturation", "%", 93.0, 0.5, 0.01),
    Input("told_salinity", "salinity the oxygen probe was told", "", 0.0, 0.0, ground=EXACT),
    Input("told_station_pressure_hPa", "pressure the oxygen probe was told", "hPa", 1013.0, 0.0, ground=EXACT),
    Input("calibration_temperature_C", "temperature at the probe's calibration in air", "degC", 15.0, 0.5),
    Input("gas_excess_pressure_hPa", "a saturometer's delta P", "hPa", 20.0, 2.0),
    Input("conductivity_mS_per_cm", "conductivity at the water's own temperature", "mS/cm", 38.0, 0.0, 0.005),
    Input("specific_conductance_mS_per_cm", "conductance, brought to 25 degC by the meter", "mS/cm", 50.0, 0.0,
          0.005),
    Input("compensation_percent_per_K", "the meter's linear temperature compensation", "%/K", 1.91,
          COMPENSATION_UNCERTAINTY * 100.0, ground="half of the last digit (GUM 4.3.7)",
          default=LINEAR_COMPENSATION * 100.0, default_uncertainty=COMPENSATION_UNCERTAINTY * 100.0, said=True),
    Input("water_pressure_dbar", "pressure of the water above the probe", "dbar", 1.0, 0.1,
          default=0.0),
    Input("density_kg_per_m3", "density of the water: what salinity 0 to 50 has", "kg/m3", 1025.0, 0.2),
    Input("specific_gravity", "density of the water over that of fresh water", "", 1.0255, 0.0005),
    Input("hydrometer_reading", "what a glass hydrometer shows", "", 1.0255, 0.0005),
    Input("reference_temperature_C", "reference temperature of a specific gravity", "degC", 20.0, 0.0,
          ground=EXACT),
    Input("hydrometer_right_at_C", "temperature its scale is right at, if another", "degC",
          20.0, 0.0, ground=EXACT),
    Input("depth_m", "depth of water, for its head", "m", 1.0, 0.02),
    Input("ph", "pH", "", 8.0, 0.05, ground="common practice, no source: a field electrode in seawater"),
    Input("tan_mgN_per_L", "total ammonia as nitrogen (TAN)", "mg N/L", 0.5, 0.02, 0.1, "judgement: a colour kit"),
    Input("alkalinity_meq_per_L", "total alkalinity", "meq/L", 2.3, 0.0, 0.04, "judgement: a titration kit"),
    Input("alkalinity_dKH", "total alkalinity, German degrees", "dKH", 6.5, 0.0, 0.04,
          "judgement: a titration kit"),
    Input("alkalinity_mgCaCO3_per_L", "total alkalinity as calcium carbonate", "mg CaCO3/L", 115.0, 0.0, 0.04,
          "judgement: a titration kit"),
    Input("target_alkalinity_meq_per_L", "alkalinity wanted", "meq/L", 2.8, 0.0, ground="exact: what is wanted"),
    Input("volume_L", "volume of all the water", "L", 4000.0, 0.0, 0.05),
    Input("feed_g_per_day", "feed eaten a day", "g/day", 250.0, 0.0, 0.02),
    Input("protein_percent", "protein in the feed", "%", 40.0, 1.0),
    Input("tan_per_protein_percent", "ammonia-N from protein eaten", "%", TAN_PER_PROTEIN * 100.0, 0.0,
          ground="within the uncertainty of the estimate itself", default=TAN_PER_PROTEIN * 100.0, said=True),
    Input("biomass_kg", "live wet mass of the animals", "kg", 120.0, 0.0, 0.1),
    Input("excretion_mgN_per_kg_per_h", "ammonia-N a kilogram of animals gives off an hour", "mg N/(kg h)", 1.5,
          0.0, 0.3),
    Input("media_L", "volume of biofilter media", "L", 200.0, 0.0, 0.05),
    Input("media_m2_per_m3", "protected surface of the media", "m2/m3", 500.0, 0.0, 0.1),
    Input("bed_area_m2", "protected surface of the whole bed", "m2", 100.0, 0.0, 0.1),
    Input("flow_L_per_min", "flow through the denitrifying reactor", "L/min", 2.0, 0.0, 0.05),
    Input("nitrate_in_mgN_per_L", "nitrate-N into it", "mg N/L", 40.0, 0.0, 0.1, "judgement: a colour kit"),
    Input("nitrate_out_mgN_per_L", "nitrate-N out of it", "mg N/L", 30.0, 0.0, 0.1, "judgement: a colour kit"),
    Input("nitrite_in_mgN_per_L", "nitrite-N into it", "mg N/L", 0.1, 0.02, 0.1, "judgement: a colour kit",
          default=0.0),
    Input("nitrite_out_mgN_per_L", "nitrite-N out of it", "mg N/L", 0.5, 0.02, 0.1, "judgement: a colour kit",
          default=0.0),
)  # fmt: skip

INPUTS: Mapping[str, Input] = {one.key: one for one in _INPUTS}
