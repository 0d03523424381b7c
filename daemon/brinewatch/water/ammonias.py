"""Works of `water ammonia`."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from brinewatch.seawater import ammonia
from brinewatch.seawater.ph import SCALES, Scale, convert
from brinewatch.water.work import Choice, Choices, Command, Note, Values, Work

# name at the terminal: key of ammonia.FORMULATIONS, stated range
_FORMULATIONS = {
    "epa-1989": ("epa1989", {"temperature_C": (0.0, 40.0), "salinity": (0.0, 40.0)}),
    "bell-2007": ("bell2007", {"temperature_C": (0.0, 35.0), "salinity": (0.0, 40.0)}),
    "clegg-whitfield-1995": ("clegg_whitfield1995", {"temperature_C": (-2.0, 40.0), "salinity": (0.0, 40.0)}),
    "emerson-1975": ("emerson1975", {"temperature_C": (0.0, 40.0)}),
}
_FRESH = "emerson-1975"
_LIMITS = {"temperature_C": (-2.0, 40.0), "salinity": (0.0, 45.0), "ph": (4.5, 11.5)}
_FH_STATED = {"salinity": (20.0, 40.0)}
SCALE_NAMES = {
    "nbs": "as an electrode calibrated in ordinary buffers reads",
    "free": "free hydrogen ion",
    "total": "total scale, as tris buffer in seawater gives",
    "seawater": "seawater scale",
}


def _salinity_free(name: str, scale: str) -> bool:
    return name == _FRESH and scale == "nbs"


def _fraction(name: str, scale: Scale) -> Callable[[Values], float]:
    key = _FORMULATIONS[name][0]
    return lambda v: ammonia.fraction(v["temperature_C"], v.get("salinity", 0.0), v["ph"], key, scale)


def _own(name: str, scale: Scale) -> Callable[[Values, float], float]:
    key = _FORMULATIONS[name][0]

    def own(v: Values, result: float) -> float:
        t, s = v["temperature_C"], v.get("salinity", 0.0)
        return result * ammonia.relative_spread(t, s, convert(v["ph"], scale, "nbs", t, s), key)

    return own


def _crosses(name: str, scale: str) -> bool:
    """Whether the pH has to be brought from the NBS scale to another, or back."""
    return (ammonia.FORMULATIONS[_FORMULATIONS[name][0]].scale == "nbs") is not (scale == "nbs")


def _share_work(name: str, scale: Scale, output: str, words: str, second: str = "") -> Work:
    fresh = _salinity_free(name, scale)
    key, stated = _FORMULATIONS[name]
    return Work(
        output, words, "", ("temperature_C", "ph") if fresh else ("temperature_C", "salinity", "ph"),
        _fraction(name, scale), ammonia.FORMULATIONS[key].source + ("; pH scale by Takahashi et al. 1982"
        if _crosses(name, scale) else ""), _LIMITS, stated,
        _own(name, scale), optional=("salinity",) if fresh else (), second=second,
    )  # fmt: skip


def works(choices: Choices) -> list[Work]:
    """The un-ionized share of total ammonia, as N and as NH3, and the same by the other formulations."""
    used, scale = choices["formulation"], cast("Scale", choices["ph_scale"])
    return [
        _share_work(used, scale, "uia_fraction", "un-ionized share of total ammonia"),
        Work("uia_mgN_per_L", "un-ionized ammonia as nitrogen", "mg N/L", ("tan_mgN_per_L", "uia_fraction"),
             lambda v: ammonia.nh3_n_from_tan(v["tan_mgN_per_L"], v["uia_fraction"]),
             "share times total ammonia", {"tan_mgN_per_L": (0.0, 10000.0)}),
        Work("uia_mgNH3_per_L", "un-ionized ammonia as NH3", "mg NH3/L", ("uia_mgN_per_L",),
             lambda v: ammonia.nh3_from_n(v["uia_mgN_per_L"]), "IUPAC atomic masses: 1 mg N is 1.216 mg NH3", {}),
        *(_share_work(name, scale, f"uia_fraction_by_{name.replace('-', '_')}",
                      f"by {name}{', for fresh water' if name == _FRESH else ''}", "uia_fraction")
          for name in _FORMULATIONS if name != used),
    ]  # fmt: skip


def notes(values: Values, choices: Choices) -> list[Note]:
    """Which side the default errs to, a fresh-water equation in the sea, fH where it is not known."""
    found: list[Note] = []
    name, scale = choices["formulation"], choices["ph_scale"]
    salinity = values.get("salinity")
    if salinity is None:
        return found
    if name == "epa-1989" and salinity >= 10.0 and scale == "nbs":
        text = "US EPA 1989 stands 13 to 20 % above Clegg & Whitfield 1995 in seawater: the safe side."
        found.append(Note(text, text))
    if name == _FRESH and salinity > 1.0:
        text = "Emerson et al. 1975 is for fresh water: in seawater it reads 28 to 41 % too high."
        found.append(Note(text, text))
    low, high = _FH_STATED["salinity"]
    if _crosses(name, scale) and not low <= salinity <= high:
        text = f"The step between the NBS scale and others is known for salinity {low:g} to {high:g} only."
        found.append(Note(text, text))
    return found


AMMONIA = Command(
    "ammonia",
    "un-ionized ammonia from total ammonia, pH, temperature and salinity",
    "The share of total ammonia that is un-ionized (NH3), and from TAN the concentration, as nitrogen and as "
    "NH3: compare a limit with the one it was stated in. The pH belongs to a scale: an electrode calibrated in "
    "ordinary buffers reads on the NBS scale. The default US EPA 1989 (saltwater) on an NBS pH stands 13 to 20 "
    "% above Clegg & Whitfield 1995: the safe side. For fresh water take --formulation emerson-1975. What the "
    "formulations differ by is part of the uncertainty.",
    works,
    choices={
        "formulation": Choice({n: ammonia.FORMULATIONS[k].source for n, (k, _) in _FORMULATIONS.items()},
                              "published constant"),
        "ph_scale": Choice({name: SCALE_NAMES[name] for name in SCALES}, "scale of the pH given"),
    },
    columns=("temperature_C", "salinity", "ph", "tan_mgN_per_L"),
    appended=("uia_fraction", "uia_mgN_per_L", "uia_mgNH3_per_L"),
    notes=notes,
    example="--temperature-C 12 --salinity 33 --ph 8.0 --tan-mgN-per-L 0.5",
)  # fmt: skip
