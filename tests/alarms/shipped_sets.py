"""The rule files that come with the program, read once: whole sets, what each file says itself, and the sources."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from alarms.nights import RULES, shipped
from brinewatch.alarms.rules import Rule
from brinewatch.alarms.ruleset import load_sources

FILES = sorted(path.name for path in RULES.glob("*.toml") if path.name != "sources.toml")
SETS = {name: shipped(name) for name in FILES}
SOURCES = load_sources((RULES / "sources.toml").read_text(encoding="utf-8"), "sources.toml")

# what each file about animals is for, the later species before the earlier
ANIMALS = {
    "sea_urchin.toml": ["Sea urchin (temperate generic)"],
    "sea_urchin_purple.toml": ["Sea urchin (temperate generic)", "Strongylocentrotus purpuratus"],
    "sea_urchin_green.toml": ["Sea urchin (temperate generic)", "Strongylocentrotus droebachiensis"],
    "sea_urchin_red.toml": ["Sea urchin (temperate generic)", "Mesocentrotus franciscanus"],
    "sea_urchin_lividus.toml": ["Sea urchin (temperate generic)", "Paracentrotus lividus"],
    "sea_urchin_evechinus.toml": ["Sea urchin (temperate generic)", "Evechinus chloroticus"],
    "sea_urchin_tripneustes.toml": ["Sea urchin (temperate generic)", "Tripneustes gratilla"],
    "abalone.toml": ["Haliotis spp. (temperate generic)"],
    "abalone_red.toml": ["Haliotis spp. (temperate generic)", "Haliotis rufescens"],
    "abalone_pacific.toml": ["Haliotis spp. (temperate generic)", "Haliotis discus hannai"],
    "sea_cucumber.toml": ["Apostichopus japonicus"],
    "oyster.toml": ["Crassostrea (Magallana) gigas"],
    "bivalve_seed.toml": ["Bivalve seed (oyster/clam generic)"],
    "lobster.toml": ["Homarus americanus"],
    "whelk.toml": ["Buccinum undatum"],
}
# temperatures stand in for those of the group
SPECIES = [name for name in ANIMALS if len(ANIMALS[name]) == 2]
# what a lookout calls for: it judges watches, not water
OTHER_SHEDS = ["other_sheds.toml"]
STAGE_KINDS = {
    "solids.toml": {"head_loss", "water_flow"},
    "foam.toml": {"cup_level", "foam"},
    "steriliser.toml": {"lamp", "lamp_hours"},
    "plumbing.toml": {"siphon", "bypass"},
    "branch_air.toml": {"branch_pressure", "air_flow"},
    "sump.toml": {"water_level", "make_up"},
    "header.toml": {"water_level"},
    "filters.toml": {"oxygen_saturation", "nitrate", "alkalinity", "ph", "tan", "nitrite"},
}
SHED = ["air.toml", "animals.toml", "changes.toml", "startup.toml", "watch.toml"]


def _written(name: str) -> Iterator[dict[str, Any]]:
    for table in tomllib.loads((RULES / name).read_text(encoding="utf-8"))["rule"]:
        shared = {key: value for key, value in table.items() if key != "limit"}
        for limit in table.get("limit", [{}]):
            key = f"{table['key']}-{limit['name']}" if limit else table["key"]
            yield {**shared, **limit, "key": key}


# (file, key) -> the table as it is written, limits of one rule apart
WRITTEN = {(name, table["key"]): table for name in FILES for table in _written(name)}


def _own() -> Iterator[tuple[str, Rule]]:
    for name, ruleset in SETS.items():
        yield from ((name, one) for one in ruleset.rules if (name, one.key) in WRITTEN)


# every rule once, with the file it is written in
OWN = list(_own())
IDS = [f"{name.removesuffix('.toml')}:{one.key}" for name, one in OWN]


def one_of(file: str, key: str) -> Rule:
    return next(one for one in SETS[file].rules if one.key == key)
