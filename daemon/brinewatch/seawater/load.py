"""Nitrogen that animals and feed bring, and what a nitrifying bed can carry.

Beds differ by a factor of two and more: these are planning figures with their sources, to be replaced by what this
shed's own tests show. Nitrite comes before nitrate, so a bed that carries its ammonia may still pass nitrite.
"""

from __future__ import annotations

from brinewatch.seawater.carbonate import MG_CACO3_PER_MEQ
from brinewatch.seawater.validity import not_negative, within

N_MOLAR_MASS = 14.0067  # g/mol, IUPAC
O2_G_PER_G_N = 2.0 * 31.998 / N_MOLAR_MASS  # 4.57: NH4+ + 2 O2 -> NO3- + H2O + 2 H+
ALKALINITY_EQ_PER_G_N = 2.0 / N_MOLAR_MASS  # 0.143 eq, or 7.14 g as CaCO3: two H+ a nitrogen
TAN_PER_PROTEIN = 0.092  # Timmons & Ebeling, Recirculating Aquaculture (from memory): 0.16 x 0.80 x 0.80 x 0.90

# Nijhof & Bovendeur 1990, Aquaculture 87:133: most that a submerged bed took at 24 degC, g N/(m2 d)
RATE_SEAWATER, RATE_FRESH, RATE_AT_C = 0.28, 0.69, 24.0
# Judgement: half-order below this TAN, and 7 % less a degree; seawater's rate from S 25 up, straight line below
LIMITING_TAN_MGN_L = 2.0
THETA = 1.07
SEAWATER_FROM = 25.0
# Standard uncertainties, as shares (judgement): beds of one make differ by a factor of two either way, and what
# animals make of their feed by a third
RATE_RELATIVE_UNCERTAINTY = 0.5
FEED_RELATIVE_UNCERTAINTY = 0.2


def tan_from_feed_gN_day(feed_g_day: float, protein: float, tan_per_protein: float = TAN_PER_PROTEIN) -> float:
    """Ammonia, g N/day, from feed eaten, g/day, of protein share 0 to 1. Source: see TAN_PER_PROTEIN."""
    not_negative("feed_g_day", feed_g_day, 1e6, "g/day")
    within("protein", protein, 0.0, 1.0)
    within("tan_per_protein", tan_per_protein, 0.0, 0.16)
    return feed_g_day * protein * tan_per_protein


def tan_from_excretion_gN_day(biomass_kg: float, mgN_kg_h: float) -> float:
    """Ammonia, g N/day, from live wet mass, kg, and its excretion, mg N/(kg h)."""
    not_negative("biomass_kg", biomass_kg, 1e5, "kg")
    not_negative("mgN_kg_h", mgN_kg_h, 100.0, "mg N/(kg h)")
    return biomass_kg * mgN_kg_h * 24.0 / 1000.0


def tan_rise_mgN_L_day(load_gN_day: float, volume_L: float) -> float:
    """How fast TAN rises, mg N/L a day, with no bed at all."""
    not_negative("load_gN_day", load_gN_day, 1e5, "g N/day")
    return load_gN_day * 1000.0 / within("volume_L", volume_L, 1.0, 1e8, "L")


def nitrification_oxygen_g(nitrogen_g: float) -> float:
    """Oxygen, g, that nitrifying so much ammonia to nitrate uses: 4.57 g a gram N (stoichiometry, no growth)."""
    return not_negative("nitrogen_g", nitrogen_g, 1e6, "g N") * O2_G_PER_G_N


def nitrification_alkalinity_eq(nitrogen_g: float) -> float:
    """Alkalinity, equivalents, that nitrifying so much ammonia uses: 0.143 a gram N (stoichiometry, no growth)."""
    return not_negative("nitrogen_g", nitrogen_g, 1e6, "g N") * ALKALINITY_EQ_PER_G_N


