"""Rules to be tried on a shed in place of its own: for a rehearsal, never for a watch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Instead:
    """What stands in place of, or beside, what a shed file names.

    texts: rule files by name, in place of those of the same name, else in every stage beside those there are;
    overrides: more of them, each with the file it is from; ages: seconds for which a reading of a point counts at
    least, where the readings to be tried lie further apart than the probes of the shed are read.
    """

    texts: Mapping[str, str] = field(default_factory=dict)
    overrides: tuple[tuple[str, Mapping[str, Any]], ...] = ()
    ages: Mapping[str, float] = field(default_factory=dict)


NOTHING = Instead()
