"""What the first shed file is made of, as values: filled by the questions, turned into text by `shedtext`."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.config.sections import WATCH_PARTS

# how a stage is kept going, and what people call it
KINDS: tuple[tuple[str, str], ...] = (
    ("animals", "a tank of animals"),
    ("solids settling", "where solids settle or are caught"),
    ("biofilter", "the biofilter"),
    ("foam", "the foam column"),
    ("sump", "the sump"),
    ("header", "the header tank"),
    ("steriliser", "the steriliser (ultraviolet or ozone)"),
    ("other", "something else"),
)
# the group whose oxygen demand is assumed, the rule set, what people call them; the sets name their sources
SPECIES: tuple[tuple[str, str, str], ...] = (
    ("sea cucumber", "sea_cucumber.toml", "sea cucumbers"),
    ("urchin", "sea_urchin.toml", "sea urchins"),
    ("abalone", "abalone.toml", "abalone"),
    ("oyster", "oyster.toml", "oysters"),
    ("lobster", "lobster.toml", "lobsters"),
    ("", "animals.toml", "others"),
)


@dataclass(slots=True)
class Stop:
    """One stage. rules: of its animals, "" for none."""

    key: str
    name: str
    kind: str
    path: str = "water"
    volume_l: str = ""
    biomass_kg: str = ""
    animals: str = ""
    rules: str = ""
    diffuser_m: str = ""
    watch: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Wire:
    """One probe as the shed file has it. lines: its own settings; channels: point, further settings, comment."""

    name: str
    lines: list[str]
    channels: list[tuple[str, list[str], str]]


@dataclass(slots=True)
class Bus:
    name: str
    comment: str
    lines: list[str]
    wires: list[Wire]


@dataclass(slots=True)
class Plan:
    """A whole first shed file. people: name, number, from which priority."""

    key: str = ""
    name: str = ""
    short_name: str = ""
    time_zone: str = ""
    altitude_m: str = ""
    data: str = "data"
    modem: str = ""
    broker: str = ""
    stops: list[Stop] = field(default_factory=list)
    buses: dict[str, Bus] = field(default_factory=dict)
    people: list[tuple[str, str, str]] = field(default_factory=list)

    def free_key(self, name: str) -> str:
        """A key for a stage of this name: none of another stage, nor of a part of the watch."""
        return slug(name, [*WATCH_PARTS, *(one.key for one in self.stops)])

    def stop(self, key: str) -> Stop:
        return next(one for one in self.stops if one.key == key)

    def points(self) -> list[str]:
        return [point for bus in self.buses.values() for wire in bus.wires for point, _, _ in wire.channels]

    def watched(self, key: str) -> Sequence[str]:
        """What is measured at a stage, and what follows from that."""
        here = [point.partition(".")[2] for point in self.points() if point.startswith(f"{key}.")]
        everywhere = {point.partition(".")[2] for point in self.points()}
        found = list(dict.fromkeys([*here, *self.stop(key).watch]))
        for derived, needs in DERIVED.items():
            near = {"salinity", "barometric_pressure", "temperature"} & everywhere
            if derived not in found and needs <= {*found, *near} and needs & set(here):
                found.append(derived)
        if "air_pressure" in here and self.stop(key).diffuser_m:
            found += ["air_rise", "air_state"]
        if "motor_current" in here:
            found += ["blower_hours", "blower_starts"]
        return found


DERIVED: Mapping[str, frozenset[str]] = {
    "oxygen_saturation": frozenset(("oxygen", "temperature", "salinity")),
    "nh3_n": frozenset(("tan", "ph", "temperature", "salinity")),
}


def slug(text: str, taken: Sequence[str] = ()) -> str:
    """A key of small letters, digits and hyphens for a name; another one where it is taken."""
    base = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:28] or "stage"
    if not base[0].isalpha():
        base = f"s-{base}"
    key, count = base, 1
    while key in taken:
        count += 1
        key = f"{base}-{count}"
    return key