def nitrification_alkalinity_g_caco3(nitrogen_g: float) -> float:
    """The same as grams CaCO3: 7.14 a gram N."""
    return nitrification_alkalinity_eq(nitrogen_g) * MG_CACO3_PER_MEQ


def highest_rate(temperature_C: float, salinity: float) -> float:
    """Most a mature bed takes however much ammonia there is, g N/(m2 d): Nijhof & Bovendeur 1990 by temperature.

    A bed not used to salt stops when S rises: 25 at once is full inhibition (Kinyage et al. 2019).
    """
    t = within("temperature_C", temperature_C, 0.0, 36.0, "degC")
    s = within("salinity", salinity, 0.0, 45.0)
    sea = min(s / SEAWATER_FROM, 1.0)
    return float((RATE_FRESH + (RATE_SEAWATER - RATE_FRESH) * sea) * THETA ** (t - RATE_AT_C))


def nitrification_rate(tan_mgN_L: float, temperature_C: float, salinity: float) -> float:
    """What a mature bed takes at this TAN, g N/(m2 d): half-order up to 2 mg N/L, then highest_rate (judgement)."""
    tan = not_negative("tan_mgN_L", tan_mgN_L, 1000.0, "mg N/L")
    return float(highest_rate(temperature_C, salinity) * min(1.0, tan / LIMITING_TAN_MGN_L) ** 0.5)


def bed_area_m2(media_L: float, specific_m2_m3: float) -> float:
    """Protected surface, m2, of so many litres of media of so many m2/m3 (300 to 900 by make)."""
    not_negative("media_L", media_L, 1e7, "L")
    within("specific_m2_m3", specific_m2_m3, 10.0, 5000.0, "m2/m3")
    return media_L / 1000.0 * specific_m2_m3


def bed_capacity_gN_day(area_m2: float, tan_mgN_L: float, temperature_C: float, salinity: float) -> float:
    """Ammonia, g N/day, a mature bed of this area takes at this TAN."""
    not_negative("area_m2", area_m2, 1e7, "m2")
    return area_m2 * nitrification_rate(tan_mgN_L, temperature_C, salinity)


def tan_in_balance_mgN_L(load_gN_day: float, area_m2: float, temperature_C: float, salinity: float) -> float:
    """TAN, mg N/L, at which a mature bed takes just this load; ValueError when no TAN makes it take so much."""
    not_negative("load_gN_day", load_gN_day, 1e5, "g N/day")
    within("area_m2", area_m2, 0.01, 1e7, "m2")
    most = area_m2 * highest_rate(temperature_C, salinity)
    within("load_gN_day", load_gN_day, 0.0, most, "g N/day (the most this bed can take)")
    return LIMITING_TAN_MGN_L * (load_gN_day / most) ** 2


def denitrification_gN_day(
    flow_L_min: float,
    nitrate_in_mgN_L: float,
    nitrate_out_mgN_L: float,
    nitrite_in_mgN_L: float = 0.0,
    nitrite_out_mgN_L: float = 0.0,
) -> float:
    """Nitrogen, g N/day, that leaves as gas in a denitrifying reactor: nitrate lost less nitrite gained, by the
    flow.

    Negative when more comes out than went in. A reactor that takes the last nitrate goes on to sulfate and makes
    hydrogen sulfide: keep some nitrate in its outflow, and ventilate (mind local rules on confined space and gas).
    """
    not_negative("flow_L_min", flow_L_min, 1e5, "L/min")
    for name, value in (
        ("nitrate_in_mgN_L", nitrate_in_mgN_L),
        ("nitrate_out_mgN_L", nitrate_out_mgN_L),
        ("nitrite_in_mgN_L", nitrite_in_mgN_L),
        ("nitrite_out_mgN_L", nitrite_out_mgN_L),
    ):
        not_negative(name, value, 5000.0, "mg N/L")
    lost = nitrate_in_mgN_L + nitrite_in_mgN_L - nitrate_out_mgN_L - nitrite_out_mgN_L
    return flow_L_min * 1440.0 * lost / 1000.0
