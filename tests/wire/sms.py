"""The published SMS vectors of this folder, by kind."""

from __future__ import annotations

import csv
from pathlib import Path


def vectors(kind: str) -> list[tuple[str, str]]:
    """Input and expected result of each vector of one kind, as text."""
    with Path(__file__).with_name("sms_vectors.csv").open(encoding="utf-8", newline="") as file:
        found = [(row["input"], row["expected"]) for row in csv.DictReader(file) if row["kind"] == kind]
    assert found, f"no vectors of kind {kind}"
    return found
