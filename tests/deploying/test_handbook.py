"""The handbook is current: made anew from the program, it is the same."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]


def test_the_handbook_says_what_the_program_says() -> None:
    made = subprocess.run(
        [sys.executable, "deploy/handbook", "--check"], cwd=TOP, capture_output=True, text=True, timeout=60,
        env={**os.environ, "PYTHONPATH": str(TOP / "daemon")},
    )  # fmt: skip
    assert made.returncode == 0, f"run: python deploy/handbook\n{made.stderr}"


def test_the_page_for_the_wall_is_one_page_and_says_what_texts_say() -> None:
    text = (TOP / "deploy" / "first-night.md").read_text(encoding="utf-8")
    # A4 with 15 mm margins at 10 pt holds about 60 lines of 110 letters (common practice, no source)
    assert sum(max(1, -(-len(line) // 110)) for line in text.splitlines()) <= 60
    table = text.split("| it says | do first |")[1].split("\n\n")[0]
    said = re.findall(
        r"\b[A-Z][A-Z -]{4,}[A-Z]\b", "\n".join(row.split("|")[1] for row in table.splitlines() if row)
    )
    rules = [tomllib.loads(file.read_text(encoding="utf-8")) for file in (TOP / "rules").glob("*.toml")]
    shorts = {
        str(one.get("short"))
        for each in rules
        for rule in each.get("rule", ())
        for one in (rule, *rule.get("limit", ()))
    }
    assert len(said) >= 15
    assert set(said) <= shorts
    for words in ("OK ALL", "hydrogen sulfide", "licensed electrician", "live seafood", "keeps nothing alive"):
        assert words in text


@pytest.mark.parametrize("name", ["commissioning.md", "wiring.md", "first-night.md", "handbook/front.md"])
def test_what_a_page_links_to_is_there(name: str) -> None:
    page = TOP / "deploy" / name
    # the front is shown as part of the handbook, one folder up
    folder = TOP / "deploy"
    links = re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8"))
    assert name == "first-night.md" or links
    for link in links:
        assert (folder / link).is_file(), link
