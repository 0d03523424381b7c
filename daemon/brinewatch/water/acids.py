"""Works of `water ph`, `water co2` and `water dose`."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, log
from typing import cast

from brinewatch.seawater import carbonate, electrode
from brinewatch.seawater.ph import SCALES, Scale, conversion_uncertainty, convert
from brinewatch.water.ammonias import SCALE_NAMES
from brinewatch.water.work import Choice, Choices, Command, Note, Values, Work, absolute

_SCALES = (
    "Dickson 1990 (sulfate), Dickson & Riley 1979 (fluoride)",
    "Takahashi et al. 1982, GEOSECS Pacific Expedition vol. 3 (fH), Dickson 1990 (sulfate)",
)
_BUFFERS = (
    "NBS/NIST: Bates 1973; Covington et al. 1985; 4.01, 7.00 and 10.01 by the table technical buffers come with"
)
_BUFFER_UNCERTAINTY = 0.01  # judgement: tables to 0.01, labels to 0.01 or 0.02
_WATER = {"temperature_C": (-2.0, 45.0), "salinity": (0.0, 45.0), "ph": (2.5, 11.5)}
_CO2_WATER = {"temperature_C": (0.0, 38.0), "salinity": (15.0, 45.0)}
_CO2_STATED = {"temperature_C": (2.0, 35.0), "salinity": (19.0, 43.0)}
_LUEKER = "Lueker et al. 2000, Mar. Chem. 70:105; borate Uppstrom 1974, Dickson 1990"
_SCALE = {"ph_scale": Choice({name: SCALE_NAMES[name] for name in SCALES}, "scale of the pH given")}


def _on(scale: Scale, to: Scale) -> Work:
    crosses = (scale == "nbs") is not (to == "nbs")
    return Work(
        f"ph_{to}", f"pH on the {to if to != 'nbs' else 'NBS'} scale", "", ("ph", "temperature_C", "salinity"),
        lambda v: convert(v["ph"], scale, to, v["temperature_C"], v["salinity"]), _SCALES[crosses], _WATER,
        {"salinity": (20.0, 40.0)} if crosses else {}, absolute(conversion_uncertainty(scale, to)),
    )  # fmt: skip


def _buffer(nominal: str) -> Work:
    return Work(
        f"buffer_{nominal.replace('.', '_')}_ph", f"buffer {nominal}", "", ("temperature_C",),
        lambda v: electrode.buffer_ph(nominal, v["temperature_C"]), _BUFFERS, {"temperature_C": (0.0, 50.0)},
        own=absolute(_BUFFER_UNCERTAINTY),
    )  # fmt: skip


def ph_works(choices: Choices) -> list[Work]:
    """The pH on the other scales, the Nernst slope, and what buffers are at this temperature."""
    scale = cast("Scale", choices["ph_scale"])
    return [
        *(_on(scale, to) for to in SCALES if to != scale),
        Work("nernst_slope_mV_per_ph", "Nernst slope of a perfect electrode", "mV/pH", ("temperature_C",),
             lambda v: electrode.nernst_slope_mV(v["temperature_C"]), "ln 10 R T / F, CODATA 2018",
             {"temperature_C": (-5.0, 100.0)}),
        *map(_buffer, electrode.BUFFERS),
        Work("tris_ph_total", "tris buffer in seawater, total scale", "", ("temperature_C", "salinity"),
             lambda v: electrode.tris_ph_total(v["temperature_C"], v["salinity"]),
             "DelValls & Dickson 1998, Deep-Sea Res. I 45:1541",
             {"temperature_C": (0.0, 45.0), "salinity": (20.0, 40.0)},
             own=absolute(0.002)),
    ]  # fmt: skip


def _alkalinity() -> list[Work]:
    return [
        Work("alkalinity_meq_per_L", "total alkalinity", "meq/L", ("alkalinity_dKH",),
             lambda v: v["alkalinity_dKH"] / carbonate.DKH_PER_MEQ_L, "1 meq/L is 2.804 dKH",
             {"alkalinity_dKH": (0.0, 56.0)}),
        Work("alkalinity_meq_per_L", "total alkalinity", "meq/L", ("alkalinity_mgCaCO3_per_L",),
             lambda v: v["alkalinity_mgCaCO3_per_L"] / carbonate.MG_CACO3_PER_MEQ, "1 meq/L is 50.04 mg CaCO3/L",
             {"alkalinity_mgCaCO3_per_L": (0.0, 1000.0)}),
    ]  # fmt: skip


_FORMS = ("alkalinity_meq_per_L", "alkalinity_dKH", "alkalinity_mgCaCO3_per_L")


def _solved(v: Values) -> carbonate.Carbonate:
    return carbonate.from_ph_and_alkalinity(
        v["ph_total"], v["alkalinity_umol_per_kg"], v["temperature_C"], v["salinity"]
    )


def _carbonate_share(v: Values, more: float = 0.0) -> float:
    return hypot(more, carbonate.co2_relative_uncertainty(
        v["ph_total"], v["alkalinity_umol_per_kg"], v["temperature_C"], v["salinity"]))  # fmt: skip


def _state(choices: Choices) -> list[Work]:
    """Alkalinity in micromol/kg and pH on the total scale, as the constants want them."""
    scale = cast("Scale", choices["ph_scale"])
    return [
        *_alkalinity(),
        Work("alkalinity_umol_per_kg", "total alkalinity", "umol/kg",
             ("alkalinity_meq_per_L", "temperature_C", "salinity"),
             lambda v: carbonate.umol_kg_from_meq_L(v["alkalinity_meq_per_L"], v["temperature_C"], v["salinity"]),
             "density by EOS-80 (UNESCO 44)", {"alkalinity_meq_per_L": (0.0, 20.0)}),
        _on(scale, "total"),
    ]  # fmt: skip


def co2_works(choices: Choices) -> list[Work]:
    """Free CO2 from pH and alkalinity."""
    needs = ("ph_total", "alkalinity_umol_per_kg", "temperature_C", "salinity")

    def work(
        output: str, words: str, unit: str, value: Callable[[carbonate.Carbonate], float], more: float
    ) -> Work:
        return Work(output, words, unit, needs, lambda v: value(_solved(v)), _LUEKER, _CO2_WATER, _CO2_STATED,
                    lambda v, result: result * _carbonate_share(v, more))  # fmt: skip

    solubility = log(10.0) * carbonate.PK_UNCERTAINTY["co2"]
    return [
        *_state(choices),
        work("co2_mg_per_L", "free carbon dioxide", "mg/L", lambda c: c.co2_mg_per_litre, 0.0),
        work("co2_umol_per_kg", "free carbon dioxide", "umol/kg", lambda c: c.co2, 0.0),
        work("co2_fugacity_microatm", "its fugacity; outdoor air holds some 420", "microatm", lambda c: c.fco2,
             solubility),
    ]  # fmt: skip


def co2_notes(values: Values, choices: Choices) -> list[Note]:
    """A pH read on the wrong scale moves free CO2 by 40 %."""
    if choices["ph_scale"] == "nbs":
        text = (
            "The pH is taken as NBS (ordinary buffers); were it on the total scale, free CO2 would be 30 % lower."
        )
        return [Note(text, text)]
    return []


def _raise(v: Values) -> tuple[float, float]:
    low, high = v["alkalinity_meq_per_L"], v["target_alkalinity_meq_per_L"]
    if high < low:
        raise ValueError(
            f"target_alkalinity_meq_per_L = {high:g} is below the alkalinity there is, {low:.3g}: nothing to add"
        )
    return low, high


def _ph_after(v: Values, scale: Scale) -> float:
    low, high = _raise(v)
    t, s = v["temperature_C"], v["salinity"]
    added = carbonate.umol_kg_from_meq_L(high - low, t, s)
    after = carbonate.ph_after_bicarbonate(v["ph_total"], v["alkalinity_umol_per_kg"], added, t, s)
    return convert(after, "total", scale, t, s)


def dose_works(choices: Choices) -> list[Work]:
    """What raises the alkalinity, and the pH just after."""
    scale = cast("Scale", choices["ph_scale"])
    needs = ("volume_L", "alkalinity_meq_per_L", "target_alkalinity_meq_per_L")
    limits = {"volume_L": (0.0, 1e7), "alkalinity_meq_per_L": (0.0, 20.0),
              "target_alkalinity_meq_per_L": (0.0, 20.0)}  # fmt: skip
    return [
        *_state(choices),
        Work("bicarbonate_g", "sodium bicarbonate, dry and pure", "g", needs,
             lambda v: carbonate.bicarbonate_dose_g(v["volume_L"], *_raise(v)),
             "84.0066 g an equivalent (IUPAC masses)", limits),
        Work("carbonate_g", "or sodium carbonate (it lifts the pH at once)", "g", needs,
             lambda v: carbonate.carbonate_dose_g(v["volume_L"], *_raise(v)),
             "52.9942 g an equivalent (IUPAC masses)", limits),
        Work("ph_just_after_bicarbonate", f"pH ({scale}) just after the bicarbonate, CO2 kept in", "",
             ("ph_total", "alkalinity_umol_per_kg", *needs[1:], "temperature_C", "salinity"),
             lambda v: _ph_after(v, scale), _LUEKER, _CO2_WATER | {k: limits[k] for k in needs[1:]}, _CO2_STATED,
             absolute(0.01)),
    ]  # fmt: skip


PH = Command(
    "ph",
    "pH between scales, Nernst slope, what calibration buffers are at their temperature",
    "A pH is a number on a scale. An electrode calibrated in ordinary buffers (4.01, 7.00, 10.01) reads on the "
    "NBS scale; at salinity 35 the total scale lies about 0.1 lower. The step between NBS and the others is "
    "known for salinity 20 to 40, and a field electrode's liquid junction adds an error of its own. A buffer "
    "has its printed pH at 25 degC only.",
    ph_works,
    choices=_SCALE,
    example="--temperature-C 12 --salinity 33 --ph 8.0",
)

CO2 = Command(
    "co2",
    "free carbon dioxide from pH and alkalinity",
    "Free CO2 of seawater, salinity 15 to 45. Much CO2 in a shed means too little air through the water or the "
    "room. Ammonia, phosphate and silicate are left out of the alkalinity.",
    co2_works,
    choices=_SCALE,
    either=(_FORMS,),
    columns=("temperature_C", "salinity", "ph", "alkalinity_meq_per_L"),
    appended=("co2_mg_per_L", "co2_fugacity_microatm"),
    notes=co2_notes,
    cautions=("CO2 is heavier than air and gathers in low, closed rooms: ventilate before work there.",),
    example="--temperature-C 12 --salinity 33 --ph 8.0 --alkalinity-meq-per-L 2.3",
)

DOSE = Command(
    "dose",
    "sodium bicarbonate or carbonate that raises the alkalinity",
    "Grams for the whole volume. With --ph, --temperature-C and --salinity (15 to 45) also the pH just after "
    "bicarbonate is stirred in, before the air drives CO2 off.",
    dose_works,
    choices=_SCALE,
    either=(_FORMS,),
    cautions=(
        (
            "Dissolve first, give it in small steps over hours with the air on, and measure between steps. Common "
            "practice, no source: not more than 0.1 to 0.2 pH a day."
        ),
        "Rising pH raises the un-ionized share of ammonia: test TAN before dosing, see `brinewatch water ammonia`.",
        "Sodium carbonate is an irritant and heats in water: goggles, gloves, powder into water, follow its sheet.",
    ),
    example="--volume-L 4000 --alkalinity-meq-per-L 1.8 --target-alkalinity-meq-per-L 2.3",
)
