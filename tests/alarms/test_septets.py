"""The GSM 7-bit alphabet, against published counts and a library that is not ours.

checkvalues/gsm_septets.csv: counts from the public test suite named in each row, the alphabet of 3GPP TS 23.038.
"""

from __future__ import annotations

import ast
import csv
import re
from pathlib import Path

import pytest

from brinewatch.alarms.septets import DEFAULT, EXTENSION, plain, septets

FILE = Path(__file__).parents[1] / "checkvalues" / "gsm_septets.csv"


def rows() -> list[tuple[str, str]]:
    with FILE.open(encoding="utf-8", newline="") as lines:
        return [(row["input"], row["expected"]) for row in csv.DictReader(lines)]


def text_of(given: str) -> str:
    """'x'*160 and 'x'*79+'y' as they stand in the table; anything else is the text itself."""
    parts = re.findall(r"'(.)'(?:\*(\d+))?", given)
    if not given.startswith("'"):
        return given
    return "".join(ast.literal_eval(f"'{one}'") * int(times or 1) for one, times in parts)


@pytest.mark.parametrize(("given", "expected"), rows(), ids=[given for given, _ in rows()])
def test_published_counts(given: str, expected: str) -> None:
    kind, units = re.findall(r"(gsm7|ucs2) units=(\d+)", expected)[0]
    assert septets(text_of(given)) == (int(units) if kind == "gsm7" else None)


def test_the_alphabet_has_its_size() -> None:
    # TS 23.038: 128 codes, one of them the escape; the extension table has ten characters
    assert len(set(DEFAULT)) == 128
    assert len(set(EXTENSION.values())) == 10
    assert not set(DEFAULT) & set(EXTENSION.values())


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("12.1 °C", "12.1 C"),
        ("NH₃ 3 µg", "NH3 3 ug"),
        ("“Nursery” – north", '"Nursery" - north'),
        ("pH ≤ 7.5", "pH <= 7.5"),
        ("Łódź, Čechy, Smørøya", "Lodz, Cechy, Smørøya"),
        ("Täby", "Täby"),
        ("水槽", "??"),
        ("½ tank", "1?2 tank"),
    ],
)
def test_foreign_characters_become_near_ones(given: str, expected: str) -> None:
    assert plain(given) == expected
    assert septets(plain(given)) is not None
