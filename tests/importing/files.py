"""Sheds and files for the tests of importing: the estuary record of tests/checkvalues, cut and spoilt as asked."""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Iterable, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from brinewatch.cli import main
from brinewatch.config import read_shed
from brinewatch.readings import Reading
from brinewatch.store.reader import StoreReader

CHECKVALUES = Path(__file__).parents[1] / "checkvalues"
RECORD = CHECKVALUES / "estuary-sonde-gndbl-2021.csv.gz"
ESTUARY = (Path(__file__).parents[2] / "deploy" / "examples" / "estuary.toml").read_text(encoding="utf-8")
MEASURED = {
    "Temp": "creek.temperature", "SpCond": "creek.specific_conductance", "DO_mgl": "creek.oxygen", "pH": "creek.ph",
    "Turb": "creek.turbidity", "Depth": "creek.depth", "DO_Pct": "instrument.oxygen_saturation",
    "Sal": "instrument.salinity",
}  # fmt: skip
DERIVED = ("creek.salinity", "creek.oxygen_saturation")
# as the example's bus of kind recorded has it
MAPPED = [
    "--time", "DateTimeStamp", "--time-format", "%m/%d/%Y %H:%M", "--time-zone", "Etc/GMT+6",
    *(word for heading, point in MEASURED.items() for word in ("--column", f"{heading}={point}")),
]  # fmt: skip
# quality tests of every kind on what moves in the creek
QUALITY = {
    "creek.temperature": "{ spike = 0.8, rate_per_min = 0.2, flat_after_s = 7200, low = 27.0 }",
    "creek.ph": "{ spike = 0.3, step = 0.5 }",
    "creek.turbidity": "{ spike = 40, high = 200 }",
}


def estuary(folder: Path, *, quality: bool = False) -> Path:
    """The example's shed in a folder, with no record to be played."""
    text = ESTUARY.replace("../../tests/checkvalues/estuary-sonde-gndbl-2021.csv.gz", "record.csv")
    replay, rest = text.split("[replay]", 1)[0], text.split("[store]", 1)[1]
    text = f"{replay}[store]{rest}"
    for point, limits in QUALITY.items() if quality else ():
        text = text.replace(f'point = "{point}"\n', f'point = "{point}"\naccuracy = 0.1\nquality = {limits}\n')
    folder.mkdir(exist_ok=True)
    write(folder / "record.csv", *rows(1))  # the settings name it
    path = folder / "shed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def rows(many: int | None = None) -> tuple[list[str], list[list[str]]]:
    """The heading and the first rows of the estuary record."""
    with gzip.open(RECORD, "rt", encoding="utf-8", newline="") as file:
        header, *found = list(csv.reader(file))
    return header, found[:many]


def write(path: Path, header: Sequence[str], body: Iterable[Sequence[str]], delimiter: str = ",") -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows([header, *body])
    return path


def ask(capsys: pytest.CaptureFixture[str], shed: Path, file: Path, *words: str) -> tuple[int, dict[str, Any]]:
    """Run the command; its exit code and what it says to programs."""
    capsys.readouterr()
    code = main(["import", str(file), *words, "--json", "--shed", str(shed)])
    return code, json.loads(capsys.readouterr().out)


def kept(shed: Path, points: Iterable[str] = (*MEASURED.values(), *DERIVED)) -> dict[tuple[str, float], Reading]:
    """All readings of these points in a store, by point and instant."""
    with StoreReader(read_shed(shed).data, UTC) as store:
        found = store.readings([point for point in points if point in store.points()], 0.0, 4e9)
        return {(one.point, one.at.utc): one for one in found}


def remarks(shed: Path) -> list[str]:
    """What the journal holds of imports."""
    with StoreReader(read_shed(shed).data, UTC) as store:
        found = [one.fields for one in store.records(["remark"])]
        assert store.check_chain().faults == []
    return [str(one["body"]) for one in found if one["kind"] == "import"]


def changes(shed: Path) -> int:
    """The number of the newest change of a store."""
    with StoreReader(read_shed(shed).data, UTC) as store:
        return store.newest_change()
