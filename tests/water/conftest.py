"""How these tests ask: the real command line, its output as bytes."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from brinewatch.cli import main
from water.asking import Answer, Ask


@pytest.fixture
def water(capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch) -> Ask:
    """`brinewatch water WORDS`; an argparse refusal gives its exit code too."""
    monkeypatch.setenv("COLUMNS", "80")

    def ask(*words: str) -> Answer:
        try:
            code = main(["water", *words])
        except SystemExit as leaving:
            code = int(leaving.code or 0)
        sys.stdout.flush()
        got = capfdbinary.readouterr()
        return Answer(code, got.out, got.err.decode())

    return ask


@pytest.fixture
def on_file(water: Ask, tmp_path: Path) -> Ask:
    """A command on a file of these bytes or rows of text."""

    def ask(name: str, content: bytes | Sequence[str], *words: str) -> Answer:
        path = tmp_path / "in.csv"
        path.write_bytes(content if isinstance(content, bytes) else ("\n".join(content) + "\n").encode())
        return water(name, "--csv", str(path), *words)

    return ask
