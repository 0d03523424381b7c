"""Faults of known kind, place and size put into a sonde's record, and how well the flags find them.

A fault's size is counted in `SIZE`, about two to three standard deviations of the quantity in the record: an error
somebody would act on. By sample: every row of every column is faulty (it was changed by more than a quarter of
SIZE, or is frozen or lost), sound (untouched), or of no account (changed by less, or worked out by the instrument
from what was changed). Recall: flagged among faulty; precision: faulty among flagged. By episode: an episode is
found when at least half of its faulty rows are flagged.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from brinewatch.moment import Moment
from brinewatch.readings import Flag, Sample
from brinewatch.seawater.oxygen import benson_krause
from brinewatch.seawater.salinity import salinity_from_specific_conductance
from brinewatch.signals.hindsight import Hindsight
from brinewatch.signals.limits import Quality
from checkvalues import rows

COLUMNS = {
    "temperature": "Temp", "specific_conductance": "SpCond", "salinity": "Sal", "oxygen_saturation": "DO_Pct",
    "oxygen": "DO_mgl", "depth": "Depth", "ph": "pH", "turbidity": "Turb",
}  # fmt: skip
SIZE = {
    "temperature": 3.0, "specific_conductance": 8.0, "salinity": 5.0, "oxygen_saturation": 45.0, "oxygen": 3.5,
    "depth": 0.45, "ph": 0.8, "turbidity": 150.0,
}  # fmt: skip
DECIMALS = {"specific_conductance": 2, "depth": 2, "turbidity": 0}
FLOOR = {"temperature": -5.0, "ph": 0.0, "depth": -1.0, "turbidity": -5.0}
KINDS = ("spike", "freeze", "step", "drift", "drop-out", "out of water", "noise")
SPACING_S = 900.0
QUARTER_HOURS = 4

Row = dict[str, float | None]


@dataclass
class Episode:
    """One fault: its kind, the column it is in ("" for the whole instrument), and its faulty cells."""

    kind: str
    column: str
    cells: set[tuple[int, str]] = field(default_factory=set)


def record() -> list[Row]:
    """The estuary record, 15 minutes a row, from its first day on."""
    return [
        {quantity: float(row[column]) if row[column] else None for quantity, column in COLUMNS.items()}
        for row in rows("estuary-sonde-gndbl-2021.csv.gz")
    ]


class Spoiler:
    """Puts faults into a copy of a record. joint: as a sensor would, the numbers worked out from it going along."""

    def __init__(self, clean: Sequence[Row], seed: int, *, joint: bool) -> None:
        self.clean = clean
        self.rows = [dict(row) for row in clean]
        self.random = random.Random(seed)
        self.joint = joint
        self.episodes: list[Episode] = []
        self.of_no_account: set[tuple[int, str]] = set()
        self._busy: dict[str, list[tuple[int, int]]] = {}

    def spoil(self) -> None:
        """One episode of each kind in each column, three spikes to an episode; one lift out of the water."""
        self._out_of_water()
        for column in COLUMNS:
            if self.joint and column in ("salinity", "oxygen"):
                continue  # worked out by the instrument
            for kind in KINDS:
                if kind != "out of water":
                    self._episode(kind, column)

    def _place(self, columns: Iterable[str], length: int) -> int:
        """A start where nothing is missing and no other fault lies within half a day."""
        columns = list(columns)
        for _ in range(2000):
            start = self.random.randrange(8, len(self.clean) - length - 8)
            near = range(start - 8, start + length + 8)
            apart = all(
                start - 48 > end or start + length + 48 < begin
                for column in columns
                for begin, end in self._busy.get(column, [])
            )
            if apart and all(self.clean[at][column] is not None for at in near for column in columns):
                for column in columns:
                    self._busy.setdefault(column, []).append((start, start + length))
                return start
        raise AssertionError("no place left in the record")

    def _episode(self, kind: str, column: str) -> None:
        pick, size = self.random, SIZE[column]
        hours = {
            "spike": 6.0, "freeze": pick.uniform(8, 24), "step": pick.uniform(6, 12), "drift": pick.uniform(48, 72),
            "drop-out": pick.uniform(2, 6), "noise": pick.uniform(6, 12),
        }  # fmt: skip
        length = round(hours[kind] * QUARTER_HOURS)
        start = self._place([column], length)
        episode = Episode(kind, column)
        sign, share = pick.choice((-1.0, 1.0)), pick.uniform(0.8, 1.5)
        frozen = self.clean[start][column]
        places = (
            pick.sample(range(start, start + length, 4), 3) if kind == "spike" else range(start, start + length)
        )
        lost = pick.choice((None, 0.0))
        for at in places:
            true = self.clean[at][column]
            assert true is not None
            if kind == "spike":
                value: float | None = true + pick.choice((-1.0, 1.0)) * pick.uniform(0.8, 1.5) * size
            elif kind == "freeze":
                value = frozen
            elif kind == "step":
                value = true + sign * share * size
            elif kind == "drift":
                value = true + sign * 1.5 * share * size * (at - start) / length
            elif kind == "drop-out":
                value = lost
            else:
                value = true + pick.gauss(0.0, 0.5 * share * size)
            self._put(episode, at, column, value, always=kind in ("freeze", "drop-out"))
        self.episodes.append(episode)

    def _put(self, episode: Episode, at: int, column: str, value: float | None, *, always: bool = False) -> None:
        true = self.clean[at][column]
        assert true is not None
        if value is not None:
            value = round(max(value, FLOOR.get(column, 0.0)), DECIMALS.get(column, 1))
        self.rows[at][column] = value
        if always or value is None or abs(value - true) > SIZE[column] / 4:
            episode.cells.add((at, column))
        else:
            self.of_no_account.add((at, column))
        self._follow(at, column)

    def _followers(self, column: str) -> tuple[str, ...]:
        follow = {"specific_conductance": ("salinity", "oxygen"), "oxygen_saturation": ("oxygen",),
                  "temperature": ("salinity", "oxygen")}  # fmt: skip
        return follow.get(column, ()) if self.joint else ()

    def _follow(self, at: int, column: str) -> None:
        """What the instrument works out from a wrong number is wrong with it, and of no account."""
        row = self.rows[at]
        for follower in self._followers(column):
            self.of_no_account.add((at, follower))
            warm, saturation = row["temperature"], row["oxygen_saturation"]
            conducts, salt = row["specific_conductance"], row["salinity"]
            try:
                if follower == "salinity":
                    assert conducts is not None
                    row[follower] = round(salinity_from_specific_conductance(conducts, warm or 0.0), 1)
                else:
                    assert saturation is not None
                    row[follower] = round(saturation / 100 * benson_krause(warm or 0.0, salt or 0.0), 1)
            except (ValueError, AssertionError):
                row[follower] = None

    def _out_of_water(self) -> None:
        """The whole instrument lifted out: no conductance, no depth, oxygen of air, temperature of air."""
        pick = self.random
        length = round(pick.uniform(2, 8) * QUARTER_HOURS)
        start = self._place(COLUMNS, length)
        episode = Episode("out of water", "")
        warmer = pick.uniform(-4, 4)
        for at in range(start, start + length):
            warm = (self.clean[at]["temperature"] or 0.0) + warmer
            full = pick.gauss(99.0, 1.5)
            air = {
                "temperature": warm, "specific_conductance": pick.uniform(0.0, 0.05), "salinity": 0.0,
                "oxygen_saturation": full, "oxygen": full / 100 * benson_krause(warm, 0.0),
                "depth": pick.gauss(0.0, 0.01), "turbidity": pick.uniform(0, 2),
            }  # fmt: skip
            for column, value in air.items():
                self.rows[at][column] = round(max(value, FLOOR.get(column, 0.0)), DECIMALS.get(column, 1))
                episode.cells.add((at, column))
            episode.cells.add((at, "ph"))
        self.episodes.append(episode)


def flags(spoilt: Sequence[Row], settings: Mapping[str, Quality], *, live: bool = False) -> list[dict[str, Flag]]:
    """The final flag (or the live one) of every cell."""
    judge = Hindsight({f"sonde.{quantity}": settings[quantity] for quantity in COLUMNS})
    start = Moment(1000.0, 1_625_184_000.0, True)
    done = []
    for number, row in enumerate(spoilt):
        at = start.later(number * SPACING_S)
        samples = {
            f"sonde.{quantity}": Sample(
                f"sonde.{quantity}", value, value, at, "sonde", Flag.PASS if value is not None else Flag.MISSING
            )
            for quantity, value in row.items()
        }
        done += list(judge.take(samples, at))
    done += list(judge.close())
    return [
        {
            quantity: one.live[f"sonde.{quantity}"].flag if live else one.final[f"sonde.{quantity}"][0]
            for quantity in COLUMNS
        }
        for one in done
    ]


@dataclass
class Score:
    """Counts by kind of fault, over as many records as were added."""

    found: dict[str, int] = field(default_factory=dict)
    faulty: dict[str, int] = field(default_factory=dict)
    seen: dict[str, int] = field(default_factory=dict)
    episodes: dict[str, int] = field(default_factory=dict)
    false: dict[str, int] = field(default_factory=dict)
    sound: int = 0

    def add(self, spoiler: Spoiler, flagged: Sequence[Mapping[str, Flag]]) -> None:
        faulty = set().union(*(episode.cells for episode in spoiler.episodes))
        bad = {
            (at, column) for at, row in enumerate(flagged) for column, flag in row.items() if flag >= Flag.SUSPECT
        }
        gone = {(at, column) for at, row in enumerate(spoiler.clean) for column in row if row[column] is None}
        for episode in spoiler.episodes:
            kind, cells = episode.kind, episode.cells
            hit = len(cells & bad)
            self.found[kind] = self.found.get(kind, 0) + hit
            self.faulty[kind] = self.faulty.get(kind, 0) + len(cells)
            self.seen[kind] = self.seen.get(kind, 0) + (2 * hit >= len(cells))
            self.episodes[kind] = self.episodes.get(kind, 0) + 1
        for _, column in bad - faulty - gone - spoiler.of_no_account:
            self.false[column] = self.false.get(column, 0) + 1
        self.sound += sum(len(row) for row in spoiler.clean) - len(faulty) - len(gone)

    @property
    def recall(self) -> float:
        return sum(self.found.values()) / sum(self.faulty.values())

    @property
    def precision(self) -> float:
        found = sum(self.found.values())
        return found / (found + sum(self.false.values()))

    @property
    def episode_recall(self) -> float:
        return sum(self.seen.values()) / sum(self.episodes.values())
