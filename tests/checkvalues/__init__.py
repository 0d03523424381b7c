"""Published values that tests hold the program to; README.md names where each comes from."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a table here, plain or gzip, as text by column."""
    path = HERE / name
    with gzip.open(path, "rt") if path.suffix == ".gz" else path.open() as file:
        found = list(csv.DictReader(file))
    assert found, f"{name} has no rows"
    return found
