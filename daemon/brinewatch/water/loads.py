"""Works of `water load`."""

from __future__ import annotations

from brinewatch.seawater import carbonate, load
from brinewatch.water.work import Choices, Command, Values, Work, relative

_BED = "Nijhof & Bovendeur 1990, Aquaculture 87:133; temperature and half order judgement"
_STOICHIOMETRY = "stoichiometry, no growth: NH4+ + 2 O2 -> NO3- + H2O + 2 H+"
_WATER = {"temperature_C": (0.0, 36.0), "salinity": (0.0, 45.0)}
_AREA = {"bed_area_m2": (0.01, 1e7)}
_LOAD = "tan_load_gN_per_day"


def _balance(v: Values) -> float:
    most = v["bed_area_m2"] * load.highest_rate(v["temperature_C"], v["salinity"])
    if v[_LOAD] > most:
        raise ValueError(f"the load, {v[_LOAD]:.3g} g N/day, is more than this bed takes at any TAN, {most:.3g}")
    return load.tan_in_balance_mgN_L(v[_LOAD], v["bed_area_m2"], v["temperature_C"], v["salinity"])


def works(choices: Choices) -> list[Work]:
    """Ammonia made, what a bed takes, what that uses, and what a denitrifying reactor removes."""
    return [
        Work(_LOAD, "ammonia made", "g N/day", ("feed_g_per_day", "protein_percent", "tan_per_protein_percent"),
             lambda v: load.tan_from_feed_gN_day(
                 v["feed_g_per_day"], v["protein_percent"] / 100.0, v["tan_per_protein_percent"] / 100.0),
             "Timmons & Ebeling, Recirculating Aquaculture: 9.2 % of protein (from memory)",
             {"feed_g_per_day": (0.0, 1e6), "protein_percent": (0.0, 100.0),
              "tan_per_protein_percent": (0.0, 16.0)},
             own=relative(load.FEED_RELATIVE_UNCERTAINTY)),
        Work(_LOAD, "ammonia given off", "g N/day", ("biomass_kg", "excretion_mgN_per_kg_per_h"),
             lambda v: load.tan_from_excretion_gN_day(v["biomass_kg"], v["excretion_mgN_per_kg_per_h"]),
             "mass times excretion times 24 h",
             {"biomass_kg": (0.0, 1e5), "excretion_mgN_per_kg_per_h": (0.0, 100.0)}),
        Work("tan_rise_mgN_per_L_per_day", "TAN would rise, with no bed, by", "mg N/L a day", (_LOAD, "volume_L"),
             lambda v: load.tan_rise_mgN_L_day(v[_LOAD], v["volume_L"]), "load over volume",
             {"volume_L": (1.0, 1e8)}),
        Work("bed_area_m2", "protected surface of the bed", "m2", ("media_L", "media_m2_per_m3"),
             lambda v: load.bed_area_m2(v["media_L"], v["media_m2_per_m3"]), "volume times specific surface",
             {"media_L": (0.0, 1e7), "media_m2_per_m3": (10.0, 5000.0)}),
        Work("bed_most_gN_per_day", "most a mature bed takes, however much TAN", "g N/day",
             ("bed_area_m2", "temperature_C", "salinity"),
             lambda v: v["bed_area_m2"] * load.highest_rate(v["temperature_C"], v["salinity"]), _BED,
             _WATER | _AREA, own=relative(load.RATE_RELATIVE_UNCERTAINTY)),
        Work("bed_capacity_gN_per_day", "a mature bed takes at this TAN", "g N/day",
             ("bed_area_m2", "tan_mgN_per_L", "temperature_C", "salinity"),
             lambda v: load.bed_capacity_gN_day(
                 v["bed_area_m2"], v["tan_mgN_per_L"], v["temperature_C"], v["salinity"]),
             _BED, _WATER | _AREA | {"tan_mgN_per_L": (0.0, 1000.0)},
             own=relative(load.RATE_RELATIVE_UNCERTAINTY)),
        Work("tan_in_balance_mgN_per_L", "TAN at which the bed takes the load", "mg N/L",
             (_LOAD, "bed_area_m2", "temperature_C", "salinity"),
             _balance,
             _BED, _WATER | _AREA, own=relative(2.0 * load.RATE_RELATIVE_UNCERTAINTY)),
        Work("nitrification_oxygen_g_per_day", "nitrifying the load uses oxygen", "g/day", (_LOAD,),
             lambda v: load.nitrification_oxygen_g(v[_LOAD]), f"4.57 g a gram N; {_STOICHIOMETRY}", {}),
        Work("nitrification_alkalinity_eq_per_day", "and alkalinity", "eq/day", (_LOAD,),
             lambda v: load.nitrification_alkalinity_eq(v[_LOAD]), f"0.143 eq a gram N; {_STOICHIOMETRY}", {}),
        Work("nitrification_alkalinity_gCaCO3_per_day", "the same as calcium carbonate", "g CaCO3/day", (_LOAD,),
             lambda v: load.nitrification_alkalinity_g_caco3(v[_LOAD]), f"7.14 g a gram N; {_STOICHIOMETRY}", {}),
        Work("bicarbonate_g_per_day", "put back by sodium bicarbonate", "g/day",
             ("nitrification_alkalinity_eq_per_day",),
             lambda v: v["nitrification_alkalinity_eq_per_day"] * carbonate.NAHCO3_G_PER_EQ,
             "84.0066 g an equivalent (IUPAC masses)", {}),
        Work("denitrified_gN_per_day", "nitrogen leaving as gas in the reactor", "g N/day",
             ("flow_L_per_min", "nitrate_in_mgN_per_L", "nitrate_out_mgN_per_L", "nitrite_in_mgN_per_L",
              "nitrite_out_mgN_per_L"),
             lambda v: load.denitrification_gN_day(
                 v["flow_L_per_min"], v["nitrate_in_mgN_per_L"], v["nitrate_out_mgN_per_L"],
                 v["nitrite_in_mgN_per_L"], v["nitrite_out_mgN_per_L"]),
             "mass balance over the reactor",
             {"flow_L_per_min": (0.0, 1e5)} | {f"{n}_{d}_mgN_per_L": (0.0, 5000.0) for n in ("nitrate", "nitrite")
                                               for d in ("in", "out")}),
    ]  # fmt: skip


LOAD = Command(
    "load",
    "ammonia from feed or excretion, what a biofilter bed takes, oxygen and alkalinity it uses",
    "Planning figures: beds differ by a factor of two and more, and this shed's own tests are better. Feed "
    "(with its protein) or the animals' excretion gives the load; media or bed area, temperature, salinity and "
    "TAN give what a mature bed takes; nitrate into and out of a reactor gives denitrification.",
    works,
    either=(("feed_g_per_day", "biomass_kg"), ("bed_area_m2", "media_L")),
    cautions=(
        "A bed not used to salt stops when salinity rises, a new one needs weeks: stock follows repeated tests.",
        (
            "A denitrifying reactor that runs out of nitrate makes hydrogen sulfide, which kills people and stock: "
            "keep some nitrate in its outflow and ventilate; local rules on confined space and gas come first."
        ),
    ),
    example="--feed-g-per-day 250 --protein-percent 40 --media-L 200 --media-m2-per-m3 500 --temperature-C 12 "
    "--salinity 33 --tan-mgN-per-L 0.5",
)
